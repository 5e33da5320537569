"""Visits: which drops share a traffic set-up, and what a visit takes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.work.visits import Sites, Travel, Visits, build_visits

TRAVEL = Travel(speed_m_per_s=10.0, detour=1.5, depot_m=None, day_s=25_000.0)


def _sites(along: list[float], road: list[int], **columns: Any) -> Sites:
    count = len(along)
    return Sites(
        x_m=np.array(along, dtype=float),
        y_m=np.zeros(count),
        work_s=np.array(columns.get("work", [3000.0] * count)),
        setup_s=np.array(columns.get("setup", [600.0] * count)),
        crew_size=np.array(columns.get("crew", [1] * count), dtype=np.int64),
        road=np.array(road, dtype=np.int64),
        along_m=np.array(along, dtype=float),
        span=np.array(columns.get("span", [-1] * count), dtype=np.int64),
        waits=np.array(columns.get("waits", []), dtype=np.int64).reshape(-1, 2),
    )


def _groups(visits: Visits) -> list[list[int]]:
    return [part.tolist() for part in np.split(visits.site, visits.first[1:-1])]


def test_drops_of_one_road_share_a_set_up_along_the_road() -> None:
    visits = build_visits(_sites([200.0, 0.0, 90.0], [4, 4, 4]), TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[1, 2, 0]]
    assert visits.setup_s.tolist() == [600.0]
    assert visits.work_s.tolist() == [9000.0]
    assert visits.inside_m.tolist() == [300.0]
    assert visits.begin_m.tolist() == [[0.0, 0.0]]
    assert visits.end_m.tolist() == [[200.0, 0.0]]
    assert visits.stay_s(TRAVEL).tolist() == [9630.0]


def test_other_roads_and_drops_without_set_up_are_visits_of_their_own() -> None:
    sites = _sites([0.0, 1.0, 2.0, 3.0], [4, 5, 4, -1], setup=[600.0, 600.0, 0.0, 600.0])
    assert _groups(build_visits(sites, TRAVEL, reach_m=500.0)) == [[0], [1], [2], [3]]


def test_a_second_person_is_not_spent_to_save_a_set_up() -> None:
    sites = _sites([0.0, 1.0, 2.0], [4, 4, 4], crew=[1, 2, 1])
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[0, 2], [1]]
    assert visits.crew_size.tolist() == [1, 2]


def test_a_visit_ends_where_the_reach_does() -> None:
    sites = _sites([0.0, 400.0, 501.0], [4, 4, 4])
    assert _groups(build_visits(sites, TRAVEL, reach_m=500.0)) == [[0, 1], [2]]


def test_a_visit_ends_where_the_day_does() -> None:
    sites = _sites([0.0, 0.0, 0.0], [4, 4, 4], work=[12_000.0] * 3)
    assert _groups(build_visits(sites, TRAVEL, reach_m=500.0)) == [[0, 1], [2]]
    far = replace(TRAVEL, depot_m=(7_000.0, 0.0))
    assert _groups(build_visits(sites, far, reach_m=500.0)) == [[0], [1], [2]]


def test_the_longest_set_up_counts_for_the_day() -> None:
    sites = _sites([0.0, 0.0], [4, 4], work=[11_800.0] * 2, setup=[600.0, 1800.0])
    assert _groups(build_visits(sites, TRAVEL, reach_m=500.0)) == [[0], [1]]


def test_a_visit_takes_the_longest_set_up() -> None:
    sites = _sites([0.0, 1.0], [4, 4], setup=[600.0, 1800.0])
    assert build_visits(sites, TRAVEL, reach_m=500.0).setup_s.tolist() == [1800.0]


def test_drops_of_one_strand_span_are_one_visit_whatever_they_need() -> None:
    sites = _sites(
        [0.0, 50.0, 90.0, 900.0],
        [4, 4, -1, 4],
        setup=[600.0, 0.0, 0.0, 600.0],
        crew=[2, 1, 1, 2],
        span=[-1, 7, 7, 7],
    )
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[0], [1, 2, 3]]
    assert visits.crew_size.tolist() == [2, 2]
    assert visits.setup_s.tolist() == [600.0, 600.0]
    assert visits.work_s.tolist() == [3000.0, 9000.0]


def test_a_strand_span_is_visited_with_the_road_that_one_of_its_drops_is_on() -> None:
    sites = _sites([0.0, 50.0, 90.0], [4, -1, 4], setup=[600.0, 0.0, 900.0], span=[-1, 7, 7])
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[0, 1, 2]]
    assert visits.setup_s.tolist() == [900.0]


def test_set_ups_on_two_roads_both_count() -> None:
    sites = _sites([0.0, 0.0], [4, 5], setup=[600.0, 900.0], span=[7, 7])
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[0, 1]]
    assert visits.setup_s.tolist() == [1500.0]


def test_drops_of_a_strand_span_are_parted_where_the_day_ends() -> None:
    sites = _sites([0.0] * 3, [-1] * 3, work=[12_000.0] * 3, setup=[0.0] * 3, span=[7] * 3)
    assert _groups(build_visits(sites, TRAVEL, reach_m=500.0)) == [[0, 1], [2]]


def test_what_waits_is_the_last_of_its_span_and_the_visit_is_not_turned() -> None:
    waits = [[1, 0], [2, 0]]
    sites = _sites([0.0, 50.0, 90.0, 20.0], [4, 4, -1, 5], span=[7, 7, 7, -1], waits=waits)
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[1, 2, 0], [3]]
    assert visits.inside_m.tolist() == [1.5 * (40.0 + 90.0), 0.0]
    assert visits.is_one_way.tolist() == [True, False]
    free = replace(sites, waits=np.empty((0, 2), dtype=np.int64))
    assert _groups(build_visits(free, TRAVEL, reach_m=500.0)) == [[0, 1, 2], [3]]
    assert not build_visits(free, TRAVEL, reach_m=500.0).is_one_way.any()


def test_parts_of_a_span_with_an_order_are_visits_of_their_own() -> None:
    columns = {"work": [9_000.0] * 3 + [3_000.0], "span": [7, 7, 7, -1]}
    sites = _sites([0.0, 1.0, 2.0, 3.0], [4] * 4, **columns)
    assert _groups(build_visits(sites, TRAVEL, reach_m=500.0)) == [[0, 1], [2, 3]]
    ordered = _sites([0.0, 1.0, 2.0, 3.0], [4] * 4, **columns, waits=[[1, 0], [2, 0]])
    assert _groups(build_visits(ordered, TRAVEL, reach_m=500.0)) == [[0], [1, 2], [3]]


def test_a_drop_of_a_road_waits_for_one_of_its_visit_that_hangs_on_another_span() -> None:
    sites = _sites([0.0, 50.0, 90.0], [4, 4, 4], span=[7, -1, -1], waits=[[2, 0]])
    visits = build_visits(sites, TRAVEL, reach_m=500.0)
    assert _groups(visits) == [[2, 0, 1]]
    assert visits.is_one_way.tolist() == [True]
    assert visits.inside_m.tolist() == [1.5 * (90.0 + 50.0)]
    assert visits.begin_m.tolist() == [[90.0, 0.0]]


def test_no_drop_gives_no_visit() -> None:
    assert len(build_visits(_sites([], []), TRAVEL, reach_m=500.0)) == 0


@given(
    seed=st.integers(0, 10_000),
    count=st.integers(1, 60),
    depot=st.sampled_from([None, (0.0, 0.0)]),
    spanned=st.sampled_from([0.0, 0.3, 1.0]),
)
@settings(max_examples=40, deadline=None)
def test_every_drop_is_in_one_visit_that_keeps_to_reach_and_day(
    seed: int, count: int, depot: tuple[float, float] | None, spanned: float
) -> None:
    random = np.random.default_rng(seed)
    along = random.uniform(0, 2000, count)
    sites = replace(
        _sites(along.tolist(), random.integers(-1, 3, count).tolist()),
        setup_s=random.choice([0.0, 600.0, 1800.0], count),
        work_s=random.uniform(1000, 30_000, count),
        crew_size=random.integers(1, 3, count),
        span=np.where(random.random(count) < spanned, random.integers(0, 9, count), -1),
        waits=np.unique(np.sort(random.integers(0, count, (count // 2, 2)), axis=1), axis=0),
    )
    sites = replace(sites, waits=sites.waits[sites.waits[:, 0] != sites.waits[:, 1]])
    travel = replace(TRAVEL, depot_m=depot)
    visits = build_visits(sites, travel, reach_m=300.0)
    assert sorted(visits.site.tolist()) == list(range(count))
    alone = visits.alone_s(travel)
    for number, group in enumerate(_groups(visits)):
        if len(group) > 1:
            assert alone[number] <= travel.day_s + 1e-6
        if len(group) > 1 and not spanned:
            assert np.ptp(sites.along_m[group]) <= 300.0
            assert len(set(sites.road[group].tolist())) == 1
            assert len(set(sites.crew_size[group].tolist())) == 1
            assert (sites.setup_s[group] > 0).all()
        pairs = [(a, b) for a, b in sites.waits.tolist() if a in group and b in group]
        assert all(group.index(early) < group.index(late) for early, late in pairs)
        assert visits.is_one_way[number] == bool(pairs)
        assert visits.work_s[number] == pytest.approx(sites.work_s[group].sum())
