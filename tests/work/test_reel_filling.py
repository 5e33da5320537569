"""Cuts on reels: bounds by hand and by trying everything, fills that keep to their window."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.work.reel_filling import (
    are_in_reach,
    fill_in_order,
    fill_longest_first,
    least_reels,
)

REEL = 100
CUTS = st.lists(st.integers(1, REEL), min_size=1, max_size=60)
ENDS = st.lists(
    st.integers(1, REEL).flatmap(lambda cut: st.tuples(st.just(cut), st.integers(cut, REEL))),
    min_size=1,
    max_size=60,
)
"""Cuts, and where each may end at the latest."""


def _cuts(values: list[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def fewest_reels(cuts: list[int], reel: int, ends: list[int] | None = None) -> int:
    """Try every way to put cuts on reels; each is to end by its place, cut in their order."""
    latest = ends or [reel] * len(cuts)
    for reels in range(1, len(cuts) + 1):
        for on in product(range(reels), repeat=len(cuts) - 1):
            used = [0] * reels
            is_kept = True
            for cut, end, number in zip(cuts, latest, (0, *on), strict=True):
                used[number] += cut
                is_kept &= used[number] <= end
            if is_kept:
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


@given(cuts=ENDS, window=st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_no_cut_ends_beyond_its_place(cuts: list[tuple[int, int]], window: int) -> None:
    held, ends = (_cuts(list(part)) for part in zip(*cuts, strict=True))
    for on in (
        fill_in_order(held, ends, REEL, window=window, reels=least_reels(held, REEL)),
        fill_longest_first(held, ends, REEL),
    ):
        assert set(on.tolist()) == set(range(int(on.max()) + 1))
        assert np.bincount(on, weights=held).max() <= REEL
        for reel in range(int(on.max()) + 1):
            assert (np.cumsum(held[on == reel]) <= ends[on == reel]).all()


def test_reach_is_told_by_the_order_of_the_cuts() -> None:
    assert are_in_reach(_cuts([60, 40]), _cuts([90, 100]), _cuts([0, 0]))
    assert not are_in_reach(_cuts([40, 60]), _cuts([100, 90]), _cuts([0, 0]))
    assert are_in_reach(_cuts([40, 60]), _cuts([100, 90]), _cuts([0, 1]))


def test_a_cut_that_draws_off_more_is_not_the_last_of_a_full_reel() -> None:
    on = fill_in_order(_cuts([60, 40, 39]), _cuts([100, 98, 100]), REEL, window=3, reels=2)
    assert on.tolist() == [0, 1, 0]
    assert fill_longest_first(_cuts([60, 40]), _cuts([100, 98]), REEL).tolist() == [0, 1]
    assert fill_longest_first(_cuts([60, 40]), _cuts([98, 100]), REEL).tolist() == [0, 1]


@given(cuts=CUTS, window=st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_a_reel_takes_the_first_cut_left_and_others_within_the_window(
    cuts: list[int], window: int
) -> None:
    on = fill_in_order(_cuts(cuts), _cuts([REEL] * len(cuts)), REEL, window=window, reels=1)
    left = list(range(len(cuts)))
    for reel in range(int(on.max()) + 1):
        own = np.flatnonzero(on == reel).tolist()
        assert own[0] == left[0]
        assert set(own) <= set(left[: window + 1])
        left = [row for row in left if row not in own]


def test_cuts_ahead_are_taken_where_they_fill_a_reel() -> None:
    on = fill_in_order(_cuts([60, 30, 40, 70]), _cuts([REEL] * 4), REEL, window=3, reels=2)
    assert on.tolist() == [0, 1, 0, 1]


def test_the_nearest_cuts_are_taken_where_waste_is_allowed() -> None:
    on = fill_in_order(_cuts([60, 30, 40, 70]), _cuts([REEL] * 4), REEL, window=3, reels=3)
    assert on.tolist() == [0, 0, 1, 2]
