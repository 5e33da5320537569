"""Pick of each drop's candidates for a place the first that is free, better ground before worse.

Enters: candidate points by drop, what a place must have and what it should have.
Leaves: the points taken.
Does not do: know ladders, reels or trucks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.text_columns import places
from geoplan.work.ground import Ground

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
OVERHEAD_M = 1.0
"""A line nearer than this in plan to a ladder's foot or a reel passes over it; our own default,
no source."""
Test = Callable[[IntArray, FloatArray], BoolArray]
"""Tells for rows of drops and their points, shape (k, 2), which will do."""


def first_free(
    rows: IntArray,
    candidates: Sequence[FloatArray],
    needs: Sequence[Test],
    wishes: Sequence[Sequence[Test]] = ((),),
) -> tuple[FloatArray, IntArray]:
    """Take each row's first candidate that has what it needs.

    Parameters
    ----------
    rows : ndarray of int64, shape (n,)
        Rows of the drops.
    candidates : sequence of ndarray of float64, shape (n, 2)
        Points in working coordinates, the best first; NaN where a row has none.
    needs : sequence of callable
        Tests that a point has to pass.
    wishes : sequence of sequences of callable
        Further tests; all candidates are tried with the first set, then with the next.

    Returns
    -------
    xy : ndarray of float64, shape (n, 2)
        NaN where nothing was found.
    number : ndarray of int64, shape (n,)
        Place in `candidates`; -1 where nothing was found.
    """
    chosen = np.full((len(rows), 2), np.nan)
    number = np.full(len(rows), -1, dtype=np.int64)
    for wish in wishes:
        for rank, points in enumerate(candidates):
            left = np.flatnonzero((number < 0) & np.isfinite(points).all(axis=1))
            for passes in (*needs, *wish):
                left = left[passes(rows[left], points[left])] if len(left) else left
            chosen[left], number[left] = points[left], rank
    return chosen, number


def off_ground(ground: Ground, keep_off_m: float, kerb_keep_off_m: float) -> Test:
    """Ask for distance from what is in the way, and from the edges of carriageways."""

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        del rows
        free = ground.is_free(xy[:, 0], xy[:, 1], keep_off_m)
        _, edge = ground.nearest_road(xy[:, 0], xy[:, 1], kerb_keep_off_m)
        return np.asarray(free & (edge >= kerb_keep_off_m))

    return passes


def no_nearer_than(ground: Ground, least_m: FloatArray, within_m: float) -> Test:
    """Ask for a least way to the nearest carriageway by drop; infinite or NaN: no matter."""

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        bound = np.isfinite(least_m[rows])
        _, edge = ground.nearest_road(xy[:, 0], xy[:, 1], within_m)
        return np.asarray(~bound | (edge >= least_m[rows]))

    return passes


def apart_from(others: FloatArray, least_m: float) -> Test:
    """Ask for a least distance from a point of the drop; NaN: no matter."""

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        return np.asarray(~(np.hypot(*(xy - others[rows]).T) < least_m))

    return passes


def off_walks(ground: Ground) -> Test:
    """Ask for ground that is no walk and no driveway."""

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        del rows
        return ground.is_off_walks(xy[:, 0], xy[:, 1])

    return passes


def off_power(lines: npt.NDArray[np.object_]) -> Test:
    """Ask for ground that no power line passes over."""
    tree = shapely.STRtree(lines)

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        del rows
        off = np.ones(len(xy), dtype=bool)
        under, _ = tree.query(shapely.points(xy), predicate="dwithin", distance=OVERHEAD_M)
        off[under] = False
        return off

    return passes


def off_layer(layer: gpd.GeoDataFrame, least_m: float) -> Test:
    """Ask for a least distance from all of a layer."""
    tree = shapely.STRtree(np.asarray(layer.geometry.values, dtype=object))

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        del rows
        off = np.ones(len(xy), dtype=bool)
        near, _ = tree.query(shapely.points(xy), predicate="dwithin", distance=least_m)
        off[near] = False
        return off

    return passes


def off_other_lots(drops: pd.DataFrame, parcels: gpd.GeoDataFrame) -> Test:
    """Ask for ground on the drop's own lot or on none."""
    own = places(drops["parcel_id"], parcels.index)
    tree = shapely.STRtree(np.asarray(parcels.geometry.values, dtype=object))

    def passes(rows: IntArray, xy: FloatArray) -> BoolArray:
        point, lot = tree.query(shapely.points(xy), predicate="intersects")
        off = np.ones(len(xy), dtype=bool)
        off[point[lot != own[rows[point]]]] = False
        off[point[lot == own[rows[point]]]] = True
        return off

    return passes
