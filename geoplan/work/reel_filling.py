"""Cuts put on reels: in the order of work, or the longest first; and how few reels there can be.

Enters: lengths in whole units, the length of a reel in the same unit.
Leaves: the reel of each cut; a number of reels that nothing can go below.
Does not do: know drops or days; prove a plan best by search (`geoplan.work.reel_patterns`).
"""

from __future__ import annotations

from bisect import bisect_left, insort

import numpy as np
import pandas as pd

from geoplan.text_columns import IntArray


def least_reels(cuts: IntArray, reel: int) -> int:
    """Return a number of reels that no plan can go below.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths, 1 to `reel`.
    reel : int
        Length of a reel.

    Returns
    -------
    int
        The larger of the total over a reel, rounded up, and the bound that counts cuts over half
        a reel, which no two of them share, and what cannot fit beside these.

    Notes
    -----
    For each k up to half a reel: cuts over ``reel - k`` have a reel to themselves as far as cuts
    of k or more go; those over half have one each, and the rest of k or more fills up what is
    left. O(n log n).

    References
    ----------
    Martello and Toth, Knapsack Problems, 1990, chapter 8, bound L2; from memory.
    """
    if len(cuts) == 0:
        return 0
    ordered = np.sort(cuts)
    before = np.append(0, np.cumsum(ordered))
    total = -(-int(before[-1]) // reel)
    half = int(np.searchsorted(ordered, reel // 2, side="right"))  # first cut over half a reel
    steps = np.unique(np.append(ordered[:half], 0))
    alone = np.searchsorted(ordered, reel - steps, side="right")
    least = np.searchsorted(ordered, steps, side="left")
    paired = alone - half
    room = paired * reel - (before[alone] - before[half])
    rest = before[half] - before[np.minimum(least, half)] - room
    more = np.maximum(-(-rest // reel), 0)
    return max(total, int((len(ordered) - half + more).max()))


def are_in_reach(cuts: IntArray, ends: IntArray, on: IntArray) -> bool:
    """Tell whether each cut of a plan ends where it may, cut in the order given.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths in the order of work.
    ends : ndarray of int64, shape (n,)
        Where on a reel each may end at the latest.
    on : ndarray of int64, shape (n,)
        Reel of each cut.

    Returns
    -------
    bool
        False where one ends beyond.
    """
    end = pd.Series(cuts).groupby(on).cumsum().to_numpy()
    return bool((end <= ends).all())


def fill_in_order(
    cuts: IntArray, ends: IntArray, reel: int, *, window: int, reels: int
) -> IntArray:
    """Put cuts on reels in their order, looking ahead only so far.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths in the order of work, 1 to `reel`.
    ends : ndarray of int64, shape (n,)
        Where on a reel each may end at the latest, its own length to `reel`.
    reel : int
        Length of a reel.
    window : int
        Cuts, among those not yet on a reel, that a reel may choose from.
    reels : int
        Reels hoped for. What they hold beyond the cuts is the waste that may be allowed: a reel
        takes the nearest cuts that keep to its part of it.

    Returns
    -------
    ndarray of int64, shape (n,)
        Reel of each cut, from 0, by the first cut on each.

    Notes
    -----
    Each reel takes the first cut left, then the cuts of the window whose lengths together come
    within the waste allowed, from as few of the nearest as will do, or else as near to full as
    the window gives. All sums are held as bits of one whole number; sums that a cut would end
    beyond its place are left out as it is added. O(reels times window).
    """
    lengths, latest = cuts.tolist(), ends.tolist()
    seen: list[int] = []
    coming = 0
    on = np.zeros(len(lengths), dtype=np.int64)
    spare = max(reels * reel - sum(lengths), 0)
    number = 0
    while seen or coming < len(lengths):
        until = min(coming + window + 1 - len(seen), len(lengths))
        seen += range(coming, until)
        coming = until
        allowed = spare // max(reels - number, 1)
        first = lengths[seen[0]]
        coming_next = [(lengths[row], latest[row] - first) for row in seen[1:]]
        taken = _fill(coming_next, reel - first, allowed)
        chosen = {seen[0], *(seen[1 + place] for place in taken)}
        on[list(chosen)] = number
        spare = max(spare - (reel - sum(lengths[row] for row in chosen)), 0)
        seen = [row for row in seen if row not in chosen]
        number += 1
    return on


def _fill(cuts: list[tuple[int, int]], room: int, allowed: int) -> list[int]:
    """Choose lengths that fill the room, from as few of the first ones as come near enough.

    Each cut is a length and where in the room it may end at the latest.
    """
    sums = [1]
    for length, end in cuts:
        if room - (sums[-1].bit_length() - 1) <= allowed:
            break
        mask = (1 << (max(end, 0) + 1)) - 1
        sums.append(sums[-1] | (sums[-1] << length & mask))
    total = sums[-1].bit_length() - 1
    taken = []
    for place in range(len(sums) - 2, -1, -1):
        if not sums[place] >> total & 1:
            taken.append(place)
            total -= cuts[place][0]
    return taken


def fill_longest_first(cuts: IntArray, ends: IntArray, reel: int) -> IntArray:
    """Put the longest cuts first, each on the reel that it fills up most.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths, 1 to `reel`.
    ends : ndarray of int64, shape (n,)
        Where on a reel each may end at the latest, its own length to `reel`. A reel is filled no
        farther than all of its cuts may end, so that any of them can be the last.
    reel : int
        Length of a reel.

    Returns
    -------
    ndarray of int64, shape (n,)
        Reel of each cut, from 0.
    """
    on = np.zeros(len(cuts), dtype=np.int64)
    rooms: list[tuple[int, int]] = []
    kept_back: list[int] = []
    lengths, back = cuts.tolist(), (reel - ends).tolist()
    for row in np.lexsort((np.arange(len(cuts)), -cuts)).tolist():
        place = bisect_left(rooms, (lengths[row] + back[row], -1))
        while place < len(rooms) and rooms[place][0] < lengths[row] + kept_back[rooms[place][1]]:
            place += 1
        if place == len(rooms):
            number, room = len(rooms), reel
            kept_back.append(0)
        else:
            room, number = rooms.pop(place)
        on[row] = number
        kept_back[number] = max(kept_back[number], back[row])
        insort(rooms, (room - lengths[row], number))
    return on
