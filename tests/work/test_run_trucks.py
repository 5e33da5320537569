"""Where the bucket truck stands along runs that no ladder may work."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.ground import build_ground
from geoplan.work.jobs import build_jobs
from geoplan.work.over_roads import has_clamp
from geoplan.work.road_works import FLAGGERS, look_up_roads
from geoplan.work.run_lots import SHARES
from geoplan.work.run_trucks import CLOSES, NO_ROAD, place_trucks
from geoplan.work.strand_run import roads_below, trace_runs


def test_trucks_are_told_for_runs_by_bucket_alone_and_hold_traffic_in_a_lane(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    ground = build_ground(demo_plan.layers)
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    runs = trace_runs(
        demo_plan.drops, demo_plan.layers.poles, demo_plan.project.heights.strand_height
    )
    below = roads_below(runs, ground)
    by_bucket = ~has_clamp(demo_plan)
    trucks = place_trucks(demo_plan, runs, by_bucket, below, ground, roads, crew_rules)
    words = pd.Series(trucks.words)
    has_run = np.bincount(runs.drop, minlength=runs.count) > 0
    assert (words.notna() == (has_run & by_bucket)).all()
    in_lane = words.str.contains(" side, in the lane of ", regex=False).fillna(False)
    assert in_lane.any()
    assert set(trucks.lanes.drop) <= set(np.flatnonzero(in_lane))
    assert words.str.contains(", in the lane of Grandle Avenue", regex=False).fillna(False).any()
    others = set(np.flatnonzero(in_lane)) - set(trucks.lanes.drop)
    assert others <= set(below.drop), "in the lane of a road that the run hangs over anyway"
    closed = words.str.contains("below the strand, in the closed lane of ", regex=False)
    assert set(np.flatnonzero(closed.fillna(False))) <= set(below.drop)
    assert words.str.contains(NO_ROAD, regex=False).any()
    assert (trucks.lanes.way >= FLAGGERS).all()
    pairs = set(zip(below.drop, below.road, strict=True))
    assert not pairs & set(zip(trucks.lanes.drop, trucks.lanes.road, strict=True))


def test_places_of_a_truck_are_told_from_pole_to_pole_where_they_differ(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    jobs = build_jobs(demo_plan, crew_rules).jobs
    told = [text.split(";") for text in jobs["run_truck"].dropna()]
    stretch = re.compile(r"(\S+|the clamp) to \S+: on the strand's ")
    several = [parts for parts in told if len(parts) > 1]
    assert len(several) > 3
    for parts in several:
        assert all(stretch.match(part) or part.startswith("below the ") for part in parts)
    assert not any(stretch.match(parts[0]) for parts in told if len(parts) == 1)


def test_every_street_along_a_leg_counts_not_that_at_its_middle_alone(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    """A run whose middle hangs over a lane goes on along a street: the truck stands in both."""
    ground = build_ground(demo_plan.layers)
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    runs = trace_runs(
        demo_plan.drops, demo_plan.layers.poles, demo_plan.project.heights.strand_height
    )
    below = roads_below(runs, ground)
    every = np.ones(runs.count, dtype=bool)
    trucks = place_trucks(demo_plan, runs, every, below, ground, roads, crew_rules)
    room = sum(crew_rules.value(f"places.bucket_{x}") for x in ("away", "keep_off"))
    seen = 0
    for leg, drop in enumerate(runs.drop):
        start, end = runs.segment[leg].reshape(2, 2)
        places = np.array([start + part * (end - start) for part in SHARES])
        near, edge = ground.nearest_road(*places.T, room)
        middle = near[len(SHARES) // 2]
        told = set(trucks.lanes.road[trucks.lanes.drop == drop])
        told |= set(below.road[below.drop == drop])
        assert set(near[edge < room]) <= told
        seen += bool(edge[len(SHARES) // 2] == 0 and set(near[near >= 0]) - {middle})
    assert seen > 0


def test_a_truck_in_a_lane_takes_flaggers_for_the_run_and_its_road_is_counted(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    jobs = build_jobs(demo_plan, crew_rules).jobs
    lanes = jobs[jobs["run_lanes"].notna()]
    assert len(lanes) > 5
    assert lanes["run_traffic_class"].isin(["flaggers", "lane_closure", "owner"]).all()
    flagged = lanes[lanes["run_traffic_class"] == "flaggers"]
    several = flagged["run_roads"].notna() & (flagged["run_roads"] != flagged["run_lanes"])
    assert (flagged.loc[several, "flaggers"] >= 4).all()
    assert several.any()


def test_a_truck_in_a_narrow_carriageway_closes_it(demo_plan: Plan, crew_rules: CrewRules) -> None:
    jobs = build_jobs(demo_plan, crew_rules).jobs
    shut = jobs["run_truck"].str.contains(CLOSES, regex=False).fillna(False)
    lanes = demo_plan.layers.roads
    narrow = lanes["name"][lanes["width_m"] < crew_rules.value("run.pass_width")]
    in_lane = jobs["run_truck"].str.contains(
        "|".join(f"in the lane of {name}" for name in narrow), regex=True
    )
    assert shut.any()
    assert shut.equals(in_lane.fillna(False))
    closed = jobs[shut & jobs["run_lanes"].isin(narrow)]
    assert closed["traffic_reasons"].str.contains("truck for the run closes ", regex=False).all()
