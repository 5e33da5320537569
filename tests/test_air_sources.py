"""Air spans that could be built: who is near, from where, by which run."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import OTHER_WALLS, OTHER_WALLS_APART_M, AirSources
from geoplan.routes.air_spans import AirSpans
from tests.plants import HOUSE, PROJECT, bare_town, lot_town, plant_of, roomy, strand_town

in_towns = pytest.mark.parametrize("town", [lot_town, strand_town])
seeds = st.integers(0, 100_000)


def sources_of(town, seed: int, project=PROJECT) -> tuple[AirSources, np.ndarray]:
    sources = AirSources(plant_of(town(np.random.default_rng(seed)), project), project)
    return sources, np.arange(sources.index.address_count, dtype=np.int64)


@in_towns
@given(seeds)
@settings(max_examples=5, deadline=None)
def test_near_are_all_within_an_air_span_that_a_terminal_reaches(town, seed: int) -> None:
    sources, rows = sources_of(town, seed)
    index, reach = sources.index, sources.reach
    targets = index.targets(rows)
    poles = shapely.points(index.pole_x, index.pole_y)
    reached = np.unique(reach.pole)
    near = shapely.distance(targets[:, None], poles[None, reached]) <= 60.0
    expected = {(a, int(reached[p])) for a, p in np.argwhere(near).tolist()}
    found = zip(*(column.tolist() for column in sources.poles_near(rows)), strict=True)
    assert set(found) == expected
    address, span = sources.spans_near(rows)
    close = shapely.distance(targets[:, None], index.span_line[None, :]) <= 60.0
    close &= np.isin(index.span_ends, reached).any(axis=1)
    assert set(zip(address.tolist(), span.tolist(), strict=True)) == {
        (a, s) for a, s in np.argwhere(close).tolist()
    }


@in_towns
@pytest.mark.parametrize("step", ["0.7 m", "6 m", "500 m"])
def test_clamp_places_are_at_most_a_step_apart_from_limit_to_limit(town, step: str) -> None:
    project = roomy(limits={"clamp_step": step})
    sources, _ = sources_of(town, 4, project)
    span = np.arange(len(sources.index.span_length_m), dtype=np.int64)
    low, high = sources.clamp_limits(span)
    row, at = sources.clamp_places(span)
    for number in span.tolist():
        places = at[row == number]
        assert places[0] == low[number]
        assert places[-1] == pytest.approx(high[number], abs=1e-9)
        assert (np.diff(places) > 0).all()
        assert np.diff(places).max() <= project.limits.clamp_step + 1e-9
    x, y = sources.clamp_point(span[row], at)
    first = sources.index.span_ends[span[row], 0]
    gap = np.hypot(x - sources.index.pole_x[first], y - sources.index.pole_y[first])
    np.testing.assert_allclose(gap, at, atol=1e-9)


def test_the_limit_at_a_terminal_is_another_than_at_other_poles() -> None:
    project = roomy(limits={"min_clamp_to_terminal": "1 m", "min_clamp_to_pole": "3 m"})
    layers = bare_town([(0.0, 0.0), (40.0, 0.0)], houses=[HOUSE], ends=[(0, 1)], terminals=[1])
    sources = AirSources(plant_of(layers, project), project)
    low, high = sources.clamp_limits(np.array([0]))
    assert (low.tolist(), high.tolist()) == ([3.0], [39.0])


@given(seeds)
@settings(max_examples=8, deadline=None)
def test_other_walls_are_farther_apart_and_of_the_same_source(seed: int) -> None:
    sources, rows = sources_of(lot_town, seed)
    nearest = sources.from_poles(*sources.poles_near(rows))
    nearest = nearest.take(nearest.building >= 0)
    others = sources.to_other_walls(nearest)
    key = {
        pair: row
        for row, pair in enumerate(
            zip(nearest.address.tolist(), nearest.pole.tolist(), strict=True)
        )
    }
    own = np.array(
        [key[p] for p in zip(others.address.tolist(), others.pole.tolist(), strict=True)],
        dtype=np.int64,
    )
    assert len(own) > 0
    assert np.bincount(own).max() <= OTHER_WALLS
    assert (others.length_m >= nearest.length_m[own] - 1e-9).all()
    apart = np.hypot(others.ex - nearest.ex[own], others.ey - nearest.ey[own])
    assert (apart >= OTHER_WALLS_APART_M).all()
    assert (others.length_m <= 60.0).all()
    np.testing.assert_array_equal(others.sx, nearest.sx[own])
    wall = shapely.boundary(sources.index.buildings.polygon[others.building])
    assert shapely.distance(shapely.points(others.ex, others.ey), wall).max() < 1e-9


def test_an_address_without_a_building_has_no_other_walls() -> None:
    layers = bare_town([(0.0, 0.0)], addresses=[(30.0, 40.0)])
    sources, row = AirSources(plant_of(layers), PROJECT), np.zeros(1, dtype=np.int64)
    air = sources.from_poles(row, row)
    assert len(air) == 1
    assert len(sources.to_other_walls(air)) == 0


@in_towns
@given(seeds)
@settings(max_examples=5, deadline=None)
def test_ways_are_all_runs_to_either_end_that_hold_the_limits(town, seed: int) -> None:
    project = roomy(limits={"max_route": "95 m", "max_strand_run": "70 m"})
    sources, rows = sources_of(town, seed, project)
    index, reach = sources.index, sources.reach
    address, span = sources.spans_near(rows)
    row, at = sources.clamp_places(span[:12])
    air = AirSpans.joined(
        [
            sources.from_poles(*sources.poles_near(rows)),
            sources.from_clamps(address[:12][row], span[:12][row], at),
        ]
    )
    expected = set()
    for number in range(len(air)):
        on = int(air.span[number])
        if on < 0:
            access = [(int(air.pole[number]), 0.0)]
        else:
            near, whole = float(air.clamp_from_m[number]), float(index.span_length_m[on])
            ends = index.span_ends[on].tolist()
            access = [(ends[0], near), (ends[1], whole - near)]
        for pole, side in access:
            for label in np.flatnonzero(reach.pole == pole).tolist():
                run = float(reach.run_m[label]) + side
                back = on >= 0 and on == reach.span[label]
                if run <= 70.0 and run + float(air.length_m[number]) <= 95.0 and not back:
                    expected.add((number, label))
    ways = sources.ways(air)
    found = list(zip(ways.air.tolist(), ways.reach.tolist(), strict=True))
    assert len(set(found)) == len(found)
    assert set(found) == expected
    np.testing.assert_array_equal(ways.terminal, reach.terminal[ways.reach])
