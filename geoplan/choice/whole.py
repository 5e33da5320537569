"""The least loss of one piece in which no address may be split.

Enters: ways of a few addresses to a few terminals, what each loses, what ports cost.
Leaves: the ways chosen.
Does not do: form pieces, or know prices.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geoplan.choice.network import Network, find_flow
from geoplan.routes.segments import IntArray

if TYPE_CHECKING:
    from scipy.optimize import LinearConstraint

BoolArray = npt.NDArray[np.bool_]
WHOLE = 1e-5
SERVICE_OVER_DEAREST = 20
MOST_BRANCHES = 60
MOST_BRANCHED_WAYS = 400
"""Pieces with more ways go to the integer programme at once."""


@dataclass(frozen=True)
class Piece:
    """One piece, numbered from 0."""

    a: IntArray
    t: IntArray
    loss: IntArray
    """By way."""
    skip_loss: IntArray
    """By address, if it takes no way."""
    need: IntArray
    free: IntArray
    free_cost: IntArray
    """By terminal: what using one of the free ports loses; 0 or less."""
    reserve: IntArray
    reserve_cost: IntArray
    """The same of a reserved port, not less than of a free one."""
    scale: int
    worth: int
    """What serving an address is worth in losses: more than all else together, at all levels."""


def least_loss(piece: Piece) -> IntArray:
    """Choose ways at the least loss.

    Parameters
    ----------
    piece : Piece
        The piece; losses are whole multiples for which ``loss * (scale / need)`` is exact.

    Returns
    -------
    taken : ndarray of int64
        Ways chosen.

    Raises
    ------
    ArithmeticError
        If the integer programme that follows `MOST_BRANCHES` isn't proved optimal.

    Notes
    -----
    Branch and bound over flows, best bound first: a split address is held to one of its ways, or
    kept from it. Where every way takes one port the first flow splits none. A large piece with
    ways of several ports goes to the integer programme at once.
    """
    if len(piece.a) > MOST_BRANCHED_WAYS and (piece.need[piece.a] > 1).any():
        return _integer_programme(piece)
    network = _network(piece)
    everything = np.ones(len(piece.a), dtype=bool)
    nobody = np.zeros(len(piece.need), dtype=bool)
    heap: list[tuple[int, int, IntArray, BoolArray, BoolArray]] = []
    for bound, used in _flow(network, everything, nobody):
        heapq.heappush(heap, (bound, 0, used, everything, nobody))
    opened = 0
    while heap and opened < MOST_BRANCHES:
        bound, _, used, allowed, held = heapq.heappop(heap)
        split = np.flatnonzero((used > 0) & (used < piece.need[piece.a]))
        if len(split) == 0:
            return np.flatnonzero(used > 0).astype(np.int64)
        pick = int(split[np.lexsort((split, -used[split]))[0]])
        owner = piece.a[pick]
        only = allowed & ((piece.a != owner) | (np.arange(len(piece.a)) == pick))
        without = allowed.copy()
        without[pick] = False
        holds = held.copy()
        holds[owner] = True
        for ways, must in ((only, holds), (without, held)):
            opened += 1
            for bound, used in _flow(network, ways, must):
                heapq.heappush(heap, (bound, opened, used, ways, must))
    return _integer_programme(piece)


def _network(piece: Piece) -> Network:
    """Lay out a piece as a flow; losses are split evenly over the ports of an address."""
    count, terminals = len(piece.need), len(piece.free)
    share = piece.scale // piece.need
    everyone = np.arange(count, dtype=np.int64)
    ends = np.arange(terminals, dtype=np.int64) + count
    sink = count + terminals
    costs = (
        piece.loss * share[piece.a],
        piece.skip_loss * share,
        piece.free_cost * piece.scale,
        piece.reserve_cost * piece.scale,
    )
    return Network(
        np.concatenate([piece.a, everyone, ends, ends]),
        np.concatenate([piece.t + count, np.full(count + 2 * terminals, sink, dtype=np.int64)]),
        np.concatenate([piece.need[piece.a], piece.need, piece.free, piece.reserve]),
        np.concatenate(costs),
        np.concatenate([piece.need, np.zeros(terminals, dtype=np.int64), [-int(piece.need.sum())]]),
        len(piece.a),
    )


def _flow(network: Network, allowed: BoolArray, held: BoolArray) -> list[tuple[int, IntArray]]:
    """Solve the flow of one branch: its loss and the ports used of each way, if there is one."""
    capacity, ways = network.capacity.copy(), network.pairs
    capacity[:ways][~allowed] = 0
    capacity[ways : ways + len(held)][held] = 0
    flow = find_flow(replace(network, capacity=capacity))
    return [] if flow is None else [(int((flow * network.cost).sum()), flow[:ways])]


def _integer_programme(piece: Piece) -> IntArray:
    """Solve a piece by HiGHS: most served, then least loss, so numbers stay small.

    Some way takes several ports.
    """
    from scipy.optimize import LinearConstraint
    from scipy.sparse import coo_array, vstack

    ways, count, terminals = len(piece.a), len(piece.need), len(piece.free)
    width = ways + 2 * terminals
    column, ends = np.arange(ways), np.arange(terminals)
    once = coo_array((np.ones(ways), (piece.a, column)), shape=(count, width))
    load = coo_array(
        (
            np.concatenate([piece.need[piece.a], -np.ones(2 * terminals)]),
            (
                np.concatenate([piece.t, ends, ends]),
                np.concatenate([column, ways + ends, ways + terminals + ends]),
            ),
        ),
        shape=(terminals, width),
    )
    rules = [
        LinearConstraint(
            vstack([once, load]).tocsr(),
            np.concatenate([np.full(count, -np.inf), np.zeros(terminals)]),
            np.concatenate([np.ones(count), np.zeros(terminals)]),
        )
    ]
    upper = np.concatenate([np.ones(ways), piece.free, piece.reserve])
    price = np.concatenate(
        [piece.loss - piece.skip_loss[piece.a], piece.free_cost, piece.reserve_cost]
    )
    # with ways of several ports whole, the rest is a flow, and its corners are whole; in small
    # pieces the solver is several times quicker if all are said to be whole, in large ones slower
    several = np.concatenate([piece.need[piece.a] > 1, np.zeros(2 * terminals, dtype=bool)])
    several |= ways <= MOST_BRANCHED_WAYS
    service = (price + piece.worth // 2) // piece.worth
    cost = price - service * piece.worth
    most = _solved(service, rules, upper, several)
    moderate = SERVICE_OVER_DEAREST * int(np.abs(cost).max(initial=0)) + 1
    values = _solved(cost + moderate * service, rules, upper, several)
    if (values * service).sum() > (most * service).sum():
        rules.append(
            LinearConstraint(
                coo_array(service[None, :]).tocsr(), -np.inf, int((most * service).sum())
            )
        )
        # that rule is no part of a flow, so its corners need not be whole
        values = _solved(cost, rules, upper, np.arange(width) < ways)
    return np.flatnonzero(values[:ways] > 0).astype(np.int64)


def _solved(
    price: IntArray, rules: list[LinearConstraint], upper: IntArray, several: BoolArray
) -> IntArray:
    """Find the cheapest whole values."""
    from scipy.optimize import milp

    if not price.any():
        return np.zeros(len(price), dtype=np.int64)
    found = milp(
        price.astype(np.float64),
        integrality=several,
        bounds=(0, upper),
        constraints=rules,
        options={"mip_rel_gap": 0.0},
    )
    if found.status != 0 or abs(found.mip_dual_bound - found.fun) >= 1.0:
        message = f"integer programme not proved optimal: {found.message}"
        raise ArithmeticError(message)
    values = np.rint(found.x).astype(np.int64)
    if np.abs(found.x - values).max(initial=0.0) > WHOLE:
        message = "integer programme ended between corners"
        raise ArithmeticError(message)
    return np.asarray(values, dtype=np.int64)
