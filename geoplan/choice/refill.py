"""Ports left behind filled again, by addresses that move up at no loss.

Enters: the problem and a choice in which pieces moved addresses away from terminals outside.
Leaves: the choice mended where that loses nothing; terminals where it would.
Does not do: solve pieces.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from geoplan.choice.ties import port_losses
from geoplan.choice.town import Town
from geoplan.routes.segments import IntArray


def refill_ports(town: Town, group: IntArray, after: IntArray, load: IntArray) -> list[int]:
    """Fill ports again that pieces left behind outside.

    Parameters
    ----------
    town : Town
        The whole problem.
    group : ndarray of int64, shape (t,)
        Piece of each terminal, -1 outside; only addresses outside are moved.
    after : ndarray of int64, shape (a,)
        Row of each address with the moves of all pieces; who moves up is entered.
    load : ndarray of int64, shape (t,)
        Ports used then; changed likewise.

    Returns
    -------
    list of int
        Terminals outside pieces whose ports are still used otherwise than their price asks.
    """
    pairs = town.pairs
    lost = port_losses(pairs, town.relaxed, load) > 0
    bad = ((load > pairs.free + pairs.reserve) | lost) & (group < 0)
    return [
        int(terminal)
        for terminal in np.flatnonzero(bad)
        if not _fill(town, group, after, load, int(terminal))
    ]


def _fill(town: Town, group: IntArray, after: IntArray, load: IntArray, terminal: int) -> bool:
    """Have addresses move up at no loss until a terminal's ports are used as their price asks."""
    pairs, price = town.pairs, town.relaxed.port_price
    extra = pairs.reserve_cents * town.relaxed.scale
    most = pairs.free + pairs.reserve
    wanted = most[terminal] if price[terminal] > extra else pairs.free[terminal]
    if load[terminal] > most[terminal] or (load[terminal] > wanted and price[terminal] < extra):
        return False
    while load[terminal] < wanted:
        path = _path_up(town, group, after, load, terminal)
        if path is None:
            return False
        for row in path:
            address = pairs.address[row]
            if after[address] >= 0:
                load[pairs.terminal[after[address]]] -= 1
            after[address] = row
            load[pairs.terminal[row]] += 1
    return True


def _path_up(
    town: Town, group: IntArray, after: IntArray, load: IntArray, terminal: int
) -> list[int] | None:
    """Find rows that addresses move up to, so that a port is used and none is missed."""
    pairs, relaxed = town.pairs, town.relaxed
    extra = pairs.reserve_cents * relaxed.scale
    came: dict[int, tuple[int, int]] = {terminal: (-1, -1)}
    queue = deque([terminal])
    while queue:
        here = queue.popleft()
        rows = town.rows_at(np.array([here]))
        rows = rows[(relaxed.loss[rows] == 0) & (pairs.needed[pairs.address[rows]] == 1)]
        for row in rows.tolist():
            address = pairs.address[row]
            at = after[address]
            if at < 0:
                if relaxed.skip_loss[address] == 0:
                    return _path_from(came, row, here)
                continue
            there = int(pairs.terminal[at])
            if there in came or group[there] >= 0:
                continue
            came[there] = (row, here)
            price = relaxed.port_price[there]
            if price == 0 or (price == extra and load[there] > pairs.free[there]):
                return _path_from(came, row, here)
            queue.append(there)
    return None


def _path_from(came: dict[int, tuple[int, int]], row: int, here: int) -> list[int]:
    """Follow a path of moves from its far end."""
    path = [row]
    while came[here][0] >= 0:
        row, here = came[here]
        path.append(row)
    return path
