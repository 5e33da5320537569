"""What traffic control each drop takes, and why.

Enters: what planned drops cross, roads, places of the work, crew rules.
Leaves: traffic class, distances and reasons by drop; people that roads and owners ask for.
Does not do: know sight distance, parked cars, lanes or detours; no layer tells.
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
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, places, texts, worded
from geoplan.units import say
from geoplan.work.clauses import chained, per_row
from geoplan.work.ground import Ground
from geoplan.work.road_works import (
    BESIDE,
    CLOSURE,
    FLAGGERS,
    OWNER,
    STOP,
    TRAFFIC_CLASSES,
    Roads,
    buffer_length,
    look_up_roads,
    sign_spacing,
    taper_length,
)
from geoplan.work.traffic_words import (
    beyond_one,
    not_recorded,
    road_signs,
    roads_beside,
    roads_crossed,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

NOT_SEEN = "sight distance not checked: no layer tells"


@dataclass(frozen=True)
class Traffic:
    """Traffic control by drop, n rows."""

    columns: pd.DataFrame
    """``road_id``, ``traffic_class``, ``traffic_reasons``, ``sign_1_m`` to ``sign_3_m``,
    ``taper_m``, ``buffer_m``, ``is_owner_permit_needed``."""
    code: IntArray
    """Place in `TRAFFIC_CLASSES`."""
    people: IntArray
    """People that roads and owners ask for."""
    crossing_reasons: Any
    """Why one person is not enough; null where one is."""
    unknown: Any
    """What was taken because a road has no record of it; null where all is recorded."""


def build_traffic(
    plan: Plan, rules: CrewRules, ground: Ground, work_places: gpd.GeoDataFrame
) -> Traffic:
    """Say what traffic control each drop takes.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rules : CrewRules
        Limits and distances.
    ground : Ground
        Carriageways.
    work_places : geopandas.GeoDataFrame
        Where ladders and buckets stand.

    Returns
    -------
    Traffic
        By drop. Of several roads the one that asks for most gives class and distances. A wire
        that hangs over a carriageway without crossing it counts as a crossing. Where an owner has
        to agree to a crossing of rail or water, signs and distances are those that the road over
        or beside which work is done asks for all the same.
    """
    count, units = len(plan.drops), plan.project.units
    roads = look_up_roads(plan.layers.roads, rules, _doubtful_class(plan))
    drop, road = _roads_over(plan)
    governs = _governing(drop, road, roads, count)
    near, edge = _nearest(plan, ground, work_places, rules.value("places.near_road"))
    owned, owned_people, owned_words = _owned(plan, rules)
    is_beside = edge <= rules.value("places.beside_road")
    over = np.append(roads.way, 0)[governs]
    on_road = np.maximum(over, np.where(is_beside, BESIDE, 0))
    code = np.where(owned, OWNER, on_road)
    at = np.where(governs >= 0, governs, near)
    is_highway = over == OWNER
    for_one = np.append(roads.is_for_one, True)[governs]
    people = np.where((over >= STOP) & ~for_one, int(rules.value("people.traffic")), 1)
    people = np.maximum(people, owned_people)
    people[is_highway] = np.maximum(people[is_highway], int(rules.value("owner.highway.people")))
    seen = np.flatnonzero(code >= BESIDE)
    crossing = np.flatnonzero(governs >= 0)
    beside = np.flatnonzero(on_road == BESIDE)
    free = np.flatnonzero(code == 0)
    clear = (
        f"no carriageway over or within {say(rules.value('places.beside_road'), 'length', units)}"
    )
    reasons = chained(
        count,
        [
            (np.flatnonzero(owned), texts(pd.Series(owned_words)).take(np.flatnonzero(owned))),
            (crossing, roads_crossed(governs[crossing], roads, rules, units)),
            (beside, roads_beside(near[beside], edge[beside], roads, rules, units)),
            *road_signs(on_road, at, roads, rules, units),
            (free, worded(np.zeros(len(free)), (clear,))),
            (seen, worded(np.zeros(len(seen)), (NOT_SEEN,))),
        ],
    )
    columns = pd.DataFrame(
        {
            "road_id": texts(plan.layers.roads.index).take(at, allow_fill=True),
            "traffic_class": worded(code, TRAFFIC_CLASSES),
            "traffic_reasons": reasons,
            **_distances(on_road, at, roads, rules),
            "is_owner_permit_needed": owned | is_highway,
        }
    )
    pairs = (drop, road)
    return Traffic(
        columns,
        code,
        people,
        chained(
            count,
            [
                (np.arange(count), beyond_one(pairs, roads, rules, count, units)),
                (np.flatnonzero(owned), texts(pd.Series(owned_words)).take(np.flatnonzero(owned))),
            ],
        ),
        not_recorded(pairs, roads, count, units),
    )


def _doubtful_class(plan: Plan) -> str | None:
    """Return the class that was taken for roads without one; None where all had one."""
    findings = plan.layers.findings
    taken = (findings["layer"] == "roads") & (findings["code"] == "road_class_assumed")
    return plan.project.defaults.road_class if taken.any() else None


def _drop_rows(ids: Any, plan: Plan) -> IntArray:
    return np.asarray(pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(ids)), dtype=np.int64)


def _roads_over(plan: Plan) -> tuple[IntArray, IntArray]:
    """Return pairs of drop and road whose carriageway it hangs over, each once."""
    crossings = plan.crossings
    rows = crossings[(crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]]
    drop = _drop_rows(rows["address_id"], plan)
    road = places(rows["feature_id"], plan.layers.roads.index)
    pairs = np.unique(np.stack([drop, road], axis=1), axis=0).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def _governing(drop: IntArray, road: IntArray, roads: Roads, count: int) -> IntArray:
    """Return the road over which each drop asks for most; -1 where it is over none."""
    fastest = -roads.speed_m_per_s[road]
    order = np.lexsort((road, fastest, roads.is_for_one[road], -roads.way[road], drop))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = drop[order][1:] != drop[order][:-1]
    governs = np.full(count, -1, dtype=np.int64)
    governs[drop[order][lead]] = road[order][lead]
    return governs


def _nearest(
    plan: Plan, ground: Ground, work_places: gpd.GeoDataFrame, within_m: float
) -> tuple[IntArray, FloatArray]:
    """Return the road nearest to ladder or bucket, or to the pole where neither has a place."""
    start = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    spot = shapely.get_coordinates(start)
    feet = work_places[work_places["place"].isin(("ladder", "bucket"))]
    spot[_drop_rows(feet["address_id"], plan)] = shapely.get_coordinates(feet.geometry.values)
    return ground.nearest_road(spot[:, 0], spot[:, 1], within_m)


def _owned(plan: Plan, rules: CrewRules) -> tuple[BoolArray, IntArray, Any]:
    """Return which drops cross rail or water, the people that takes, and words for it."""
    crossings, count = plan.crossings, len(plan.drops)
    is_owned = crossings["crossing_kind"].isin(("rail", "water")) & ~crossings["is_near_miss"]
    rows = crossings[is_owned]
    drop = _drop_rows(rows["address_id"], plan)
    kind = rows["crossing_kind"]
    needed = np.where(kind == "rail", rules.value("owner.rail.people"), 0.0)
    needed = np.where(kind == "water", rules.value("owner.water.people"), needed)
    people = np.ones(count)
    np.maximum.at(people, drop, needed)
    owned = np.zeros(count, dtype=bool)
    owned[drop] = True
    name = rows["feature_name"].fillna(rows["feature_id"])
    words = joined(
        "crosses ",
        kind.array,
        " ",
        name.array,
        ": only with the owner's permit and a crew (owner.",
        kind.array,
        ")",
    )
    return owned, people.astype(np.int64), per_row(drop, words, count)


def _distances(
    code: IntArray, at: IntArray, roads: Roads, rules: CrewRules
) -> dict[str, FloatArray]:
    """Return distances of signs, taper and buffer; NaN where there is none to stand."""
    speed = np.append(roads.speed_m_per_s, np.nan)[at]
    road_class = np.append(roads.class_code, 0)[at]
    width = np.append(roads.width_m, np.nan)[at]
    a, b, c = sign_spacing(speed, road_class, rules)
    signed = (code >= BESIDE) & (code < OWNER)
    closed, flagged = code == CLOSURE, code == FLAGGERS
    lane = np.minimum(rules.value("taper.lane_width"), width / 2)
    merging = rules.value("taper.merging") * taper_length(speed, lane, rules)
    one_lane = np.where(flagged, rules.value("taper.one_lane"), np.nan)
    far = closed | flagged
    return {
        "sign_1_m": np.where(signed, a, np.nan),
        "sign_2_m": np.where(far, b, np.nan),
        "sign_3_m": np.where(far, c, np.nan),
        "taper_m": np.where(closed, merging, one_lane),
        "buffer_m": np.where(far, buffer_length(speed, rules), np.nan),
    }
