"""Days of one area: against every order and every split, and within their limits."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.work.day_routing import Day, best_directions, fits_a_day, solve_area
from geoplan.work.visits import Travel, Visits

TRAVEL = Travel(speed_m_per_s=5.0, detour=1.3, depot_m=None, day_s=20_000.0)


def _visits(count: int, seed: int, *, long: float = 0.0) -> Visits:
    random = np.random.default_rng(seed)
    begin = random.uniform(0, 8000, (count, 2))
    end = begin + random.uniform(-long, long, (count, 2)) if long else begin
    return Visits(
        site=np.arange(count),
        first=np.arange(count + 1),
        work_s=random.uniform(2000, 7000, count),
        setup_s=random.choice([0.0, 600.0], count),
        inside_m=np.hypot(*(end - begin).T) * TRAVEL.detour,
        crew_size=random.choice([1, 2], count, p=[0.6, 0.4]),
        begin_m=begin,
        end_m=end,
        is_one_way=np.zeros(count, dtype=bool),
    )


def _driven_s(order: tuple[int, ...], visits: Visits, travel: Travel) -> float:
    """Return the time driven in a day, worked out leg by leg."""
    legs = [
        float(np.hypot(*(visits.begin_m[after] - visits.end_m[before])))
        for before, after in pairwise(order)
    ]
    if travel.depot_m is not None:
        depot = np.array(travel.depot_m)
        legs += [float(np.hypot(*(visits.begin_m[order[0]] - depot)))]
        legs += [float(np.hypot(*(visits.end_m[order[-1]] - depot)))]
    return sum(legs) * travel.detour / travel.speed_m_per_s


def _cost(days: list[Day], visits: Visits, travel: Travel) -> float:
    return sum(
        day.crew_size * (travel.day_s + _driven_s(day.visits, visits, travel)) for day in days
    )


def _least_cost(visits: Visits, travel: Travel) -> float:
    """Try every order of all visits, and every way to cut it into days."""
    count = len(visits)
    stay = visits.stay_s(travel)
    cost: dict[tuple[int, ...], float] = {}

    def price(part: tuple[int, ...]) -> float:
        if part not in cost:
            driven = _driven_s(part, visits, travel)
            fits = driven + stay[list(part)].sum() <= travel.day_s
            size = int(visits.crew_size[list(part)].max())
            cost[part] = size * (travel.day_s + driven) if fits else np.inf
        return cost[part]

    best = np.inf
    for order in permutations(range(count)):
        until = [0.0] + [np.inf] * count
        for end in range(1, count + 1):
            for start in range(end - 1, -1, -1):
                part = price(order[start:end])
                if part == np.inf:
                    break
                until[end] = min(until[end], until[start] + part)
        best = min(best, until[count])
    return float(best)


@pytest.mark.parametrize("depot", [None, (4000.0, 1000.0)])
@pytest.mark.parametrize(("count", "seed"), [(2, 1), (4, 2), (5, 3), (6, 4), (6, 5), (7, 6)])
def test_small_areas_are_as_good_as_the_best_of_all_orders(
    count: int, seed: int, depot: tuple[float, float] | None
) -> None:
    travel = replace(TRAVEL, depot_m=depot)
    visits = _visits(count, seed)
    days = solve_area(visits, np.arange(count), travel, solutions=200)
    rounding = 0.1 * 2 * 2 * count
    assert _cost(days, visits, travel) == pytest.approx(_least_cost(visits, travel), abs=rounding)


@given(seed=st.integers(0, 1000), count=st.integers(1, 25), depot=st.booleans())
@settings(max_examples=20, deadline=None)
def test_each_visit_is_on_one_day_that_is_long_enough_for_a_crew_that_is_large_enough(
    seed: int, count: int, depot: bool
) -> None:
    travel = replace(TRAVEL, depot_m=(0.0, 0.0) if depot else None)
    visits = _visits(count, seed, long=200.0)
    chosen = np.flatnonzero(fits_a_day(visits, travel))
    days = solve_area(visits, chosen, travel, solutions=30)
    assert sorted(visit for day in days for visit in day.visits) == chosen.tolist()
    for day in days:
        assert day.crew_size == visits.crew_size[list(day.visits)].max()
        stay = visits.stay_s(travel)[list(day.visits)].sum()
        assert _driven_s(day.visits, visits, travel) + stay <= travel.day_s
    assert days == solve_area(visits, chosen, travel, solutions=30)


def test_more_solutions_are_no_worse() -> None:
    visits = _visits(30, 8)
    few, many = (solve_area(visits, np.arange(30), TRAVEL, solutions=number) for number in (1, 200))
    assert _cost(many, visits, TRAVEL) < _cost(few, visits, TRAVEL)


def test_a_visit_as_long_as_a_day_fits_only_with_room_for_rounding() -> None:
    visits = replace(_visits(2, 1), work_s=np.array([19_999.0, 20_001.0]), setup_s=np.zeros(2))
    assert fits_a_day(visits, TRAVEL).tolist() == [True, False]


def _turned(visits: Visits, turned: list[bool]) -> Visits:
    flip = np.array(turned)[:, None]
    return replace(
        visits,
        begin_m=np.where(flip, visits.end_m, visits.begin_m),
        end_m=np.where(flip, visits.begin_m, visits.end_m),
    )


@pytest.mark.parametrize("depot", [None, (4000.0, 1000.0)])
@pytest.mark.parametrize("seed", range(5))
def test_directions_are_the_best_of_all(seed: int, depot: tuple[float, float] | None) -> None:
    travel = replace(TRAVEL, depot_m=depot)
    visits, day = _visits(6, seed, long=3000.0), Day(2, (3, 1, 5, 0, 2, 4))
    found = best_directions(day, visits, travel)
    by_visit = [found[day.visits.index(number)] for number in range(6)]
    ways = [
        _driven_s(day.visits, _turned(visits, [bool(bits >> n & 1) for n in range(6)]), travel)
        for bits in range(64)
    ]
    assert _driven_s(day.visits, _turned(visits, by_visit), travel) == pytest.approx(min(ways))


@pytest.mark.parametrize("seed", range(5))
def test_a_visit_of_one_way_is_not_turned(seed: int) -> None:
    visits, day = _visits(6, seed, long=3000.0), Day(2, (3, 1, 5, 0, 2, 4))
    free = best_directions(day, visits, TRAVEL)
    assert any(free)
    fixed = replace(visits, is_one_way=np.isin(np.arange(6), [3, 5, 4]))
    found = best_directions(day, fixed, TRAVEL)
    assert not any(found[place] for place in (0, 2, 5))
    by_visit = [found[day.visits.index(number)] for number in range(6)]
    ways = [
        _driven_s(day.visits, _turned(visits, [bool(bits >> n & 1) for n in range(6)]), TRAVEL)
        for bits in range(64)
        if not bits & (1 << 3 | 1 << 5 | 1 << 4)
    ]
    assert _driven_s(day.visits, _turned(visits, by_visit), TRAVEL) == pytest.approx(min(ways))
