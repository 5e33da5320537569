"""Points shared out over areas, and what comes near them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoplan.layers import split_points as module
from geoplan.layers.split_points import Nearby, rows_by_area, split_points

coordinates = st.integers(0, 4).map(float) | st.floats(0.0, 10.0, width=16)
places = st.lists(st.tuples(coordinates, coordinates), min_size=1, max_size=60)


def _columns(rows: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.array(rows, dtype=np.float64).reshape(-1, 2).T
    return x, y


@given(places, st.integers(1, 8))
def test_every_point_has_one_area_and_areas_are_of_like_size(
    rows: list[tuple[float, float]], most: int
) -> None:
    area = split_points(*_columns(rows), most)
    sizes = np.bincount(area)
    assert sizes.sum() == len(rows)
    assert sizes.max() <= most
    if len(sizes) > 1:
        assert sizes.min() >= (most + 1) // 2
        assert sizes.max() <= 2 * sizes.min() + 1


@given(places, st.integers(1, 8), st.randoms(use_true_random=False))
def test_order_of_rows_has_no_say_in_the_areas(
    rows: list[tuple[float, float]], most: int, random: Any
) -> None:
    shuffled = list(rows)
    random.shuffle(shuffled)

    def told(places: list[tuple[float, float]]) -> list[tuple[float, float, int]]:
        x, y = _columns(places)
        area = split_points(x, y, most)
        return sorted(zip(x.tolist(), y.tolist(), area.tolist(), strict=True))

    assert told(rows) == told(shuffled)


def test_an_area_is_compact() -> None:
    x, y = (part.ravel() for part in np.meshgrid(np.arange(40.0), np.arange(20.0)))
    area = split_points(x, y, 100)
    for number in range(area.max() + 1):
        mine = area == number
        assert np.ptp(x[mine]) < 11
        assert np.ptp(y[mine]) < 11


def test_no_points_make_no_area() -> None:
    assert len(split_points(np.zeros(0), np.zeros(0), 5)) == 0


@given(places, st.integers(1, 8))
def test_rows_of_areas_are_all_rows_each_once(rows: list[tuple[float, float]], most: int) -> None:
    area = split_points(*_columns(rows), most)
    parts = rows_by_area(area)
    assert sorted(np.concatenate(parts).tolist()) == list(range(len(rows)))
    assert all((np.diff(part) > 0).all() for part in parts)
    assert [int(area[part[0]]) for part in parts] == list(range(len(parts)))


@given(places, places, st.floats(0.0, 3.0), st.sampled_from([1, 3, 500]))
def test_all_boxes_that_come_near_are_found(
    rows: list[tuple[float, float]], own: list[tuple[float, float]], far: float, most_cells: int
) -> None:
    x, y = _columns(rows)
    boxes = np.stack([x, y, x + 0.5, y + 1.0], axis=1)
    left, low = _columns(own)
    others = np.stack([left, low, left, low], axis=1)
    gap = np.maximum(boxes[:, None, :2] - others[:, 2:], others[:, :2] - boxes[:, None, 2:])
    near = np.flatnonzero((gap <= far).all(axis=2).any(axis=1))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MOST_CELLS", most_cells)
        found = Nearby(others, far).rows(boxes)
    assert set(near.tolist()) <= set(found.tolist())
    assert (np.diff(found) > 0).all()
    if len(found):
        side = (
            np.ptp(np.concatenate([left - far, left + far])),
            np.ptp(np.concatenate([low - far, low + far])),
        )
        cell = max(far / 4, max(side) / most_cells, 1.0)
        assert (gap[found] <= far + 1.001 * cell).all(axis=2).any(axis=1).all()


def test_what_lies_between_far_places_is_left_out_where_it_is_much() -> None:
    x = np.arange(100_000.0)
    boxes = np.stack([x, x, x, x], axis=1)
    own = boxes[[0, 1, 2, 99_998, 99_999]]
    found = Nearby(own, 5.0).rows(boxes)  # cells of 200 m
    assert {*range(8), *range(99_993, 100_000)} <= set(found.tolist())
    assert len(found) <= 2 * 200 + 8
    assert Nearby(boxes[10:20], 5.0).rows(boxes).tolist() == list(range(5, 25))


def test_nothing_is_near_nothing_or_nowhere() -> None:
    one = np.zeros((1, 4))
    assert Nearby(np.zeros((0, 4)), 5.0).rows(one).tolist() == []
    assert Nearby(one, 5.0).rows(np.full((1, 4), np.nan)).tolist() == []
