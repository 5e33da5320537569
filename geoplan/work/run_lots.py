"""Whose lots a strand run is on: below the wire, and where ladder or truck stand for it.

Enters: strand runs, lots, carriageways, crew rules.
Leaves: lots by drop in words: those asked, and those of either side where one side will do.
Does not do: know verges, rights of way or easements; choose where each ladder stands.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, places, worded
from geoplan.work.clauses import per_row
from geoplan.work.drop_case import WINDS
from geoplan.work.ground import Ground
from geoplan.work.lot_names import lots_with_names
from geoplan.work.place_search import STREET_WITHIN_M
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LEAST_OVER_LOT_M = 0.5
"""A run over a lot for less than this runs along its edge: lot lines are not drawn finer; common
practice, no source."""
ALONG_EDGE_M = 0.3
"""A run over no more than such an edge of a lot runs along the line between two: neither is below
it; common practice, no source."""
TOUCHES_M = 0.01
"""A part of a leg over a lot for less than this only touches it."""
SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Middles of the equal parts of a leg that are looked at one by one."""
SIDE = " side: "
"""Between the side of the strand and a lot on it."""


def run_lots(
    plan: Plan, runs: StrandRuns, by_bucket: BoolArray, ground: Ground, rules: CrewRules
) -> pd.DataFrame:
    """List the lots that runs pass over or are worked from, but for that of the drop.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand, m legs.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket.
    ground : Ground
        Carriageways.
    rules : CrewRules
        How near a carriageway a ladder's place is told, room that a truck takes.

    Returns
    -------
    pandas.DataFrame
        n rows: ``run_lots``, lots whose owners are asked anyway, ``id (street address)``, and
        ``run_lots_sides``, lots on both sides of the strand of which one side is enough,
        ``north side: id (street address)``; split by `LIST_SPLIT`, null without one.

    Notes
    -----
    A leg is looked at in as many equal parts as `SHARES` has. A ladder's foot is off the strand
    by the leg's height over the tangent of ``[ladder] angle``:
    on the side away from the nearest carriageway, where the other side is nearer to one than
    ``places.kerb_told``; else on either. A truck stands ``places.bucket_away`` off, toward a
    carriageway within `STREET_WITHIN_M` of the part's middle, on nobody's lot where that is in
    its lane; else on either side. Where either side will do, nobody more is asked if most of the
    part is over lots itself, or, for a ladder, if one side has free ground and no lots; with lots
    on both sides leave on one will do. A truck without a road beside the run gets to it over
    ground that nobody knows: all lots beside it are asked.

    References
    ----------
    Sides: common practice, no source.
    """
    parcels = plan.layers.parcels
    own = places(plan.drops["parcel_id"], parcels.index)
    shapes = np.asarray(parcels.geometry.values, dtype=object)
    drop, ends = np.repeat(runs.drop, len(SHARES)), _parts(runs)
    count, is_truck = len(drop), by_bucket[drop]
    slope = np.tan(np.radians(plan.project.ladder.angle))
    high = np.repeat(runs.high_m, len(SHARES))
    out_m = np.where(is_truck, rules.value("places.bucket_away"), high / slope)
    along = ends[:, 1] - ends[:, 0]
    length = np.maximum(np.hypot(*along.T), 1e-9)
    left = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]
    keep_off = [rules.value(f"places.{name}") for name in ("bucket_keep_off", "keep_off")]
    edge, free = np.empty((2, count)), np.empty((2, count), dtype=bool)
    beside = []
    for side, sign in enumerate((1.0, -1.0)):
        aside = ends + sign * (left * out_m[:, None])[:, None, :]
        middle = aside.mean(axis=1)
        edge[side] = ground.nearest_road(middle[:, 0], middle[:, 1], STREET_WITHIN_M)[1]
        beside.append(_over(shapes, shapely.linestrings(aside), own[drop])[:2])
        free[side] = _is_free(ground, middle, np.where(is_truck, *keep_off))
    has_lots = np.array([np.isin(np.arange(count), part) for part, _ in beside])
    part, lot, over_m = _over(shapes, shapely.linestrings(ends), own[drop], ALONG_EDGE_M)
    has_room = (free & ~has_lots).any(axis=0) & ~is_truck
    needs_none = has_room | (np.bincount(part, over_m, minlength=count) > length / 2)
    asked = _asked(edge, is_truck, rules, has_lots & ~needs_none)
    by_choice = asked.all(axis=0) & has_lots.all(axis=0) & ~is_truck
    sure = [_of(drop, beside[side], asked[side] & ~by_choice) for side in (0, 1)]
    sure.append(np.stack([drop[part], lot], axis=1))
    whole = np.unique(np.concatenate(sure), axis=0)
    sides = [_of(drop, beside[side], by_choice) for side in (0, 1)]
    return pd.DataFrame(
        {
            "run_lots": per_row(
                whole[:, 0], lots_with_names(plan.layers, whole[:, 1]), runs.count, LIST_SPLIT
            ),
            "run_lots_sides": _side_words(
                plan, whole, sides, _winds(drop[by_choice], left[by_choice], runs.count)
            ),
        }
    )


def _parts(runs: StrandRuns) -> FloatArray:
    """Cut legs into equal parts, shape (m times parts, 2, 2)."""
    begin, way = runs.segment[:, :2], runs.segment[:, 2:] - runs.segment[:, :2]
    cuts = np.linspace(0.0, 1.0, len(SHARES) + 1)
    at = begin[:, None, :] + cuts[None, :, None] * way[:, None, :]
    return np.stack([at[:, :-1], at[:, 1:]], axis=2).reshape(-1, 2, 2)


def _of(drop: IntArray, beside: tuple[IntArray, IntArray], which: BoolArray) -> IntArray:
    """Return pairs of a drop and a lot beside some parts of its run, each once."""
    part, lot = beside
    pairs = np.stack([drop[part], lot], axis=1)[which[part]]
    return np.unique(pairs, axis=0).reshape(-1, 2)


def _winds(drop: IntArray, left: FloatArray, count: int) -> IntArray:
    """Return the wind that the left side of each run faces, by its parts."""
    east, north = (np.bincount(drop, way, minlength=count) for way in left.T)
    return np.rint(np.degrees(np.arctan2(north, east)) / 45.0).astype(np.int64) % len(WINDS)


def _side_words(plan: Plan, sure: IntArray, sides: list[IntArray], wind: IntArray) -> Any:
    """Name the lots of either side, where neither has all its owners asked already."""
    count = len(wind)
    lots = len(plan.layers.parcels) + 1
    known = sure @ [lots, 1]
    left = [pairs[~np.isin(pairs @ [lots, 1], known)] for pairs in sides]
    open_ = np.logical_and(*(np.isin(np.arange(count), pairs[:, 0]) for pairs in left))
    left = [pairs[open_[pairs[:, 0]]] for pairs in left]
    side = np.repeat([0, 1], [len(pairs) for pairs in left])
    pairs = np.concatenate(left)
    order = np.lexsort((pairs[:, 1], side, pairs[:, 0]))
    drop, lot = pairs[order].T
    faces = (wind[drop] + side[order] * len(WINDS) // 2) % len(WINDS)
    words = joined(worded(faces, WINDS), SIDE, lots_with_names(plan.layers, lot))
    return per_row(drop, words, count, LIST_SPLIT)


def _asked(
    edge: FloatArray, is_truck: BoolArray, rules: CrewRules, either_asked: BoolArray
) -> BoolArray:
    """Tell on which sides of each part, shape (2, m), leave is asked; that told where both do."""
    by_road = np.isfinite(edge).any(axis=0)
    keep_off, told = rules.value("places.bucket_keep_off"), rules.value("places.kerb_told")
    is_near = edge <= edge[::-1]
    truck = is_near & ~(edge < keep_off) & (edge != edge[::-1])
    ladder = ~is_near & (edge.min(axis=0) < told)
    either = np.where(is_truck, ~by_road, ~(edge.min(axis=0) < told))
    return np.asarray((either & either_asked) | (~either & np.where(is_truck, truck, ladder)))


def _is_free(ground: Ground, spot: FloatArray, keep_off_m: FloatArray) -> BoolArray:
    """Tell which places are free."""
    free = np.ones(len(spot), dtype=bool)
    for least_m in np.unique(keep_off_m):
        free &= ground.is_free(spot[:, 0], spot[:, 1], least_m) | (keep_off_m != least_m)
    return free


def _over(
    shapes: npt.NDArray[np.object_],
    parts: npt.NDArray[np.object_],
    own: IntArray,
    edge_m: float = 0.0,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Pair parts with the lots of others, without their edge, that they are over, and how long."""
    part, lot = shapely.STRtree(shapes).query(parts, predicate="intersects")
    other = lot != own[part]
    part, lot = part[other].astype(np.int64), lot[other].astype(np.int64)
    lots, at = np.unique(lot, return_inverse=True)
    inner = shapely.buffer(shapes[lots], -edge_m, join_style="mitre") if edge_m else shapes[lots]
    over_m = shapely.length(shapely.intersection(inner[at], parts[part]))
    key = part // len(SHARES) * (len(shapes) + 1) + lot
    of_leg = pd.Series(over_m).groupby(key).transform("sum").to_numpy()
    over = (of_leg > LEAST_OVER_LOT_M) & (over_m > TOUCHES_M)
    return part[over], lot[over], over_m[over]
