"""Lanes that are closed because somebody works at the kerb of a road with much traffic.

Enters: places of the work, carriageways, roads as crew rules see them.
Leaves: pairs of a drop and a road whose lane is closed beside it, with the place and its words.
Does not do: look at poles, clamps and runs, where nobody stands on the ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, texts, worded
from geoplan.units import ReportUnits, say
from geoplan.work.clauses import in_words, per_row
from geoplan.work.ground import Ground
from geoplan.work.over_roads import Over, both, drop_rows
from geoplan.work.road_works import FLAGGERS, Roads
from geoplan.work.traffic_words import described

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class KerbLanes:
    """Lanes closed beside places of work, one row for each drop and road."""

    lanes: Over
    spot: npt.NDArray[np.object_]
    """Point of the nearest place."""
    place: Any
    """Its name: ladder, house ladder, reel or bucket."""
    edge_m: FloatArray
    """How far it is from the carriageway, m."""

    def with_air(self, air: Over) -> Over:
        """Return these pairs after those of the air spans; one person may work by flaggers."""
        return both(air, replace(self.lanes, is_for_one=self.lanes.way == FLAGGERS))

    def not_for_one(self, count: int) -> Any:
        """Say where more than flaggers is set up, which nobody does alone; null elsewhere."""
        rows = np.unique(self.lanes.drop[self.lanes.way > FLAGGERS])
        words = worded(np.zeros(len(rows)), ("a lane closed at the kerb: not set up alone",))
        return per_row(rows, words, count)


def find_kerb_lanes(
    plan: Plan, ground: Ground, work_places: gpd.GeoDataFrame, roads: Roads, rules: CrewRules
) -> KerbLanes:
    """Find the lanes that are closed because a place of work is at their kerb.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    ground : Ground
        Carriageways.
    work_places : geopandas.GeoDataFrame
        Where ladders, reels and buckets stand.
    roads : Roads
        Roads as the rules see them.
    rules : CrewRules
        ``places.kerb_lane``.

    Returns
    -------
    KerbLanes
        Sorted by drop and road. Roads that may be crossed in a short stop are quiet: signs alone
        there. On others the lane is closed by what holds traffic for longer than a moment.

    References
    ----------
    Common practice, no source.
    """
    points = np.asarray(work_places.geometry.values, dtype=object)
    x_m, y_m = shapely.get_coordinates(points).reshape(-1, 2).T
    row, road, edge_m = ground.roads_near(x_m, y_m, rules.value("places.kerb_lane"))
    busy = roads.way[road] >= FLAGGERS
    row, road, edge_m = row[busy], road[busy], edge_m[busy]
    drop = drop_rows(work_places["address_id"], plan)[row]
    order = np.lexsort((row, edge_m, road, drop))
    drop, road = drop[order], road[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (road[1:] != road[:-1])
    drop, road, nearest = drop[lead], road[lead], order[lead]
    called = texts(work_places["place"].str.replace("_", " ", regex=False))
    return KerbLanes(
        Over(
            drop,
            road,
            roads.way_held[road],
            np.zeros(len(road), dtype=bool),
            np.full(len(road), np.nan),
        ),
        points[row[nearest]],
        called.take(row[nearest]),
        edge_m[nearest],
    )


LANE_BESIDE = "the lane beside it closed"
"""How reasons for traffic control tell of a lane closed beside ladder or reel."""


def kerb_words(
    kerb: KerbLanes, roads: Roads, rules: CrewRules, count: int, units: ReportUnits
) -> Any:
    """Say where the lane beside a place is closed, by what, and by which figure; null elsewhere."""
    figure = rules.require("places.kerb_lane")
    within = say(figure.value_si, "length", units)
    does = worded(
        kerb.lanes.way - FLAGGERS,
        ("flaggers", "lane closure", "only with the owner's permit and a crew"),
    )
    words = joined(
        kerb.place,
        " ",
        in_words(kerb.edge_m, "length", units),
        " from the carriageway of ",
        described(kerb.lanes.road, roads, units),
        f", nearer than {within} ({figure.status.label}): {LANE_BESIDE}: ",
        does,
    )
    told = per_row(kerb.lanes.drop, words, count)
    return texts(pd.Series(told))
