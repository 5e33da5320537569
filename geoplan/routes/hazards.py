"""Flags of planned drops: where, how much, which setting, what to do.

Enters: planned air spans and what they meet.
Leaves: the hazards table's columns.
Does not do: judge routes that were not chosen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geoplan.project import Project
from geoplan.tables import CrossingKind, Severity
from geoplan.units import for_report, report_unit

Mask = Callable[[pd.DataFrame], "pd.Series[bool]"]


@dataclass(frozen=True)
class _Rule:
    """One kind of flag that follows from a crossing."""

    code: str
    severity: Severity
    applies: Mask
    amount: str
    setting: str
    what: str
    remedy: str


def _kind(kind: CrossingKind, *, near: bool | None = None) -> Mask:
    def applies(table: pd.DataFrame) -> pd.Series[bool]:
        mask = table["crossing_kind"] == kind.value
        if near is not None:
            mask &= table["is_near_miss"] == near
        return mask

    return applies


def _rules(project: Project) -> tuple[_Rule, ...]:
    flat = project.limits.min_crossing_angle

    def oblique(table: pd.DataFrame) -> pd.Series[bool]:
        return (table["crossing_kind"] == CrossingKind.ROAD) & (table["angle_deg"] < flat)

    def crosses_road(table: pd.DataFrame) -> pd.Series[bool]:
        return (table["crossing_kind"] == CrossingKind.ROAD) & table["angle_deg"].notna()

    def overhangs_road(table: pd.DataFrame) -> pd.Series[bool]:
        return (table["crossing_kind"] == CrossingKind.ROAD) & table["angle_deg"].isna()

    warning, note, error = Severity.WARNING, Severity.NOTE, Severity.ERROR
    return (
        _Rule(
            "street_crossing",
            warning,
            crosses_road,
            "width_m",
            "costs.street_crossing",
            "crosses {name}, {class}, carriageway {width}, at {angle} deg",
            "Get the permit; plan traffic control; check the clearance over the whole road.",
        ),
        _Rule(
            "oblique_crossing",
            warning,
            oblique,
            "angle_deg",
            "limits.min_crossing_angle",
            "crosses {name} at only {angle} deg",
            "Look for a pole or clamp more nearly opposite.",
        ),
        _Rule(
            "road_overhang",
            warning,
            overhangs_road,
            "start_m",
            "costs.road_overhang",
            "hangs over the carriageway of {name} without crossing it",
            "Keep road clearance there; look for a start on the field side.",
        ),
        _Rule(
            "rail_crossing",
            error,
            _kind(CrossingKind.RAIL),
            "angle_deg",
            "forbidden.rail",
            "crosses the railway {name}",
            "Needs the owner's permit and a crew; nobody works near the track without both.",
        ),
        _Rule(
            "water_crossing",
            error,
            _kind(CrossingKind.WATER),
            "start_m",
            "forbidden.water",
            "crosses water {name}",
            "Needs the owner's permit and a crew.",
        ),
        _Rule(
            "power_crossing",
            error,
            _kind(CrossingKind.POWER, near=False),
            "angle_deg",
            "costs.power_crossing",
            "crosses power ({class}) {name}",
            "Treat as live; keep the approach distance; a qualified person must judge it first.",
        ),
        _Rule(
            "near_power",
            warning,
            _kind(CrossingKind.POWER, near=True),
            "distance_m",
            "limits.near_power",
            "passes {distance} from power ({class}) {name} in plan",
            "Treat as live; check the separation on site.",
        ),
        _Rule(
            "tree_crown",
            warning,
            _kind(CrossingKind.TREE, near=False),
            "start_m",
            "costs.tree",
            "passes through the crown of tree {name}",
            "Trim with leave, or go around; wind will rub the wire.",
        ),
        _Rule(
            "near_tree",
            note,
            _kind(CrossingKind.TREE, near=True),
            "distance_m",
            "limits.near_tree",
            "passes {distance} from the crown of tree {name}",
            "Leave room for growth and swing.",
        ),
        _Rule(
            "roof_crossing",
            warning,
            _kind(CrossingKind.ROOF),
            "start_m",
            "costs.roof",
            "passes over the roof of building {name}",
            "Check the clearance over the roof; ask the owner.",
        ),
        _Rule(
            "pool_crossing",
            error,
            _kind(CrossingKind.POOL, near=False),
            "start_m",
            "forbidden.pool",
            "passes over pool {name}",
            "Choose another way.",
        ),
        _Rule(
            "near_pool",
            warning,
            _kind(CrossingKind.POOL, near=True),
            "distance_m",
            "limits.near_pool",
            "passes {distance} from pool {name}",
            "Check the clearance by the rule for pools.",
        ),
        _Rule(
            "third_party_lot",
            warning,
            _kind(CrossingKind.LOT),
            "start_m",
            "costs.third_party_lot",
            "passes over lot {name}, not the customer's",
            "Get an easement before the work.",
        ),
        _Rule(
            "driveway_crossing",
            note,
            _kind(CrossingKind.DRIVEWAY),
            "start_m",
            "costs.driveway",
            "passes over driveway {name}",
            "Keep the driveway's clearance.",
        ),
        _Rule(
            "sidewalk_crossing",
            note,
            _kind(CrossingKind.SIDEWALK),
            "start_m",
            "costs.sidewalk",
            "passes over sidewalk {name}",
            "Keep the walk's clearance; keep people away while the wire is down.",
        ),
        _Rule(
            "existing_drop_crossing",
            note,
            _kind(CrossingKind.EXISTING_DROP),
            "angle_deg",
            "costs.drop_crossing",
            "crosses existing drop {name}",
            "Keep the wires apart; check on site.",
        ),
        _Rule(
            "planned_drop_crossing",
            note,
            _kind(CrossingKind.PLANNED_DROP),
            "angle_deg",
            "choice.max_extra_per_drop_crossing",
            "crosses the planned drop of {name}",
            "Keep the wires apart; agree the heights of both.",
        ),
    )


HAZARD_COLUMNS = (
    "address_id",
    "terminal_id",
    "code",
    "severity",
    "feature_id",
    "at_m",
    "amount",
    "setting",
    "what",
    "remedy",
)


def build_hazards(crossings: pd.DataFrame, drops: pd.DataFrame, project: Project) -> pd.DataFrame:
    """Build the flags of planned drops.

    Parameters
    ----------
    crossings : pandas.DataFrame
        Columns as declared for ``crossings``.
    drops : pandas.DataFrame
        Columns as declared for ``drops``, ``flags`` not needed.
    project : Project
        Settings; words carry the units of the reports.

    Returns
    -------
    pandas.DataFrame
        Columns as declared for ``hazards``, sorted by its key.
    """
    parts = [_from_rule(crossings, rule, project) for rule in _rules(project)]
    parts += _from_drops(drops, project)
    table = pd.concat([part for part in parts if len(part)] or [parts[0]], ignore_index=True)
    return table.sort_values(
        ["address_id", "code", "feature_id", "at_m"], kind="stable", ignore_index=True
    )


def _from_rule(crossings: pd.DataFrame, rule: _Rule, project: Project) -> pd.DataFrame:
    rows = crossings[rule.applies(crossings)]
    name = rows["feature_name"].fillna(rows["feature_id"])
    words = {
        "{name}": name,
        "{class}": rows["feature_class"].fillna("kind unknown"),
        "{width}": lengths(rows["width_m"], project),
        "{distance}": lengths(rows["distance_m"], project),
        "{angle}": rows["angle_deg"].round(0).fillna(0).astype("int64").astype("str"),
    }
    return pd.DataFrame(
        {
            "address_id": rows["address_id"],
            "terminal_id": rows["terminal_id"],
            "code": rule.code,
            "severity": rule.severity.value,
            "feature_id": rows["feature_id"],
            "at_m": rows["at_m"],
            "amount": rows[rule.amount].astype("float64"),
            "setting": rule.setting,
            "what": fill_words(rule.what, words, rows.index),
            "remedy": rule.remedy,
        },
        columns=list(HAZARD_COLUMNS),
    )


def _from_drops(drops: pd.DataFrame, project: Project) -> list[pd.DataFrame]:
    steep = drops["wall_angle_deg"] < project.limits.min_wall_angle
    bare = drops["attachment_basis"] == "address_point"
    inferred = drops["strand_basis"] == "inferred"
    reserve = drops["reserve_ports_used"] > 0
    per_span = drops.groupby("strand_span_id")["address_id"].transform("count")
    crowded = per_span > project.limits.max_drops_per_clamp_span
    angle = drops["wall_angle_deg"].round(0).fillna(0).astype("int64").astype("str")
    return [
        _own(
            drops[steep],
            "steep_wall_angle",
            Severity.NOTE,
            drops["wall_angle_deg"],
            "limits.min_wall_angle",
            "leaves the wall at only " + angle + " deg",
            "Use a bracket, or another wall.",
        ),
        _own(
            drops[bare],
            "attachment_assumed",
            Severity.WARNING,
            drops["air_span_m"],
            "layers.buildings",
            "no building: attached at the address point",
            "Find the real attachment on site before cutting wire.",
        ),
        _own(
            drops[inferred],
            "strand_inferred",
            Severity.WARNING,
            drops["strand_run_m"],
            "strands.infer",
            "runs along a strand that was inferred, not recorded",
            "Check on site that the strand is there and sound.",
        ),
        _own(
            drops[reserve],
            "reserve_port",
            Severity.WARNING,
            drops["reserve_ports_used"].astype("float64"),
            "choice.use_reserve",
            "uses a port kept for growth",
            "Agree it with whoever keeps the reserve.",
        ),
        _own(
            drops[crowded.fillna(False)],
            "crowded_span",
            Severity.WARNING,
            per_span.astype("float64"),
            "limits.max_drops_per_clamp_span",
            "shares its strand span with "
            + (per_span - 1).fillna(0).astype("int64").astype("str")
            + " other planned drops",
            "Check the strand's load; spread the clamps.",
        ),
    ]


def _own(
    rows: pd.DataFrame,
    code: str,
    severity: Severity,
    amount: pd.Series[float],
    setting: str,
    what: str | pd.Series[str],
    remedy: str,
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "address_id": rows["address_id"],
            "terminal_id": rows["terminal_id"],
            "code": code,
            "severity": severity.value,
            "feature_id": rows["building_id"],
            "at_m": rows["air_span_m"],
            "amount": amount.reindex(rows.index),
            "setting": setting,
            "what": what if isinstance(what, str) else what.reindex(rows.index),
            "remedy": remedy,
        },
        columns=list(HAZARD_COLUMNS),
    )


def lengths(
    values_m: pd.Series[float], project: Project, quantity: str = "length"
) -> pd.Series[str]:
    """Write lengths with their unit, for sentences.

    Parameters
    ----------
    values_m : pandas.Series of float64, shape (n,)
        Metres; NaN gives ``unknown``.
    project : Project
        Settings.
    quantity : str
        ``length`` or ``sag``; the latter in inches where the reports are US customary.

    Returns
    -------
    pandas.Series of str, shape (n,)
        On the same index.
    """
    shown = report_unit(quantity, project.units)
    numbers = for_report(values_m.to_numpy(dtype=np.float64), quantity, project.units)
    text = [
        f"{number:.{shown.decimals}f} {shown.unit}" if np.isfinite(number) else "unknown"
        for number in numbers.tolist()
    ]
    return pd.Series(text, index=values_m.index, dtype="str")


def fill_words(sentence: str, words: dict[str, pd.Series[str]], index: pd.Index) -> pd.Series[str]:
    """Fill a sentence's blanks, one column of words each.

    Parameters
    ----------
    sentence : str
        Text with blanks such as ``{name}``.
    words : dict of str to pandas.Series of str
        Blank to its words, on `index`.
    index : pandas.Index
        Rows wanted.

    Returns
    -------
    pandas.Series of str
        One sentence per row. What a word contains is never taken for a blank.
    """
    result = pd.Series("", index=index, dtype="str")
    rest = sentence
    while rest:
        places = {blank: rest.find(blank) for blank in words if blank in rest}
        if not places:
            return result + rest
        blank = min(places, key=places.__getitem__)
        at = places[blank]
        result = result + rest[:at] + words[blank].astype("str")
        rest = rest[at + len(blank) :]
    return result
