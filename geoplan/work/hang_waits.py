"""Pairs of one that comes before another: rings cut, and orders that keep to them.

Enters: pairs of numbers.
Leaves: pairs that go round in no ring; levels; orders.
Does not do: know what waits for what, or why.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geoplan.text_columns import BoolArray, IntArray


def without_rings(pairs: IntArray, cost: IntArray, count: int) -> BoolArray:
    """Tell which pairs to keep so that none of them go round in a ring.

    Parameters
    ----------
    pairs : ndarray of int64, shape (k, 2)
        The first of each comes before the second; numbers below `count`.
    cost : ndarray of int64, shape (k,)
        What it costs to leave a pair out.
    count : int
        Numbers there are.

    Returns
    -------
    ndarray of bool, shape (k,)
        Of the pairs in rings, the dearest are kept first; of two against each other the dearer.
        With longer rings the cost is low, not proved least.
    """
    kept = np.ones(len(pairs), dtype=bool)
    if not len(pairs):
        return kept
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    _, part = connected_components(graph, directed=True, connection="strong")
    rows = np.flatnonzero(part[pairs[:, 0]] == part[pairs[:, 1]])
    after: dict[int, set[int]] = {}
    for row in rows[np.lexsort((pairs[rows, 1], pairs[rows, 0], -cost[rows]))].tolist():
        first, then = pairs[row].tolist()
        if _leads_to(then, first, after):
            kept[row] = False
        else:
            after.setdefault(first, set()).add(then)
    return kept


def _leads_to(start: int, end: int, after: dict[int, set[int]]) -> bool:
    seen, left = {start}, [start]
    while left:
        one = left.pop()
        if one == end:
            return True
        new = after.get(one, set()) - seen
        seen |= new
        left += new
    return False


def levels(pairs: IntArray, count: int) -> IntArray:
    """Count the longest chain of pairs that leads to each number.

    Parameters
    ----------
    pairs : ndarray of int64, shape (k, 2)
        Without rings, see `without_rings`.
    count : int
        Numbers there are.

    Returns
    -------
    ndarray of int64, shape (count,)
        0: comes after none.
    """
    level = np.zeros(count, dtype=np.int64)
    while True:
        higher = level.copy()
        np.maximum.at(higher, pairs[:, 1], level[pairs[:, 0]] + 1)
        if np.array_equal(higher, level):
            return level
        level = higher


def in_order(order: list[int], pairs: Iterable[tuple[int, int]]) -> list[int]:
    """Put before each those that come before it, else leave the order.

    Parameters
    ----------
    order : list of int
        Numbers, each once.
    pairs : iterable of (int, int)
        Both of `order`. A ring is cut where it is met.

    Returns
    -------
    list of int
        The same numbers.
    """
    before: dict[int, set[int]] = {}
    for early, late in pairs:
        before.setdefault(late, set()).add(early)
    place = {one: number for number, one in enumerate(order)}
    done: dict[int, None] = {}
    begun: set[int] = set()
    for first in order:
        left = [first]
        while left:
            one = left[-1]
            begun.add(one)
            needed = before.get(one, set()) - begun
            if needed:
                left.append(min(needed, key=place.__getitem__))
            else:
                done[left.pop()] = None
    return list(done)
