"""From worked-out air spans to columns: heights, sag, tension and margins.

Enters: `Final` with what it was made from.
Leaves: columns of ``drops`` and ``crossings``, the table ``stringing``.
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
from geoplan.clearance.stringing import table_temperatures
from geoplan.clearance.supports import POWER_KIND, Ends
from geoplan.mechanics import CatenaryState, LoadCase, build_stringing_table, height_at
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.crossings import KIND_CODE, Crossings
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards
from geoplan.tables import TABLES, CrossingKind
from geoplan.text_columns import assembled, texts, worded

ObjectArray = npt.NDArray[np.object_]

YARD_RULE = "clearance.yard.pedestrian"

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
    over: Any,
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
    over : array of str, shape (n,)
        Kind and id of the crossing whose margin governs; null where none does.
    plant : Plant
        Standards in force.

    Returns
    -------
    dict of str to ndarray, each of shape (n,)
        Named as declared.
    """
    standards = plant.standards
    count = len(final.start_m)
    names = _case_names(standards)
    governs = final.margin_crossing
    held = np.flatnonzero(governs >= 0)
    yard = np.flatnonzero(governs < 0)
    keys = np.full(count, YARD_RULE, dtype=object)
    keys[held] = _all_rule_keys(crossings.take(governs[held]), ends, plant)
    clamps = final.clamps
    ladder, ladder_words = pd.factorize(clamps.ladder)

    def by_clamp(values: FloatArray) -> FloatArray:
        column = np.full(count, np.nan)
        column[clamps.row] = values
        return column

    return {
        "hook_height_m": final.start_m,
        "attachment_height_m": final.end_m,
        "hook_is_raised": hung.hook_is_raised,
        "attachment_is_raised": hung.attachment_is_raised,
        "height_basis": worded(ends.is_assumed, ("measured", "default")),
        "ground_basis": worded(ends.ground_is_known, ("default", "measured")),
        "stringing_sag_m": final.sag_m,
        "stringing_temperature_c": np.full(count, round(standards.stringing_c, 6)),
        "stringing_tension_n": final.tension_n,
        "wire_arc_m": final.arc_m,
        "sag_worst_m": final.sag_worst_m,
        "sag_worst_case": worded(final.sag_worst_case, names),
        "tension_worst_n": final.tension_worst_n,
        "tension_limit_n": final.tension_limit_n,
        "tension_case": worded(final.tension_case, [case.name for case in standards.tension]),
        "tension_case_c": np.array([case.temperature_c for case in standards.tension]).take(
            final.tension_case
        ),
        "tension_case_load": worded(
            final.tension_case, [load_words(case.case) for case in standards.tension]
        ),
        "swing_worst_m": final.swing_worst_m,
        "margin_m": final.margin_m,
        "margin_required_m": final.required_m,
        "margin_available_m": final.available_m,
        "margin_at_m": final.margin_part * final.span_m,
        "margin_case": _case_words(final.margin_case, names),
        "margin_over": assembled(
            count, [(held, over.take(held)), (yard, worded(np.zeros(len(yard)), ("yard",)))]
        ),
        "margin_rule": _cited(keys, plant),
        "ladder_sag_m": by_clamp(clamps.sag_with_ladder_m),
        "ladder_shift_m": by_clamp(clamps.lateral_with_ladder_m),
        "clamp_shift_m": by_clamp(clamps.lateral_after_m),
        "clamp_sink_m": by_clamp(clamps.sink_m),
        "ladder_tension_n": by_clamp(clamps.drop_tension_with_ladder_n),
        "strand_tension_n": by_clamp(clamps.strand_tension_n),
        "strand_ladder": assembled(count, [(clamps.row, worded(ladder, ladder_words.tolist()))]),
    }


def load_words(case: LoadCase) -> str:
    """Say what loads a wire in a load case.

    Parameters
    ----------
    case : LoadCase
        Ice, wind and constant of one case.

    Returns
    -------
    str
        ``no load``, or what there is of ice, wind and constant.
    """
    parts = {"ice": case.ice_thickness_m, "wind": case.wind_pa, "constant": case.constant_n_per_m}
    there = [name for name, amount in parts.items() if np.any(np.asarray(amount) > 0.0)]
    return ", ".join(there) or "no load"


def _case_names(standards: Standards) -> list[str]:
    """Name the cases that clearances are compared in, the wire as strung last."""
    return [case.name for case in (*standards.clearance, standards.stringing)]


def _case_words(case: IntArray, names: list[str]) -> Any:
    """Name the case that governs; below 0 it is the bare wire in the cold."""
    return worded(np.where(case < 0, len(names), case), (*names, "cold, bare wire"))


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
    basis = computed.astype(np.int64)
    note = np.full(count, -1, dtype=np.int64)
    lacking = uncovered(crossings, ends, plant.demands)
    basis[lacking], note[lacking] = 2, 0
    drop = crossings.kind == KIND_CODE[CrossingKind.EXISTING_DROP]
    basis[drop], note[drop] = 2, 1
    power = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.POWER])
    assumed = power[plant.demands.power_is_assumed[crossings.feature[power]]]
    note[assumed[computed[assumed]]] = 2
    roof = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.ROOF])
    guessed = roof[plant.demands.roof_is_assumed[crossings.feature[roof]]]
    note[guessed[computed[guessed]]] = 3
    names = _case_names(plant.standards)
    beside = np.flatnonzero((crossings.kind == KIND_CODE[CrossingKind.ROOF]) & ~computed)
    beside = beside[crossings.is_near_miss[beside]]
    basis[beside], note[beside] = 2, 4
    known = final.crossing_case >= 0
    case = np.where(known, final.crossing_case, np.where(computed, len(names), -1))
    keys = _all_rule_keys(crossings, ends, plant)
    keys[~computed] = None
    return {
        "required_m": final.crossing_required_m,
        "available_m": final.crossing_available_m,
        "margin_m": final.crossing_margin_m,
        "margin_case": worded(case, (*names, "cold, bare wire")),
        "rule": _cited(keys, plant),
        "clearance_basis": worded(basis, ("none", "computed", "not_checked")),
        "clearance_note": worded(
            note,
            (
                f"rule set '{plant.standards.rule_set.name}' holds no figure for it",
                "heights of both wires where they cross are not compared",
                "height or voltage of the power is a written default",
                "height of the roof is a written default",
                "passed below its top: room beside a building is not compared",
            ),
        ),
    }


def _all_rule_keys(crossings: Crossings, ends: Ends, plant: Plant) -> ObjectArray:
    """Return the key of the rule behind each crossing, power among them."""
    keys = rule_keys(crossings, ends, plant.demands)
    power = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.POWER])
    feature, place = np.unique(crossings.feature[power], return_inverse=True)
    kinds = plant.demands.power_kind[feature].tolist()
    volts = plant.demands.power_voltage_v[feature].tolist()
    own = np.empty(len(feature), dtype=object)
    own[:] = [
        f"separation.{POWER_KIND.get(kind, kind)}.span {volt!r}"
        for kind, volt in zip(kinds, volts, strict=True)
    ]
    keys[power] = own[place]
    return keys


def _cited(keys: ObjectArray, plant: Plant) -> Any:
    """Turn rule keys into their document, rule and status."""
    rules = plant.standards.rule_set
    codes, distinct = pd.factorize(keys)
    words: list[str | None] = []
    for key in distinct.tolist():
        name, _, volts = key.partition(" ")
        figure = rules.figures.get(name)
        if volts:
            _, kind, where = name.split(".")
            figure = rules.separation(kind, float(volts), where)
        words.append(None if figure is None else figure.citation())
    return worded(codes, words)


def build_stringing(
    address_id: Any, final: Final, standards: Standards, project: Project
) -> pd.DataFrame:
    """Build the stringing table of all planned drops.

    Parameters
    ----------
    address_id : array of str, shape (n,)
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
        Columns as declared for ``stringing``. Limits hold for their own case each, and none is for
        bare wire in the cold; but where even the greatest of them would be passed, nothing is told.

    Notes
    -----
    ``height_there_m`` is the catenary of each temperature at the place of the least margin, less
    what lies below there: at the load case that governs it is ``margin_available_m`` of the drop.
    None is told where power above governs, or where there was nothing to compare.
    """
    temperature = table_temperatures(project)
    if len(address_id) == 0:
        return pd.DataFrame({name: [] for name in TABLES["stringing"].column_names})
    table = build_stringing_table(
        final.span_m,
        final.end_z_m - final.start_z_m,
        final.length_m,
        standards.stringing_c,
        standards.wire,
        temperature,
    )
    clamps = final.clamps
    sag, tension = np.array(table.sag_m), np.array(table.tension_max_n)
    sag[clamps.row], tension[clamps.row] = clamps.table_sag_m, clamps.table_tension_n
    ladder_sag, ladder_tension = np.full_like(sag, np.nan), np.full_like(sag, np.nan)
    ladder_sag[clamps.row] = clamps.table_ladder_sag_m
    ladder_tension[clamps.row] = clamps.table_ladder_tension_n
    most = max(limit.limit_n for limit in standards.tension)
    place_z = _place_heights(final, table.wires)
    place_z[clamps.row] = clamps.table_place_z_m
    height = place_z - final.margin_base_m[:, None]
    _hide_above(most, sag, tension, height)
    _hide_above(most, ladder_sag, ladder_tension)
    return pd.DataFrame(
        {
            "address_id": texts(address_id).take(
                np.repeat(np.arange(len(address_id)), len(temperature))
            ),
            "temperature_c": np.tile(temperature, len(address_id)),
            "sag_m": sag.ravel(),
            "tension_n": tension.ravel(),
            "ladder_sag_m": ladder_sag.ravel(),
            "ladder_tension_n": ladder_tension.ravel(),
            "height_there_m": height.ravel(),
        }
    )


def _place_heights(final: Final, wires: CatenaryState) -> FloatArray:
    """Return the elevation of wires at the places of their least margins, shape (n, k)."""
    place_m = np.nan_to_num(final.margin_part) * final.span_m
    up = height_at(wires, np.broadcast_to(place_m[:, None, None], (*wires.span_m.shape, 1)))
    known = np.isfinite(final.margin_part)
    return np.where(known[:, None], final.start_z_m[:, None] + up[:, :, 0], np.nan)


def _hide_above(most_n: float, sag: FloatArray, tension: FloatArray, *others: FloatArray) -> None:
    """Empty sag, tension and what goes with them where the tension is more than a limit."""
    over = tension > most_n
    for column in (sag, tension, *others):
        column[over] = np.nan
