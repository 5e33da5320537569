"""Pairs of one that comes before another: rings are cut, and orders keep to what is left."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from geoplan.work.hang_waits import in_order, levels, without_rings

PAIRS = st.lists(st.tuples(st.integers(0, 7), st.integers(0, 7)), max_size=25)


def _array(pairs: list[tuple[int, int]]) -> np.ndarray:
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def test_of_two_against_each_other_the_dearer_is_kept() -> None:
    pairs = _array([(0, 1), (1, 0), (2, 0)])
    assert without_rings(pairs, np.array([2, 4, 1]), 3).tolist() == [False, True, True]
    assert without_rings(pairs, np.array([4, 2, 1]), 3).tolist() == [True, False, True]


def test_the_cheapest_of_a_longer_ring_is_left_out() -> None:
    pairs = _array([(0, 1), (1, 2), (2, 0), (2, 3)])
    assert without_rings(pairs, np.array([2, 1, 2, 1]), 4).tolist() == [True, False, True, True]


def test_levels_count_the_longest_chain() -> None:
    assert levels(_array([(0, 1), (1, 2), (0, 2), (4, 2)]), 5).tolist() == [0, 1, 2, 0, 0]
    assert levels(_array([]), 2).tolist() == [0, 0]


def test_an_order_is_left_but_for_what_comes_before() -> None:
    assert in_order([3, 2, 1, 0], [(1, 3)]) == [1, 3, 2, 0]
    assert in_order([0, 1, 2], []) == [0, 1, 2]
    assert sorted(in_order([0, 1, 2], [(0, 1), (1, 2), (2, 0)])) == [0, 1, 2]


@given(PAIRS, st.permutations(range(8)))
def test_orders_keep_to_all_pairs_that_are_left(
    told: list[tuple[int, int]], order: list[int]
) -> None:
    pairs = np.unique(_array([pair for pair in told if pair[0] != pair[1]]), axis=0)
    kept = without_rings(pairs, np.arange(len(pairs)), 8)
    left = pairs[kept]
    level = levels(left, 8)
    place = {one: number for number, one in enumerate(in_order(order, left.tolist()))}
    for early, late in left.tolist():
        assert level[early] < level[late]
        assert place[early] < place[late]
    for row in np.flatnonzero(~kept).tolist():  # each one left out would close a ring
        one = np.append(left, pairs[[row]], axis=0)
        assert not without_rings(one, np.zeros(len(one), dtype=np.int64), 8).all()
