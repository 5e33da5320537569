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
    hangs_over,
    look_up_roads,
    sign_spacing,
    taper_length,
)
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns, roads_below, roads_near
from geoplan.work.traffic_words import (
    beyond_one,
    hung_over,
    not_recorded,
    road_signs,
    roads_beside,
    roads_crossed,
    roads_under_runs,
    runs_not_for_one,
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
    ``taper_m``, ``buffer_m``, ``is_owner_permit_needed``, ``run_roads``, ``other_roads``."""
    code: IntArray
    """Place in `TRAFFIC_CLASSES`."""
    people: IntArray
    """People that roads and owners ask for."""
    crossing_reasons: Any
    """Why one person is not enough; null where one is."""
    is_over_road: BoolArray
    """Whether the air span hangs over a carriageway."""
    unknown: Any
    """What was taken because a road has no record of it; null where all is recorded."""


@dataclass(frozen=True)
class _Over:
    """Pairs of a drop and a road that its wire is over, by air span or by strand run."""

    drop: IntArray
    road: IntArray
    way: IntArray
    """Least traffic class by which it may be done."""
    is_for_one: BoolArray
    is_run: BoolArray
    over_m: FloatArray
    """Length of the strand run over the carriageway; NaN for air spans."""

    def take(self, rows: BoolArray | IntArray) -> _Over:
        """Return some pairs."""
        return _Over(
            self.drop[rows],
            self.road[rows],
            self.way[rows],
            self.is_for_one[rows],
            self.is_run[rows],
            self.over_m[rows],
        )


@dataclass(frozen=True)
class _Beside:
    """Pairs of a drop and a road near it, each once, with the nearest place of the drop."""

    drop: IntArray
    road: IntArray
    edge_m: FloatArray
    place: IntArray
    """Place in `BESIDE_PLACES`."""


BESIDE_PLACES = ("work place", "pole", "strand run")


def build_traffic(
    plan: Plan,
    rules: CrewRules,
    ground: Ground,
    work_places: gpd.GeoDataFrame,
    runs: StrandRuns,
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
        Where ladders, reels and buckets stand.
    runs : StrandRuns
        Ways of the wires along the strand.

    Returns
    -------
    Traffic
        By drop. Of several roads the one that asks for most gives class and distances. A wire
        that hangs over a carriageway without crossing it counts as a crossing. Where an owner has
        to agree to a crossing of rail or water, signs and distances are those that the road over
        or beside which work is done asks for all the same.

    Notes
    -----
    The rules have limits for crossing a road, none for leading a wire along a strand over one.
    So a run over a carriageway is judged by the limits of a crossing, is never for one person,
    and takes flaggers or more where it is longer over the carriageway than a short stop allows.
    Places of work, poles and run are all looked at for roads beside them, not the nearest alone.
    """
    count, units = len(plan.drops), plan.project.units
    roads = look_up_roads(plan.layers.roads, rules, _doubtful_class(plan))
    over = _roads_over(plan, roads, rules, ground, runs)
    beside = _roads_beside(plan, ground, work_places, runs, rules.value("places.beside_road"))
    lead = _governing(over, roads, count)
    side = _gravest_beside(beside, roads, count)
    owned, owned_people, owned_words = _owned(plan, rules, runs)
    way = np.append(over.way, 0)[lead]
    on_road = np.maximum(way, np.where(side >= 0, BESIDE, 0))
    code = np.where(owned, OWNER, on_road)
    nearest = _nearest(plan, ground, work_places, rules.value("places.near_road"))
    at = np.where(lead >= 0, np.append(over.road, -1)[lead], np.append(beside.road, -1)[side])
    at = np.where(at >= 0, at, nearest)
    people = np.maximum(_people(over, rules, count), owned_people)
    is_highway = way == OWNER
    seen = np.flatnonzero(code >= BESIDE)
    by_air = _governing(over.take(~over.is_run), roads, count)
    air = over.take(~over.is_run)
    crossed = np.flatnonzero(by_air >= 0)
    only_beside = np.flatnonzero(on_road == BESIDE)
    free = np.flatnonzero(code == 0)
    limit = say(rules.value("places.beside_road"), "length", units)
    clear = f"no carriageway over or within {limit} of places of work, poles and strand run"
    hung = hung_over(plan.crossings[hangs_over(plan.crossings)], plan.drops["address_id"], units)
    run = over.take(over.is_run)
    under = roads_under_runs(run.drop, run.road, run.way, run.over_m, roads, rules, count, units)
    not_alone = runs_not_for_one(run.drop, run.road, run.over_m, roads, count, units)
    run_rows = np.unique(run.drop)
    near = side[only_beside]
    flagged, closed, signed, tapered = road_signs(on_road, at, roads, rules, units)
    reasons = chained(
        count,
        [
            (np.flatnonzero(owned), texts(pd.Series(owned_words)).take(np.flatnonzero(owned))),
            (crossed, roads_crossed(air.road[by_air[crossed]], roads, rules, units)),
            (np.arange(count), hung),
            (run_rows, texts(under).take(run_rows)),
            (
                only_beside,
                roads_beside(
                    worded(beside.place[near], BESIDE_PLACES),
                    beside.road[near],
                    beside.edge_m[near],
                    roads,
                    rules,
                    units,
                ),
            ),
            flagged,
            closed,
            (free, worded(np.zeros(len(free)), (clear,))),
            (seen, worded(np.zeros(len(seen)), (NOT_SEEN,))),
            signed,
            tapered,
        ],
    )
    columns = pd.DataFrame(
        {
            "road_id": texts(plan.layers.roads.index).take(at, allow_fill=True),
            "traffic_class": worded(code, TRAFFIC_CLASSES),
            "traffic_reasons": reasons,
            **_distances(on_road, at, roads, rules),
            "is_owner_permit_needed": owned | is_highway,
            "run_roads": _named(run.drop, run.road, roads, count),
            "other_roads": _others(over, beside, at, roads, count),
        }
    )
    pairs = (over.drop, over.road)
    is_over_road = np.zeros(count, dtype=bool)
    is_over_road[air.drop] = True
    own = np.flatnonzero(owned)
    return Traffic(
        columns,
        code,
        people,
        chained(
            count,
            [
                (
                    np.arange(count),
                    beyond_one((air.drop, air.road), roads, rules, count, units),
                ),
                (run_rows, texts(not_alone).take(run_rows)),
                (own, texts(pd.Series(owned_words)).take(own)),
            ],
        ),
        is_over_road,
        not_recorded(pairs, roads, count, units),
    )


def _doubtful_class(plan: Plan) -> str | None:
    """Return the class that was taken for roads without one; None where all had one."""
    findings = plan.layers.findings
    taken = (findings["layer"] == "roads") & (findings["code"] == "road_class_assumed")
    return plan.project.defaults.road_class if taken.any() else None


def _drop_rows(ids: Any, plan: Plan) -> IntArray:
    return np.asarray(pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(ids)), dtype=np.int64)


def _roads_over(
    plan: Plan, roads: Roads, rules: CrewRules, ground: Ground, runs: StrandRuns
) -> _Over:
    """Return pairs of drop and road whose carriageway its wire is over, each way once."""
    crossings = plan.crossings
    rows = crossings[(crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]]
    drop = _drop_rows(rows["address_id"], plan)
    road = places(rows["feature_id"], plan.layers.roads.index)
    pairs = np.unique(np.stack([drop, road], axis=1), axis=0).reshape(-1, 2)
    below = roads_below(runs, ground)
    drop = np.concatenate([pairs[:, 0], below.drop])
    road = np.concatenate([pairs[:, 1], below.road])
    is_run = np.arange(len(drop)) >= len(pairs)
    over_m = np.append(np.full(len(pairs), np.nan), below.over_m)
    is_long = over_m > rules.value("run.longest_stop")
    way = np.where(is_long, np.maximum(roads.way, roads.way_held)[road], roads.way[road])
    for_one = roads.is_for_one[road] & ~is_run
    return _Over(drop, road, way.astype(np.int64), for_one, is_run, over_m)


def _governing(over: _Over, roads: Roads, count: int) -> IntArray:
    """Return the pair by which each drop is asked for most; -1 where it is over no road."""
    fastest = -roads.speed_m_per_s[over.road]
    order = np.lexsort((over.is_run, over.road, fastest, over.is_for_one, -over.way, over.drop))
    return _first_of(over.drop, order, count)


def _first_of(drop: IntArray, order: IntArray, count: int) -> IntArray:
    """Return the first pair of each drop in an order by drop; -1 without one."""
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = drop[order][1:] != drop[order][:-1]
    first = np.full(count, -1, dtype=np.int64)
    first[drop[order][lead]] = order[lead]
    return first


def _people(over: _Over, rules: CrewRules, count: int) -> IntArray:
    """Return the people that the roads ask for."""
    needed = np.where((over.way >= STOP) & ~over.is_for_one, rules.value("people.traffic"), 1.0)
    needed = np.where(over.is_run, np.maximum(needed, rules.value("people.run_over_road")), needed)
    owner = np.maximum(needed, rules.value("owner.highway.people"))
    needed = np.where(over.way == OWNER, owner, needed)
    people = np.ones(count)
    np.maximum.at(people, over.drop, needed)
    return people.astype(np.int64)


def _roads_beside(
    plan: Plan,
    ground: Ground,
    work_places: gpd.GeoDataFrame,
    runs: StrandRuns,
    within_m: float,
) -> _Beside:
    """Return all roads near places of work, poles and runs, each with its nearest place."""
    start = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    hook = shapely.get_coordinates(start).reshape(-1, 2)
    spot = shapely.get_coordinates(work_places.geometry.values).reshape(-1, 2)
    poles = np.asarray(plan.layers.poles.geometry.values, dtype=object)
    on_run = shapely.get_coordinates(poles[runs.pole]).reshape(-1, 2)
    every = np.arange(len(plan.drops), dtype=np.int64)
    found: list[tuple[IntArray, IntArray, FloatArray, int]] = []
    for owner, xy, place in (
        (_drop_rows(work_places["address_id"], plan), spot, 0),
        (every, hook, 1),
        (runs.pole_drop, on_run, 1),
    ):
        point, near, away = ground.roads_near(xy[:, 0], xy[:, 1], within_m)
        found.append((owner[point], near, away, place))
    found.append((*roads_near(runs, ground, within_m), 2))
    drop = np.concatenate([part[0] for part in found])
    road = np.concatenate([part[1] for part in found])
    edge = np.concatenate([part[2] for part in found])
    where = np.repeat([part[3] for part in found], [len(part[0]) for part in found])
    order = np.lexsort((where, edge, road, drop))
    drop, road = drop[order], road[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (road[1:] != road[:-1])
    return _Beside(drop[lead], road[lead], edge[order][lead], where[order][lead])


def _gravest_beside(beside: _Beside, roads: Roads, count: int) -> IntArray:
    """Return, of each drop, the road beside it that may be crossed the least freely; -1: none."""
    road = beside.road
    order = np.lexsort(
        (
            road,
            beside.edge_m,
            -np.nan_to_num(roads.vehicles[road]),
            -roads.speed_m_per_s[road],
            roads.is_for_one[road],
            -roads.way[road],
            beside.drop,
        )
    )
    return _first_of(beside.drop, order, count)


def _named(drop: IntArray, road: IntArray, roads: Roads, count: int) -> Any:
    """List the roads of each drop by name."""
    return per_row(drop, texts(roads.name).take(road), count, LIST_SPLIT)


def _others(over: _Over, beside: _Beside, at: IntArray, roads: Roads, count: int) -> Any:
    """List the roads over or beside which work is done, but for the one of the job."""
    drop = np.concatenate([over.drop, beside.drop])
    road = np.concatenate([over.road, beside.road])
    other = road != at[drop]
    pairs = np.unique(np.stack([drop[other], road[other]], axis=1), axis=0).reshape(-1, 2)
    return _named(pairs[:, 0], pairs[:, 1], roads, count)


def _nearest(
    plan: Plan, ground: Ground, work_places: gpd.GeoDataFrame, within_m: float
) -> IntArray:
    """Return the road nearest to ladder or bucket, or to the pole where neither has a place."""
    start = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    spot = shapely.get_coordinates(start)
    feet = work_places[work_places["place"].isin(("ladder", "bucket"))]
    spot[_drop_rows(feet["address_id"], plan)] = shapely.get_coordinates(feet.geometry.values)
    return ground.nearest_road(spot[:, 0], spot[:, 1], within_m)[0]


def _owned(plan: Plan, rules: CrewRules, runs: StrandRuns) -> tuple[BoolArray, IntArray, Any]:
    """Return which drops are over rail or water, the people that takes, and words for it."""
    crossings, count = plan.crossings, len(plan.drops)
    is_owned = crossings["crossing_kind"].isin(("rail", "water")) & ~crossings["is_near_miss"]
    rows = crossings[is_owned]
    name = rows["feature_name"].fillna(rows["feature_id"])
    by_air = joined("crosses ", texts(rows["crossing_kind"]), " ", texts(name))
    met = [(_drop_rows(rows["address_id"], plan), rows["crossing_kind"].eq("rail"), by_air)]
    for kind, layer in (("rail", plan.layers.rail), ("water", plan.layers.water)):
        drop, row = _under_runs(layer, runs)
        name = texts(layer["name"].fillna(pd.Series(layer.index, index=layer.index))).take(row)
        of_rail = pd.Series(np.full(len(drop), kind == "rail"))
        met.append((drop, of_rail, joined(f"strand run over {kind} ", name)))
    drop = np.concatenate([part[0] for part in met])
    is_rail = np.concatenate([part[1].to_numpy(dtype=bool) for part in met])
    what = pd.concat([pd.Series(part[2], dtype="str") for part in met], ignore_index=True)
    needed = np.where(is_rail, rules.value("owner.rail.people"), rules.value("owner.water.people"))
    people = np.ones(count)
    np.maximum.at(people, drop, needed)
    owned = np.zeros(count, dtype=bool)
    owned[drop] = True
    words = joined(what.array, ": only with the owner's permit and a crew")
    return owned, people.astype(np.int64), per_row(drop, words, count)


def _under_runs(layer: gpd.GeoDataFrame, runs: StrandRuns) -> tuple[IntArray, IntArray]:
    """Return pairs of drop and row of a layer that its strand run is over, each once."""
    shapes = np.asarray(layer.geometry.values, dtype=object)
    leg, row = shapely.STRtree(shapes).query(runs.lines, predicate="intersects")
    pairs = np.unique(np.stack([runs.drop[leg], row], axis=1), axis=0).reshape(-1, 2)
    return pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)


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
