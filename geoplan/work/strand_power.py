"""Power near the strand: along each run, at its poles, at the terminal, at a span's far pole.

Enters: planned drops, their strand runs, `Powers`.
Leaves: `Near` for runs, their poles, terminals, and the poles on which clamps' spans end.
Does not do: judge the distances; know how a strand sags between its poles.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.routes.crossings import ON_POLE_M
from geoplan.text_columns import places
from geoplan.work.power_pairs import (
    ARM_REACH_M,
    FAR_POLE,
    LEAST_GAP_M,
    RUN,
    RUN_BUCKET,
    RUN_POLE,
    TERMINAL,
    TERMINAL_SIDE,
    Near,
    bound,
    head_bound,
    pairs_of,
)
from geoplan.work.powers import HIGH_VOLTAGE_V, Powers
from geoplan.work.strand_run import StrandRuns, strand_heights

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

FAR_LINES_WITHIN_M = 10.0
"""A clamp farther than this from its far pole has nothing to do with the low voltage there; our
own default, no source."""


def power_of_runs(plan: Plan, powers: Powers, runs: StrandRuns, by_bucket: BoolArray) -> list[Near]:
    """Find power near runs, at their poles, at terminals, and at the far poles of clamps' spans.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    powers : Powers
        Of its layers.
    runs : StrandRuns
        Ways of the wires along the strand.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket: all along it lifting plant's distance holds.

    Returns
    -------
    list of Near
        Heights on a pole: of the lowest power recorded there, or of the line where that is higher.
        A drop without a run is connected at its terminal by hands at the strand's height there.
        On which side of its pole a terminal hangs is not known: the strand is looked at on all.
    """
    far = far_poles(plan)
    rows = np.flatnonzero(far >= 0)
    terminal = places(plan.drops["terminal_id"], plan.layers.poles.index)
    has_run = np.bincount(runs.pole_drop, minlength=len(terminal)) > 0
    direct = np.flatnonzero(~has_run & (terminal >= 0))
    every = np.flatnonzero(terminal >= 0)
    return [
        _from_runs(plan, powers, runs),
        *_from_poles(plan, powers, runs.pole_drop, runs.pole, RUN_POLE),
        *_from_poles(plan, powers, rows, far[rows], FAR_POLE),
        *_from_poles(plan, powers, direct, terminal[direct], TERMINAL),
        _beside_terminals(plan, powers, every, terminal[every]),
        *_from_buckets(plan, powers, runs, by_bucket),
    ]


def far_poles(plan: Plan) -> IntArray:
    """Return the pole on which each clamp's span ends away from the access pole.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.

    Returns
    -------
    ndarray of int64, shape (n,)
        Row of the pole; -1 without a clamp, or where the span doesn't hang on the access pole.
    """
    spans, poles = plan.layers.spans, plan.layers.poles
    span = places(plan.drops["strand_span_id"], spans.index)
    access = places(plan.drops["access_pole_id"], poles.index)
    ends = [
        np.append(places(spans[name], poles.index), -1)[span]
        for name in ("from_pole_id", "to_pole_id")
    ]
    return np.select([ends[0] == access, ends[1] == access], ends[::-1], -1)


def gap_on_pole(powers: Powers, line: IntArray, pole: IntArray, below_m: FloatArray) -> FloatArray:
    """Return how far a line on a pole is above something there, at least.

    Parameters
    ----------
    powers : Powers
        Power.
    line, pole : ndarray of int64, shape (m,)
        Rows of the layer of power and of the poles.
    below_m : ndarray of float64, shape (m,)
        Height of what is below, m.

    Returns
    -------
    ndarray of float64, shape (m,)
        m; NaN: not known.
    """
    recorded = powers.height_m[powers.lines + pole]
    above = np.fmax(recorded, powers.height_m[line]) - below_m
    return np.where(above > LEAST_GAP_M, above, np.nan)


def _from_runs(plan: Plan, powers: Powers, runs: StrandRuns) -> Near:
    """Measure from strand runs to power in plan and height, but for what is on their poles."""
    legs = runs.beyond_poles(ON_POLE_M)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    leg, line = shapely.STRtree(lines).query(
        legs, predicate="dwithin", distance=powers.look_within_m
    )
    near = shapely.shortest_line(legs[leg], lines[line])
    plan_m = shapely.length(near)
    kept = powers.is_near(line, plan_m)
    leg, line, near, plan_m = leg[kept], line[kept], near[kept], plan_m[kept]
    ends = runs.segment[leg].reshape(-1, 2, 2)
    off = [shapely.distance(shapely.points(ends[:, side]), lines[line]) for side in (0, 1)]
    follows = (off[0] <= ON_POLE_M) & (off[1] <= ON_POLE_M)
    above = powers.height_m[line] - runs.high_m[leg]
    at = shapely.get_coordinates(shapely.get_point(near, 0))
    way = [np.hypot(*(at - ends[:, side]).T) for side in (0, 1)]
    poles = [runs.from_pole[leg], runs.to_pole[leg]]
    is_first = (poles[0] >= 0) & (way[0] < way[1])
    return pairs_of(
        runs.drop[leg],
        line,
        bound(plan_m, above),
        RUN,
        head_gap_m=head_bound(plan_m, above),
        is_across=(plan_m <= LEAST_GAP_M) & ~follows,
        is_along=follows,
        at_m=np.where(is_first, way[0], way[1]),
        pole=np.where(is_first, poles[0], poles[1]),
    )


def _from_buckets(plan: Plan, powers: Powers, runs: StrandRuns, by_bucket: BoolArray) -> list[Near]:
    """Measure from runs worked from a bucket to power in plan and height, poles among them."""
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    legs = np.flatnonzero(by_bucket[runs.drop])
    ways = runs.lines[legs]
    at, line = shapely.STRtree(lines).query(
        ways, predicate="dwithin", distance=powers.bucket_reach_m
    )
    leg = legs[at]
    plan_m = shapely.distance(ways[at], lines[line])
    strand = strand_heights(plan.layers.poles, plan.project.heights.strand_height)
    rows = np.flatnonzero(by_bucket[runs.pole_drop])
    pole = runs.pole[rows]
    above = powers.height_m[powers.lines + pole] - strand[pole]
    known = ~np.isnan(above)
    rows, pole, above = rows[known], pole[known], above[known]
    return [
        pairs_of(
            runs.drop[leg],
            line,
            bound(plan_m, powers.height_m[line] - runs.high_m[leg]),
            RUN_BUCKET,
        ),
        pairs_of(runs.pole_drop[rows], powers.lines + pole, above, RUN_BUCKET, pole=pole),
    ]


def _from_poles(
    plan: Plan, powers: Powers, drop: IntArray, pole: IntArray, reason: int
) -> list[Near]:
    """Compare the strand at poles with power on them, recorded or passing, and with power near."""
    strand = strand_heights(plan.layers.poles, plan.project.heights.strand_height)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    points = np.asarray(plan.layers.poles.geometry.values, dtype=object)[pole]
    tree = shapely.STRtree(lines)
    at, line = tree.query(points, predicate="dwithin", distance=powers.look_within_m)
    plan_m = shapely.distance(points[at], lines[line])
    kept = powers.is_near(line, plan_m) & _matters(plan, powers, drop[at], pole[at], line, reason)
    at, line, plan_m = at[kept], line[kept], plan_m[kept]
    on = plan_m <= ON_POLE_M
    on_pole = gap_on_pole(powers, line, pole[at], strand[pole[at]])
    beside = powers.height_m[line] - strand[pole[at]]
    gap = np.where(on, on_pole, bound(plan_m, beside))
    head = np.where(on, head_bound(np.zeros(len(at)), on_pole), head_bound(plan_m, beside))
    recorded = powers.lines + pole
    above = powers.height_m[recorded] - strand[pole]
    has = np.flatnonzero(~np.isnan(above))
    heads = head_bound(np.zeros(len(has)), above[has])
    nobody = np.full(len(pole), np.nan)
    is_far = reason == FAR_POLE
    return [
        pairs_of(
            drop[at], line, gap, reason, head_gap_m=nobody[at] if is_far else head, pole=pole[at]
        ),
        pairs_of(
            drop[has],
            recorded[has],
            above[has],
            reason,
            head_gap_m=nobody[has] if is_far else heads,
            pole=pole[has],
        ),
    ]


def _beside_terminals(plan: Plan, powers: Powers, drop: IntArray, terminal: IntArray) -> Near:
    """Measure to power from the strand within reach of terminals, but for what is on the pole."""
    spans, poles = plan.layers.spans, plan.layers.poles
    strand = strand_heights(poles, plan.project.heights.strand_height)
    ends = [places(spans[name], poles.index) for name in ("from_pole_id", "to_pole_id")]
    row = np.flatnonzero((ends[0] >= 0) & (ends[1] >= 0))
    side = pd.DataFrame(
        {
            "pole": np.concatenate([ends[0][row], ends[1][row]]),
            "other": np.concatenate([ends[1][row], ends[0][row]]),
        }
    )
    pairs = pd.DataFrame({"drop": drop, "pole": terminal}).merge(side, on="pole")
    own, pole, other = (pairs[name].to_numpy(dtype=np.int64) for name in ("drop", "pole", "other"))
    points = shapely.get_coordinates(poles.geometry.values)
    way = points[other] - points[pole]
    length = np.maximum(np.hypot(*way.T), LEAST_GAP_M)[:, None]
    near, far = (
        points[pole] + way * np.minimum(out_m / length, 0.5)
        for out_m in (ON_POLE_M, ON_POLE_M + ARM_REACH_M)
    )
    pieces = shapely.linestrings(np.stack([near, far], axis=1).reshape(-1, 2, 2))
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    at, line = shapely.STRtree(lines).query(
        pieces, predicate="dwithin", distance=powers.look_within_m
    )
    nearest = shapely.shortest_line(pieces[at], lines[line])
    plan_m = shapely.length(nearest)
    kept = powers.is_near(line, plan_m)
    at, line, nearest, plan_m = at[kept], line[kept], nearest[kept], plan_m[kept]
    above = powers.height_m[line] - np.fmax(strand[pole[at]], strand[other[at]])
    out = shapely.get_coordinates(shapely.get_point(nearest, 0)) - points[pole[at]]
    return pairs_of(
        own[at],
        line,
        bound(plan_m, above),
        TERMINAL_SIDE,
        head_gap_m=head_bound(plan_m, above),
        at_m=np.hypot(*out.T),
        pole=pole[at],
    )


def _matters(
    plan: Plan, powers: Powers, drop: IntArray, pole: IntArray, line: IntArray, reason: int
) -> BoolArray:
    """Tell which lines at a pole to look at: at a far pole those on it, of low voltage if near."""
    if reason != FAR_POLE:
        return np.ones(len(drop), dtype=bool)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    points = np.asarray(plan.layers.poles.geometry.values, dtype=object)
    clamps = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    is_on = shapely.distance(points[pole], lines[line]) <= ON_POLE_M
    is_close = shapely.distance(shapely.force_2d(clamps[drop]), points[pole]) <= FAR_LINES_WITHIN_M
    is_low = powers.voltage_v[line] <= HIGH_VOLTAGE_V
    return np.asarray(is_on & (is_close | ~is_low), dtype=bool)
