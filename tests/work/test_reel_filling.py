"""Cuts on reels: bounds by hand and by trying everything, fills that keep to their window."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.work.reel_filling import fill_in_order, fill_longest_first, least_reels

REEL = 100
CUTS = st.lists(st.integers(1, REEL), min_size=1, max_size=60)


def _cuts(values: list[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def fewest_reels(cuts: list[int], reel: int) -> int:
    """Try every way to put cuts on reels."""
    for reels in range(1, len(cuts) + 1):
        for on in product(range(reels), repeat=len(cuts) - 1):
            used = [0] * reels
            for cut, number in zip(cuts, (0, *on), strict=True):
                used[number] += cut
            if max(used) <= reel:
                return reels
    raise AssertionError


@pytest.mark.parametrize(
    ("cuts", "bound"),
    [
        ([50, 50], 1),
        ([51, 51, 51], 3),
        ([60, 60, 40, 40], 2),
        ([60, 60, 41, 41], 3),  # 202 in all
        ([34, 34, 34], 2),
        ([100], 1),
    ],
)
def test_the_bound_by_hand(cuts: list[int], bound: int) -> None:
    assert least_reels(_cuts(cuts), REEL) == bound


def test_no_cut_needs_no_reel() -> None:
    assert least_reels(_cuts([]), REEL) == 0


@given(cuts=st.lists(st.integers(1, REEL), min_size=1, max_size=7))
@settings(max_examples=60, deadline=None)
def test_the_bound_is_never_above_the_fewest_reels(cuts: list[int]) -> None:
    assert least_reels(_cuts(cuts), REEL) <= fewest_reels(cuts, REEL)


@given(cuts=CUTS, window=st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_no_reel_holds_more_than_its_length(cuts: list[int], window: int) -> None:
    for on in (
        fill_in_order(_cuts(cuts), REEL, window=window, reels=least_reels(_cuts(cuts), REEL)),
        fill_longest_first(_cuts(cuts), REEL),
    ):
        assert set(on.tolist()) == set(range(int(on.max()) + 1))
        assert np.bincount(on, weights=cuts).max() <= REEL


@given(cuts=CUTS, window=st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_a_reel_takes_the_first_cut_left_and_others_within_the_window(
    cuts: list[int], window: int
) -> None:
    on = fill_in_order(_cuts(cuts), REEL, window=window, reels=1)
    left = list(range(len(cuts)))
    for reel in range(int(on.max()) + 1):
        own = np.flatnonzero(on == reel).tolist()
        assert own[0] == left[0]
        assert set(own) <= set(left[: window + 1])
        left = [row for row in left if row not in own]


def test_cuts_ahead_are_taken_where_they_fill_a_reel() -> None:
    on = fill_in_order(_cuts([60, 30, 40, 70]), REEL, window=3, reels=2)
    assert on.tolist() == [0, 1, 0, 1]


def test_the_nearest_cuts_are_taken_where_waste_is_allowed() -> None:
    on = fill_in_order(_cuts([60, 30, 40, 70]), REEL, window=3, reels=3)
    assert on.tolist() == [0, 0, 1, 2]
