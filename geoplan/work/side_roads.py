"""Side roads that join a road between the two ends of its traffic control.

Enters: places of the work on roads, length of taper and buffer, road lines.
Leaves: names of the side roads by drop.
Does not do: know bridges: a road that passes over another counts as joining it.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.text_columns import joined, texts, worded
from geoplan.work.clauses import per_row

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

JOINS_WITHIN_M = 1.0
"""A road whose line ends this near to the edge of a carriageway joins it; common practice, no
source."""


def side_roads(
    drop: IntArray,
    road: IntArray,
    lines: npt.NDArray[np.object_],
    reach_m: FloatArray,
    controlled: tuple[IntArray, IntArray],
    roads: gpd.GeoDataFrame,
    count: int,
) -> tuple[Any, IntArray]:
    """Name and count the side roads within the reach of traffic control.

    Parameters
    ----------
    drop, road : ndarray of int64, shape (k,)
        Rows of drops and of the roads on which traffic is controlled.
    lines : ndarray of shapely geometry, shape (k,)
        Wire of each pair.
    reach_m : ndarray of float64, shape (k,)
        Taper and buffer together on either side of the wire, m; NaN reaches nowhere.
    controlled : tuple of ndarray of int64
        Drops and roads on which traffic is controlled anyway: never told as side roads.
    roads : geopandas.GeoDataFrame
        Columns as declared for the layer.
    count : int
        Drops, n.

    Returns
    -------
    words : pandas array of str, shape (n,)
        A sentence; null without a side road.
    flaggers : ndarray of int64, shape (n,)
        One for each of them.

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
    told = pd.DataFrame({"drop": drop[pair[joins]], "name": name[other[joins]]})
    own = pd.DataFrame({"drop": controlled[0], "name": name[controlled[1]]}).drop_duplicates()
    told = told.drop_duplicates().merge(own, how="left", on=["drop", "name"], indicator=True)
    told = told[told["_merge"] == "left_only"].sort_values(["drop", "name"])
    rows = told["drop"].to_numpy(dtype=np.int64)
    last = np.append(rows[1:] != rows[:-1], True)[: len(rows)]
    first = np.append(True, rows[1:] != rows[:-1])[: len(rows)]
    between = worded(np.where(first, 0, np.where(last, 1, 2)), ("", " and ", ", "))
    names = per_row(rows, joined(between, texts(told["name"])), count, "")
    joining = np.bincount(rows, minlength=count)
    several = joining > 1
    verb = worded(several, (" joins", " join"))
    there = worded(several, ("there", "on each"))
    words = joined(names, verb, " within taper and buffer: a sign and a flagger ", there)
    return words, joining.astype(np.int64)
