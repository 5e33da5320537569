"""How near to power each drop brings its wire, its worker and its bucket.

Enters: planned drops, what they meet, power, approach distances of the rule set.
Leaves: for each drop whether it keeps them, by which rule, or why that was not checked.
Does not do: tell whether a line is insulated, dead or guarded; every line counts as bare and live.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.project import Project
from geoplan.routes.crossings import ON_POLE_M
from geoplan.rules import Approach, RuleSet, approach_table
from geoplan.text_columns import joined, numbers, places, texts, worded
from geoplan.units import for_report, report_unit
from geoplan.work.places import is_bucket_job

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STATES = ("within", "not_checked", "clear", "none")
"""What can be said of a drop, the gravest first."""
POLE_VOLTAGE_V = 15_000.0
"""Power recorded on a pole has no voltage; the greatest that the plan takes poles for."""
LEAST_GAP_M = 1e-9
NO_CONTACT = " (avoid contact; distance by alone.no_contact)"


@dataclass(frozen=True)
class Powers:
    """What is known of power, by row of its layer and last for power recorded on a pole."""

    label: Any
    voltage_v: FloatArray
    voltage_is_assumed: BoolArray
    height_m: FloatArray
    worker_m: FloatArray
    """Distance asked for by voltage; NaN: the rule set has none."""
    bucket_m: FloatArray
    worker_rule: Any
    bucket_rule: Any
    worker_reach_m: float
    """Greatest distance of the rule set's table, whatever the voltage."""
    bucket_reach_m: float


@dataclass(frozen=True)
class _Near:
    """Pairs of a drop and power near it."""

    drop: IntArray
    power: IntArray
    gap_m: FloatArray
    """Distance; NaN: not known."""
    is_bucket: BoolArray
    reason: IntArray
    """What the distance is of, see `_REASONS`."""


_REASONS = (
    "the wire that crosses it",
    "hook or clamp",
    "hook to power on its pole",
    "a bucket at the clamp",
    "the wire beside it",
)
_AT_LEAST = (1, 3, 4)
"""Reasons whose distance is a bound."""


def build_approach(plan: Plan, rule_set: RuleSet, no_contact_m: float) -> pd.DataFrame:
    """Compare each drop's distances from power with those that have to be kept.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rule_set : RuleSet
        Rules in force; approach distances by voltage between phases.
    no_contact_m : float
        Taken where the table asks for no contact and prints no distance, m.

    Returns
    -------
    pandas.DataFrame
        n rows: ``power_approach``, ``power_approach_m``, ``power_approach_note``. Of several
        lines the one that falls shortest is told.

    Notes
    -----
    Distances looked at: the wire where it crosses power (as worked out for clearance), the wire
    beside power, hook or clamp from power, and hook from the power recorded on its pole. Where
    no ladder may go on the strand, lifting plant's distance from power holds at the clamp too.
    Beside power, the distance is the least that it can be: in plan, and in height by what power
    at its lowest is above the wire's higher end. Where that is 0, it is not known. Power within
    a metre of the drop's own pole is judged by the pole's record alone.

    References
    ----------
    29 CFR 1910.268 Table R-2 (from memory), 29 CFR 1926.1408 Table A (read), as the rule set has
    them.
    """
    powers = look_up_powers(plan, rule_set, no_contact_m)
    near = _join([*_from_wires(plan, powers), *_from_hooks(plan, powers), _on_poles(plan)])
    asked = np.where(near.is_bucket, powers.bucket_m[near.power], powers.worker_m[near.power])
    short = asked - near.gap_m
    unknown = np.isnan(short)
    is_within = ~unknown & (short > LEAST_GAP_M)
    state = np.where(is_within, 0, np.where(unknown, 1, 2))
    order = np.lexsort((near.power, near.reason, -np.nan_to_num(short), state, near.drop))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = near.drop[order][1:] != near.drop[order][:-1]
    pick = order[lead]
    count = len(plan.drops)
    row = np.full(count, -1, dtype=np.int64)
    row[near.drop[pick]] = np.arange(len(pick))
    notes = _notes(near, pick, asked, powers, plan.project)
    is_absent = "power" in plan.layers.absent
    result = np.append(state[pick], STATES.index("not_checked" if is_absent else "none"))[row]
    note = pd.concat(
        [
            pd.Series(notes, dtype="str"),
            pd.Series(["no layer of power was brought" if is_absent else None], dtype="str"),
        ],
        ignore_index=True,
    )
    return pd.DataFrame(
        {
            "power_approach": worded(result, STATES),
            "power_approach_m": np.append(asked[pick], np.nan)[row],
            "power_approach_note": note.array.take(np.where(row < 0, len(pick), row)),
        }
    )


def look_up_powers(plan: Plan, rule_set: RuleSet, no_contact_m: float) -> Powers:
    """Look up height, voltage and approach distances of all power.

    Parameters
    ----------
    plan : Plan
        A plan with its layers.
    rule_set : RuleSet
        Rules in force.
    no_contact_m : float
        As in `build_approach`.

    Returns
    -------
    Powers
        By row of the layer; the last entry is power recorded on a pole.
    """
    power, heights = plan.layers.power, plan.project.heights
    kind = power["power_kind"]
    recorded = power["voltage_v"].to_numpy(dtype=np.float64)
    default = kind.map(heights.power_voltage).to_numpy(dtype=np.float64)
    volts = np.append(np.where(np.isnan(recorded), default, recorded), POLE_VOLTAGE_V)
    height = power["height_m"].to_numpy(dtype=np.float64)
    usual = kind.map(heights.power_height).to_numpy(dtype=np.float64)
    spaced = kind.str.replace("_", " ", regex=False)
    named = joined(texts(power.index), ", ", texts(spaced.fillna("kind unknown")))
    distances = [
        _distances(rule_set, who, volts, no_contact_m)
        for who in (Approach.WORKER, Approach.LIFTING_PLANT)
    ]
    return Powers(
        pd.concat(
            [pd.Series(named, dtype="str"), pd.Series(["power on the pole"], dtype="str")],
            ignore_index=True,
        ).array,
        volts,
        np.append(np.isnan(recorded), True),
        np.append(np.where(np.isnan(height), usual, height), np.nan),
        distances[0][0],
        distances[1][0],
        distances[0][1],
        distances[1][1],
        distances[0][2],
        distances[1][2],
    )


def _distances(
    rule_set: RuleSet, who: Approach, volts: FloatArray, no_contact_m: float
) -> tuple[FloatArray, Any, float]:
    """Return the distance at each voltage, the rule it comes from, and the greatest of all."""
    table = approach_table(rule_set)
    code = table.row_codes([who.value])
    distance = table.distance(code, volts)
    place, distinct = pd.factorize(volts)
    figures = [rule_set.approach_distance(float(value), who.value) for value in distinct]
    rules = [
        f"rule set {rule_set.name} has no distance"
        if figure is None
        else figure.citation() + ("" if figure.value_si else NO_CONTACT)
        for figure in figures
    ]
    words = worded(np.where(place < 0, len(rules), place), [*rules, "voltage unknown"])
    greatest = max((figure.value_si for _, figure in rule_set.bands(f"approach.{who}")), default=0)
    return np.where(distance == 0, no_contact_m, distance), words, max(greatest, no_contact_m)


def _from_wires(plan: Plan, powers: Powers) -> list[_Near]:
    """Take the wire's distance from what it crosses; work it out from what it passes."""
    crossings = plan.crossings
    of_power = (crossings["crossing_kind"] == "power") & ~crossings["is_near_miss"]
    rows = crossings[of_power]
    drop = _rows(rows["address_id"], plan.drops["address_id"])
    power = places(rows["feature_id"], plan.layers.power.index)
    wires = _beyond_pole(plan)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    tree, reach = shapely.STRtree(lines), powers.worker_reach_m
    beside, line = tree.query(wires, predicate="dwithin", distance=reach)
    met = pd.MultiIndex.from_arrays([drop, power])
    passed = ~pd.MultiIndex.from_arrays([beside, line]).isin(met)
    beside, line = beside[passed], line[passed]
    above = np.maximum(powers.height_m[line] - _highest_wire(plan)[beside], 0.0)
    return [
        _of_kind(drop, power, rows["available_m"].to_numpy(dtype=np.float64), 0),
        _of_kind(beside, line, _bound(shapely.distance(wires[beside], lines[line]), above), 4),
    ]


def _bound(plan_m: FloatArray, above_m: FloatArray) -> FloatArray:
    """Return the least that a distance can be; NaN where the two meet in plan and height."""
    least = np.hypot(plan_m, above_m)
    return np.where(least > LEAST_GAP_M, least, np.nan)


def _is_from_pole(plan: Plan) -> BoolArray:
    return np.asarray(plan.drops["strand_span_id"].isna(), dtype=bool)


def _beyond_pole(plan: Plan) -> npt.NDArray[np.object_]:
    """Return the wires in plan, without the part in which power is on their own pole."""
    ends = shapely.get_coordinates(plan.air_spans.geometry.values).reshape(-1, 2, 2)
    way = ends[:, 1] - ends[:, 0]
    part = np.minimum(ON_POLE_M / np.maximum(np.hypot(*way.T), 1e-9), 1.0)
    part[~_is_from_pole(plan)] = 0.0
    start = ends[:, 0] + part[:, None] * way
    return np.asarray(shapely.linestrings(np.stack([start, ends[:, 1]], axis=1)), dtype=object)


def _highest_wire(plan: Plan) -> FloatArray:
    """Return the height of each wire's higher end above the ground of either end."""
    drops, air = plan.drops, plan.air_spans
    hook = drops["hook_height_m"].to_numpy(dtype=np.float64)
    rise = air["end_z_m"].to_numpy(dtype=np.float64) - air["start_z_m"].to_numpy(dtype=np.float64)
    attachment = drops["attachment_height_m"].to_numpy(dtype=np.float64)
    return np.asarray(np.maximum(hook + np.maximum(np.nan_to_num(rise), 0.0), attachment))


def _from_hooks(plan: Plan, powers: Powers) -> list[_Near]:
    """Measure from hook or clamp to power in plan and height."""
    hooks = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    points = shapely.force_2d(hooks)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    tree = shapely.STRtree(lines)
    height = plan.drops["hook_height_m"].to_numpy(dtype=np.float64)
    from_pole = _is_from_pole(plan)
    every = np.arange(len(points), dtype=np.int64)
    bucket = np.flatnonzero(is_bucket_job(plan.drops))
    found = []
    for rows, reach, kind in (
        (every, powers.worker_reach_m, 1),
        (bucket, powers.bucket_reach_m, 3),
    ):
        at, power = tree.query(points[rows], predicate="dwithin", distance=reach)
        drop = rows[at]
        plan_m = shapely.distance(points[drop], lines[power])
        apart = ~(from_pole[drop] & (plan_m <= ON_POLE_M))
        drop, power, plan_m = drop[apart], power[apart], plan_m[apart]
        above = np.maximum(powers.height_m[power] - height[drop], 0.0)
        found.append(_of_kind(drop, power, _bound(plan_m, above), kind))
    return found


def _on_poles(plan: Plan) -> _Near:
    """Compare hooks with the lowest power recorded on their own pole."""
    drops, poles = plan.drops, plan.layers.poles
    rows = np.flatnonzero((drops["pole_power_basis"] != "none").to_numpy(dtype=bool))
    pole = places(texts(drops["access_pole_id"]).take(rows), poles.index)
    power = np.append(poles["power_height_m"].to_numpy(dtype=np.float64), np.nan)[pole]
    gap = power - drops["hook_height_m"].to_numpy(dtype=np.float64)[rows]
    return _of_kind(rows, np.full(len(rows), len(plan.layers.power)), gap, 2)


def _of_kind(drop: IntArray, power: IntArray, gap_m: FloatArray, kind: int) -> _Near:
    count = len(drop)
    return _Near(
        drop, power, gap_m, np.full(count, kind == 3), np.full(count, kind, dtype=np.int64)
    )


def _rows(ids: Any, among: Any) -> IntArray:
    return np.asarray(pd.Index(among).get_indexer(pd.Index(ids)), dtype=np.int64)


def _join(parts: list[_Near]) -> _Near:
    return _Near(
        np.concatenate([part.drop for part in parts]),
        np.concatenate([part.power for part in parts]),
        np.concatenate([part.gap_m for part in parts]),
        np.concatenate([part.is_bucket for part in parts]),
        np.concatenate([part.reason for part in parts]),
    )


def _notes(near: _Near, pick: IntArray, asked: FloatArray, powers: Powers, project: Project) -> Any:
    """Say which line, voltage, distance asked for, distance there is, and the rule."""
    shown = report_unit("length", project.units)
    power, bucket = near.power[pick], near.is_bucket[pick]
    need, gap = asked[pick], near.gap_m[pick]

    def told(values: FloatArray) -> Any:
        return numbers(for_report(values, "length", project.units), shown.decimals)

    volts = joined(numbers(powers.voltage_v[power], 0), " V")
    assumed = worded(powers.voltage_is_assumed[power], ("", " (voltage assumed)"))
    wanted = joined(told(need), f" {shown.unit} asked for, ")
    least = worded(np.isin(near.reason[pick], _AT_LEAST), ("there is ", "there is at least "))
    there = pd.Series(joined(least, told(gap), f" {shown.unit}"))
    unknown = worded(np.zeros(len(pick)), ("distance not known",))
    rule = pd.concat(
        [pd.Series(powers.worker_rule), pd.Series(powers.bucket_rule)], ignore_index=True
    ).array.take(power + len(powers.voltage_v) * bucket)
    return joined(
        powers.label.take(power),
        ", ",
        volts,
        assumed,
        ": ",
        wanted,
        there.where(~np.isnan(gap), pd.Series(unknown)).array,
        " from ",
        worded(near.reason[pick], _REASONS),
        "; ",
        rule,
    )
