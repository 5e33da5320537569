"""Lanes closed beside ladder and reel: figures of the rules, roads that are quiet."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.ground import build_ground
from geoplan.work.jobs import JobTables, build_jobs
from geoplan.work.kerb_lanes import LANE_BESIDE, find_kerb_lanes, kerb_words
from geoplan.work.road_works import FLAGGERS, look_up_roads


def by_hand(plan: Plan, jobs: JobTables, rules: CrewRules) -> set[tuple[str, str]]:
    """Return addresses and roads with a place nearer than the figure, one by one."""
    lanes, places = plan.layers.roads, jobs.work_places
    way = look_up_roads(lanes, rules).way
    found = set()
    for k, (line, width) in enumerate(zip(lanes.geometry, lanes["width_m"], strict=True)):
        if way[k] >= FLAGGERS:
            away = places.geometry.distance(line) - width / 2
            near = away < rules.value("places.kerb_lane")
            found |= {(address, lanes["name"].iloc[k]) for address in places["address_id"][near]}
    return found


def test_places_at_the_kerb_of_roads_that_are_not_quiet_close_the_lane(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    ground = build_ground(demo_plan.layers)
    kerb = find_kerb_lanes(demo_plan, ground, demo_jobs.work_places, roads, crew_rules)
    ids = demo_plan.drops["address_id"].to_numpy()[kerb.lanes.drop]
    names = np.asarray(roads.name)[kerb.lanes.road]
    expected = by_hand(demo_plan, demo_jobs, crew_rules)
    assert set(zip(ids, names, strict=True)) == expected
    assert len(expected) > 5
    assert len(kerb.lanes.drop) == len(expected)
    assert (kerb.edge_m < crew_rules.value("places.kerb_lane")).all()
    lines = np.asarray(demo_plan.layers.roads.geometry.values)[kerb.lanes.road]
    edge = shapely.distance(kerb.spot, lines) - roads.width_m[kerb.lanes.road] / 2
    assert kerb.edge_m == pytest.approx(edge, abs=0.01)
    words = pd.Series(kerb_words(kerb, roads, crew_rules, len(demo_plan.drops), "us"))
    assert set(np.flatnonzero(words.notna())) == set(kerb.lanes.drop)
    figure = "nearer than 4.0 ft (common practice, no source)"
    assert words.dropna().str.contains(figure, regex=False).all()


def test_their_jobs_take_flaggers_with_a_taper_before_the_ladder(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    ids = sorted({address for address, _ in by_hand(demo_plan, demo_jobs, crew_rules)})
    told = jobs.loc[ids]
    assert told["traffic_class"].eq("flaggers").all()
    assert told["traffic_reasons"].str.contains(LANE_BESIDE, regex=False).all()
    assert (told["flaggers"] >= crew_rules.value("people.flaggers")).all()
    assert told["taper_m"].notna().all()
    key = "places.kerb_lane"
    figures = crew_rules.figures | {key: dataclasses.replace(crew_rules.require(key), value_si=0.0)}
    without = build_jobs(demo_plan, dataclasses.replace(crew_rules, figures=figures)).jobs
    before = without.set_index("address_id").loc[ids]
    assert not before["traffic_reasons"].str.contains(LANE_BESIDE, regex=False).any()
    assert (before["traffic_class"] == "beside_road").any()
