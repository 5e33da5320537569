"""Drops over roads after those whose ladder goes on their strand span."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from geoplan.model import Plan
from geoplan.work.clamp_spans import LIST_SPLIT
from geoplan.work.day_routing import Day
from geoplan.work.days import schedule_days
from geoplan.work.hang_order import keep_order, out_of_order
from geoplan.work.jobs import JobTables
from geoplan.work.visits import Sites, Travel, Visits, build_visits
from tests.work.stores_town import town_jobs, town_plan

TRAVEL = Travel(speed_m_per_s=10.0, detour=1.5, depot_m=None, day_s=25_000.0)


def _parted(count: int = 1) -> tuple[Sites, Visits]:
    """Return spans of two drops too long for one day: the first of each waits for the other."""
    sites = Sites(
        x_m=np.arange(2.0 * count),
        y_m=np.zeros(2 * count),
        work_s=np.full(2 * count, 13_000.0),
        setup_s=np.zeros(2 * count),
        crew_size=np.full(2 * count, 2),
        road=np.full(2 * count, -1),
        along_m=np.zeros(2 * count),
        span=np.repeat(np.arange(count), 2),
        waits=np.stack([np.arange(1, 2 * count, 2), np.arange(0, 2 * count, 2)], axis=1),
    )
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert visits.site.tolist() == list(range(2 * count))
    return sites, visits


def _kept(days: list[list[int]], count: int = 1, travel: Travel = TRAVEL) -> list[list[int]]:
    sites, visits = _parted(count)
    given = [Day(2, tuple(day)) for day in days]
    return [list(day.visits) for day in keep_order(given, visits, sites, travel)]


def test_a_day_goes_before_the_one_that_waits_for_it() -> None:
    assert _kept([[2], [0], [3], [1]], 2) == [[3], [2], [1], [0]]
    assert _kept([[1], [0]]) == [[1], [0]]


def test_days_that_wait_for_each_other_stay_together() -> None:
    assert _kept([[4], [0, 3], [1, 2], [5]], 3) == [[5], [4], [1, 2], [0, 3]]


def test_a_visit_goes_before_the_one_that_waits_for_it_where_the_day_is_long_enough() -> None:
    long = replace(TRAVEL, day_s=60_000.0)
    assert _kept([[0, 2, 1, 3]], 2, long) == [[1, 0, 3, 2]]
    assert _kept([[0, 2, 1, 3]], 2, TRAVEL) == [[0, 2, 1, 3]]


def _jobs(first: list[str | None], flaggers: list[int], road: list[str]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "address_id": pd.array(list("ABCD"), dtype="str"),
            "span_drops_first": pd.array(first, dtype="str"),
            "flaggers_below": flaggers,
            "road_id": pd.array(road, dtype="str"),
        }
    )


def test_drops_out_of_order_are_named_on_both_and_take_the_flaggers() -> None:
    jobs = _jobs(["B;C", None, None, None], [3, 0, 1, 0], ["R", "R", "S", "S"])
    names, more = out_of_order(jobs, np.array([1, 0, 3, 2]))
    assert pd.Series(names).fillna("").tolist() == ["C", "", "A", ""]
    assert more.tolist() == [0, 0, 3, 0]
    names, more = out_of_order(jobs, np.array([2, 1, 0, 3]))
    assert pd.isna(names).all()
    assert more.tolist() == [0, 0, 0, 0]


@pytest.mark.parametrize(("road", "more"), [("R", 4), ("S", 6)])
def test_flaggers_count_once_for_each_road_below(road: str, more: int) -> None:
    jobs = _jobs(["C", "C", None, None], [4, 2, 0, 0], ["R", road, "R", "R"])
    names, each = out_of_order(jobs, np.array([0, 1, 2, 3]))
    assert pd.Series(names).fillna("").tolist() == ["C", "C", "A;B", ""]
    assert each.tolist() == [0, 0, more, 0]


def test_a_made_up_day_hangs_the_drop_over_the_busy_road_last() -> None:
    jobs = town_jobs(4).assign(crew_size=2, work_s=3000.0, traffic_class="none", flaggers=0)
    jobs = jobs.set_geometry(jobs.geometry.scale(0, 0, origin=(0, 300)))
    jobs.loc[1, ["traffic_class", "flaggers", "flaggers_below"]] = ["flaggers", 2, 2]
    plan = town_plan(jobs, spans=["Z"] * 4)
    others = LIST_SPLIT.join(jobs["address_id"].drop(1))
    jobs.loc[1, "span_drops_first"] = others
    days = schedule_days(plan, jobs)
    assert days.crew_stops["address_id"].tolist()[-1] == jobs["address_id"][1]
    assert days.crew_stops["stop"].tolist() == [1, 2, 3, 4]
    assert days.jobs["span_drops_turned"].isna().all()
    assert days.figures["crew_days"]["drops_hung_out_of_order"] == 0
    assert days.jobs["flaggers"].tolist() == [0, 2, 0, 0]


def test_of_two_that_wait_for_each_other_the_one_with_more_flaggers_hangs_last() -> None:
    jobs = town_jobs(2).assign(crew_size=2, work_s=3000.0, traffic_class="none", flaggers=0)
    jobs = jobs.set_geometry(jobs.geometry.scale(0, 0, origin=(0, 300)))
    a, b = jobs["address_id"]
    jobs["span_drops_first"] = pd.array([b, a], dtype="str")
    for most in (0, 1):
        below = [4 if row == most else 2 for row in range(2)]
        days = schedule_days(town_plan(jobs, spans=["Z"] * 2), jobs.assign(flaggers_below=below))
        assert days.crew_stops["address_id"].tolist() == [(a, b)[1 - most], (a, b)[most]]
        assert days.jobs["span_drops_turned"].tolist() == [b, a]
        assert days.jobs["flaggers"].tolist() == [2 if row == most else 0 for row in range(2)]
        assert days.figures["crew_days"]["drops_hung_out_of_order"] == 2


def test_no_drop_of_the_demo_comes_after_the_one_it_is_to_be_hung_before(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    days = schedule_days(demo_plan, demo_jobs.jobs)
    stops = days.crew_stops["address_id"].reset_index(drop=True)
    place = pd.Series(stops.index, index=stops)
    first = days.jobs.set_index("address_id")["span_drops_first"].dropna()
    pairs = first.str.split(LIST_SPLIT).explode()
    assert len(pairs) > 10
    assert (place[pairs].to_numpy() < place[pairs.index].to_numpy()).all()
    assert days.jobs["span_drops_turned"].isna().all()
    later = days.jobs.set_index("address_id")["span_drops_later"].dropna().str.split(LIST_SPLIT)
    assert set(pairs.items()) == {(late, early) for early, late in later.explode().items()}
    assert days.jobs["flaggers"].tolist() == demo_jobs.jobs["flaggers"].tolist()
