"""Flags of planned drops: where, how much, which setting, what to do.

Enters: planned air spans and what they meet.
Leaves: the hazards table's columns.
Does not do: judge routes that were not chosen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.project import Project
from geoplan.routes.flags import Flags, flag_table, lengths, sentences
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.tables import CrossingKind, Severity
from geoplan.text_columns import numbers, places, row_order

KINDS = tuple(kind.value for kind in CrossingKind)


Mask = Callable[["_Met"], npt.NDArray[np.bool_]]


class _Met:
    """What planned air spans meet, its kinds as numbers."""

    def __init__(self, table: pd.DataFrame) -> None:
        self.kind = places(table["crossing_kind"], list(KINDS))
        self.is_near = table["is_near_miss"].to_numpy(dtype=bool)
        self.name = table["feature_name"].fillna(table["feature_id"]).array
        self.feature_class = table["feature_class"].fillna("kind unknown").array
        self.numbers = {
            name: table[name].to_numpy(dtype=np.float64)
            for name in ("at_m", "start_m", "distance_m", "width_m", "angle_deg")
        }

    def is_of(self, kind: CrossingKind) -> npt.NDArray[np.bool_]:
        """Tell which rows are of a kind."""
        return np.asarray(self.kind == KINDS.index(kind.value), dtype=bool)


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
    def applies(met: _Met) -> npt.NDArray[np.bool_]:
        mask = met.is_of(kind)
        return mask if near is None else mask & (met.is_near == near)

    return applies


def _rules(project: Project) -> tuple[_Rule, ...]:
    flat = project.limits.min_crossing_angle

    def oblique(met: _Met) -> npt.NDArray[np.bool_]:
        return np.asarray(crosses_road(met) & (met.numbers["angle_deg"] < flat), dtype=bool)

    def crosses_road(met: _Met) -> npt.NDArray[np.bool_]:
        return np.asarray(met.is_of(CrossingKind.ROAD) & ~np.isnan(met.numbers["angle_deg"]))

    def overhangs_road(met: _Met) -> npt.NDArray[np.bool_]:
        return np.asarray(met.is_of(CrossingKind.ROAD) & np.isnan(met.numbers["angle_deg"]))

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
            "passes {distance} from power ({class}) {name} in plan, {at} out",
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
            _kind(CrossingKind.ROOF, near=False),
            "start_m",
            "costs.roof",
            "passes over the roof of building {name}",
            "Check the clearance over the roof; ask the owner.",
        ),
        _Rule(
            "near_building",
            warning,
            _kind(CrossingKind.ROOF, near=True),
            "distance_m",
            "limits.near_building",
            "passes {distance} from building {name} in plan, below its top; room beside it is not "
            "checked",
            "Look on site: keep the wire, and its swing, off wall, eave and gutter.",
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
    table = flag_table(hazard_flags(crossings, drops, project), crossings, drops)
    order = row_order(table, ["address_id", "code", "feature_id", "at_m"])
    return table if order is None else table.iloc[order].reset_index(drop=True)


def hazard_flags(
    crossings: pd.DataFrame,
    drops: pd.DataFrame,
    project: Project,
    per_span: IntArray | None = None,
) -> list[Flags]:
    """Find the flags of planned drops that follow from what they meet and how they run.

    Parameters
    ----------
    crossings, drops, project
        As in `build_hazards`.
    per_span : ndarray of int64, shape (drops,), optional
        Planned drops that hang from the strand span of each drop, 0 without one; by default
        `drops` are all that there are.

    Returns
    -------
    list of Flags
        One per kind, without rows where there are none.
    """
    met = _Met(crossings)
    if per_span is None:
        per_span = _sharing(drops)
    return [_from_rule(met, rule, project) for rule in _rules(project)] + _from_drops(
        drops, per_span, project
    )


def _sharing(drops: pd.DataFrame) -> IntArray:
    """Count the drops that hang from the strand span of each; 0 without one."""
    span, _ = pd.factorize(drops["strand_span_id"])
    counts = np.bincount(span + 1, minlength=1)[span + 1]
    return np.where(span < 0, 0, counts).astype(np.int64)


def _from_rule(met: _Met, rule: _Rule, project: Project) -> Flags:
    rows = np.flatnonzero(rule.applies(met)).astype(np.int64)
    own = {name: values[rows] for name, values in met.numbers.items()}
    words: dict[str, Callable[[], Any]] = {
        "{name}": lambda: met.name.take(rows),
        "{class}": lambda: met.feature_class.take(rows),
        "{width}": lambda: lengths(own["width_m"], project),
        "{distance}": lambda: lengths(own["distance_m"], project),
        "{at}": lambda: lengths(own["at_m"], project),
        "{angle}": lambda: _degrees(own["angle_deg"]),
    }
    return Flags(
        rule.code,
        rule.severity,
        rule.setting,
        rule.remedy,
        True,
        rows,
        own["at_m"],
        own[rule.amount],
        sentences(rule.what, words, len(rows)),
    )


def _from_drops(drops: pd.DataFrame, per_span: IntArray, project: Project) -> list[Flags]:
    angle = drops["wall_angle_deg"].to_numpy(dtype=np.float64)
    reserve = drops["reserve_ports_used"].to_numpy(dtype=np.float64)
    air_span_m = drops["air_span_m"].to_numpy(dtype=np.float64)

    def own(
        mask: Any,
        code: str,
        severity: Severity,
        amount: npt.NDArray[Any],
        setting: str,
        what: str,
        remedy: str,
    ) -> Flags:
        rows = np.flatnonzero(mask).astype(np.int64)
        words = {
            "{angle}": lambda: _degrees(angle[rows]),
            "{others}": lambda: numbers(per_span[rows].astype(np.float64) - 1.0, 0),
        }
        return Flags(
            code,
            severity,
            setting,
            remedy,
            False,
            rows,
            air_span_m[rows],
            amount[rows].astype(np.float64),
            sentences(what, words, len(rows)),
        )

    return [
        own(
            angle < project.limits.min_wall_angle,
            "steep_wall_angle",
            Severity.NOTE,
            angle,
            "limits.min_wall_angle",
            "leaves the wall at only {angle} deg",
            "Use a bracket, or another wall.",
        ),
        own(
            drops["attachment_basis"] == "address_point",
            "attachment_assumed",
            Severity.WARNING,
            air_span_m,
            "layers.buildings",
            "no building: attached at the address point",
            "Find the real attachment on site before cutting wire.",
        ),
        own(
            drops["strand_basis"] == "inferred",
            "strand_inferred",
            Severity.WARNING,
            drops["strand_run_m"].to_numpy(dtype=np.float64),
            "strands.infer",
            "runs along a strand that was inferred, not recorded",
            "Check on site that the strand is there and sound.",
        ),
        own(
            reserve > 0,
            "reserve_port",
            Severity.WARNING,
            reserve,
            "choice.use_reserve",
            "uses a port kept for growth",
            "Agree it with whoever keeps the reserve.",
        ),
        own(
            per_span > project.limits.max_drops_per_clamp_span,
            "crowded_span",
            Severity.WARNING,
            per_span,
            "limits.max_drops_per_clamp_span",
            "shares its strand span with {others} other planned drops",
            "Check the strand's load; spread the clamps.",
        ),
    ]


def _degrees(angle_deg: FloatArray) -> Any:
    """Write whole degrees; unknown as 0."""
    return numbers(np.rint(np.nan_to_num(angle_deg)) + 0.0, 0)
