"""Plane arithmetic on segments, against shapely and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from geoplan.routes.segments import (
    BLOCK_PAIRS,
    crossing_parameters,
    expand,
    may_be_within,
    merge_intervals,
    point_distance,
    polygon_intervals,
    segment_distance,
    strip_interval,
)

coordinates = hnp.arrays(
    np.float64, (40, 8), elements=st.integers(-50, 50).map(lambda value: value / 4)
)


def _lines(segments: np.ndarray) -> np.ndarray:
    return shapely.linestrings(segments.reshape(-1, 2, 2))


def test_square_crossing_is_found_at_its_place_and_angle() -> None:
    meets, u, angle = crossing_parameters(
        np.array([[0.0, 0.0, 10.0, 0.0]]), np.array([[4.0, -1.0, 4.0, 1.0]])
    )
    assert meets.tolist() == [True]
    assert u[0] == pytest.approx(0.4)
    assert angle[0] == pytest.approx(90.0)


def test_crossing_at_thirty_degrees_has_that_angle() -> None:
    slope = np.tan(np.radians(30.0))
    _, _, angle = crossing_parameters(
        np.array([[0.0, 0.0, 10.0, 0.0]]), np.array([[4.0, -slope, 6.0, slope]])
    )
    assert angle[0] == pytest.approx(30.0)


def test_parallel_segments_never_meet() -> None:
    meets, u, _ = crossing_parameters(
        np.array([[0.0, 0.0, 10.0, 0.0]]), np.array([[0.0, 0.0, 5.0, 0.0]])
    )
    assert not meets[0]
    assert u[0] == 0.0


@given(coordinates)
@settings(max_examples=50, deadline=None)
def test_crossings_agree_with_shapely_where_shapely_is_sure(rows: np.ndarray) -> None:
    first, second = rows[:, :4], rows[:, 4:]
    meets, _, _ = crossing_parameters(first, second)
    crosses = shapely.crosses(_lines(first), _lines(second))
    assert (meets[crosses]).all()
    apart = shapely.distance(_lines(first), _lines(second)) > 1e-9
    assert not meets[apart].any()


@given(coordinates)
@settings(max_examples=50, deadline=None)
def test_segment_distance_agrees_with_shapely(rows: np.ndarray) -> None:
    first, second = rows[:, :4], rows[:, 4:]
    distance, u = segment_distance(first, second)
    expected = shapely.distance(_lines(first), _lines(second))
    np.testing.assert_allclose(distance, expected, atol=1e-9)
    at = first[:, :2] + u[:, None] * (first[:, 2:] - first[:, :2])
    on_line = shapely.distance(shapely.points(at), _lines(second))
    np.testing.assert_allclose(on_line, expected, atol=1e-6)


@given(coordinates)
@settings(max_examples=50, deadline=None)
def test_point_distance_agrees_with_shapely(rows: np.ndarray) -> None:
    distance, _ = point_distance(rows[:, 4], rows[:, 5], rows[:, :4])
    expected = shapely.distance(shapely.points(rows[:, 4:6]), _lines(rows[:, :4]))
    np.testing.assert_allclose(distance, expected, atol=1e-9)


@given(coordinates, st.integers(1, 40).map(lambda value: value * 0.1437 + 0.0137))
@settings(max_examples=50, deadline=None)
def test_strip_interval_agrees_with_a_finely_rounded_buffer(rows: np.ndarray, half: float) -> None:
    first, axis = rows[:, :4], rows[:, 4:]
    long = np.hypot(first[:, 2] - first[:, 0], first[:, 3] - first[:, 1]) > 0.5
    first, axis = first[long], axis[long]
    inside, start, end = strip_interval(first, axis, np.full(len(first), half))
    areas = shapely.buffer(_lines(axis), half, quad_segs=256)
    length = np.hypot(first[:, 2] - first[:, 0], first[:, 3] - first[:, 1])
    expected = shapely.length(shapely.intersection(_lines(first), areas))
    np.testing.assert_allclose((end - start) * length, expected, atol=0.05)
    assert (inside | (expected < 0.05)).all()


def test_intervals_join_only_within_their_key() -> None:
    key = np.array([0, 0, 0, 1])
    start, end = np.array([0.0, 0.5, 3.0, 0.2]), np.array([1.0, 2.0, 4.0, 9.0])
    order, group = merge_intervals((key,), start, end)
    assert order.tolist() == [0, 1, 2, 3]
    assert group.tolist() == [0, 0, 1, 2]


def test_a_long_interval_covers_later_short_ones() -> None:
    key = np.zeros(3, dtype=np.int64)
    _, group = merge_intervals((key,), np.array([0.0, 1.0, 3.0]), np.array([5.0, 2.0, 4.0]))
    assert group.tolist() == [0, 0, 0]


def test_expand_of_nothing_is_nothing() -> None:
    row, rank = expand(np.zeros(0, dtype=np.int64))
    assert len(row) == len(rank) == 0


@given(st.integers(0, 100_000))
@settings(max_examples=60, deadline=None)
def test_polygon_intervals_agree_with_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    outline = rng.integers(-20, 20, (7, 2)) + 0.0
    made = shapely.make_valid(shapely.Polygon(outline))
    polygon = shapely.union_all([part for part in shapely.get_parts(made) if part.area > 0])
    if polygon.is_empty:
        return
    polygon = shapely.difference(polygon, shapely.box(-2.3, -2.1, 1.7, 2.9))
    rings = shapely.get_rings(shapely.get_parts(polygon))
    edges = np.concatenate(
        [np.concatenate([c[:-1], c[1:]], 1) for c in map(shapely.get_coordinates, rings)]
        or [np.zeros((0, 4))]
    )
    segment = rng.uniform(-25, 25, (30, 4))
    row, start, end = polygon_intervals(
        segment, edges, np.array([0, len(edges)]), np.zeros(30, dtype=np.int64)
    )
    length = np.hypot(segment[:, 2] - segment[:, 0], segment[:, 3] - segment[:, 1])
    inside = np.bincount(row, weights=end - start, minlength=30) * length
    lines = shapely.linestrings(segment.reshape(-1, 2, 2))
    expected = shapely.length(shapely.intersection(lines, polygon))
    np.testing.assert_allclose(inside, expected, atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 6.0))
def test_no_pair_that_is_near_enough_is_told_to_be_apart(seed: int, most: float) -> None:
    rng = np.random.default_rng(seed)
    first, second = np.round(rng.uniform(-8.0, 8.0, (2, 60, 4)), 1)
    lines = [shapely.linestrings(rows.reshape(-1, 2, 2)) for rows in (first, second)]
    near = shapely.distance(*lines) <= most
    assert may_be_within(first, second, most)[near].all()


def test_a_line_along_the_other_side_of_the_street_is_told_to_be_apart() -> None:
    first, second = np.array([[0.0, 0.0, 20.0, 0.0]]), np.array([[-5.0, 3.1, 40.0, 3.1]])
    assert not may_be_within(first, second, 3.0)[0]
    assert may_be_within(first, second, 3.2)[0]


def test_intervals_of_many_pairs_are_those_of_each() -> None:
    star = np.array([[0, 0], [4, 0], [4, 4], [3, 4], [3, 1], [2, 1], [2, 4], [0, 4], [0, 0]], float)
    edges = np.concatenate([star[:-1], star[1:]], axis=1)
    first = np.array([0, len(edges)])
    rng = np.random.default_rng(5)
    segments = rng.uniform(-1.0, 5.0, (BLOCK_PAIRS + 50, 4))
    polygon = np.zeros(len(segments), dtype=np.int64)
    row, start, end = polygon_intervals(segments, edges, first, polygon)
    assert np.bincount(row).max() == 2  # through both arms
    for number in (0, 7, BLOCK_PAIRS - 1, BLOCK_PAIRS, len(segments) - 1):
        _, low, high = polygon_intervals(segments[[number]], edges, first, polygon[[number]])
        assert start[row == number].tolist() == low.tolist()
        assert end[row == number].tolist() == high.tolist()
