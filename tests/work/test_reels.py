"""The reel plan: every cut on one reel, in the order of work, as few reels as can be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.tables import TABLES, schema
from geoplan.work.days import schedule_days
from geoplan.work.reels import ReelPlan, cut_reels, pack, whole_units
from tests.work.stores_town import project, town_jobs, town_plan
from tests.work.test_reel_filling import fewest_reels


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
    jobs.loc[2, "cut_length_m"] = 305.001
    jobs.loc[3, "cut_length_m"] = np.nan
    jobs.loc[4, "cut_length_m"] = 305.0
    plan = cut_reels(jobs, None, project())
    assert plan.figures["reels"]["not_on_a_reel"] == ["A000002", "A000003"]
    assert sorted(plan.reel_cuts["address_id"]) == ["A000000", "A000001", "A000004", "A000005"]
    assert plan.reels["left_m"].min() == 0.0


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
    cuts, reel = whole_units(np.array([12, 30, 7]) * 0.3048, 304.8)
    assert (cuts.tolist(), reel) == ([12, 30, 7], 1000)
    cuts, reel = whole_units(np.array([16, 33]) * 0.0254 / 16, 304.8)
    assert (cuts.tolist(), reel) == ([16, 33], 192_000)


def test_lengths_without_a_step_are_rounded_against_us() -> None:
    cuts, reel = whole_units(np.array([1.0001234, 2.0000001, 304.8]), 304.8)
    assert (cuts.tolist(), reel) == ([1001, 2001, 304_800], 304_800)


@given(
    cuts=st.lists(st.integers(20, 90), min_size=1, max_size=7), scale=st.sampled_from([1, 7, 1000])
)
@settings(max_examples=25, deadline=None)
def test_small_plans_have_as_few_reels_as_can_be(cuts: list[int], scale: int) -> None:
    on, bound, _ = pack(np.array(cuts, dtype=np.int64) * scale, 100 * scale)
    assert len(set(on.tolist())) == bound == fewest_reels(cuts, 100)


@pytest.mark.parametrize("longest", [120, 200])
def test_large_plans_come_up_to_their_bound(longest: int) -> None:
    cuts = np.random.default_rng(5).integers(60, longest, 600).astype(np.int64)
    on, bound, _ = pack(cuts, 305)
    assert np.bincount(on, weights=cuts).max() <= 305
    assert on.max() + 1 == bound
