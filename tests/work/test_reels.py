"""The reel plan: every cut on one reel, in the order of work, as few reels as can be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.tables import TABLES, schema
from geoplan.work.days import schedule_days
from geoplan.work.reel_filling import are_in_reach
from geoplan.work.reels import ReelPlan, cut_reels, pack, whole_units
from tests.work.stores_town import project, town_jobs, town_plan
from tests.work.test_reel_filling import fewest_reels

BACK = st.sampled_from([0, 0, 1, 3, 20])
"""What is drawn off before a cut beyond what is cut."""


@pytest.fixture(scope="module")
def town() -> tuple[pd.DataFrame, pd.DataFrame, ReelPlan]:
    jobs = town_jobs(120)
    plan = town_plan(jobs)
    days = schedule_days(plan, jobs)
    return days.jobs, days.crew_stops, cut_reels(days.jobs, days.crew_stops, plan.project)


def test_tables_are_as_declared(town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan]) -> None:
    schema(TABLES["reels"]).validate(town[2].reels)
    schema(TABLES["reel_cuts"]).validate(town[2].reel_cuts)


def test_each_drop_is_cut_once_at_its_length(
    town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan],
) -> None:
    jobs, _, plan = town
    cuts = plan.reel_cuts.set_index("address_id").sort_index()
    assert cuts.index.tolist() == jobs["address_id"].tolist()
    np.testing.assert_allclose(cuts["to_m"] - cuts["from_m"], jobs["cut_length_m"])
    assert cuts["crew_day_id"].tolist() == jobs["crew_day_id"].tolist()


def test_cuts_of_a_reel_follow_each_other_and_leave_the_rest(
    town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan],
) -> None:
    plan = town[2]
    for reel_id, cuts in plan.reel_cuts.groupby("reel_id"):
        assert cuts["cut"].tolist() == list(range(1, len(cuts) + 1))
        assert cuts["from_m"].tolist() == [0.0, *cuts["to_m"].tolist()[:-1]]
        reel = plan.reels.set_index("reel_id").loc[reel_id]
        assert reel["used_m"] == cuts["to_m"].max()
        assert reel["left_m"] == pytest.approx(305.0 - reel["used_m"])
        assert reel["cuts"] == len(cuts)
    assert (plan.reels["left_m"] >= 0).all()


def test_reels_and_cuts_are_in_the_order_of_work(
    town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan],
) -> None:
    _, stops, plan = town
    place = {address: number for number, address in enumerate(stops["address_id"])}
    work = plan.reel_cuts["address_id"].map(place)
    by_reel = work.groupby(plan.reel_cuts["reel_id"])
    assert by_reel.is_monotonic_increasing.all()
    assert by_reel.first().is_monotonic_increasing
    assert (by_reel.max() - by_reel.min()).max() <= 40


def test_the_figures_are_those_of_the_tables(
    town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan],
) -> None:
    plan = town[2]
    figures = plan.figures["reels"]
    assert figures["reels"] == len(plan.reels)
    assert figures["gap"] == figures["reels"] - figures["reels_bound"] == 0
    assert figures["is_proved_fewest"]
    assert figures["left_m"] == pytest.approx(plan.reels["left_m"].sum())
    assert figures["reels_bound"] >= plan.reels["used_m"].sum() / 305.0


def test_the_order_of_rows_has_no_effect(
    town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan],
) -> None:
    jobs, stops, plan = town
    shuffled = jobs.sample(frac=1.0, random_state=1), stops.sample(frac=1.0, random_state=2)
    again = cut_reels(*shuffled, project())
    pd.testing.assert_frame_equal(again.reel_cuts, plan.reel_cuts)


def test_a_drop_longer_than_a_reel_is_named_and_on_none() -> None:
    jobs = town_jobs(6)
    columns = ["cut_length_m", "drawn_m"]
    jobs.loc[2, columns] = 305.001
    jobs.loc[3, columns] = np.nan
    jobs.loc[4, columns] = 305.0
    plan = cut_reels(jobs, None, project())
    assert plan.figures["reels"]["not_on_a_reel"] == ["A000002", "A000003"]
    assert sorted(plan.reel_cuts["address_id"]) == ["A000000", "A000001", "A000004", "A000005"]
    assert plan.reels["left_m"].min() == 0.0


def test_a_drop_with_more_drawn_off_than_a_reel_holds_is_on_none() -> None:
    jobs = town_jobs(3)
    jobs.loc[1, ["cut_length_m", "drawn_m"]] = [304.0, 305.001]
    plan = cut_reels(jobs, None, project())
    assert plan.figures["reels"]["not_on_a_reel"] == ["A000001"]
    jobs.loc[1, "drawn_m"] = 305.0
    assert cut_reels(jobs, None, project()).figures["reels"]["not_on_a_reel"] == []


def test_what_is_drawn_off_before_a_cut_is_on_the_reel_then(
    town: tuple[pd.DataFrame, pd.DataFrame, ReelPlan],
) -> None:
    jobs, _, plan = town
    drawn = jobs.set_index("address_id")["drawn_m"].loc[plan.reel_cuts["address_id"]]
    assert (drawn.to_numpy() <= 305.0 - plan.reel_cuts["from_m"] + 1e-9).all()
    assert (drawn.to_numpy() > plan.reel_cuts["to_m"] - plan.reel_cuts["from_m"]).any()


def test_the_last_cut_of_a_reel_keeps_what_it_draws_off() -> None:
    jobs = town_jobs(2).assign(cut_length_m=[205.0, 100.0], drawn_m=[205.0, 102.4])
    assert len(cut_reels(jobs, None, project()).reels) == 2
    turned = jobs.assign(drawn_m=[300.0, 100.0])  # goes back on the reel for the second
    plan = cut_reels(turned, None, project())
    assert plan.reels["left_m"].tolist() == [0.0]
    assert plan.reel_cuts["from_m"].tolist() == [0.0, 205.0]


def test_wire_with_connectors_comes_on_no_reel() -> None:
    plan = cut_reels(town_jobs(5).assign(supply="pre_connectorised"), None, project())
    assert len(plan.reels) == len(plan.reel_cuts) == 0
    assert plan.figures["reels"]["reels"] == 0
    assert plan.figures["reels"]["not_on_a_reel"] == []


def test_the_reel_of_the_settings_is_used() -> None:
    plan = cut_reels(town_jobs(30), None, project(supply={"reel_length": "500 ft"}))
    assert plan.reels["length_m"].unique().tolist() == [152.4]
    assert plan.reels["used_m"].max() <= 152.4


def test_lengths_in_feet_and_inches_have_their_step() -> None:
    feet = np.array([12, 30, 7]) * 0.3048
    cuts, ends, reel = whole_units(feet, feet + np.array([0.0, 2.4, 0.0]) * 0.3048, 304.8)
    assert (cuts.tolist(), ends.tolist(), reel) == ([12, 30, 7], [1000, 997, 1000], 1000)
    inches = np.array([16, 33]) * 0.0254 / 16
    cuts, ends, reel = whole_units(inches, inches, 304.8)
    assert (cuts.tolist(), ends.tolist(), reel) == ([16, 33], [192_000, 192_000], 192_000)


def test_a_part_of_a_step_on_the_reel_serves_what_is_drawn_off() -> None:
    cuts, ends, reel = whole_units(np.array([2.0, 4.0]), np.array([2.5, 4.6]), 10.5)
    assert (cuts.tolist(), ends.tolist(), reel) == ([1, 2], [5, 4], 5)


def test_lengths_without_a_step_are_rounded_against_us() -> None:
    length_m = np.array([1.0001234, 2.0000001, 304.8])
    drawn_m = length_m + np.array([0.0, 0.0001, 0.0])
    cuts, ends, reel = whole_units(length_m, drawn_m, 304.8)
    assert (cuts.tolist(), reel) == ([1001, 2001, 304_800], 304_800)
    assert ends.tolist() == [304_800, 304_799, 304_800]


@given(
    cuts=st.lists(st.tuples(st.integers(20, 90), BACK), min_size=1, max_size=7),
    scale=st.sampled_from([1, 7, 1000]),
)
@settings(max_examples=40, deadline=None)
def test_small_plans_have_as_few_reels_as_can_be(cuts: list[tuple[int, int]], scale: int) -> None:
    length = np.array([cut for cut, _ in cuts], dtype=np.int64)
    ends = np.array([100 - min(back, 100 - cut) for cut, back in cuts], dtype=np.int64)
    on, bound, _ = pack(length * scale, ends * scale, 100 * scale)
    assert are_in_reach(length, ends, on)
    assert len(set(on.tolist())) == bound == fewest_reels(length.tolist(), 100, ends.tolist())


@pytest.mark.parametrize(
    ("longest", "most_back", "reel"), [(120, 0, 305), (200, 0, 305), (120, 9, 305), (240, 9, 1000)]
)
def test_large_plans_come_up_to_their_bound(longest: int, most_back: int, reel: int) -> None:
    random = np.random.default_rng(5)
    cuts = random.integers(60, longest, 600).astype(np.int64)
    ends = reel - random.integers(0, most_back + 1, 600) * (random.random(600) < 0.3)
    on, bound, _ = pack(cuts, ends, reel)
    assert are_in_reach(cuts, ends, on)
    assert on.max() + 1 == bound
