"""Planned drops that cross each other, and undoing such crossings where that costs little.

Enters: the air spans chosen, further routes of the same addresses, spare ports.
Leaves: pairs of crossing drops; a better choice.
Does not do: touch the number of addresses served.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geoplan.routes.segments import FloatArray, IntArray, crossing_parameters

END_M = 0.5
"""Drops that share a pole, a clamp or a house don't count as crossing this near to their ends."""
PASSES = 5


@dataclass(frozen=True)
class Options:
    """Routes that could replace a chosen one, sorted by address, then price."""

    route: IntArray
    address: IntArray
    terminal: IntArray
    cents: IntArray
    segment: FloatArray


def find_drop_crossings(
    first: FloatArray, second: FloatArray, *, same: bool
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Find pairs of air spans that cross away from their ends.

    Parameters
    ----------
    first, second : ndarray of float64, shape (n, 4) and (m, 4)
        Air spans ``x0, y0, x1, y1`` in metres.
    same : bool
        Whether both are the same table; then each pair is given once, lower row first.

    Returns
    -------
    i, j : ndarray of int64
        Rows of `first` and `second`, sorted.
    at_i_m, at_j_m : ndarray of float64
        Distance of the crossing from the start of each, in metres.
    """
    tree = shapely.STRtree(shapely.linestrings(second.reshape(-1, 2, 2)))
    i, j = tree.query(shapely.linestrings(first.reshape(-1, 2, 2)))
    if same:
        i, j = i[i < j], j[i < j]
    meets, u, _ = crossing_parameters(first[i], second[j])
    _, v, _ = crossing_parameters(second[j], first[i])
    length_i = np.hypot(first[i, 2] - first[i, 0], first[i, 3] - first[i, 1])
    length_j = np.hypot(second[j, 2] - second[j, 0], second[j, 3] - second[j, 1])
    at_i, at_j = u * length_i, v * length_j
    inner = meets & (at_i > END_M) & (at_i < length_i - END_M)
    inner &= (at_j > END_M) & (at_j < length_j - END_M)
    i, j, at_i, at_j = i[inner], j[inner], at_i[inner], at_j[inner]
    order = np.lexsort((j, i))
    return i[order].astype(np.int64), j[order].astype(np.int64), at_i[order], at_j[order]


def reduce_drop_crossings(
    route: IntArray,
    terminal: IntArray,
    cents: IntArray,
    segment: FloatArray,
    needed: IntArray,
    spare: IntArray,
    options: Options,
    *,
    crossing_cents: int,
    most_extra_cents: int,
) -> IntArray:
    """Re-choose routes so that fewer planned drops cross, where that costs little.

    Parameters
    ----------
    route : ndarray of int64, shape (a,)
        Chosen route of each address; -1 where unserved.
    terminal, cents : ndarray of int64, shape (a,)
        Its terminal and price.
    segment : ndarray of float64, shape (a, 4)
        Its air span; NaN where unserved.
    needed : ndarray of int64, shape (a,)
        Ports of each address.
    spare : ndarray of int64, shape (t,)
        Ports left free at each terminal.
    options : Options
        Other routes of the same addresses.
    crossing_cents : int
        Price of one crossing of two drops.
    most_extra_cents : int
        Most that undoing one crossing may cost.

    Returns
    -------
    ndarray of int64, shape (a,)
        Routes after re-choice. No address loses service, no terminal gets more than its ports.
    """
    route, terminal, cents = route.copy(), terminal.copy(), cents.copy()
    segment, spare = segment.copy(), spare.copy()
    for _ in range(PASSES):
        served = np.flatnonzero(route >= 0)
        i, j, _, _ = find_drop_crossings(segment[served], segment[served], same=True)
        involved = np.unique(np.concatenate([served[i], served[j]]))
        pick = np.flatnonzero(np.isin(options.address, involved))
        if len(pick) == 0:
            return route
        now = np.bincount(np.concatenate([served[i], served[j]]), minlength=len(route))
        met, rival, _, _ = find_drop_crossings(options.segment[pick], segment[served], same=False)
        other = served[rival] != options.address[pick[met]]
        met, rival = met[other], served[rival[other]]
        then = np.bincount(met, minlength=len(pick))
        address = options.address[pick]
        fewer = now[address] - then
        extra = options.cents[pick] - cents[address]
        worth = (fewer > 0) & (extra <= most_extra_cents * fewer)
        worth &= extra - crossing_cents * fewer < 0
        good = np.flatnonzero(worth)
        order = good[np.lexsort((pick[good], (extra - crossing_cents * fewer)[good]))]
        touched: set[int] = set()
        fresh = np.empty((len(involved), 4))
        moves = 0
        neighbours = _neighbours(served[i], served[j])
        rivals = _neighbours(met, rival)
        for row in order.tolist():
            who, to = int(address[row]), int(options.terminal[pick[row]])
            around = neighbours.get(who, set()) | rivals.get(row, set()) | {who}
            home = int(terminal[who])
            if around & touched or (to != home and spare[to] < needed[who]):
                continue
            if _crosses_any(options.segment[pick[row]], fresh[:moves]):
                continue
            touched |= around
            spare[home] += needed[who]
            spare[to] -= needed[who]
            route[who], terminal[who] = options.route[pick[row]], to
            cents[who], segment[who] = options.cents[pick[row]], options.segment[pick[row]]
            fresh[moves] = segment[who]
            moves += 1
        if moves == 0:
            return route
    return route


def _neighbours(i: IntArray, j: IntArray) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for a, b in zip(i.tolist(), j.tolist(), strict=True):
        found.setdefault(a, set()).add(b)
    return found


def _crosses_any(one: FloatArray, others: FloatArray) -> bool:
    """Tell whether an air span crosses any of those that moved in the same pass."""
    low, high = np.minimum(one[:2], one[2:]), np.maximum(one[:2], one[2:])
    near = (np.minimum(others[:, :2], others[:, 2:]) <= high).all(axis=1)
    near &= (np.maximum(others[:, :2], others[:, 2:]) >= low).all(axis=1)
    if not near.any():
        return False
    return len(find_drop_crossings(one[None, :], others[near], same=False)[0]) > 0
