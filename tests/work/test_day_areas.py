"""A region put into days area by area: nothing lost between them, neighbours together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geoplan.work import day_areas
from geoplan.work.day_areas import curve_rank, solve_days
from geoplan.work.visits import Travel, Visits

TRAVEL = Travel(speed_m_per_s=5.0, detour=1.3, depot_m=None, day_s=20_000.0)


def _visits(count: int, seed: int = 1) -> Visits:
    random = np.random.default_rng(seed)
    place = random.uniform(0, 5000, (count, 2))
    return Visits(
        site=np.arange(count),
        first=np.arange(count + 1),
        work_s=random.uniform(2000, 7000, count),
        setup_s=np.zeros(count),
        inside_m=np.zeros(count),
        crew_size=random.choice([1, 2, 3], count, p=[0.5, 0.3, 0.2]),
        begin_m=place,
        end_m=place,
        is_one_way=np.zeros(count, dtype=bool),
    )


@pytest.fixture
def small_areas(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(day_areas, "AREA_VISITS", 7)
    monkeypatch.setattr(day_areas, "MOST_SOLUTIONS", 20)
    monkeypatch.setattr(day_areas, "FEWEST_SOLUTIONS", 20)


@pytest.mark.usefixtures("small_areas")
@pytest.mark.parametrize("seed", range(3))
def test_each_visit_is_on_one_day_whatever_is_held_back(seed: int) -> None:
    visits = _visits(40, seed)
    visits = replace(visits, work_s=np.where(np.arange(40) % 13 == 0, 30_000.0, visits.work_s))
    days = solve_days(visits, TRAVEL)
    assert sorted(visit for day in days for visit in day.visits) == list(range(40))
    for day in days:
        load = visits.stay_s(TRAVEL)[list(day.visits)].sum()
        assert load <= TRAVEL.day_s or len(day.visits) == 1


@pytest.mark.usefixtures("small_areas")
def test_part_filled_days_are_filled_from_the_next_area(monkeypatch: pytest.MonkeyPatch) -> None:
    visits = _visits(60)
    held_back = sum(day.crew_size for day in solve_days(visits, TRAVEL))
    monkeypatch.setattr(day_areas, "FULL", 0.0)
    assert held_back < sum(day.crew_size for day in solve_days(visits, TRAVEL))


@pytest.mark.usefixtures("small_areas")
def test_progress_is_told_up_to_the_end() -> None:
    told: list[float] = []
    solve_days(_visits(20), TRAVEL, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_the_curve_passes_each_visit_once_and_keeps_neighbours_near() -> None:
    visits = _visits(400)
    rank = curve_rank(visits)
    assert sorted(rank.tolist()) == list(range(400))
    along = visits.begin_m[np.argsort(rank)]
    steps = np.hypot(*np.diff(along, axis=0).T)
    assert np.median(steps) < 400.0  # 250 m is the grid's step for 400 visits in 5 km by 5 km


def test_visits_at_one_place_keep_their_order() -> None:
    visits = replace(_visits(5), begin_m=np.full((5, 2), 3.0))
    assert curve_rank(visits).tolist() == [0, 1, 2, 3, 4]
