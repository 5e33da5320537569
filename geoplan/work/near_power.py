"""Power near each drop: its wire, its hook or clamp, its bucket, and its run along the strand.

Enters: planned drops, what they meet, their strand runs, `Powers`.
Leaves: `Near`: pairs of a drop and power, with the distance, or without where it is not known.
Does not do: judge the distances.
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
from geoplan.text_columns import places, texts
from geoplan.work.places import is_bucket_job
from geoplan.work.powers import Powers
from geoplan.work.strand_run import StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LEAST_GAP_M = 1e-9


@dataclass(frozen=True)
class Near:
    """Pairs of a drop and power near it."""

    drop: IntArray
    power: IntArray
    gap_m: FloatArray
    """Distance; NaN: not known."""
    reason: IntArray
    """What the distance is of, see `REASONS`."""
    is_across: BoolArray
    """Whether power crosses the strand run in plan."""


REASONS = (
    "the wire that crosses it",
    "hook or clamp",
    "the hook on its pole",
    "a bucket at the clamp",
    "the wire beside it",
    "the strand run",
    "the strand at a pole of the run",
)
WIRE, HOOK, ON_POLE, BUCKET, BESIDE, RUN, RUN_POLE = range(len(REASONS))
AT_LEAST = (HOOK, BUCKET, BESIDE, RUN, RUN_POLE)
"""Reasons whose distance is a bound."""


def find_near_power(plan: Plan, powers: Powers, runs: StrandRuns) -> Near:
    """Find power near drops and measure to it.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    powers : Powers
        Of its layers.
    runs : StrandRuns
        Ways of the wires along the strand.

    Returns
    -------
    Near
        Pairs; one drop and line may be there for several reasons.
    """
    return _join(
        [
            *_from_wires(plan, powers),
            *_from_hooks(plan, powers),
            _recorded_on_hook_poles(plan, powers),
            _from_runs(plan, powers, runs),
            *_from_run_poles(plan, powers, runs),
        ]
    )


def _from_wires(plan: Plan, powers: Powers) -> list[Near]:
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


def _from_hooks(plan: Plan, powers: Powers) -> list[Near]:
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


def _recorded_on_hook_poles(plan: Plan, powers: Powers) -> Near:
    """Compare hooks with the lowest power recorded on their own pole."""
    drops, poles = plan.drops, plan.layers.poles
    rows = np.flatnonzero((drops["pole_power_basis"] != "none").to_numpy(dtype=bool))
    power = powers.lines + places(texts(drops["access_pole_id"]).take(rows), poles.index)
    gap = powers.height_m[power] - drops["hook_height_m"].to_numpy(dtype=np.float64)[rows]
    return _of_kind(rows, power, gap, ON_POLE)


def _from_runs(plan: Plan, powers: Powers, runs: StrandRuns) -> Near:
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


def _from_run_poles(plan: Plan, powers: Powers, runs: StrandRuns) -> list[Near]:
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
) -> Near:
    count = len(drop)
    no = np.zeros(count, dtype=bool)
    return Near(
        np.asarray(drop, dtype=np.int64),
        np.asarray(power, dtype=np.int64),
        gap_m,
        np.full(count, kind, dtype=np.int64),
        no if is_across is None else is_across,
    )


def _rows(ids: Any, among: Any) -> IntArray:
    return np.asarray(pd.Index(among).get_indexer(pd.Index(ids)), dtype=np.int64)


def _join(parts: list[Near]) -> Near:
    return Near(
        np.concatenate([part.drop for part in parts]),
        np.concatenate([part.power for part in parts]),
        np.concatenate([part.gap_m for part in parts]),
        np.concatenate([part.reason for part in parts]),
        np.concatenate([part.is_across for part in parts]),
    )
