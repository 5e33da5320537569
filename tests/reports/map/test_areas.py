"""A large plan is cut into areas of like size, none too large, none empty."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.reports.map.areas import split_areas

PLACES = st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=80)


@given(PLACES, st.integers(1, 30))
@settings(max_examples=100, deadline=None)
def test_no_area_is_too_large_and_none_is_empty(places: list[tuple[int, int]], most: int) -> None:
    area = split_areas(np.array(places, dtype=float), most)
    sizes = np.bincount(area)
    assert len(area) == len(places)
    assert sizes.min() >= 1
    assert sizes.max() <= most
    assert len(sizes) == -(-len(places) // most), "no more areas than are needed"


def test_areas_lie_apart() -> None:
    xy = np.random.default_rng(1).uniform(0.0, 1000.0, (500, 2))
    area = split_areas(xy, 130)
    boxes = [(xy[area == n].min(axis=0), xy[area == n].max(axis=0)) for n in range(area.max() + 1)]
    for n, (low, high) in enumerate(boxes):
        for other_low, other_high in boxes[n + 1 :]:
            assert (low > other_high).any() or (high < other_low).any()


def test_no_places_have_no_area() -> None:
    assert split_areas(np.zeros((0, 2)), 5).tolist() == []


def test_an_area_has_to_hold_something() -> None:
    with pytest.raises(ValueError, match="most must be at least 1"):
        split_areas(np.zeros((2, 2)), 0)
