"""The way of each drop's wire along the strand, from access pole or clamp to the terminal.

Enters: routes of planned drops, poles, carriageways.
Leaves: `StrandRuns`: straight legs from pole to pole, the poles in their order, roads below.
Does not do: judge; know how a strand sags between its poles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.routes.segments import strip_interval
from geoplan.text_columns import places, texts
from geoplan.work.clamp_spans import LIST_SPLIT
from geoplan.work.clauses import per_row
from geoplan.work.ground import Ground

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

__all__ = ["LIST_SPLIT", "RoadsBelow", "StrandRuns", "pole_columns", "roads_below", "roads_near"]
__all__ += ["trace_runs"]

LEAST_OVER_M = 0.01
"""A run that touches a carriageway over less than this does not hang over it."""


@dataclass(frozen=True)
class StrandRuns:
    """Runs of n drops as m straight legs, and the poles on them; drops without a run have none."""

    count: int
    """Drops, n."""
    drop: IntArray
    """Row of the drop of each leg, shape (m,); ascending, legs from clamp or access pole on."""
    segment: FloatArray
    """``x0, y0, x1, y1`` of each leg, m."""
    from_pole: IntArray
    """Row of the pole at which the leg begins; -1 at a clamp."""
    to_pole: IntArray
    """Row of the pole at which it ends."""
    high_m: FloatArray
    """Height of the leg's higher end above the ground there."""
    pole_drop: IntArray
    """Row of the drop of each pole on a run, ascending, shape (k,)."""
    pole: IntArray
    """Row of that pole; per drop from the access pole to the terminal, both among them."""

    @property
    def lines(self) -> ObjectArray:
        """Return the legs as lines."""
        return np.asarray(shapely.linestrings(self.segment.reshape(-1, 2, 2)), dtype=object)

    def beyond_poles(self, off_m: float) -> ObjectArray:
        """Return the legs as lines without their parts next to poles.

        Parameters
        ----------
        off_m : float
            What is left out beside each pole, m; never more than the half of a leg.

        Returns
        -------
        ndarray of shapely LineString, shape (m,)
            A clamp's end is left as it is.
        """
        begin, end = self.segment[:, :2], self.segment[:, 2:]
        way = end - begin
        part = np.minimum(off_m / np.maximum(np.hypot(*way.T), 1e-9), 0.499)[:, None]
        begin = np.where(self.from_pole[:, None] >= 0, begin + part * way, begin)
        end = end - part * way
        return np.asarray(shapely.linestrings(np.stack([begin, end], axis=1)), dtype=object)

    def poles_passed(self, has_clamp: BoolArray) -> IntArray:
        """Count the poles at which a ladder has to stand for the run alone.

        Parameters
        ----------
        has_clamp : ndarray of bool, shape (n,)
            Drops that leave from a span clamp; others have their ladder at the access pole.

        Returns
        -------
        ndarray of int64, shape (n,)
            Poles passed and the terminal; the pole of the hook is not counted. 0 without a run.
        """
        poles = np.bincount(self.pole_drop, minlength=self.count)
        return np.asarray(np.where(poles > 0, poles - ~has_clamp, 0), dtype=np.int64)


@dataclass(frozen=True)
class RoadsBelow:
    """Pairs of a drop and a road whose carriageway its run hangs over, each once."""

    drop: IntArray
    road: IntArray
    """Row of the road."""
    over_m: FloatArray
    """Length of the run over the carriageway, m."""


def strand_heights(poles: gpd.GeoDataFrame, usual_strand_m: float) -> FloatArray:
    """Return the height of the strand at each pole.

    Parameters
    ----------
    poles : geopandas.GeoDataFrame
        Columns as declared for the layer, n rows.
    usual_strand_m : float
        Taken where none is recorded, m.

    Returns
    -------
    ndarray of float64, shape (n,)
        Above the ground, m.
    """
    strand = poles["strand_height_m"].to_numpy(dtype=np.float64)
    return np.where(np.isnan(strand), usual_strand_m, strand)


def trace_runs(
    drops: gpd.GeoDataFrame, poles: gpd.GeoDataFrame, usual_strand_m: float
) -> StrandRuns:
    """Lay out the runs of all drops from the geometry of their routes.

    Parameters
    ----------
    drops : geopandas.GeoDataFrame
        Columns as declared for ``drops``, n rows; lines run from the terminal over poles, and a
        clamp where there is one, to the premises.
    poles : geopandas.GeoDataFrame
        Columns as declared for the layer.
    usual_strand_m : float
        Height of the strand at a pole without a record, m.

    Returns
    -------
    StrandRuns
        Legs and poles. Ends are the recorded access pole and terminal; a pole between is the
        nearest one to its vertex.

    Notes
    -----
    Heights are those of strand and clamp above the ground at either end; ground that falls away
    between two poles is not looked at. O(n log n).
    """
    lines = np.asarray(drops.geometry.values, dtype=object)
    points, owner = shapely.get_coordinates(lines, return_index=True)
    is_house = np.append(owner[1:] != owner[:-1], True)[: len(owner)]
    points, owner = points[~is_house][::-1], owner[~is_house][::-1]
    order = np.argsort(owner, kind="stable")
    points, owner = points[order], owner[order].astype(np.int64)
    has_run = np.bincount(owner, minlength=len(drops)) > 1
    points, owner = points[has_run[owner]], owner[has_run[owner]]
    first = np.append(True, owner[1:] != owner[:-1])[: len(owner)]
    has_clamp = drops["strand_span_id"].notna().to_numpy(dtype=bool)
    at_clamp = first & has_clamp[owner]
    pole = _poles_at(points, owner, at_clamp, drops, poles)
    strand = np.append(strand_heights(poles, usual_strand_m), np.nan)
    hook = drops["hook_height_m"].to_numpy(dtype=np.float64)[owner]
    height = np.where(at_clamp, hook, strand[pole])
    on = np.flatnonzero(~first)
    return StrandRuns(
        len(drops),
        owner[on],
        np.concatenate([points[on - 1], points[on]], axis=1).reshape(-1, 4),
        pole[on - 1],
        pole[on],
        np.fmax(height[on - 1], height[on]),
        owner[~at_clamp],
        pole[~at_clamp],
    )


def _poles_at(
    points: FloatArray,
    owner: IntArray,
    at_clamp: BoolArray,
    drops: gpd.GeoDataFrame,
    poles: gpd.GeoDataFrame,
) -> IntArray:
    """Return the pole of each vertex; -1 at a clamp."""
    pole = np.full(len(points), -1, dtype=np.int64)
    rows = np.flatnonzero(~at_clamp)
    tree = shapely.STRtree(np.asarray(poles.geometry.values, dtype=object))
    vertex, near = tree.query_nearest(shapely.points(points[rows]), all_matches=True)
    lowest = np.full(len(rows), len(poles), dtype=np.int64)
    np.minimum.at(lowest, vertex, near)
    pole[rows] = lowest
    held = owner[rows]
    for name, lead in (
        ("access_pole_id", np.append(True, held[1:] != held[:-1])),
        ("terminal_id", np.append(held[1:] != held[:-1], True)),
    ):
        ends = rows[lead[: len(rows)]]
        named = places(drops[name], poles.index)[owner[ends]]
        pole[ends] = np.where(named >= 0, named, pole[ends])
    return pole


def roads_below(runs: StrandRuns, ground: Ground) -> RoadsBelow:
    """Find the carriageways that runs cross or hang over, by their width.

    Parameters
    ----------
    runs : StrandRuns
        Runs of n drops.
    ground : Ground
        Carriageways.

    Returns
    -------
    RoadsBelow
        Sorted by drop and road. Lengths over pieces of one road that overlap count once.
    """
    half = float(ground.half_width_m.max(initial=0.0))
    leg, piece = ground.tree.query(runs.lines, predicate="dwithin", distance=half)
    inside, start, end = strip_interval(
        runs.segment[leg], ground.piece[piece], ground.half_width_m[piece]
    )
    leg, road, start, end = leg[inside], ground.road[piece[inside]], start[inside], end[inside]
    segment = runs.segment[leg]
    length = np.hypot(segment[:, 2] - segment[:, 0], segment[:, 3] - segment[:, 1])
    order = np.lexsort((end, start, road, leg))
    leg, road = leg[order], road[order]
    start, end = (start * length)[order], (end * length)[order]
    over = _union_length(leg * (int(road.max(initial=0)) + 1) + road, start, end)
    pairs, group = np.unique(np.stack([runs.drop[leg], road], axis=1), axis=0, return_inverse=True)
    pairs = pairs.reshape(-1, 2)
    total = np.zeros(len(pairs))
    np.add.at(total, group.reshape(-1), over)
    long = total > LEAST_OVER_M
    return RoadsBelow(pairs[long, 0].astype(np.int64), pairs[long, 1].astype(np.int64), total[long])


def _union_length(key: IntArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Return what each interval adds to those of its key before it; sorted by key and start."""
    if len(key) == 0:
        return np.zeros(0)
    lead = np.append(True, key[1:] != key[:-1])
    shift = np.cumsum(lead) * (float(end.max()) + 1.0)
    reach = np.maximum.accumulate(end + shift)
    before = np.where(lead, -np.inf, np.append(-np.inf, reach[:-1]))
    return np.asarray(np.maximum(reach - np.maximum(start + shift, before), 0.0))


def roads_near(
    runs: StrandRuns, ground: Ground, within_m: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Find the roads near runs and the poles on them.

    Parameters
    ----------
    runs : StrandRuns
        Runs of n drops.
    ground : Ground
        Carriageways.
    within_m : float
        Greatest distance from the edge of a carriageway, m.

    Returns
    -------
    drop, road : ndarray of int64, shape (k,)
        Rows, each pair at least once.
    edge_m : ndarray of float64, shape (k,)
        Distance to the carriageway's edge, m; 0 over it.
    """
    reach = within_m + float(ground.half_width_m.max(initial=0.0))
    lines = runs.lines
    leg, piece = ground.tree.query(lines, predicate="dwithin", distance=reach)
    shapes = shapely.linestrings(ground.piece[piece].reshape(-1, 2, 2))
    edge = shapely.distance(lines[leg], shapes) - ground.half_width_m[piece]
    keep = edge <= within_m
    return (
        runs.drop[leg[keep]],
        ground.road[piece[keep]],
        np.maximum(edge[keep], 0.0),
    )


def pole_columns(
    runs: StrandRuns, drops: gpd.GeoDataFrame, poles: gpd.GeoDataFrame, far_pole: IntArray
) -> pd.DataFrame:
    """Name the poles of each drop and those of them that are in poor or unknown condition.

    Parameters
    ----------
    runs : StrandRuns
        Runs of the drops.
    drops : geopandas.GeoDataFrame
        Columns as declared for ``drops``, n rows.
    poles : geopandas.GeoDataFrame
        Columns as declared for the layer.
    far_pole : ndarray of int64, shape (n,)
        Row of the pole at the other end of the clamp's strand span; -1 without one. The strand
        hangs on it too, so its condition is told as well.

    Returns
    -------
    pandas.DataFrame
        n rows: ``run_poles``, ``poor_poles``, ``unrated_poles``.
    """
    count = len(drops)
    single = np.flatnonzero(np.bincount(runs.pole_drop, minlength=count) == 0)
    owner = np.concatenate([runs.pole_drop, single, np.arange(count)])
    access = places(drops["access_pole_id"], poles.index)[single]
    pole = np.concatenate([runs.pole, access, far_pole])
    owner, pole = owner[pole >= 0], pole[pole >= 0]
    _, once = np.unique(owner * (len(poles) + 1) + pole, return_index=True)
    owner, pole = owner[np.sort(once)], pole[np.sort(once)]
    condition = poles["condition"].fillna("").to_numpy(dtype=object)[pole]

    def named(rows: Any, at: Any) -> Any:
        return per_row(rows, texts(poles.index).take(at), count, LIST_SPLIT)

    poor, unrated = condition == "poor", condition == ""
    return pd.DataFrame(
        {
            "run_poles": named(runs.pole_drop, runs.pole),
            "poor_poles": named(owner[poor], pole[poor]),
            "unrated_poles": named(owner[unrated], pole[unrated]),
        }
    )
