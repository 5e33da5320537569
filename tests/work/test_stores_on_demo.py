"""Days, reels and materials of the demo, from its own jobs to the end."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import line_locate_point

from geoplan.model import Plan
from geoplan.work.days import Days, schedule_days
from geoplan.work.jobs import JobTables
from geoplan.work.materials import Bill, bill_materials
from geoplan.work.reels import ReelPlan, cut_reels


@pytest.fixture(scope="module")
def days(demo_plan: Plan, demo_jobs: JobTables) -> Days:
    return schedule_days(demo_plan, demo_jobs.jobs)


@pytest.fixture(scope="module")
def reels(demo_plan: Plan, days: Days) -> ReelPlan:
    return cut_reels(days.jobs, days.crew_stops, demo_plan.project)


@pytest.fixture(scope="module")
def bill(demo_plan: Plan, days: Days, reels: ReelPlan) -> Bill:
    return bill_materials(demo_plan, days.jobs, reels.reels)


def test_every_drop_has_its_day_its_cut_and_its_materials(
    demo_plan: Plan, days: Days, reels: ReelPlan, bill: Bill
) -> None:
    wanted = demo_plan.drops["address_id"].tolist()
    assert days.jobs["address_id"].tolist() == wanted
    assert sorted(days.crew_stops["address_id"]) == wanted
    assert sorted(reels.reel_cuts["address_id"]) == wanted
    assert sorted(bill.drop_materials["address_id"].unique()) == wanted


def test_jobs_keep_all_but_their_day(demo_jobs: JobTables, days: Days) -> None:
    before = demo_jobs.jobs.drop(columns="crew_day_id")
    assert days.jobs.drop(columns="crew_day_id").equals(before)
    assert days.jobs["crew_day_id"].notna().all()


def test_days_keep_to_their_length(demo_plan: Plan, days: Days) -> None:
    assert days.crew_days["total_s"].max() <= demo_plan.project.days.length


def test_drops_under_one_set_up_lie_on_one_road_within_reach(demo_plan: Plan, days: Days) -> None:
    roads, reach = demo_plan.layers.roads, demo_plan.project.days.setup_reach
    jobs = days.jobs.set_index("address_id")
    need = jobs["traffic_class"].map(demo_plan.project.days.setup)
    shared = 0
    for _, stops in days.crew_stops.groupby("crew_day_id"):
        under: list[str] = []
        for address, setup_s in zip(stops["address_id"], stops["setup_s"], strict=True):
            under = [address] if setup_s > 0 else [*under, address]
            if need[address] == 0:
                continue
            held = [one for one in under if need[one] > 0]
            assert len(set(jobs["road_id"][held].fillna(address))) == 1
            if len(held) > 1:
                shared += 1
                line = roads.geometry[jobs["road_id"][address]]
                along = line_locate_point(line, jobs.geometry[held].to_numpy())
                assert np.ptp(along) <= reach
                assert need[address] <= stops.set_index("address_id")["setup_s"][held[0]]
    assert shared > 20


def test_the_reel_plan_is_proved_fewest(reels: ReelPlan) -> None:
    assert reels.figures["reels"]["gap"] == 0
    assert reels.figures["reels"]["not_on_a_reel"] == []


def test_the_wire_ordered_is_that_of_the_reels(
    demo_plan: Plan, reels: ReelPlan, bill: Bill
) -> None:
    wire = bill.materials.set_index("item").loc["drop_wire"]
    assert wire["quantity"] == pytest.approx(reels.reels["used_m"].sum())
    assert wire["order_quantity"] >= reels.reels["length_m"].sum()
    assert wire["order_quantity"] % demo_plan.project.supply.reel_length == 0


def test_clamps_are_those_of_the_routes(demo_plan: Plan, bill: Bill) -> None:
    by_item = bill.materials.set_index("item")["quantity"]
    is_clamp = demo_plan.drops["route_kind"].str.endswith("span_clamp")
    assert by_item["span_clamp"] == is_clamp.sum()
    assert by_item["drive_hook"] == (~is_clamp).sum()
    assert by_item["connector"] == 2 * demo_plan.drops["ports_needed"].sum()
