"""Crew days of a whole plan: nothing lost, limits kept, times that add up."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from geoplan.errors import ProjectFileError
from geoplan.tables import TABLES, schema
from geoplan.work.days import Days, least_people_days, schedule_days
from tests.work.stores_town import town_jobs, town_plan


def _schedule(count: int, seed: int = 1, **days: Any) -> tuple[pd.DataFrame, Days]:
    jobs = town_jobs(count, seed)
    return jobs, schedule_days(town_plan(jobs, days=days), jobs)


@pytest.fixture(scope="module")
def town() -> tuple[pd.DataFrame, Days]:
    return _schedule(150)


def test_tables_are_as_declared(town: tuple[pd.DataFrame, Days]) -> None:
    _, days = town
    schema(TABLES["crew_days"]).validate(days.crew_days)
    schema(TABLES["crew_stops"]).validate(days.crew_stops)


def test_each_drop_is_on_one_day(town: tuple[pd.DataFrame, Days]) -> None:
    jobs, days = town
    assert sorted(days.crew_stops["address_id"]) == sorted(jobs["address_id"])
    by_stop = days.crew_stops.set_index("address_id")["crew_day_id"]
    assert (days.jobs["crew_day_id"].to_numpy() == by_stop[days.jobs["address_id"]]).all()
    drops = days.crew_stops.groupby("crew_day_id").size()
    assert days.crew_days.set_index("crew_day_id")["drops"].equals(drops.rename("drops"))


def test_crews_are_large_enough_and_no_larger(town: tuple[pd.DataFrame, Days]) -> None:
    jobs, days = town
    size = jobs.set_index("address_id")["crew_size"]
    need = size[days.crew_stops["address_id"]].groupby(days.crew_stops["crew_day_id"].to_numpy())
    assert days.crew_days["crew_size"].tolist() == need.max().tolist()
    suffix = days.crew_days["crew_size"].astype(str) + "p"
    assert (days.crew_days["crew_day_id"].str.split("-").str[1] == suffix).all()


def test_a_day_has_the_flaggers_of_the_drop_that_takes_most(
    town: tuple[pd.DataFrame, Days],
) -> None:
    jobs, days = town
    taken = jobs.set_index("address_id")["flaggers"][days.crew_stops["address_id"]]
    most = taken.groupby(days.crew_stops["crew_day_id"].to_numpy()).max()
    assert days.crew_days["flaggers"].tolist() == most.tolist()
    assert set(most) == {0, 2}


def test_no_day_is_longer_than_its_length(town: tuple[pd.DataFrame, Days]) -> None:
    _, days = town
    assert days.crew_days["total_s"].max() <= 7 * 3600.0
    assert not days.crew_days["is_over_length"].any()


@pytest.mark.parametrize("depot", [None, [500.0, 700.0]])
def test_times_and_ways_add_up(depot: list[float] | None) -> None:
    _, days = _schedule(60, depot=depot)
    stops, table = days.crew_stops, days.crew_days.set_index("crew_day_id")
    sums = stops.groupby("crew_day_id")[["work_s", "setup_s", "drive_s"]].sum()
    total = sums["work_s"] + sums["setup_s"] + sums["drive_s"] + table["return_s"]
    np.testing.assert_allclose(table["total_s"], total)
    before = (stops["drive_s"] + stops["setup_s"] + stops["work_s"]).groupby(stops["crew_day_id"])
    arrive = before.cumsum() - stops["setup_s"] - stops["work_s"]
    np.testing.assert_allclose(stops["arrive_s"], arrive, atol=1e-6)
    x, y = stops.geometry.x.to_numpy(), stops.geometry.y.to_numpy()
    leads = (stops["stop"] == 1).to_numpy()
    way = np.append(0.0, np.hypot(np.diff(x), np.diff(y))) * 1.4
    np.testing.assert_allclose(stops["drive_m"][~leads], way[~leads], rtol=1e-9)
    if depot is None:
        assert (stops["drive_m"][leads] == 0).all()
        assert (table["return_s"] == 0).all()
    else:
        out = np.hypot(x[leads] - 500.0, y[leads] - 700.0) * 1.4
        np.testing.assert_allclose(stops["drive_m"][leads], out)
        assert (table["return_s"] > 0).all()


def test_the_order_of_rows_has_no_effect(town: tuple[pd.DataFrame, Days]) -> None:
    jobs, days = town
    shuffled = jobs.sample(frac=1.0, random_state=3)
    again = schedule_days(town_plan(jobs), shuffled)
    pd.testing.assert_frame_equal(again.crew_days, days.crew_days)
    pd.testing.assert_frame_equal(pd.DataFrame(again.crew_stops), pd.DataFrame(days.crew_stops))
    pd.testing.assert_frame_equal(pd.DataFrame(again.jobs), pd.DataFrame(days.jobs))


def test_a_set_up_is_shared_by_stops_of_one_road_that_follow_each_other() -> None:
    jobs = town_jobs(5).assign(
        road_id="road 003", traffic_class="short_stop", crew_size=1, work_s=3000.0
    )
    jobs = jobs.set_geometry(jobs.geometry.scale(0, 0, origin=(0, 300)))
    stops = schedule_days(town_plan(jobs), jobs).crew_stops
    assert stops["setup_s"].tolist() == [600.0, 0.0, 0.0, 0.0, 0.0]
    assert stops["setup_road_id"][0] == "road 003"
    assert stops["setup_road_id"][1:].isna().all()


def test_drops_of_one_strand_span_are_on_one_day_one_after_the_other() -> None:
    jobs = town_jobs(60, 2)
    spans = [f"S{number % 25}" for number in range(len(jobs))]
    days = schedule_days(town_plan(jobs, spans=spans), jobs)
    span = dict(zip(jobs["address_id"], spans, strict=True))
    runs = days.crew_stops["address_id"].map(span)
    begins = (runs != runs.shift()) | (
        days.crew_stops["crew_day_id"] != days.crew_stops["crew_day_id"].shift()
    )
    assert int(begins.sum()) == len(set(spans))


def test_a_visit_is_gone_through_from_the_end_where_that_is_shorter() -> None:
    jobs = town_jobs(4).assign(
        road_id=["road 000", "road 000", "road 001", "road 001"],
        traffic_class="short_stop",
        crew_size=1,
        work_s=3000.0,
    )
    jobs = jobs.set_geometry(gpd.points_from_xy([100, 200, 100, 200], [0, 0, 100, 100]))
    days = schedule_days(town_plan(jobs), jobs)
    assert days.crew_days["drive_m"].tolist() == [pytest.approx(300 * 1.4)]
    assert days.crew_stops["setup_s"].tolist() == [600.0, 0.0, 600.0, 0.0]


def test_a_drop_longer_than_a_day_has_a_day_of_its_own_that_says_so() -> None:
    jobs = town_jobs(10)
    jobs.loc[4, "work_s"] = 30_000.0
    days = schedule_days(town_plan(jobs), jobs)
    long = days.crew_days[days.crew_days["is_over_length"]]
    assert long["drops"].tolist() == [1]
    assert long["crew_day_id"].tolist() == [days.jobs["crew_day_id"][4]]
    assert days.figures["crew_days"]["days_over_length"] == long["crew_day_id"].tolist()
    assert len(days.crew_stops) == 10


def test_a_depot_beyond_all_reach_is_refused() -> None:
    match = r"days\.depot: lies \d+ km from the nearest address.*in the project CRS"
    with pytest.raises(ProjectFileError, match=match):
        _schedule(5, depot=[-1.0e6, 5.0])
    _, days = _schedule(5, depot=[-1.0e5, 5.0])
    assert days.crew_days["is_over_length"].any()


def test_a_day_of_five_minutes_gives_each_drop_one_that_is_too_long() -> None:
    jobs = town_jobs(8)
    days = schedule_days(town_plan(jobs, days={"length": "5 min"}), jobs)
    assert days.crew_days["drops"].tolist() == [1] * 8
    assert days.crew_days["is_over_length"].all()
    assert len(days.figures["crew_days"]["days_over_length"]) == 8


def test_switched_off_there_are_no_days_and_it_is_said() -> None:
    _, days = _schedule(10, schedule=False)
    assert len(days.crew_days) == len(days.crew_stops) == 0
    assert days.jobs["crew_day_id"].isna().all()
    assert days.figures["crew_days"]["note"] == "not scheduled: [days] schedule is false"


def test_no_drop_gives_no_day() -> None:
    _, days = _schedule(0)
    assert len(days.crew_days) == len(days.jobs) == 0
    assert list(days.crew_stops.columns) == [*TABLES["crew_stops"].column_names, "geometry"]


def test_the_bound_holds_and_is_near(town: tuple[pd.DataFrame, Days]) -> None:
    _, days = town
    figures = days.figures["crew_days"]
    assert figures["people_days"] == days.crew_days["crew_size"].sum()
    assert figures["people_days_bound"] <= figures["people_days"]
    assert figures["people_days"] <= 1.4 * figures["people_days_bound"]


def test_the_bound_by_hand() -> None:
    work, size = np.array([6.0, 6.0, 6.0, 2.0]) * 3600, np.array([1, 2, 2, 1])
    # no two of 6, 6, 6 and 2 h share a day of 7 h; two of them need two people
    assert least_people_days(work, size, 7 * 3600.0) == 4 + 2


def test_a_job_of_unknown_length_is_refused() -> None:
    jobs = town_jobs(3)
    jobs.loc[1, "work_s"] = np.nan
    with pytest.raises(ValueError, match="time on site cannot be scheduled"):
        schedule_days(town_plan(jobs), jobs)
