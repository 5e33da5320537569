"""Tests of places in columns: what they allow, what they lack, and that they are the rows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.clearance.places import (
    BLOCK_COLUMNS,
    GUARD_M,
    YARD_STEP,
    Chord,
    Places,
    add_lack,
    allowed_sag,
    lean_of,
    least_by_air,
    least_spare,
    worst_by_air,
)
from geoplan.clearance.required import YARD_PLACES, build_places, build_rows
from tests.clearance.place import Plot, build_place, plane

MARGIN_M = 0.15


def yards(count: int, seed: int = 1) -> tuple[Places, Chord]:
    """Lay out yards of uneven ground under wires that lean either way."""
    rng = np.random.default_rng(seed)
    places = Places(
        np.arange(count),
        YARD_PLACES[:, None],
        rng.uniform(-0.5, 0.5, (len(YARD_PLACES), count)),
        np.full((1, 1), 2.9),
        np.full(count, -1),
    )
    span, low, climb = (
        rng.uniform(5, 60, count),
        rng.uniform(4, 8, count),
        rng.uniform(-1, 3, count),
    )
    return places, Chord(low, climb, lean_of(span, climb))


def test_at_the_allowed_sag_the_wire_just_clears_its_worst_place() -> None:
    places, chord = yards(200)
    sag = allowed_sag(places, chord, 1.0, MARGIN_M)
    bow = 4 * YARD_PLACES * (1 - YARD_PLACES) + np.where(YARD_PLACES < 1, YARD_STEP**2, 0.0)
    for row in range(200):
        lean = 1 + chord.lean[row] * sag[row] * (2 * YARD_PLACES - 1)
        wire = chord.low_m[row] + YARD_PLACES * chord.climb_m[row] - bow * sag[row] * lean
        guard = np.where(YARD_PLACES < 1, GUARD_M, 0.0)
        spare = wire - places.base_m[:, row] - 2.9 - MARGIN_M - guard
        assert spare[:-1].min() == pytest.approx(0.0, abs=1e-9)


def test_an_end_that_is_too_low_allows_no_sag_at_all() -> None:
    places, chord = yards(3)
    low_end = Chord(chord.low_m, np.array([-9.0, 0.0, 0.0]), chord.lean)
    sag = allowed_sag(places, low_end, 1.0, MARGIN_M)
    assert sag[0] == -np.inf
    assert np.isfinite(sag[1:]).all()


def test_columns_are_worked_on_in_blocks_as_they_are_alone() -> None:
    count = BLOCK_COLUMNS + 40
    places, chord = yards(count)
    sag = allowed_sag(places, chord, 1.0, MARGIN_M)
    lack = np.full(places.base_m.shape, -np.inf)
    add_lack(lack, places, chord, np.full(count, 0.5), (1.0, MARGIN_M))
    for column in (0, BLOCK_COLUMNS - 1, BLOCK_COLUMNS, count - 1):
        one = places.of(np.array([column]), count)
        alone = Chord(*(values[[column]] for values in chord))
        assert allowed_sag(one, alone, 1.0, MARGIN_M)[0] == sag[column]
        own = np.full(one.base_m.shape, -np.inf)
        add_lack(own, one, alone, np.array([0.5]), (1.0, MARGIN_M))
        assert (own[:, 0] == lack[:, column]).all()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 2.0), st.floats(0.0, 2.0))
def test_where_the_highest_chord_has_no_spare_height_no_lower_one_allows_sag(
    seed: int, start_m: float, end_m: float
) -> None:
    places, high = yards(30, seed)
    high = Chord(high.low_m - 1.2, high.climb_m, high.lean)
    hopeless = least_spare(places, high, 1.0, MARGIN_M) < 0
    climb = high.climb_m - end_m + start_m
    lower = Chord(high.low_m - start_m, climb, lean_of(np.full(30, 20.0), climb))
    assert not (allowed_sag(places, lower, 1.0, MARGIN_M)[hopeless] > 0).any()


@pytest.mark.parametrize("rules", ["us", "california"])
@pytest.mark.parametrize("ground", [None, plane(0.03, 0.01, count=3)])
def test_columns_hold_the_points_of_the_rows(rules: str, ground: object) -> None:
    plots = [
        Plot(25.0),
        Plot(40.0, road=(20.0, 9.0), walk=(8.0, 10.0)),
        Plot(30.0, driveway=(8.0, 12.0)),
    ]
    place = build_place(plots, terrain=ground, rule_set=rules, loading_district="light")
    given_ = (place.air, place.crossings, place.ends(), place.demands, place.supports)
    rows = build_rows(*given_)
    points = []
    for part in build_places(*given_):
        shape = part.base_m.shape
        points += zip(
            *(
                np.broadcast_to(values, shape).ravel().tolist()
                for values in (part.air, part.crossing, part.part, part.base_m, part.required_m)
            ),
            strict=True,
        )
    listed = zip(rows.air, rows.crossing, rows.part, rows.base_m, rows.required_m, strict=True)
    assert sorted(points) == sorted(tuple(map(float, row)) for row in listed)
    assert (np.diff(rows.air) >= 0).all()
    assert (np.repeat(np.arange(3), np.diff(rows.first)) == rows.air).all()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_the_worst_place_is_the_first_of_the_greatest_lack(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count, k = 5, 4
    air = np.concatenate([np.arange(count), np.sort(rng.integers(0, count, 9))])
    crossing = np.concatenate([np.full(count, -1), np.arange(9)])
    part = np.round(rng.uniform(0, 1, (k, len(air))), 1)
    lack = np.round(rng.uniform(0, 1, (k, len(air))), 1)
    blocks = [
        Places(air[s], part[:, s], part[:, s], part[:, s], crossing[s])
        for s in (slice(0, count), slice(count, None))
    ]
    worst = worst_by_air(blocks, [lack[:, :count], lack[:, count:]], count)
    for row in range(count):
        every = sorted(
            (-lack[i, j], part[i, j], crossing[j])
            for j in np.flatnonzero(air == row)
            for i in range(k)
        )
        assert (-worst.lack_m[row], worst.part[row], worst.crossing[row]) == every[0]


def test_an_air_span_without_places_may_sag_as_it_likes() -> None:
    places, _ = yards(1)
    assert least_by_air(places, np.array([0.4]), 2).tolist() == [0.4, np.inf]
