"""Planned drops that cross each other, and undoing such crossings where that costs little.

Enters: the air spans chosen, further routes of the same addresses, spare ports.
Leaves: pairs of crossing drops; a better choice.
Does not do: touch the number of addresses served.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geoplan.routes.segments import FloatArray, IntArray

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
    i, j = _near(_tree(second), first)
    if same:
        i, j = i[i < j], j[i < j]
    i, j, at_i, at_j = _crossing(first, second, i, j)
    order = np.lexsort((j, i))
    return i[order], j[order], at_i[order], at_j[order]


def _tree(segment: FloatArray) -> shapely.STRtree:
    return shapely.STRtree(shapely.linestrings(segment.reshape(-1, 2, 2)))


def _near(tree: shapely.STRtree, segment: FloatArray) -> tuple[IntArray, IntArray]:
    """Return rows of `segment`, and of the tree, whose boxes meet."""
    i, j = tree.query(shapely.linestrings(segment.reshape(-1, 2, 2)))
    return i.astype(np.int64), j.astype(np.int64)


def _crossing(
    first: FloatArray, second: FloatArray, i: IntArray, j: IntArray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Keep the pairs that cross away from their ends, with the place along each."""
    x, y, x_end, y_end = first[i].T
    p, q, p_end, q_end = second[j].T
    dx, dy, ex, ey, wx, wy = x_end - x, y_end - y, p_end - p, q_end - q, p - x, q - y
    length_i, length_j, cross = np.hypot(dx, dy), np.hypot(ex, ey), dx * ey - dy * ex
    usable = np.abs(cross) > 1e-12 * np.maximum(length_i * length_j, 1e-300)
    safe = np.where(usable, cross, 1.0)
    at_i = (wx * ey - wy * ex) / safe * length_i
    at_j = (wx * dy - wy * dx) / safe * length_j
    inner = usable & (at_i > END_M) & (at_i < length_i - END_M)
    inner &= (at_j > END_M) & (at_j < length_j - END_M)
    return i[inner], j[inner], at_i[inner], at_j[inner]


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
    route, terminal, cents, spare = route.copy(), terminal.copy(), cents.copy(), spare.copy()
    drops = _Drops(segment, np.flatnonzero(route >= 0))
    by_address = _Groups(options.address, len(route))
    for _ in range(PASSES):
        now = np.bincount(np.concatenate([drops.i, drops.j]), minlength=len(route))
        pick = by_address.join(np.flatnonzero(now))
        gain = _gain(options, pick, cents, now[options.address[pick]], crossing_cents)
        limit = most_extra_cents * now[options.address[pick]]
        extra = options.cents[pick] - cents[options.address[pick]]
        pick = pick[(gain < 0) & (extra <= limit)]  # none can undo more crossings than there are
        met, rival = drops.met_by(options.segment[pick])
        other = rival != options.address[pick[met]]
        met, rival = met[other], rival[other]
        address = options.address[pick]
        fewer = now[address] - np.bincount(met, minlength=len(pick))
        gain = _gain(options, pick, cents, fewer, crossing_cents)
        worth = (fewer > 0) & (gain < 0)
        worth &= options.cents[pick] - cents[address] <= most_extra_cents * fewer
        good = np.flatnonzero(worth)
        good = good[np.lexsort((pick[good], gain[good]))]
        around = _around(address[good], good, drops, _Groups(met, len(pick)), rival)
        chosen = pick[good][_take(options, pick[good], around, terminal, needed, spare)]
        if len(chosen) == 0:
            return route
        who = options.address[chosen]
        route[who], cents[who] = options.route[chosen], options.cents[chosen]
        drops.move(who, options.segment[chosen])
    return route


class _Groups:
    """Rows by a whole number, such as the address that each belongs to."""

    def __init__(self, group: IntArray, count: int) -> None:
        self._order = np.argsort(group, kind="stable").astype(np.int64)
        self._start = np.append(0, np.cumsum(np.bincount(group, minlength=count))).astype(np.int64)

    def rows(self, group: int) -> IntArray:
        """Return the rows of one group."""
        return self._order[self._start[group] : self._start[group + 1]]

    def join(self, groups: IntArray) -> IntArray:
        """Return the rows of several groups, one group after the other."""
        counts = self._start[groups + 1] - self._start[groups]
        first = np.repeat(self._start[groups] - (np.cumsum(counts) - counts), counts)
        return np.asarray(self._order[first + np.arange(counts.sum())], dtype=np.int64)


class _Drops:
    """Planned air spans, some of them moved, and which of them cross.

    Rows are addresses; of a pair, ``i`` is the lower.
    """

    def __init__(self, segment: FloatArray, served: IntArray) -> None:
        self._segment, self._served = segment.copy(), served
        self._tree = _tree(segment[served])
        self._moved = np.zeros(len(segment), dtype=bool)
        i, j = _near(self._tree, segment[served])
        i, j, _, _ = _crossing(segment, segment, served[i[i < j]], served[j[i < j]])
        self.i, self.j = i, j

    def met_by(self, segment: FloatArray) -> tuple[IntArray, IntArray]:
        """Return rows of `segment` and the drops that each crosses."""
        row, place = _near(self._tree, segment)
        drop = self._served[place]
        row, drop = row[~self._moved[drop]], drop[~self._moved[drop]]
        moved = np.flatnonzero(self._moved)
        if len(moved):
            again, place = _near(_tree(self._segment[moved]), segment)
            row, drop = np.append(row, again), np.append(drop, moved[place])
        row, drop, _, _ = _crossing(segment, self._segment, row, drop)
        return row, drop

    def move(self, who: IntArray, segment: FloatArray) -> None:
        """Put some drops elsewhere."""
        self._segment[who], self._moved[who] = segment, True
        fresh = np.zeros(len(self._moved), dtype=bool)
        fresh[who] = True
        kept = ~(fresh[self.i] | fresh[self.j])
        row, drop = self.met_by(segment)
        once = ~fresh[drop] | (who[row] < drop)
        one, two = who[row[once]], drop[once]
        self.i = np.append(self.i[kept], np.minimum(one, two))
        self.j = np.append(self.j[kept], np.maximum(one, two))


def _gain(
    options: Options, pick: IntArray, cents: IntArray, fewer: IntArray, crossing_cents: int
) -> IntArray:
    """Return what options cost more than the routes taken, less what undone crossings save."""
    extra = options.cents[pick] - cents[options.address[pick]]
    return np.asarray(extra - crossing_cents * fewer, dtype=np.int64)


def _around(
    address: IntArray, row: IntArray, drops: _Drops, rows: _Groups, rival: IntArray
) -> list[set[int]]:
    """Return, for each option, its own address, those its drop crosses now and would cross.

    Of two drops that cross now, the lower names the higher.
    """
    count = int(max(drops.i.max(initial=-1), address.max(initial=-1))) + 1
    later = _Groups(drops.i, count)  # one way suffices: either drop of a pair finds the other
    return [
        {who, *drops.j[later.rows(who)].tolist(), *rival[rows.rows(one)].tolist()}
        for who, one in zip(address.tolist(), row.tolist(), strict=True)
    ]


def _take(
    options: Options,
    rows: IntArray,
    around: list[set[int]],
    terminal: IntArray,
    needed: IntArray,
    spare: IntArray,
) -> list[int]:
    """Take options in their order where nothing taken before stands against it.

    Books the ports in `terminal` and `spare`.
    """
    i, j, _, _ = find_drop_crossings(options.segment[rows], options.segment[rows], same=True)
    against = _Groups(j, len(rows))
    touched: set[int] = set()
    is_taken = np.zeros(len(rows), dtype=bool)
    for place, row in enumerate(rows.tolist()):
        who, to = int(options.address[row]), int(options.terminal[row])
        home = int(terminal[who])
        if not touched.isdisjoint(around[place]) or (to != home and spare[to] < needed[who]):
            continue
        if is_taken[i[against.rows(place)]].any():
            continue
        touched |= around[place]
        spare[home] += needed[who]
        spare[to] -= needed[who]
        terminal[who] = to
        is_taken[place] = True
    return np.flatnonzero(is_taken).tolist()
