"""From worked-out air spans to columns: heights, sag, tension, margins and their flags.

Enters: `Final` with what it was made from.
Leaves: columns of ``drops`` and ``crossings``, rows of ``hazards``, the table ``stringing``.
Does not do: decide anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.clearance.final import Final
from geoplan.clearance.hung import Hung
from geoplan.clearance.required import rule_keys, uncovered
from geoplan.clearance.supports import POWER_KIND, Ends
from geoplan.mechanics import build_stringing_table
from geoplan.project import Project
from geoplan.routes.crossings import KIND_CODE, Crossings
from geoplan.routes.hazards import HAZARD_COLUMNS, fill_words, lengths
from geoplan.routes.segments import FloatArray
from geoplan.search import Plant
from geoplan.standards import Standards
from geoplan.tables import CrossingKind, Severity
from geoplan.units import to_si

ObjectArray = npt.NDArray[np.object_]

YARD_RULE = "clearance.yard.pedestrian"

TEMPERATURES = {
    "us": ("degF", np.arange(0.0, 121.0, 10.0)),
    "metric": ("degC", np.arange(-20.0, 51.0, 5.0)),
}
"""Steps of the stringing table in the units of the reports."""

LADDER_WORDS = {
    "strand_unknown": "no record of the strand's size",
    "strand_small": "the strand is too small for a ladder",
    "strand_unsound": "the strand is in poor condition, or its condition is not recorded",
    "strand_overloaded": "ladder and person would overload the strand",
    "drop_overstressed": "with the ladder on, the drop would have to be strung too tight",
}


def hanging_columns(
    final: Final,
    ends: Ends,
    hung: Hung,
    crossings: Crossings,
    names: ObjectArray,
    plant: Plant,
) -> dict[str, Any]:
    """Return the columns of ``drops`` that tell how each drop hangs.

    Parameters
    ----------
    final : Final
        Planned air spans worked out in full, n rows.
    ends : Ends
        Their ends.
    hung : Hung
        Their heights as chosen.
    crossings : Crossings
        What they meet.
    names : ndarray of object
        Kind and id of each crossing.
    plant : Plant
        Standards in force.

    Returns
    -------
    dict of str to ndarray, each of shape (n,)
        Named as declared.
    """
    standards = plant.standards
    count = len(final.start_m)
    clearance = _case_names(standards)
    tension = np.array([case.name for case in standards.tension], dtype=object)
    governs = final.margin_crossing
    over = np.full(count, "yard", dtype=object)
    over[governs >= 0] = names[governs[governs >= 0]]
    keys = _all_rule_keys(crossings, ends, plant)
    rule = np.full(count, YARD_RULE, dtype=object)
    rule[governs >= 0] = keys[governs[governs >= 0]]
    case = np.where(final.margin_case >= 0, clearance[final.margin_case], "cold, bare wire")
    clamps = final.clamps

    def by_clamp(values: FloatArray) -> FloatArray:
        column = np.full(count, np.nan)
        column[clamps.row] = values
        return column

    ladder = np.full(count, None, dtype=object)
    ladder[clamps.row] = clamps.ladder
    return {
        "hook_height_m": final.start_m,
        "attachment_height_m": final.end_m,
        "hook_is_raised": hung.hook_is_raised,
        "attachment_is_raised": hung.attachment_is_raised,
        "height_basis": np.where(ends.is_assumed, "default", "measured"),
        "ground_basis": np.where(ends.ground_is_known, "measured", "default"),
        "stringing_sag_m": final.sag_m,
        "stringing_temperature_c": np.full(count, round(standards.stringing_c, 6)),
        "stringing_tension_n": final.tension_n,
        "wire_arc_m": final.arc_m,
        "sag_worst_m": final.sag_worst_m,
        "sag_worst_case": clearance[final.sag_worst_case],
        "tension_worst_n": final.tension_worst_n,
        "tension_limit_n": final.tension_limit_n,
        "tension_case": tension[final.tension_case],
        "swing_worst_m": final.swing_worst_m,
        "margin_m": final.margin_m,
        "margin_required_m": final.required_m,
        "margin_available_m": final.available_m,
        "margin_at_m": final.margin_part * final.span_m,
        "margin_case": case,
        "margin_over": over,
        "margin_rule": _cited(rule, plant),
        "ladder_sag_m": by_clamp(clamps.sag_with_ladder_m),
        "ladder_shift_m": by_clamp(clamps.lateral_with_ladder_m),
        "clamp_shift_m": by_clamp(clamps.lateral_after_m),
        "clamp_sink_m": by_clamp(clamps.sink_m),
        "strand_tension_n": by_clamp(clamps.strand_tension_n),
        "strand_ladder": ladder,
    }


def _case_names(standards: Standards) -> ObjectArray:
    """Name the cases that clearances are compared in, the wire as strung last."""
    cases = (*standards.clearance, standards.stringing)
    return np.array([case.name for case in cases], dtype=object)


def clearance_columns(
    crossings: Crossings, final: Final, ends: Ends, plant: Plant
) -> dict[str, Any]:
    """Return the columns of ``crossings`` that tell what is required and available.

    Parameters
    ----------
    crossings : Crossings
        What planned air spans meet, n rows.
    final : Final
        The air spans worked out in full.
    ends : Ends
        Their ends.
    plant : Plant
        Standards in force.

    Returns
    -------
    dict of str to ndarray, each of shape (n,)
        Named as declared. What was not computed says so and why.
    """
    count = len(crossings)
    computed = np.isfinite(final.crossing_margin_m)
    basis = np.where(computed, "computed", "none").astype(object)
    note = np.full(count, None, dtype=object)
    lacking = uncovered(crossings, ends, plant.demands)
    basis[lacking] = "not_checked"
    note[lacking] = f"rule set '{plant.standards.rule_set.name}' holds no figure for it"
    drop = crossings.kind == KIND_CODE[CrossingKind.EXISTING_DROP]
    basis[drop] = "not_checked"
    note[drop] = "heights of both wires where they cross are not compared"
    power = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.POWER])
    assumed = power[plant.demands.power_is_assumed[crossings.feature[power]]]
    assumed = assumed[computed[assumed]]
    note[assumed] = "height or voltage of the power is a written default"
    roof = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.ROOF])
    guessed = roof[plant.demands.roof_is_assumed[crossings.feature[roof]]]
    note[guessed[computed[guessed]]] = "height of the roof is a written default"
    cases = _case_names(plant.standards)
    case = np.full(count, None, dtype=object)
    with_case = final.crossing_case >= 0
    case[with_case] = cases[final.crossing_case[with_case]]
    case[computed & ~with_case] = "cold, bare wire"
    keys = _all_rule_keys(crossings, ends, plant)
    rule = np.full(count, None, dtype=object)
    rule[computed] = _cited(keys[computed], plant)
    return {
        "required_m": final.crossing_required_m,
        "available_m": final.crossing_available_m,
        "margin_m": final.crossing_margin_m,
        "margin_case": case,
        "rule": rule,
        "clearance_basis": basis,
        "clearance_note": note,
    }


def _all_rule_keys(crossings: Crossings, ends: Ends, plant: Plant) -> ObjectArray:
    """Return the key of the rule behind each crossing, power among them."""
    keys = rule_keys(crossings, ends, plant.demands)
    power = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.POWER])
    feature = crossings.feature[power]
    kinds = plant.demands.power_kind[feature].tolist()
    volts = plant.demands.power_voltage_v[feature].tolist()
    keys[power] = [
        f"separation.{POWER_KIND.get(kind, kind)}.span {volt!r}"
        for kind, volt in zip(kinds, volts, strict=True)
    ]
    return keys


def _cited(keys: ObjectArray, plant: Plant) -> ObjectArray:
    """Turn rule keys into their document, rule and status."""
    rules = plant.standards.rule_set
    words: dict[str, str | None] = {}
    for key in pd.unique(pd.Series(keys, dtype=object)).tolist():
        if key is None:
            continue
        name, _, volts = key.partition(" ")
        figure = rules.figures.get(name)
        if volts:
            _, kind, where = name.split(".")
            figure = rules.separation(kind, float(volts), where)
        words[key] = None if figure is None else figure.citation()
    return np.array([words.get(key) if key else None for key in keys.tolist()], dtype=object)


def clearance_hazards(
    crossings: pd.DataFrame, drops: pd.DataFrame, project: Project
) -> pd.DataFrame:
    """Build the flags that follow from heights, sag and clearances.

    Parameters
    ----------
    crossings, drops : pandas.DataFrame
        Columns as declared.
    project : Project
        Settings; words carry the units of the reports.

    Returns
    -------
    pandas.DataFrame
        Columns as declared for ``hazards``.
    """
    parts = [
        _flag(
            crossings[
                (crossings["clearance_basis"] == "not_checked")
                & (crossings["crossing_kind"] != "planned_drop")
            ],
            "clearance_not_checked",
            Severity.WARNING,
            "distance_m",
            "rule_set",
            "clearance not checked at {kind} {feature}: {note}",
            "Work it out by the code in force, or measure on site, before the work.",
            project,
        ),
        _flag(
            crossings[
                (crossings["clearance_basis"] == "computed") & crossings["clearance_note"].notna()
            ],
            "crossed_height_assumed",
            Severity.WARNING,
            "margin_m",
            "heights",
            "clearance at {kind} {feature}: {note}",
            "Measure it on site, or have its owner confirm it, before the work.",
            project,
        ),
        _flag(
            drops[drops["height_basis"] == "default"],
            "height_assumed",
            Severity.WARNING,
            "hook_height_m",
            "heights",
            "heights rest on written defaults: hook {hook}, attachment {attachment}",
            "Measure both on site before cutting wire.",
            project,
        ),
        _flag(
            drops[drops["ground_basis"] == "default"],
            "level_ground_assumed",
            Severity.NOTE,
            "air_span_m",
            "layers.terrain",
            "level ground assumed: check on site",
            "Compare the ground at both ends and under the wire.",
            project,
        ),
        _flag(
            drops[drops["hook_is_raised"]],
            "raised_hook",
            Severity.NOTE,
            "hook_height_m",
            "costs.raised_hook",
            "needs the hook at {hook}, above its usual place, for {over}",
            "Set the hook as high as given; measure from the ground.",
            project,
        ),
        _flag(
            drops[drops["attachment_is_raised"]],
            "raised_attachment",
            Severity.NOTE,
            "attachment_height_m",
            "costs.raised_attachment",
            "needs the attachment at {attachment}, above its usual place, for {over}",
            "Attach as high as given; measure from the ground.",
            project,
        ),
    ]
    moved = drops["clearance_note"].notna()
    other = drops["clearance_note"].str.contains("another terminal", regex=False).fillna(False)
    for rows, code in (
        (drops[moved & other], "terminal_changed_by_clearance"),
        (drops[moved & ~other], "route_changed_by_clearance"),
    ):
        parts.append(
            _flag(
                rows,
                code,
                Severity.NOTE,
                "margin_m",
                "heights.clearance_margin",
                "{why}",
                "Nothing to do; a higher hook or a mast there would make it possible.",
                project,
                why=rows["clearance_note"],
            )
        )
    unknown = drops["pole_power_basis"] == "not_checked"
    parts.append(
        _flag(
            drops[unknown],
            "pole_power_not_checked",
            Severity.ERROR,
            "hook_height_m",
            "layers.poles.power_height",
            "power passes the pole, and its separation from the hook was not checked: no height "
            "is recorded, or the rules hold no figure",
            "Measure from the ground with the power's owner before anybody climbs.",
            project,
        )
    )
    bucket = drops["strand_ladder"].notna() & (drops["strand_ladder"] != "allowed")
    words = drops["strand_ladder"].map(LADDER_WORDS)
    part = _flag(
        drops[bucket],
        "bucket_job",
        Severity.WARNING,
        "strand_tension_n",
        "ladder",
        "no ladder on this strand: {why}",
        "Plan it as a bucket job.",
        project,
        why=words,
    )
    return pd.concat([*parts, part], ignore_index=True)


def _flag(
    rows: pd.DataFrame,
    code: str,
    severity: Severity,
    amount: str,
    setting: str,
    what: str,
    remedy: str,
    project: Project,
    why: pd.Series[str] | None = None,
) -> pd.DataFrame:
    crossing = "crossing_kind" in rows.columns
    words = (
        {
            "{kind}": rows["crossing_kind"].str.replace("_", " "),
            "{feature}": rows["feature_id"],
            "{note}": rows["clearance_note"].fillna(""),
        }
        if crossing
        else {
            "{hook}": lengths(rows["hook_height_m"], project),
            "{attachment}": lengths(rows["attachment_height_m"], project),
            "{over}": rows["margin_over"],
        }
    )
    if why is not None:
        words["{why}"] = why.reindex(rows.index)
    return pd.DataFrame(
        {
            "address_id": rows["address_id"],
            "terminal_id": rows["terminal_id"],
            "code": code,
            "severity": severity.value,
            "feature_id": rows["feature_id"] if crossing else rows["building_id"],
            "at_m": rows["at_m"] if crossing else rows["margin_at_m"],
            "amount": rows[amount].astype("float64"),
            "setting": setting,
            "what": fill_words(what, words, rows.index),
            "remedy": remedy,
        },
        columns=list(HAZARD_COLUMNS),
    )


def build_stringing(
    address_id: ObjectArray, final: Final, standards: Standards, project: Project
) -> pd.DataFrame:
    """Build the stringing table of all planned drops.

    Parameters
    ----------
    address_id : ndarray of object, shape (n,)
        Address of each planned air span.
    final : Final
        Planned air spans worked out in full.
    standards : Standards
        The wire.
    project : Project
        Units decide the steps: 10 F or 5 C.

    Returns
    -------
    pandas.DataFrame
        Columns as declared for ``stringing``.
    """
    unit, steps = TEMPERATURES[project.units]
    temperature = np.round(to_si(steps, unit, "temperature"), 6)
    if len(address_id) == 0:
        return pd.DataFrame({"address_id": [], "temperature_c": [], "sag_m": [], "tension_n": []})
    table = build_stringing_table(
        final.span_m,
        final.end_z_m - final.start_z_m,
        final.length_m,
        standards.stringing_c,
        standards.wire,
        temperature,
    )
    return pd.DataFrame(
        {
            "address_id": np.repeat(address_id, len(temperature)),
            "temperature_c": np.tile(temperature, len(address_id)),
            "sag_m": table.sag_m.ravel(),
            "tension_n": table.tension_max_n.ravel(),
        }
    )
