"""Lanes that are closed because somebody works at the kerb of a road with much traffic.

Enters: places of the work, last ladders of runs, carriageways, roads as crew rules see them.
Leaves: pairs of a drop and a road whose lane is closed beside it, with the place and its words.
Does not do: look at runs, nor at poles and clamps of jobs on which there are no flaggers.
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
from geoplan.work.last_ladders import LastLadders
from geoplan.work.over_roads import Over, both, drop_rows
from geoplan.work.road_works import FLAGGERS, Roads
from geoplan.work.traffic_words import described

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class KerbLanes:
    """Lanes closed beside places of work, one row for each drop and road."""

    lanes: Over
    spot: npt.NDArray[np.object_]
    """Point of the nearest place."""
    place: Any
    """Its name: ladder, house ladder, last ladder, reel, bucket, pole or clamp."""
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
    plan: Plan,
    ground: Ground,
    work_places: gpd.GeoDataFrame,
    last: LastLadders,
    held: Over,
    roads: Roads,
    rules: CrewRules,
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
    last : LastLadders
        Where ladders stand at the terminals of runs.
    held : Over
        Pairs of a drop and a road for whose run flaggers come in any case.
    roads : Roads
        Roads as the rules see them.
    rules : CrewRules
        ``places.kerb_lane``.

    Returns
    -------
    KerbLanes
        Sorted by drop and road. Roads that may be crossed in a short stop are quiet: signs alone
        there. On others the lane is closed by what holds traffic for longer than a moment. Where
        a lane is closed anyway, or flaggers come for the run, pole and clamp count too: every road
        within the figure that isn't quiet, or that these flaggers hold later, is closed on its
        side from the first ladder on.

    References
    ----------
    Common practice, no source.
    """
    within_m = rules.value("places.kerb_lane")
    feet = _feet(plan, work_places, last)
    row, _, _ = _busy_near(feet, held, ground, roads, within_m)
    supports = _supports(plan, last)
    kept = np.flatnonzero(np.isin(supports[0], np.append(feet[0][row], held.drop)))
    owner = np.concatenate([feet[0], supports[0][kept]])
    points = np.concatenate([feet[1], supports[1][kept]])
    called = pd.concat([pd.Series(feet[2]), pd.Series(supports[2]).iloc[kept]]).array
    row, road, edge_m = _busy_near((owner, points, called), held, ground, roads, within_m)
    drop = owner[row]
    order = np.lexsort((row, edge_m, road, drop))
    drop, road = drop[order], road[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (road[1:] != road[:-1])
    drop, road, nearest = drop[lead], road[lead], order[lead]
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


_Spots = tuple[IntArray, npt.NDArray[np.object_], Any]


def _feet(plan: Plan, work_places: gpd.GeoDataFrame, last: LastLadders) -> _Spots:
    """Return drops, points and names of where somebody stands."""
    called = texts(work_places["place"].str.replace("_", " ", regex=False))
    ladder = worded(np.zeros(len(last.drop)), ("last ladder",))
    return (
        np.concatenate([drop_rows(work_places["address_id"], plan), last.drop]),
        np.append(np.asarray(work_places.geometry.values, dtype=object), shapely.points(last.foot)),
        pd.concat([pd.Series(called), pd.Series(ladder)]).array,
    )


def _supports(plan: Plan, last: LastLadders) -> _Spots:
    """Return drops, points and names of poles and clamps at which somebody is up."""
    drops, poles = plan.drops, plan.layers.poles
    start = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    names = pd.Series(joined("pole ", texts(drops["access_pole_id"])))
    is_clamp = drops["strand_span_id"].notna().to_numpy(dtype=bool)
    terminals = pd.Series(joined("pole ", texts(poles.index).take(last.pole)))
    return (
        np.concatenate([np.arange(len(drops)), last.drop]),
        np.append(start, np.asarray(poles.geometry.values, dtype=object)[last.pole]),
        pd.concat([names.where(~is_clamp, "clamp"), terminals]).array,
    )


def _busy_near(
    spots: _Spots, held: Over, ground: Ground, roads: Roads, within_m: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return rows of spots and of roads near them, not quiet or held, with the way between."""
    x_m, y_m = shapely.get_coordinates(spots[1]).reshape(-1, 2).T
    row, road, edge_m = ground.roads_near(x_m, y_m, within_m)
    wide = len(roads.way)
    busy = np.isin(spots[0][row] * wide + road, held.drop * wide + held.road)
    busy |= roads.way[road] >= FLAGGERS
    return row[busy], road[busy], edge_m[busy]


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
