"""Lanes that are closed because somebody works at the kerb of a road with much traffic.

Enters: places of the work, on the ground and aloft, carriageways, roads as crew rules see them.
Leaves: pairs of a drop and a road whose lane is closed beside it, with the place and its words.
Does not do: look at the strand between poles.
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
from geoplan.work.aloft import Spots
from geoplan.work.clauses import in_words, per_row
from geoplan.work.ground import Ground
from geoplan.work.last_ladders import LastLadders
from geoplan.work.over_roads import Over, both, drop_rows
from geoplan.work.road_works import FLAGGERS, Roads, has_room
from geoplan.work.traffic_words import described

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


ON_GROUND, ALOFT, ANYWAY = range(3)
"""Why a lane is closed: somebody stands near, is up near, or flaggers are there anyway."""


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
    why: IntArray
    """`ON_GROUND`, `ALOFT`, or `ANYWAY` where only flaggers that come anyway close the lane."""

    others: Over
    """The same lanes at further places of their drops, none where there is only one."""
    other_spot: npt.NDArray[np.object_]
    """Point of each of these."""
    other_place: Any
    """Its name."""
    beside: IntArray
    """Row of `lanes` of each of these."""

    def with_air(self, air: Over) -> Over:
        """Return these pairs after those of the air spans; one person may work by flaggers."""
        return both(air, replace(self.lanes, is_for_one=self.lanes.way == FLAGGERS))

    def not_for_one(self, count: int) -> Any:
        """Say where more than flaggers is set up, which nobody does alone; null elsewhere."""
        rows = np.unique(self.lanes.drop[self.lanes.way > FLAGGERS])
        words = worded(np.zeros(len(rows)), ("a lane closed at the kerb: not set up alone",))
        return per_row(rows, words, count)


def find_kerb_lanes(
    ground: Ground,
    feet: Spots,
    aloft: Spots,
    held: Over,
    roads: Roads,
    rules: CrewRules,
) -> KerbLanes:
    """Find the lanes that are closed because a place of work is at their kerb.

    Parameters
    ----------
    ground : Ground
        Carriageways.
    feet : Spots
        Where somebody stands on the ground, as `standing` returns them.
    aloft : Spots
        Where somebody is up, as from `geoplan.work.aloft.places_aloft`.
    held : Over
        Pairs of a drop and a road for which flaggers come in any case: for its air span, for wires
        that its ladder brings down, or for its run.
    roads : Roads
        Roads as the rules see them.
    rules : CrewRules
        ``places.kerb_lane`` and ``places.kerb_lane_aloft``.

    Returns
    -------
    KerbLanes
        Sorted by drop and road. Roads that may be crossed in a short stop are quiet: signs alone
        there. On others the lane is closed by what holds traffic for longer than a moment. Where
        a lane is closed anyway, or flaggers come in any case, those aloft count as those on the
        ground do: every road within their figure that isn't quiet, or that these flaggers hold at
        some time, is closed on its side from the first ladder on.

    References
    ----------
    Common practice, no source.
    """
    far_m, near_m = (rules.value(key) for key in ("places.kerb_lane", "places.kerb_lane_aloft"))
    spots = feet.and_those(aloft)
    is_up = np.arange(len(spots.drop)) >= len(feet.drop)
    row, road, edge_m = _busy_near(spots, held, ground, roads, max(far_m, near_m))
    why = np.select(
        [~is_up[row] & (edge_m < far_m), is_up[row] & (edge_m < near_m)],
        [ON_GROUND, ALOFT],
        default=ANYWAY,
    )
    with_flaggers = np.append(spots.drop[row[why != ANYWAY]], held.drop)
    counts = (why != ANYWAY) | (np.isin(spots.drop[row], with_flaggers) & (edge_m < far_m))
    row, road, edge_m, why = row[counts], road[counts], edge_m[counts], why[counts]
    drop = spots.drop[row]
    order = np.lexsort((row, edge_m, why == ANYWAY, road, drop))
    drop, road = drop[order], road[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (road[1:] != road[:-1])
    lanes = Over(
        drop,
        road,
        roads.way_held[road],
        np.zeros(len(road), dtype=bool),
        np.full(len(road), np.nan),
    )
    nearest, further = order[lead], order[~lead]
    told = spots.part(row[nearest])
    return KerbLanes(
        lanes.part(lead),
        told.point,
        told.name,
        edge_m[nearest],
        why[nearest],
        lanes.part(~lead),
        spots.point[row[further]],
        spots.part(row[further]).name,
        (np.cumsum(lead) - 1)[~lead].astype(np.int64),
    )


def standing(plan: Plan, work_places: gpd.GeoDataFrame, last: LastLadders) -> Spots:
    """Return where somebody stands on the ground: ladders, reels, buckets, last ladders of runs.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    work_places : geopandas.GeoDataFrame
        Where ladders, reels and buckets stand.
    last : LastLadders
        Where ladders stand at the terminals of runs.

    Returns
    -------
    Spots
        In the order of `work_places`, then of `last`.
    """
    called = texts(work_places["place"].str.replace("_", " ", regex=False))
    points = np.asarray(work_places.geometry.values, dtype=object)
    ladder = worded(np.zeros(len(last.drop)), ("last ladder",))
    return Spots(drop_rows(work_places["address_id"], plan), points, called).and_those(
        Spots(last.drop, np.asarray(shapely.points(last.foot), dtype=object), ladder)
    )


def _busy_near(
    spots: Spots, held: Over, ground: Ground, roads: Roads, within_m: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return rows of spots and of roads near them, not quiet or held, with the way between."""
    x_m, y_m = shapely.get_coordinates(spots.point).reshape(-1, 2).T
    row, road, edge_m = ground.roads_near(x_m, y_m, within_m)
    wide = len(roads.way)
    busy = np.isin(spots.drop[row] * wide + road, held.drop * wide + held.road)
    busy |= roads.way[road] >= FLAGGERS
    return row[busy], road[busy], edge_m[busy]


APART_M = 10.0
"""Places of one lane so far apart are each named; our own default, no source."""
DONE_BY = ("flaggers", "lane closure", "only with the owner's permit and a crew")
"""What closes a lane, by its traffic class."""
LANE_BESIDE = "the lane beside it closed"
"""How reasons for traffic control tell of a lane closed beside ladder, reel, pole or clamp."""
ROAD_BESIDE = "no room to pass, the road beside it closed"
"""The same of a road too narrow for traffic beside a closed lane."""


def _too(kerb: KerbLanes) -> Any:
    """Name the further places of each lane that are apart from the nearest; empty without one."""
    away_m = shapely.distance(kerb.other_spot, kerb.spot[kerb.beside])
    far = np.flatnonzero(away_m > APART_M)
    told = pd.DataFrame({"lane": kerb.beside[far], "place": kerb.other_place.take(far)})
    told = told.drop_duplicates()
    lane = told["lane"].to_numpy(dtype=np.int64)
    names = pd.Series(per_row(lane, told["place"], len(kerb.edge_m), " and "))
    return texts((", beside " + names + " too").fillna(""))


def kerb_words(
    kerb: KerbLanes, roads: Roads, rules: CrewRules, count: int, units: ReportUnits
) -> Any:
    """Say where lane or road beside a place is closed, by what, by which figure; null elsewhere."""
    figures = [rules.require(key) for key in ("places.kerb_lane", "places.kerb_lane_aloft")]
    within = [
        f"nearer than {say(one.value_si, 'length', units)} ({one.status.label})" for one in figures
    ]
    reasons = (within[ON_GROUND], f"aloft {within[ALOFT]}", "with flaggers there anyway")
    by_whom = np.where(kerb.why == ANYWAY, len(DONE_BY), kerb.lanes.way - FLAGGERS)
    words = joined(
        kerb.place,
        " ",
        in_words(kerb.edge_m, "length", units),
        " from the carriageway of ",
        described(kerb.lanes.road, roads, units),
        ", ",
        worded(kerb.why, reasons),
        worded(has_room(kerb.lanes.road, roads, rules), (f": {ROAD_BESIDE}", f": {LANE_BESIDE}")),
        worded(by_whom, (*(f": {does}" for does in DONE_BY), "")),
        _too(kerb),
    )
    told = per_row(kerb.lanes.drop, words, count)
    return texts(pd.Series(told))
