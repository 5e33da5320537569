"""Bounds and plans by patterns: never above the fewest, and at it where they meet."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.work.reel_filling import are_in_reach, fill_longest_first, least_reels
from geoplan.work.reel_patterns import bound_by_patterns, lay_out, plan_by_patterns, plan_few
from tests.work.test_reel_filling import fewest_reels

REEL = 100


def _longest_first(cuts: np.ndarray) -> np.ndarray:
    return fill_longest_first(cuts, np.full(len(cuts), REEL), REEL)


@given(cuts=st.lists(st.integers(15, 70), min_size=1, max_size=7))
@settings(max_examples=20, deadline=None)
def test_the_bound_lies_between_the_simple_one_and_the_fewest(cuts: list[int]) -> None:
    held = np.array(cuts, dtype=np.int64)
    patterns = bound_by_patterns(held, REEL, [_longest_first(held)])
    assert patterns is not None
    assert patterns.bound <= fewest_reels(cuts, REEL)
    assert patterns.bound >= -(-sum(cuts) // REEL)


def test_patterns_prove_more_than_counting() -> None:
    cuts = np.full(12, 34, dtype=np.int64)  # two to a reel: six reels, although 408 fill five
    patterns = bound_by_patterns(cuts, REEL, [_longest_first(cuts)])
    assert patterns is not None
    assert least_reels(cuts, REEL) == 5
    assert patterns.bound == 6


@pytest.mark.parametrize("seed", range(3))
def test_a_plan_by_patterns_holds_every_cut_once(seed: int) -> None:
    cuts = np.random.default_rng(seed).integers(20, 66, 200).astype(np.int64)
    simple = _longest_first(cuts)
    patterns = bound_by_patterns(cuts, REEL, [simple])
    assert patterns is not None
    used = plan_by_patterns(patterns, len(cuts))
    assert used is not None
    on = lay_out(cuts, patterns, used)
    assert np.bincount(on, weights=cuts).max() <= REEL
    assert patterns.bound <= len(set(on.tolist())) <= int(used.sum())
    assert used.sum() <= simple.max() + 1


def test_no_plan_is_given_that_is_not_better() -> None:
    cuts = np.array([60, 60, 60], dtype=np.int64)
    patterns = bound_by_patterns(cuts, REEL, [_longest_first(cuts)])
    assert patterns is not None
    assert plan_by_patterns(patterns, 3) is None


def test_too_many_units_are_left_alone() -> None:
    assert bound_by_patterns(np.array([7, 9], dtype=np.int64), 10**6, []) is None


@given(
    cuts=st.lists(
        st.tuples(st.integers(15, 70), st.sampled_from([0, 0, 2, 30])), min_size=2, max_size=7
    )
)
@settings(max_examples=30, deadline=None)
def test_few_cuts_are_settled_for_good(cuts: list[tuple[int, int]]) -> None:
    held, back = (np.array(part, dtype=np.int64) for part in zip(*cuts, strict=True))
    ends = REEL - back
    fewest = fewest_reels(held.tolist(), REEL, ends.tolist())
    on, is_proved = plan_few(held, ends, REEL, fewest)
    assert is_proved
    assert on is not None
    assert are_in_reach(held, ends, on)
    if fewest > 1:
        assert plan_few(held, ends, REEL, fewest - 1) == (None, True)


def test_many_cuts_are_not_searched_in_full() -> None:
    many = np.ones(500, dtype=np.int64)
    assert plan_few(many, many * REEL, REEL, 4) == (None, False)
