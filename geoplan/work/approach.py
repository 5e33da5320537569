"""How near to power each drop brings its wire, its worker and its bucket.

Enters: planned drops, their strand runs, what they meet, power, approach distances.
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
from geoplan.routes.crossings import ON_POLE_M
from geoplan.rules import Approach, RuleSet, approach_table
from geoplan.text_columns import joined, numbers, places, texts, worded
from geoplan.units import ReportUnits, say
from geoplan.work.clauses import chained, in_words, per_row
from geoplan.work.places import is_bucket_job
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STATES = ("within", "not_checked", "clear", "none")
"""What can be said of a drop, the gravest first."""
POLE_VOLTAGE_V = 15_000.0
"""Power recorded on a pole has no voltage; the greatest that the plan takes poles for."""
LEAST_GAP_M = 1e-9
NO_CONTACT = " (avoid contact; the distance is common practice, no source)"
NOT_KNOWN = "voltage not recorded, treat as live"
"""Said of a neutral without a record: 0 V would read as dead."""


@dataclass(frozen=True)
class Powers:
    """What is known of power, by row of its layer, and after those by row of the poles.

    The latter stand for power that is recorded on a pole.
    """

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
    lines: int
    """Rows of the layer."""


@dataclass(frozen=True)
class _Near:
    """Pairs of a drop and power near it."""

    drop: IntArray
    power: IntArray
    gap_m: FloatArray
    """Distance; NaN: not known."""
    reason: IntArray
    """What the distance is of, see `_REASONS`."""
    is_across: BoolArray
    """Whether power crosses the strand run in plan."""


_REASONS = (
    "the wire that crosses it",
    "hook or clamp",
    "the hook on its pole",
    "a bucket at the clamp",
    "the wire beside it",
    "the strand run",
    "the strand at a pole of the run",
)
WIRE, HOOK, ON_POLE, BUCKET, BESIDE, RUN, RUN_POLE = range(len(_REASONS))
_AT_LEAST = (HOOK, BUCKET, BESIDE, RUN, RUN_POLE)
"""Reasons whose distance is a bound."""


def build_approach(
    plan: Plan, rule_set: RuleSet, no_contact_m: float, runs: StrandRuns
) -> pd.DataFrame:
    """Compare each drop's distances from power with those that have to be kept.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rule_set : RuleSet
        Rules in force; approach distances by voltage between phases.
    no_contact_m : float
        Taken where the table asks for no contact and prints no distance, m.
    runs : StrandRuns
        Ways of the wires along the strand.

    Returns
    -------
    pandas.DataFrame
        n rows: ``power_approach``, ``power_approach_m``, ``power_approach_note``,
        ``power_lines``, ``run_power``. The note tells the line that falls shortest of the
        distance asked for, as a part of it, and besides it one of a higher voltage. The
        distance is the greatest that any line near asks for; NaN where one has none.

    Notes
    -----
    Distances looked at: the wire where it crosses power (as worked out for clearance), the wire
    beside power, hook or clamp from power, the hook from power on its pole, the strand run from
    power, and the strand from power on the poles of the run. Where no ladder may go on the
    strand, lifting plant's distance from power holds at the clamp too.

    Beside power, the distance is the least that it can be: in plan, and in height by what power
    at its lowest is above the wire's or strand's higher end. Where that is 0, it is not known.
    A line that passes a pole within a metre counts as being on it: it is above the lowest power
    that the pole's record has, and above its own lowest height.

    References
    ----------
    29 CFR 1910.268 Table R-2 (from memory), 29 CFR 1926.1408 Table A (read), as the rule set has
    them.
    """
    powers = look_up_powers(plan, rule_set, no_contact_m)
    near = _join(
        [
            *_from_wires(plan, powers),
            *_from_hooks(plan, powers),
            _recorded_on_hook_poles(plan, powers),
            _from_runs(plan, powers, runs),
            *_from_run_poles(plan, powers, runs),
        ]
    )
    is_bucket = near.reason == BUCKET
    asked = np.where(is_bucket, powers.bucket_m[near.power], powers.worker_m[near.power])
    state = _states(near.gap_m, asked)
    count = len(plan.drops)
    row, pick = _gravest(near, asked, state, count)
    is_absent = "power" in plan.layers.absent
    result = np.append(state[pick], STATES.index("not_checked" if is_absent else "none"))[row]
    most = np.full(count, -np.inf)
    np.maximum.at(most, near.drop, np.where(np.isnan(asked), np.inf, asked))
    seen = np.flatnonzero(row >= 0)
    units = plan.project.units
    told = _told(near, pick, asked, powers, units)
    high = _highest(near, powers, count)
    also = np.flatnonzero((high >= 0) & (row >= 0))
    more, first = near.power[high[also]], near.power[pick[row[also]]]
    is_more = powers.voltage_v[more] > np.nan_to_num(powers.voltage_v[first], nan=-1.0)
    is_more |= (first >= powers.lines) & (powers.worker_m[more] > no_contact_m)
    also = also[is_more]
    reach = say(powers.worker_reach_m, "length", units)
    unseen = (
        "no layer of power was brought"
        if is_absent
        else f"no power in the layers within {reach} in plan of hook, wire and strand run"
    )
    bare = np.flatnonzero(row < 0)
    note = chained(
        count,
        [
            (seen, pd.Series(told, dtype="str").array.take(row[seen])),
            (
                also,
                joined("highest known voltage: ", _told(near, high[also], asked, powers, units)),
            ),
            (bare, worded(np.zeros(len(bare)), (unseen,))),
        ],
    )
    return pd.DataFrame(
        {
            "power_approach": worded(result, STATES),
            "power_approach_m": np.where(np.isfinite(most), most, np.nan),
            "power_approach_note": note,
            "power_lines": _listed(near, asked, powers, count, units),
            "run_power": _on_runs(near, state, powers, count),
        }
    )


def _states(gap_m: FloatArray, asked: FloatArray) -> IntArray:
    """Return the place of each pair in `STATES`."""
    short = asked - gap_m
    unknown = np.isnan(short)
    return np.asarray(
        np.where(~unknown & (short > LEAST_GAP_M), 0, np.where(unknown, 1, 2)), dtype=np.int64
    )


def _gravest(
    near: _Near, asked: FloatArray, state: IntArray, count: int
) -> tuple[IntArray, IntArray]:
    """Return, of each drop, the place of its gravest pair among the ones picked; -1 without."""
    share = asked / np.maximum(near.gap_m, LEAST_GAP_M)
    rank = np.where(np.isnan(share), np.nan_to_num(asked, nan=np.inf), share)
    order = np.lexsort((near.power, near.reason, -rank, state, near.drop))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = near.drop[order][1:] != near.drop[order][:-1]
    pick = order[lead]
    row = np.full(count, -1, dtype=np.int64)
    row[near.drop[pick]] = np.arange(len(pick))
    return row, pick


def _highest(near: _Near, powers: Powers, count: int) -> IntArray:
    """Return, of each drop, the pair with the line of the highest voltage; -1 without one.

    Power recorded on a pole doesn't count: it is one of the lines, where the layer has them.
    """
    rows = np.flatnonzero((near.power < powers.lines) & ~np.isnan(powers.voltage_v[near.power]))
    gap = np.nan_to_num(near.gap_m[rows], nan=-1.0)
    power, drop = near.power[rows], near.drop[rows]
    order = np.lexsort((power, near.reason[rows], gap, -powers.voltage_v[power], drop))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = drop[order][1:] != drop[order][:-1]
    pick = rows[order[lead]]
    high = np.full(count, -1, dtype=np.int64)
    high[near.drop[pick]] = pick
    return high


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
        By row of the layer, and after those by row of the poles.
    """
    power, heights = plan.layers.power, plan.project.heights
    kind = power["power_kind"]
    recorded = power["voltage_v"].to_numpy(dtype=np.float64)
    default = kind.map(heights.power_voltage).to_numpy(dtype=np.float64)
    poles = plan.layers.poles
    volts = np.append(
        np.where(np.isnan(recorded), default, recorded), np.full(len(poles), POLE_VOLTAGE_V)
    )
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
            [
                pd.Series(named, dtype="str"),
                pd.Series(joined("power on pole ", texts(poles.index)), dtype="str"),
            ],
            ignore_index=True,
        ).array,
        volts,
        np.append(np.isnan(recorded), np.ones(len(poles), dtype=bool)),
        np.append(
            np.where(np.isnan(height), usual, height),
            poles["power_height_m"].to_numpy(dtype=np.float64),
        ),
        distances[0][0],
        distances[1][0],
        distances[0][1],
        distances[1][1],
        distances[0][2],
        distances[1][2],
        len(power),
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
        _of_kind(drop, power, rows["available_m"].to_numpy(dtype=np.float64), WIRE),
        _of_kind(beside, line, _bound(shapely.distance(wires[beside], lines[line]), above), BESIDE),
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
    """Measure from hook or clamp to power in plan and height; on the own pole in height."""
    hooks = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    points = shapely.force_2d(hooks)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    tree = shapely.STRtree(lines)
    height = plan.drops["hook_height_m"].to_numpy(dtype=np.float64)
    from_pole = _is_from_pole(plan)
    pole = places(plan.drops["access_pole_id"], plan.layers.poles.index)
    every = np.arange(len(points), dtype=np.int64)
    bucket = np.flatnonzero(is_bucket_job(plan.drops))
    found = []
    for rows, reach, kind in (
        (every, powers.worker_reach_m, HOOK),
        (bucket, powers.bucket_reach_m, BUCKET),
    ):
        at, power = tree.query(points[rows], predicate="dwithin", distance=reach)
        drop = rows[at]
        plan_m = shapely.distance(points[drop], lines[power])
        shared = from_pole[drop] & (plan_m <= ON_POLE_M)
        above = powers.height_m[power] - height[drop]
        found.append(
            _of_kind(
                drop[~shared],
                power[~shared],
                _bound(plan_m, np.maximum(above, 0.0))[~shared],
                kind,
            )
        )
        own, line = drop[shared], power[shared]
        gap = _gap_on_pole(powers, line, pole[own], height[own])
        found.append(_of_kind(own, line, gap, kind))
    return found


def _gap_on_pole(powers: Powers, line: IntArray, pole: IntArray, below_m: FloatArray) -> FloatArray:
    """Return how far a line on a pole is above something there, at least; NaN: not known."""
    recorded = powers.height_m[powers.lines + pole]
    above = np.fmax(recorded, powers.height_m[line]) - below_m
    return np.where(above > LEAST_GAP_M, above, np.nan)


def _recorded_on_hook_poles(plan: Plan, powers: Powers) -> _Near:
    """Compare hooks with the lowest power recorded on their own pole."""
    drops, poles = plan.drops, plan.layers.poles
    rows = np.flatnonzero((drops["pole_power_basis"] != "none").to_numpy(dtype=bool))
    power = powers.lines + places(texts(drops["access_pole_id"]).take(rows), poles.index)
    gap = powers.height_m[power] - drops["hook_height_m"].to_numpy(dtype=np.float64)[rows]
    return _of_kind(rows, power, gap, ON_POLE)


def _from_runs(plan: Plan, powers: Powers, runs: StrandRuns) -> _Near:
    """Measure from strand runs to power in plan and height, but for what is on their poles."""
    legs = runs.beyond_poles(ON_POLE_M)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    tree = shapely.STRtree(lines)
    leg, line = tree.query(legs, predicate="dwithin", distance=powers.worker_reach_m)
    plan_m = shapely.distance(legs[leg], lines[line])
    ends = runs.segment[leg].reshape(-1, 2, 2)
    off = [shapely.distance(shapely.points(ends[:, side]), lines[line]) for side in (0, 1)]
    follows = (off[0] <= ON_POLE_M) & (off[1] <= ON_POLE_M)
    above = np.maximum(powers.height_m[line] - runs.high_m[leg], 0.0)
    across = (plan_m <= LEAST_GAP_M) & ~follows
    return _of_kind(runs.drop[leg], line, _bound(plan_m, above), RUN, across)


def _from_run_poles(plan: Plan, powers: Powers, runs: StrandRuns) -> list[_Near]:
    """Compare the strand at the poles of runs with power on them, recorded or passing."""
    poles = plan.layers.poles
    strand = poles["strand_height_m"].to_numpy(dtype=np.float64)
    strand = np.where(np.isnan(strand), plan.project.heights.strand_height, strand)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    points = np.asarray(poles.geometry.values, dtype=object)[runs.pole]
    at, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=ON_POLE_M)
    pole = runs.pole[at]
    recorded = powers.lines + runs.pole
    above = powers.height_m[recorded] - strand[runs.pole]
    has = np.flatnonzero(~np.isnan(above))
    return [
        _of_kind(
            runs.pole_drop[at], line, _gap_on_pole(powers, line, pole, strand[pole]), RUN_POLE
        ),
        _of_kind(runs.pole_drop[has], recorded[has], above[has], RUN_POLE),
    ]


def _of_kind(
    drop: IntArray,
    power: IntArray,
    gap_m: FloatArray,
    kind: int,
    is_across: BoolArray | None = None,
) -> _Near:
    count = len(drop)
    no = np.zeros(count, dtype=bool)
    return _Near(
        np.asarray(drop, dtype=np.int64),
        np.asarray(power, dtype=np.int64),
        gap_m,
        np.full(count, kind, dtype=np.int64),
        no if is_across is None else is_across,
    )


def _rows(ids: Any, among: Any) -> IntArray:
    return np.asarray(pd.Index(among).get_indexer(pd.Index(ids)), dtype=np.int64)


def _join(parts: list[_Near]) -> _Near:
    return _Near(
        np.concatenate([part.drop for part in parts]),
        np.concatenate([part.power for part in parts]),
        np.concatenate([part.gap_m for part in parts]),
        np.concatenate([part.reason for part in parts]),
        np.concatenate([part.is_across for part in parts]),
    )


def _named(power: IntArray, powers: Powers) -> Any:
    """Name lines with their voltage; one that nobody recorded is never told as dead."""
    volts = powers.voltage_v[power]
    is_guess = powers.voltage_is_assumed[power]
    known = np.flatnonzero(np.isfinite(volts) & ~(is_guess & (volts <= 0)))
    live = np.flatnonzero(~np.isfinite(volts) | (is_guess & (volts <= 0)))
    return chained(
        len(power),
        [
            (np.arange(len(power)), powers.label.take(power)),
            (
                known,
                joined(numbers(volts[known], 0), worded(is_guess[known], (" V", " V (assumed)"))),
            ),
            (live, worded(np.zeros(len(live)), (NOT_KNOWN,))),
        ],
        ", ",
    )


def _told(
    near: _Near, pick: IntArray, asked: FloatArray, powers: Powers, units: ReportUnits
) -> Any:
    """Say which line, voltage, distance asked for, distance there is, and the rule."""
    power, is_bucket = near.power[pick], near.reason[pick] == BUCKET
    need, gap = asked[pick], near.gap_m[pick]
    wanted = pd.Series(joined(in_words(need, "length", units), " asked for, "))
    no_need = worded(np.zeros(len(pick)), ("no distance in the rules, ",))
    least = worded(np.isin(near.reason[pick], _AT_LEAST), ("there is ", "there is at least "))
    there = pd.Series(joined(least, in_words(np.maximum(gap, 0.0), "length", units), " from "))
    unknown = pd.Series(worded(np.zeros(len(pick)), ("distance not known from ",)))
    rule = pd.concat(
        [pd.Series(powers.worker_rule), pd.Series(powers.bucket_rule)], ignore_index=True
    ).array.take(power + len(powers.voltage_v) * is_bucket)
    return joined(
        _named(power, powers),
        ": ",
        wanted.where(~np.isnan(need), pd.Series(no_need)).array,
        there.where(~np.isnan(gap), unknown).array,
        worded(near.reason[pick], _REASONS),
        "; ",
        rule,
    )


def _listed(near: _Near, asked: FloatArray, powers: Powers, count: int, units: ReportUnits) -> Any:
    """List all power near each drop, each once, with the distance to keep; greatest first."""
    far = np.nan_to_num(asked, nan=np.inf)
    gap = np.nan_to_num(near.gap_m, nan=-1.0)
    order = np.lexsort((gap, -far, near.power, near.drop))
    drop, power = near.drop[order], near.power[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (power[1:] != power[:-1])
    pick = order[lead]
    pick = pick[np.lexsort((near.power[pick], gap[pick], -far[pick], near.drop[pick]))]
    lifted = worded(near.reason[pick] == BUCKET, (" away", " away with the bucket"))
    keep = pd.Series(joined("keep ", in_words(asked[pick], "length", units), lifted))
    none = pd.Series(worded(np.zeros(len(pick)), ("the rules have no distance: keep away",)))
    words = joined(
        _named(near.power[pick], powers), ": ", keep.where(~np.isnan(asked[pick]), none).array
    )
    return per_row(near.drop[pick], words, count, LIST_SPLIT)


def _on_runs(near: _Near, state: IntArray, powers: Powers, count: int) -> Any:
    """List power that strand runs cross, or come too near to, or may."""
    of_run = (near.reason == RUN) | (near.reason == RUN_POLE)
    rows = np.flatnonzero(of_run & (near.is_across | (state < STATES.index("clear"))))
    pairs = np.unique(np.stack([near.drop[rows], near.power[rows]], axis=1), axis=0)
    pairs = pairs.reshape(-1, 2).astype(np.int64)
    return per_row(pairs[:, 0], _named(pairs[:, 1], powers), count, LIST_SPLIT)
