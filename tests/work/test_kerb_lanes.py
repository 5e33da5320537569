"""Lanes closed beside ladder and reel: figures of the rules, roads that are quiet."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules, load_crew_rules
from geoplan.text_columns import places
from geoplan.work.aloft import Spots, places_aloft
from geoplan.work.ground import build_ground
from geoplan.work.jobs import JobTables, build_jobs
from geoplan.work.kerb_lanes import (
    ALOFT,
    ANYWAY,
    APART_M,
    LANE_BESIDE,
    ON_GROUND,
    ROAD_BESIDE,
    find_kerb_lanes,
    kerb_words,
    standing,
)
from geoplan.work.ladder_mates import below_ladders, pressed_by_ladder
from geoplan.work.last_ladders import last_ladders
from geoplan.work.over_roads import Over, over_by_air
from geoplan.work.road_works import FLAGGERS, look_up_roads
from geoplan.work.site_words import parts_of
from geoplan.work.strand_run import trace_runs


def by_hand(plan: Plan, jobs: JobTables, rules: CrewRules) -> set[tuple[str, str]]:
    """Return addresses and roads with a place nearer than the figures, one by one."""
    last = _last(plan, jobs)
    ids = plan.drops["address_id"].to_numpy()
    feet = list(zip(jobs.work_places["address_id"], jobs.work_places.geometry, strict=True))
    feet += zip(ids[last.drop], shapely.points(last.foot), strict=True)
    aloft = _aloft(plan, jobs)
    ups = list(zip(ids[aloft.drop], aloft.point, strict=True))
    run = _held(plan, jobs, rules)
    far_m, near_m = (rules.value(f"places.kerb_lane{key}") for key in ("", "_aloft"))
    found = _near(plan, rules, feet, run, far_m) | _near(plan, rules, ups, run, near_m)
    flagged = {address for address, _ in found | run}
    return found | _near(plan, rules, [up for up in ups if up[0] in flagged], run, far_m)


def _near(
    plan: Plan,
    rules: CrewRules,
    spots: list,
    held: set[tuple[str, str]],
    within_m: float,
) -> set[tuple[str, str]]:
    lanes, found = plan.layers.roads, set()
    way = look_up_roads(lanes, rules).way
    for k, (line, width) in enumerate(zip(lanes.geometry, lanes["width_m"], strict=True)):
        for address, spot in spots:
            pair = (address, lanes["name"].iloc[k])
            is_asked = way[k] >= FLAGGERS or pair in held
            if is_asked and spot.distance(line) - width / 2 < within_m:
                found.add(pair)
    return found


def _aloft(plan: Plan, jobs: JobTables):
    runs = trace_runs(plan.drops, plan.layers.poles, plan.project.heights.strand_height)
    return places_aloft(plan, runs, _by_bucket(jobs))


def _by_bucket(jobs: JobTables):
    return (jobs.jobs["is_bucket_job"] | jobs.jobs["is_run_bucket"]).to_numpy(dtype=bool)


def _beside_a_busy_road(plan: Plan, roads, within_m: float) -> Spots:
    """Return two places of two drops beside a busy road: just within the figure, and beyond it."""
    row = int(np.flatnonzero(roads.way >= FLAGGERS)[0])
    line = plan.layers.roads.geometry.iloc[row]
    at = [
        line.parallel_offset(roads.width_m[row] / 2 + far).interpolate(0.4, normalized=True)
        for far in (within_m - 0.05, within_m + 0.05)
    ]
    names = pd.array(["reel", "ladder"], dtype="str")
    return Spots(np.array([4, 7]), np.asarray(at, dtype=object), names)


def _held(plan: Plan, jobs: JobTables, rules: CrewRules) -> set[tuple[str, str]]:
    """Return addresses and the roads that flaggers hold for their run, their wire or their mates.

    Roads below wires are those that take flaggers by themselves.
    """
    flagged = jobs.jobs[jobs.jobs["run_traffic_class"].eq("flaggers").fillna(False)]
    found = {
        (row["address_id"], name)
        for row in flagged.to_dict("records")
        for column in ("run_roads", "run_lanes")
        for name in parts_of(row[column])
    }
    roads = look_up_roads(plan.layers.roads, rules)
    by_air = over_by_air(plan, roads, rules)
    runs = trace_runs(plan.drops, plan.layers.poles, plan.project.heights.strand_height)
    mates = below_ladders(plan, runs, _by_bucket(jobs), by_air)
    names, ids = np.asarray(roads.name), plan.drops["address_id"].to_numpy()
    for over in (by_air, pressed_by_ladder(mates, by_air)[0]):
        rows = over.way == FLAGGERS
        found |= set(zip(ids[over.drop[rows]], names[over.road[rows]], strict=True))
    return found


def _last(plan: Plan, jobs: JobTables):
    runs = trace_runs(plan.drops, plan.layers.poles, plan.project.heights.strand_height)
    rules = load_crew_rules(plan.project)
    return last_ladders(plan, runs, _by_bucket(jobs), build_ground(plan.layers), rules)


def _pairs(plan: Plan, roads, held: set[tuple[str, str]]) -> Over:
    drop = places([address for address, _ in sorted(held)], plan.drops["address_id"])
    road = places([name for _, name in sorted(held)], roads.name)
    no_one, far = np.zeros(len(drop), dtype=bool), np.full(len(drop), np.nan)
    return Over(drop, road, np.full(len(drop), FLAGGERS), no_one, far)


def test_places_at_the_kerb_of_roads_that_are_not_quiet_close_the_lane(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    ground = build_ground(demo_plan.layers)
    last, held = _last(demo_plan, demo_jobs), _held(demo_plan, demo_jobs, crew_rules)
    held = _pairs(demo_plan, roads, held)
    feet, aloft = standing(demo_plan, demo_jobs.work_places, last), _aloft(demo_plan, demo_jobs)
    kerb = find_kerb_lanes(ground, feet, aloft, held, roads, crew_rules)
    ids = demo_plan.drops["address_id"].to_numpy()[kerb.lanes.drop]
    names = np.asarray(roads.name)[kerb.lanes.road]
    expected = by_hand(demo_plan, demo_jobs, crew_rules)
    assert set(zip(ids, names, strict=True)) == expected
    assert len(expected) > 5
    nobody = _pairs(demo_plan, roads, set())
    foot = _beside_a_busy_road(demo_plan, roads, crew_rules.value("places.kerb_lane"))
    only = find_kerb_lanes(ground, foot, aloft.part(aloft.drop < 0), nobody, roads, crew_rules)
    assert only.why.tolist() == [ON_GROUND]
    assert only.lanes.drop.tolist() == [4]
    assert list(only.place) == ["reel"]
    up = find_kerb_lanes(ground, feet.part(feet.drop < 0), aloft, nobody, roads, crew_rules)
    assert ALOFT in set(up.why)
    assert (up.edge_m[up.why == ALOFT] < crew_rules.value("places.kerb_lane_aloft")).all()
    assert set(kerb.why) >= {ALOFT, ANYWAY}
    assert len(kerb.lanes.drop) == len(expected)
    assert (kerb.edge_m < crew_rules.value("places.kerb_lane")).all()
    lines = np.asarray(demo_plan.layers.roads.geometry.values)[kerb.lanes.road]
    edge = shapely.distance(kerb.spot, lines) - roads.width_m[kerb.lanes.road] / 2
    assert kerb.edge_m == pytest.approx(edge, abs=0.01)
    words = pd.Series(kerb_words(kerb, roads, crew_rules, len(demo_plan.drops), "us"))
    assert set(np.flatnonzero(words.notna())) == set(kerb.lanes.drop)
    told = words.iloc[kerb.lanes.drop]
    for why, figure in (
        (ON_GROUND, ", nearer than 4.0 ft (common practice, no source)"),
        (ALOFT, ", aloft nearer than 2.0 ft (common practice, no source)"),
        (ANYWAY, ", with flaggers there anyway"),
    ):
        assert told[kerb.why == why].str.contains(figure, regex=False).all()


def test_their_jobs_take_flaggers_with_a_taper_before_the_ladder(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    ids = sorted({address for address, _ in by_hand(demo_plan, demo_jobs, crew_rules)})
    told = jobs.loc[ids]
    assert told["traffic_class"].eq("flaggers").all()
    is_lane, is_shut = (
        told["traffic_reasons"].str.contains(words, regex=False)
        for words in (LANE_BESIDE, ROAD_BESIDE)
    )
    assert (is_lane | is_shut).all()
    assert is_lane.any()
    assert (is_shut & ~is_lane).any()
    assert (told["flaggers"] >= crew_rules.value("people.flaggers")).all()
    assert told.loc[is_lane, "taper_m"].notna().all()
    assert told.loc[~is_lane, "taper_m"].isna().all()
    keys = ("places.kerb_lane", "places.kerb_lane_aloft")
    figures = crew_rules.figures | {
        key: dataclasses.replace(crew_rules.require(key), value_si=0.0) for key in keys
    }
    without = build_jobs(demo_plan, dataclasses.replace(crew_rules, figures=figures)).jobs
    before = without.set_index("address_id").loc[ids]
    for words in (LANE_BESIDE, ROAD_BESIDE):
        assert not before["traffic_reasons"].str.contains(words, regex=False).any()
    assert (before["traffic_class"] == "beside_road").any()


def test_places_apart_along_one_closed_lane_are_each_told(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    """Works at two poles of one street are both named, a clamp and its ladder once."""
    reasons = demo_jobs.jobs.set_index("address_id")["traffic_reasons"]
    told = reasons.str.extractall(
        r"(\S+) \d\.\d ft from the carriageway of [^;]*?, beside ([^;]+) too"
    )
    assert len(told) > 5
    points = demo_plan.layers.poles.geometry
    for (address, _), (first, others) in told.iterrows():
        own = demo_plan.drops.set_index("address_id").loc[address]
        for other in others.split(" and "):
            assert other.startswith("pole "), "the ladder at the clamp is no place of its own"
            name = other.removeprefix("pole ")
            assert name != first
            if first in points.index:
                assert points[first].distance(points[name]) > APART_M
            assert name in {own["terminal_id"], own["access_pole_id"]} | set(
                parts_of(demo_jobs.jobs.set_index("address_id").loc[address, "run_poles"])
            )


def test_side_roads_of_every_place_at_the_kerb_are_held(demo_jobs: JobTables) -> None:
    """A189 works at a clamp and at the pole of A124, nearer to the next junction, on one road."""
    jobs = demo_jobs.jobs.set_index("address_id")
    joins = jobs["traffic_reasons"].str.extract(r"; side roads? ([^:;]+):", expand=False)
    assert "Grandle Avenue" in joins["A124"]
    assert joins["A189"] == joins["A124"]
    assert jobs.loc["A189", "flaggers"] == jobs.loc["A124", "flaggers"]
