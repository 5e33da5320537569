"""What traffic control each drop takes, and why.

Enters: what planned drops cross, roads, places of the work, crew rules.
Leaves: traffic class, distances and reasons by drop, for air span and strand run apart; people.
Does not do: know sight distance, parked cars, lanes or detours; no layer tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import texts, worded
from geoplan.units import say
from geoplan.work.beside_roads import Beside, find_beside
from geoplan.work.clauses import chained, per_row
from geoplan.work.ground import Ground
from geoplan.work.kerb_lanes import kerb_words
from geoplan.work.ladder_mates import flaggers_below, hung_before, passed_below
from geoplan.work.last_ladders import last_ladder_words
from geoplan.work.over_roads import (
    Over,
    both,
    drop_rows,
    first_of,
    has_clamp,
)
from geoplan.work.owners import find_owned
from geoplan.work.place_search import is_bucket_job
from geoplan.work.road_works import (
    BESIDE,
    FLAGGERS,
    OWNER,
    STOP,
    TRAFFIC_CLASSES,
    Roads,
    hangs_over,
    has_room,
    look_up_roads,
    work_distances,
)
from geoplan.work.run_words import (
    clamps_not_for_one,
    lanes_taken,
    mates_below,
    roads_under_runs,
    runs_not_for_one,
)
from geoplan.work.side_roads import BY_CONES, BY_CREW, for_run_alone, join_roads
from geoplan.work.strand_run import LIST_SPLIT, RoadsBelow, StrandRuns
from geoplan.work.traffic_pairs import TrafficPairs, find_pairs
from geoplan.work.traffic_words import (
    beyond_one,
    hung_over,
    not_recorded,
    road_signs,
    roads_beside,
    roads_beside_too,
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
    ``taper_m``, ``buffer_m``, the same with ``run_`` but for road and reasons, ``flaggers``,
    ``is_owner_permit_needed``, ``run_roads``, ``run_lanes``, ``run_truck``,
    ``other_roads``, ``run_drops_over``, ``flaggers_below``,
    ``last_ladder``."""
    hung: tuple[IntArray, IntArray]
    """Drops that are hung before others, and these: see `geoplan.work.ladder_mates`."""
    code: IntArray
    """Place in `TRAFFIC_CLASSES`, for air span and places."""
    people: IntArray
    """People that roads and owners ask for."""
    crossing_reasons: Any
    """Why one person is not enough; null where one is."""
    is_over_road: BoolArray
    """Whether the air span hangs over a carriageway."""
    is_over_busy: BoolArray
    """Whether it hangs over one too busy for a short stop."""
    is_held: BoolArray
    """Whether a second person of the crew holds traffic for the air span, or below others that
    the ladder brings down."""
    is_run_held: BoolArray
    """The same for the strand run."""
    side_posts: IntArray
    """Approaches of side roads of a short stop: one person more for each."""
    unknown: Any
    """What was taken because a road has no record of it; null where all is recorded."""


def build_traffic(
    plan: Plan,
    rules: CrewRules,
    ground: Ground,
    work_places: gpd.GeoDataFrame,
    runs: StrandRuns,
    below: RoadsBelow,
    by_bucket: BoolArray,
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
    below : RoadsBelow
        Carriageways that they hang over.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket: its truck may stand in a lane.

    Returns
    -------
    Traffic
        By drop. Of several roads the one that asks for most gives class and distances. A wire
        that hangs over a carriageway without crossing it counts as a crossing. Columns without
        ``run_`` are about the air span and the places where people stand, those with it about
        the strand run over carriageways. A railway's owner has a class; water has none, its
        permit is told apart.

    Notes
    -----
    The rules have limits for crossing a road, none for leading a wire along a strand over one.
    So a run over a carriageway is judged by the limits of a crossing, is never for one person,
    and takes flaggers or more where it is longer over the carriageway than a short stop allows.
    A drop from a span clamp over a carriageway is never for one person either: somebody is on
    the strand while traffic is held. Above a traffic of its own it takes flaggers or more.
    Places of work, poles and run are all looked at for roads beside them, not the nearest alone.
    Flaggers that come for the run or for a lane at the kerb hold the road below the air span too,
    and close lanes beside which anybody is up. A road too narrow to pass a closed lane is shut.
    """
    count, units = len(plan.drops), plan.project.units
    every = np.arange(count)
    roads = look_up_roads(plan.layers.roads, rules, _doubtful_class(plan))
    pairs = find_pairs(plan, rules, ground, work_places, runs, below, by_bucket, roads)
    air, held, first, along = pairs.air, pairs.held, pairs.first, pairs.along
    run, kerb, trucks = pairs.run, pairs.kerb, pairs.trucks
    near_m = rules.value("places.beside_road")
    beside = find_beside(plan, ground, work_places, runs, below, near_m)
    lead, run_lead = air.lead(roads, count), along.lead(roads, count)
    gravest = first.lead(roads, count)
    side = _gravest(beside, roads, count)
    owned = find_owned(plan, rules, runs)
    way = np.append(first.way, 0)[gravest]
    run_way = np.append(along.way, 0)[run_lead]
    run_at = np.append(along.road, -1)[run_lead]
    on_road = np.maximum(way, np.where(side >= 0, BESIDE, 0))
    code = np.where(owned.is_rail, OWNER, on_road)
    at = np.select(
        [gravest >= 0, side >= 0],
        [np.append(first.road, -1)[gravest], np.append(beside.road, -1)[side]],
        default=_nearest(plan, ground, work_places, rules.value("places.near_road")),
    )
    lanes = kerb.lanes.part(has_room(kerb.lanes.road, roads, rules))
    is_lane = np.isin(every, lanes.drop[lanes.road == at[lanes.drop]])
    distances = work_distances(on_road, at, is_lane, roads, rules)
    run_distances = work_distances(run_way, run_at, has_room(run_at, roads, rules), roads, rules)
    is_highway = (way == OWNER) | (run_way == OWNER)
    crossed, only_beside = np.flatnonzero(lead >= 0), np.flatnonzero(on_road == BESIDE)
    free = np.flatnonzero((code == 0) & (run_way == 0))
    limit = say(near_m, "length", units)
    clear = f"no carriageway over or within {limit} of places of work, poles and strand run"
    hung = hung_over(plan.crossings[hangs_over(plan.crossings)], plan.drops["address_id"], units)
    under = roads_under_runs(run.drop, run.road, run.way, run.over_m, roads, rules, count, units)
    run_rows = np.unique(run.drop)
    other, other_pairs = _others(first, beside, at, roads)
    joining, stop_joining, closed_joining, run_joining = _joining(plan, pairs, roads, rules)
    each = int(rules.value("people.flaggers"))
    flaggers = np.maximum(
        first.flagged(roads, count) * each + joining[1],
        along.flagged(roads, count) * each + run_joining[1],
    )
    aside = np.maximum.reduce([joining[1], stop_joining[1], closed_joining[1]])
    by_others = flaggers_below(pairs.by_air, aside, each, roads)
    seen = np.flatnonzero((code >= BESIDE) | (run_way >= BESIDE))
    pair, near = lead[crossed], side[only_beside]
    by_ladder_at = has_clamp(plan) & ~is_bucket_job(plan.drops)
    own, rail = np.flatnonzero(owned.is_owned), np.flatnonzero(owned.is_rail)
    reasons = chained(
        count,
        [
            (rail, texts(pd.Series(owned.rail_words)).take(rail)),
            (
                crossed,
                roads_crossed(
                    air.road[pair],
                    air.way[pair],
                    air.is_for_one[pair],
                    pairs.shared[pair],
                    by_ladder_at[air.drop[pair]],
                    roads,
                    rules,
                    units,
                ),
            ),
            (every, hung),
            (every, mates_below(pairs.pressed, roads, count, units)),
            (every, kerb_words(kerb, roads, rules, count, units)),
            (run_rows, texts(under).take(run_rows)),
            (every, lanes_taken(trucks.lanes, roads, rules, count, units)),
            (
                only_beside,
                roads_beside(
                    beside.place.take(near),
                    beside.road[near],
                    beside.edge_m[near],
                    roads,
                    rules,
                    units,
                ),
            ),
            (
                every,
                roads_beside_too(
                    beside.drop[other_pairs],
                    beside.road[other_pairs],
                    beside.place.take(other_pairs),
                    beside.edge_m[other_pairs],
                    roads,
                    rules,
                    count,
                    units,
                ),
            ),
            *road_signs(
                np.maximum(on_road, run_way),
                np.where(run_way > on_road, run_at, at),
                flaggers,
                np.isin(every, air.drop[air.way == FLAGGERS]),
                np.isin(
                    every, np.append(lanes.drop, along.drop[has_room(along.road, roads, rules)])
                ),
                roads,
                rules,
                units,
            ),
            (free, worded(np.zeros(len(free)), (clear,))),
            (every, joining[0]),
            (every, stop_joining[0]),
            (every, closed_joining[0]),
            (every, for_run_alone(joining[0], run_joining[0])),
            (seen, worded(np.zeros(len(seen)), (NOT_SEEN,))),
        ],
    )
    columns = pd.DataFrame(
        {
            "road_id": texts(plan.layers.roads.index).take(at, allow_fill=True),
            "traffic_class": worded(code, TRAFFIC_CLASSES),
            "traffic_reasons": reasons,
            **distances,
            "run_traffic_class": worded(np.where(run_way > 0, run_way, -1), TRAFFIC_CLASSES),
            **{f"run_{name}": values for name, values in run_distances.items()},
            "flaggers": flaggers,
            "is_owner_permit_needed": owned.is_owned | is_highway,
            "run_roads": _named(run.drop, run.road, roads, count),
            "run_lanes": _named(trucks.lanes.drop, trucks.lanes.road, roads, count),
            "run_truck": trucks.words,
            "other_roads": _named(*other, roads, count),
            "last_ladder": last_ladder_words(plan, pairs.last, ground, rules),
            "run_drops_over": passed_below(pairs.mates, plan, roads),
            "flaggers_below": by_others,
        }
    )
    is_over_road = np.isin(every, air.drop)
    clamped = has_clamp(plan)[air.drop] & roads.is_for_one[air.road]
    not_alone = runs_not_for_one(run.drop, run.road, run.over_m, roads, count, units)
    return Traffic(
        columns,
        hung_before(pairs.mates, pairs.by_air, by_others),
        code,
        np.maximum(_people(kerb.with_air(held), along, rules, count), owned.people),
        chained(
            count,
            [
                (every, beyond_one((air.drop, air.road), roads, rules, count, units)),
                (every, clamps_not_for_one(air.drop[clamped], air.road[clamped], roads, count)),
                (run_rows, texts(not_alone).take(run_rows)),
                (every, kerb.not_for_one(count)),
                (own, texts(pd.Series(owned.words)).take(own)),
            ],
        ),
        is_over_road,
        np.isin(every, pairs.by_air.drop[pairs.by_air.way >= FLAGGERS]),
        held.held(count),
        run.held(count),
        stop_joining[1],
        not_recorded(_all_pairs(first, along), roads, count, units),
    )


def _doubtful_class(plan: Plan) -> str | None:
    """Return the class that was taken for roads without one; None where all had one."""
    findings = plan.layers.findings
    taken = (findings["layer"] == "roads") & (findings["code"] == "road_class_assumed")
    return plan.project.defaults.road_class if taken.any() else None


def _all_pairs(air: Over, run: Over) -> tuple[IntArray, IntArray]:
    """Return all pairs of drop and road, each once."""
    pairs = np.concatenate([np.stack([x.drop, x.road], axis=1) for x in (air, run)])
    pairs = np.unique(pairs, axis=0).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def _people(air: Over, run: Over, rules: CrewRules, count: int) -> IntArray:
    """Return the people that the roads ask for."""
    people = np.ones(count)
    owner = rules.value("owner.highway.people")
    for over, least in ((air, 1.0), (run, rules.value("people.run_over_road"))):
        more = (over.way >= STOP) & ~over.is_for_one
        needed = np.maximum(np.where(more, rules.value("people.traffic"), 1.0), least)
        needed = np.where(over.way == OWNER, np.maximum(needed, owner), needed)
        np.maximum.at(people, over.drop, needed)
    return people.astype(np.int64)


def _gravest(beside: Beside, roads: Roads, count: int) -> IntArray:
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
    return first_of(beside.drop, order, count)


def _named(drop: IntArray, road: IntArray, roads: Roads, count: int) -> Any:
    """List the roads of each drop by name, each name once."""
    told = pd.DataFrame({"drop": drop, "name": roads.name.take(road)}).drop_duplicates()
    return per_row(told["drop"].to_numpy(dtype=np.int64), told["name"], count, LIST_SPLIT)


def _others(
    air: Over, beside: Beside, at: IntArray, roads: Roads
) -> tuple[tuple[IntArray, IntArray], IntArray]:
    """Return pairs of drop and road that no other column names; of them, rows of `beside`."""
    name, _ = pd.factorize(pd.Series(roads.name))
    wide = len(name) + 1
    over = air.drop * wide + name[air.road]
    is_own = name[beside.road] == name[at[beside.drop]]
    is_crossed = np.isin(beside.drop * wide + name[beside.road], over)
    rows = np.flatnonzero(~is_own & ~is_crossed)
    second = name[air.road] != name[at[air.drop]]
    drop = np.concatenate([air.drop[second], beside.drop[rows]])
    road = np.concatenate([air.road[second], beside.road[rows]])
    pairs = np.unique(np.stack([drop, road], axis=1), axis=0).reshape(-1, 2)
    return (pairs[:, 0], pairs[:, 1]), rows


def _joining(
    plan: Plan, pairs: TrafficPairs, roads: Roads, rules: CrewRules
) -> list[tuple[Any, IntArray]]:
    """Name and count side roads of flaggers at wires and kerb, stops, closed roads, and runs."""
    held, along, kerb = pairs.held, pairs.along, pairs.kerb
    first, spot = both(pairs.first, kerb.others), np.append(kerb.spot, kerb.other_spot)
    wire = np.append(pairs.air.drop, pairs.mate)
    lines = np.asarray(plan.air_spans.geometry.values, dtype=object)[wire]
    wires = np.asarray(plan.drops.geometry.values, dtype=object)[along.drop]
    at_kerb = np.repeat([False, True], [len(lines), len(spot)]) & has_room(first.road, roads, rules)
    no_lane = np.zeros(len(lines), dtype=bool)
    stopped, is_one = held.way == STOP, held.is_for_one
    passed = has_room(along.road, roads, rules)
    join = partial(join_roads, plan.layers.roads, roads, rules, len(plan.drops))
    return [
        join(first, first.way >= FLAGGERS, at_kerb, np.append(lines, spot)),
        join(held, stopped & ~is_one, no_lane, lines, BY_CREW),
        join(held, stopped & is_one, no_lane, lines, BY_CONES),
        join(along, along.way >= FLAGGERS, passed, wires),
    ]


def _nearest(
    plan: Plan, ground: Ground, work_places: gpd.GeoDataFrame, within_m: float
) -> IntArray:
    """Return the road nearest to ladder or bucket, or to the pole where neither has a place."""
    start = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    spot = shapely.get_coordinates(start)
    feet = work_places[work_places["place"].isin(("ladder", "bucket"))]
    spot[drop_rows(feet["address_id"], plan)] = shapely.get_coordinates(feet.geometry.values)
    return ground.nearest_road(spot[:, 0], spot[:, 1], within_m)[0]
