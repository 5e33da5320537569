"""Roads beside which somebody works: places, poles and strand runs near a carriageway.

Enters: places of the work, poles, strand runs, carriageways.
Leaves: pairs of a drop and a road near it, each with its nearest place.
Does not do: say what traffic control they take.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.text_columns import joined, texts, worded
from geoplan.work.ground import Ground
from geoplan.work.strand_run import RoadsBelow, StrandRuns, roads_near

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Beside:
    """Pairs of a drop and a road near it, each once, with the nearest place of the drop."""

    drop: IntArray
    road: IntArray
    edge_m: FloatArray
    place: Any
    """Name of that place: ladder, reel, bucket, pole PG01, clamp or strand run; text."""


def find_beside(
    plan: Plan,
    ground: Ground,
    work_places: gpd.GeoDataFrame,
    runs: StrandRuns,
    below: RoadsBelow,
    within_m: float,
) -> Beside:
    """Find all roads near places of work, poles and runs.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    ground : Ground
        Carriageways.
    work_places : geopandas.GeoDataFrame
        Where ladders, reels and buckets stand.
    runs : StrandRuns
        Ways of the wires along the strand.
    below : RoadsBelow
        Roads that runs hang over: a run is not beside these, but a ladder or a pole may be.
    within_m : float
        Greatest distance from the edge of a carriageway, m.

    Returns
    -------
    Beside
        Sorted by drop and road.
    """
    drops, poles = plan.drops, plan.layers.poles
    start = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    at_pole = joined("pole ", texts(drops["access_pole_id"]))
    is_clamp = drops["strand_span_id"].notna()
    support = texts(pd.Series(at_pole).where(~is_clamp.to_numpy(), "clamp"))
    on_run = np.asarray(poles.geometry.values, dtype=object)[runs.pole]
    index = pd.Index(drops["address_id"])
    owner = index.get_indexer(pd.Index(work_places["address_id"])).astype(np.int64)
    spot = np.asarray(work_places.geometry.values, dtype=object)
    called = texts(work_places["place"].str.replace("_", " ", regex=False))
    names = joined("pole ", texts(poles.index).take(runs.pole))
    found: list[tuple[IntArray, IntArray, FloatArray, Any]] = []
    for rows, points, words in (
        (owner, spot, called),
        (np.arange(len(drops), dtype=np.int64), start, support),
        (runs.pole_drop, on_run, names),
    ):
        x_m, y_m = shapely.get_coordinates(points).reshape(-1, 2).T
        point, near, away = ground.roads_near(x_m, y_m, within_m)
        found.append((rows[point], near, away, words.take(point)))
    drop, road, away = roads_near(runs, ground, within_m)
    wide = int(max(road.max(initial=0), below.road.max(initial=0))) + 1
    off = ~np.isin(drop * wide + road, below.drop * wide + below.road)
    along = worded(np.zeros(int(off.sum())), ("strand run",))
    found.append((drop[off], road[off], away[off], along))
    drop, road, edge = (np.concatenate([part[k] for part in found]) for k in range(3))
    place = pd.concat([pd.Series(part[3], dtype="str") for part in found]).array
    part = np.repeat(np.arange(len(found)), [len(item[0]) for item in found])
    order = np.lexsort((part, edge, road, drop))
    drop, road = drop[order], road[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (road[1:] != road[:-1])
    return Beside(drop[lead], road[lead], edge[order][lead], place.take(order[lead]))
