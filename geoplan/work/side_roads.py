"""Side roads that join a road between the two ends of its traffic control.

Enters: places of the work on roads, reach of the control, road lines.
Leaves: names of the side roads by drop, and how many people their approaches take.
Does not do: know bridges: a road that passes over another counts as joining it.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, texts, worded
from geoplan.work.clauses import chained, per_row
from geoplan.work.over_roads import Over
from geoplan.work.road_works import FLAGGERS, STOP, Roads, buffer_length, work_distances

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

JOINS_WITHIN_M = 1.0
"""A road whose line ends this near to the edge of a carriageway joins it; common practice, no
source."""


SIDE_ROAD = "side road"
"""How reasons for traffic control begin that name side roads within its reach."""
BY_FLAGGER = ("a sign and a flagger there", "a sign and a flagger on each approach")
BY_CREW = (
    "a sign, and one person more who lets nobody turn in",
    "a sign on each approach, and one person more at each who lets nobody turn in",
)
BY_CONES = (
    "cones across the corner, so that nobody turns in, and a sign before it",
    "cones across each corner, so that nobody turns in, and a sign on each approach",
)
BOTH_WAYS = " (both ways)"
"""Said of a side road that goes on beyond the junction: traffic comes from two approaches."""
NOT_HELD = "NOT WORKED OUT, too busy to be held that way: ask the road's owner first"
"""Said of side roads beyond the limits of those who would hold them."""
FOR_RUN = "for the strand run: "
"""Before what is told of side roads for the run alone."""


def side_roads(
    drop: IntArray,
    road: IntArray,
    lines: npt.NDArray[np.object_],
    reach_m: FloatArray,
    controlled: tuple[IntArray, IntArray],
    roads: gpd.GeoDataFrame,
    is_held: BoolArray,
    count: int,
    does: tuple[str, str] = BY_FLAGGER,
) -> tuple[Any, IntArray]:
    """Name the side roads within the reach of traffic control, and count their approaches.

    Parameters
    ----------
    drop, road : ndarray of int64, shape (k,)
        Rows of drops and of the roads on which traffic is controlled.
    lines : ndarray of shapely geometry, shape (k,)
        Wire of each pair.
    reach_m : ndarray of float64, shape (k,)
        Stopping distance on either side of the wire, with the taper where there is one, m; NaN
        reaches nowhere.
    controlled : tuple of ndarray of int64
        Drops and roads on which traffic is controlled anyway: never told as side roads.
    roads : geopandas.GeoDataFrame
        Columns as declared for the layer, m rows.
    is_held : ndarray of bool, shape (m,)
        Roads that may be held in the way of `does`; others are told as not worked out.
    count : int
        Drops, n.
    does : tuple of str
        What is done on one approach, and on several.

    Returns
    -------
    words : pandas array of str, shape (n,)
        A sentence; null without a side road.
    posts : ndarray of int64, shape (n,)
        Approaches of side roads by drop, one person for each: two of a road that goes on beyond
        the junction, one of a road that ends there. Those not worked out are not counted.

    Notes
    -----
    Reach is measured in a straight line from where the wire comes nearest to the centre-line.
    Limited-access highways have no side roads and are none.
    """
    shapes = np.asarray(roads.geometry.values, dtype=object)
    name = roads["name"].fillna(pd.Series(roads.index, index=roads.index)).to_numpy(dtype=object)
    width = roads["width_m"].to_numpy(dtype=np.float64)
    known = np.flatnonzero(np.nan_to_num(reach_m) > 0)
    drop, road = drop[known], road[known]
    wire = shapely.force_2d(lines[known])
    at = shapely.get_point(shapely.shortest_line(shapes[road], wire), 0)
    held = shapely.intersection(shapes[road], shapely.buffer(at, reach_m[known]))
    within = float(np.nanmax(width, initial=0.0)) / 2 + JOINS_WITHIN_M
    pair, other = shapely.STRtree(shapes).query(held, predicate="dwithin", distance=within)
    joins = shapely.distance(held[pair], shapes[other]) <= width[road[pair]] / 2 + JOINS_WITHIN_M
    is_highway = (roads["road_class"] == "highway").to_numpy(dtype=bool)
    joins &= ~is_highway[other] & ~is_highway[road[pair]]
    joins &= (name[other] != name[road[pair]]).astype(bool)
    pair, other = pair[joins], other[joins]
    legs = _approaches(held[pair], width[road[pair]], shapes[other])
    told = pd.DataFrame(
        {
            "drop": drop[pair], "road": road[pair], "other": other, "name": name[other],
            "legs": legs, "is_held": is_held[other],
        }
    )  # fmt: skip
    for by, how in (
        (["drop", "road", "other", "name"], "max"),
        (["drop", "road", "name"], "sum"),  # a road may be there in parts that end at the junction
        (["drop", "name"], "max"),
    ):
        told = told.groupby(by, as_index=False).agg(legs=("legs", how), is_held=("is_held", "all"))
    own = pd.DataFrame({"drop": controlled[0], "name": name[controlled[1]]}).drop_duplicates()
    told = told.merge(own, how="left", on=["drop", "name"], indicator=True)
    told = told[told["_merge"] == "left_only"].sort_values(["drop", "name"])
    kept, left = told[told["is_held"]], told[~told["is_held"]]
    posts = np.zeros(count, dtype=np.int64)
    np.add.at(posts, kept["drop"].to_numpy(dtype=np.int64), kept["legs"].to_numpy(dtype=np.int64))
    every = np.arange(count)
    words = [
        (every, joined(_named(kept, count), ": ", worded(posts > 1, does))),
        (every, joined(_named(left, count), f": {NOT_HELD}")),
    ]
    return chained(count, words), posts


def _approaches(
    held: npt.NDArray[np.object_], width_m: FloatArray, other: npt.NDArray[np.object_]
) -> IntArray:
    """Count the ways on which roads come to others that are held: where they cut their strip."""
    strip = shapely.boundary(shapely.buffer(held, width_m / 2 + JOINS_WITHIN_M))
    cuts = shapely.get_num_coordinates(shapely.intersection(strip, other))
    return np.asarray(np.maximum(cuts, 1), dtype=np.int64)


def _named(told: pd.DataFrame, count: int) -> Any:
    """Name the side roads of each drop in a row; null without one."""
    rows = told["drop"].to_numpy(dtype=np.int64)
    last = np.append(rows[1:] != rows[:-1], True)[: len(rows)]
    first = np.append(True, rows[1:] != rows[:-1])[: len(rows)]
    between = worded(np.where(first, 0, np.where(last, 1, 2)), ("", " and ", ", "))
    ways = worded(told["legs"].to_numpy() > 1, ("", BOTH_WAYS))
    names = per_row(rows, joined(between, texts(told["name"]), ways), count, "")
    several = np.bincount(rows, minlength=count) > 1
    return joined(worded(several, (f"{SIDE_ROAD} ", f"{SIDE_ROAD}s ")), names)


def join_roads(
    layer: gpd.GeoDataFrame,
    roads: Roads,
    rules: CrewRules,
    count: int,
    over: Over,
    is_held: BoolArray,
    is_lane: BoolArray,
    lines: npt.NDArray[np.object_],
    does: tuple[str, str] = BY_FLAGGER,
) -> tuple[Any, IntArray]:
    """Name and count side roads within stopping distance, and taper, of what is done on roads.

    Parameters
    ----------
    layer : geopandas.GeoDataFrame
        Roads, columns as declared.
    roads : Roads
        The same as the rules see them.
    rules : CrewRules
        Tapers and stopping distances.
    count : int
        Drops, n.
    over : Over
        Pairs of a drop and a road, k of them.
    is_held, is_lane : ndarray of bool, shape (k,)
        Pairs that are looked at; those with a taper.
    lines : ndarray of shapely geometry, shape (k,)
        Wire or place of work of each pair.
    does : tuple of str
        What is done on one approach, and on several.

    Returns
    -------
    tuple
        As from `side_roads`. A run reaches by its length over the carriageway farther. Flaggers
        hold roads within their limits, the crew those that it may stop itself.

    References
    ----------
    Stopping distances are those of the buffer, see `geoplan.work.road_works.buffer_length`.
    """
    rows = np.flatnonzero(is_held)
    road, way = over.road[rows], over.way[rows]
    taper_m = work_distances(way, road, is_lane[rows], roads, rules)["taper_m"]
    far = np.nan_to_num(taper_m) + np.nan_to_num(buffer_length(roads.speed_m_per_s[road], rules))
    return side_roads(
        over.drop[rows],
        road,
        lines[rows],
        far + np.nan_to_num(over.over_m[rows]),
        (over.drop, over.road),
        layer,
        roads.way <= STOP if does is BY_CREW else roads.way_held <= FLAGGERS,
        count,
        does,
    )


def for_run_alone(air: Any, run: Any) -> Any:
    """Return what is told of side roads for the run, where it is not the same for the air span."""
    again, told = pd.Series(air), pd.Series(run)
    same = (again == told).fillna(False).to_numpy(dtype=bool)
    return texts((FOR_RUN + told).where(told.notna() & ~same, None))
