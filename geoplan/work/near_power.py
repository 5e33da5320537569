"""Power near each drop: its wire, the places where people stand, its bucket, its strand.

Enters: planned drops, what they meet, their strand runs, places of work, `Powers`.
Leaves: `Near`: pairs of a drop and power, with the distance, or without where it is not known.
Does not do: judge the distances.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.routes.crossings import ON_POLE_M
from geoplan.text_columns import places, texts
from geoplan.work.places import is_bucket_job
from geoplan.work.power_pairs import (
    BESIDE,
    BOOM,
    BUCKET,
    FAR_POLE,
    HOOK,
    HOUSE,
    HOUSE_LADDER,
    LADDER,
    LIFTED,
    ON_POLE,
    RUN_POLE,
    TERMINAL,
    WIRE,
    Near,
    bound,
    head_bound,
    joined_pairs,
    pairs_of,
)
from geoplan.work.powers import HIGH_VOLTAGE_V, Powers
from geoplan.work.strand_power import far_poles, gap_on_pole, power_of_runs
from geoplan.work.strand_run import StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

STAND_REASONS = {"ladder": LADDER, "house_ladder": HOUSE_LADDER, "bucket": BOOM}
"""Place of work to the reason that power near it is told with."""


def find_near_power(
    plan: Plan,
    powers: Powers,
    runs: StrandRuns,
    work_places: gpd.GeoDataFrame | None = None,
    run_bucket: BoolArray | None = None,
) -> Near:
    """Find power near drops and measure to it.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    powers : Powers
        Of its layers.
    runs : StrandRuns
        Ways of the wires along the strand.
    work_places : geopandas.GeoDataFrame, optional
        Columns as declared for ``work_places``; without it ladders and buckets are taken to be at
        hook, clamp and attachment.
    run_bucket : ndarray of bool, shape (n,), optional
        Drops whose run is worked from a bucket; by default those with a bucket at the clamp.

    Returns
    -------
    Near
        Pairs; one drop and line may be there for several reasons. Power recorded on a pole is left
        out where it is a line over 1 kV of the layer, told for the same drop.
    """
    near = joined_pairs(
        [
            *_from_wires(plan, powers),
            *_from_hooks(plan, powers),
            _from_houses(plan, powers),
            *_from_stands(plan, powers, work_places),
            _recorded_on_hook_poles(plan, powers),
            *power_of_runs(
                plan, powers, runs, is_bucket_job(plan.drops) if run_bucket is None else run_bucket
            ),
        ]
    )
    return near.take(~_is_told_as_line(plan, powers, near))


def _lines(plan: Plan) -> ObjectArray:
    return np.asarray(plan.layers.power.geometry.values, dtype=object)


def _from_wires(plan: Plan, powers: Powers) -> list[Near]:
    """Take the wire's distance from what it crosses; work it out from what it passes."""
    crossings = plan.crossings
    of_power = (crossings["crossing_kind"] == "power") & ~crossings["is_near_miss"]
    rows = crossings[of_power]
    drop = _rows(rows["address_id"], plan.drops["address_id"])
    power = places(rows["feature_id"], plan.layers.power.index)
    wires, lines = _beyond_pole(plan), _lines(plan)
    beside, line = shapely.STRtree(lines).query(
        wires, predicate="dwithin", distance=powers.worker_reach_m
    )
    met = pd.MultiIndex.from_arrays([drop, power])
    passed = ~pd.MultiIndex.from_arrays([beside, line]).isin(met)
    beside, line = beside[passed], line[passed]
    nearest = shapely.get_point(shapely.shortest_line(wires[beside], lines[line]), 0)
    way = shapely.get_coordinates(nearest) - _ends(plan)[beside, 0]
    above = powers.height_m[line] - _highest_wire(plan)[beside]
    return [
        pairs_of(
            drop,
            power,
            rows["available_m"].to_numpy(dtype=np.float64),
            WIRE,
            at_m=rows["at_m"].to_numpy(dtype=np.float64),
        ),
        pairs_of(
            beside,
            line,
            bound(shapely.distance(wires[beside], lines[line]), above),
            BESIDE,
            at_m=np.hypot(*way.T),
        ),
    ]


def _is_from_pole(plan: Plan) -> BoolArray:
    return np.asarray(plan.drops["strand_span_id"].isna(), dtype=bool)


def _ends(plan: Plan) -> FloatArray:
    """Return the ends of the wires in plan, shape (n, 2, 2)."""
    return np.asarray(shapely.get_coordinates(plan.air_spans.geometry.values).reshape(-1, 2, 2))


def _beyond_pole(plan: Plan) -> ObjectArray:
    """Return the wires in plan, without the part in which power is on their own pole."""
    ends = _ends(plan)
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
    points = shapely.points(_ends(plan)[:, 0])
    height = plan.drops["hook_height_m"].to_numpy(dtype=np.float64)
    pole = places(plan.drops["access_pole_id"], plan.layers.poles.index)
    every = np.arange(len(points), dtype=np.int64)
    bucket = np.flatnonzero(is_bucket_job(plan.drops))
    found = []
    for rows, reason in ((every, HOOK), (bucket, BUCKET)):
        at, line, plan_m = _within(points[rows], plan, powers, reason)
        drop = rows[at]
        shared = _is_from_pole(plan)[drop] & (plan_m <= ON_POLE_M)
        above = powers.height_m[line] - height[drop]
        on_pole = gap_on_pole(powers, line, pole[drop], height[drop])
        gap = np.where(shared, on_pole, bound(plan_m, above))
        head = np.where(shared, head_bound(np.zeros(len(drop)), on_pole), head_bound(plan_m, above))
        found.append(
            pairs_of(drop, line, gap, reason, head_gap_m=head, is_along=_follows(plan, drop, line))
        )
    return found


def _within(
    shapes: Any, plan: Plan, powers: Powers, reason: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return shapes and the power near them, with the distance in plan."""
    lines = _lines(plan)
    reach = powers.bucket_reach_m if reason in LIFTED else powers.look_within_m
    at, line = shapely.STRtree(lines).query(shapes, predicate="dwithin", distance=reach)
    plan_m = shapely.distance(shapes[at], lines[line])
    kept = np.flatnonzero(powers.is_near(line, plan_m) | (reason in LIFTED))
    return at[kept], line[kept], plan_m[kept]


def _follows(plan: Plan, drop: IntArray, line: IntArray) -> BoolArray:
    """Tell which lines pass both poles of a clamp's span."""
    points = np.asarray([*plan.layers.poles.geometry.values, None], dtype=object)
    lines = _lines(plan)[line]
    near = np.ones(len(drop), dtype=bool)
    for pole in (places(plan.drops["access_pole_id"], plan.layers.poles.index), far_poles(plan)):
        near &= shapely.distance(points[pole[drop]], lines) <= ON_POLE_M
    return near & ~_is_from_pole(plan)[drop]


def _from_houses(plan: Plan, powers: Powers) -> Near:
    """Measure from the house attachment to power in plan and height."""
    drop, line, plan_m = _within(shapely.points(_ends(plan)[:, 1]), plan, powers, HOUSE)
    height = plan.drops["attachment_height_m"].to_numpy(dtype=np.float64)
    above = powers.height_m[line] - height[drop]
    return pairs_of(drop, line, bound(plan_m, above), HOUSE, head_gap_m=head_bound(plan_m, above))


def _from_stands(plan: Plan, powers: Powers, work_places: gpd.GeoDataFrame | None) -> list[Near]:
    """Measure from ladders, foot to top, and from the way between truck and clamp.

    A ladder counts with the height of its top over all its length: who climbs it stands upright.
    """
    if work_places is None:
        return []
    found = []
    drops, ends = plan.drops, _ends(plan)
    for place, reason in STAND_REASONS.items():
        rows = work_places[work_places["place"] == place]
        drop = _rows(rows["address_id"], drops["address_id"])
        is_house = reason == HOUSE_LADDER
        top = ends[drop, int(is_house)]
        name = "attachment_height_m" if is_house else "hook_height_m"
        height = drops[name].to_numpy(dtype=np.float64)[drop]
        foot = shapely.get_coordinates(rows.geometry.values)
        ways = shapely.linestrings(np.stack([foot, top], axis=1).reshape(-1, 2, 2))
        at, line, plan_m = _within(ways, plan, powers, reason)
        shared = _on_own_pole(plan, drop[at], line) & (reason == LADDER)
        at, line, plan_m = at[~shared], line[~shared], plan_m[~shared]
        above = powers.height_m[line] - height[at]
        found.append(
            pairs_of(
                drop[at],
                line,
                bound(plan_m, above),
                reason,
                head_gap_m=head_bound(plan_m, above),
            )
        )
    return found


def _on_own_pole(plan: Plan, drop: IntArray, line: IntArray) -> BoolArray:
    """Tell which lines are on the pole that a drop's hook is on."""
    points = shapely.points(_ends(plan)[:, 0])
    off = shapely.distance(points[drop], _lines(plan)[line])
    return np.asarray(_is_from_pole(plan)[drop] & (off <= ON_POLE_M), dtype=bool)


def _recorded_on_hook_poles(plan: Plan, powers: Powers) -> Near:
    """Compare hooks with the lowest power recorded on their own pole."""
    drops, poles = plan.drops, plan.layers.poles
    rows = np.flatnonzero((drops["pole_power_basis"] != "none").to_numpy(dtype=bool))
    pole = places(texts(drops["access_pole_id"]).take(rows), poles.index)
    power = powers.lines + pole
    gap = powers.height_m[power] - drops["hook_height_m"].to_numpy(dtype=np.float64)[rows]
    head = head_bound(np.zeros(len(rows)), gap)
    return pairs_of(rows, power, gap, ON_POLE, head_gap_m=head, pole=pole)


def _is_told_as_line(plan: Plan, powers: Powers, near: Near) -> BoolArray:
    """Tell which pairs are power recorded on a pole that is a line told for the same drop.

    The line has to be over 1 kV by its record, to ask for as much, to hang no higher than what is
    recorded on the pole, and to have a distance from hook, clamp or strand.
    """
    poles = np.asarray(plan.layers.poles.geometry.values, dtype=object)
    pole, line = shapely.STRtree(_lines(plan)).query(poles, predicate="dwithin", distance=ON_POLE_M)
    is_known = ~powers.voltage_is_assumed[line] & (powers.voltage_v[line] > HIGH_VOLTAGE_V)
    is_known &= powers.height_m[line] <= powers.height_m[powers.lines + pole]
    is_known &= powers.worker_m[line] >= powers.worker_m[powers.lines + pole]
    pole, line = pole[is_known], line[is_known]
    measured = np.isin(near.reason, (HOOK, RUN_POLE, FAR_POLE, TERMINAL)) & ~np.isnan(near.gap_m)
    told = pd.MultiIndex.from_arrays([near.drop[measured], near.power[measured]])
    rows = np.flatnonzero((near.power >= powers.lines) & ~np.isnan(near.gap_m))
    record = pd.DataFrame({"row": rows, "pole": near.power[rows] - powers.lines})
    pair = record.merge(pd.DataFrame({"pole": pole, "line": line}), on="pole")
    row, other = pair["row"].to_numpy(dtype=np.int64), pair["line"].to_numpy(dtype=np.int64)
    is_pair = pd.MultiIndex.from_arrays([near.drop[row], other]).isin(told)
    again = np.zeros(len(near.drop), dtype=bool)
    again[row[is_pair]] = True
    return again


def _rows(ids: Any, among: Any) -> IntArray:
    return np.asarray(pd.Index(among).get_indexer(pd.Index(ids)), dtype=np.int64)
