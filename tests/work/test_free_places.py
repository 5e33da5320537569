"""Candidates are taken in their order, with all wishes before without."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.work.free_places import apart_from, first_free

ROWS = np.array([0, 1], dtype=np.int64)
TRIED = [np.array([[1.0, 0.0], [np.nan, np.nan]]), np.array([[2.0, 0.0], [5.0, 0.0]])]


def east_of(x: float):
    return lambda rows, xy: xy[:, 0] > x


def test_the_first_that_will_do_is_taken_and_nan_never() -> None:
    xy, number = first_free(ROWS, TRIED, [east_of(0.0)])
    assert number.tolist() == [0, 1]
    assert xy.tolist() == [[1.0, 0.0], [5.0, 0.0]]


def test_a_wish_comes_before_the_order_but_not_before_a_need() -> None:
    assert first_free(ROWS, TRIED, [east_of(0.0)], [[east_of(1.5)], []])[1].tolist() == [1, 1]
    assert first_free(ROWS, TRIED, [east_of(0.0)], [[east_of(9.0)], []])[1].tolist() == [0, 1]
    xy, number = first_free(ROWS, TRIED, [east_of(4.0)], [[], []])
    assert number.tolist() == [-1, 1]
    assert np.isnan(xy[0]).all()


@pytest.mark.parametrize(("least", "number"), [(1.0, 0), (1.5, 1), (2.5, -1)])
def test_places_stay_apart_from_a_point(least: float, number: int) -> None:
    others = np.array([[0.0, 0.0], [np.nan, np.nan]])
    assert first_free(ROWS, TRIED, [apart_from(others, least)])[1].tolist() == [number, 1]
