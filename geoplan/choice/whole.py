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
MOST_WORK = 3.0
"""Work of the search by clauses, as it counts it (never time), before HiGHS takes over."""
MOST_RECALLED = 512
"""Pieces kept with their solutions: a plan solves many like problems one after the other."""
_solved_before: dict[tuple[bytes, ...], IntArray] = {}


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
        If the integer programme that comes last isn't proved optimal.

    Notes
    -----
    Branch and bound over flows, best bound first: a split address is held to one of its ways, or
    kept from it. Past `MOST_BRANCHES`, and in larger pieces at once, CP-SAT; where that takes more
    than `MOST_WORK`, HiGHS.
    """
    if len(piece.a) > MOST_BRANCHED_WAYS:
        return _programme(piece)
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
    return _programme(piece)


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


def _satisfied(piece: Piece) -> IntArray | None:
    """Solve a piece by clauses and a linear relaxation; None where that would take long.

    Numbers are whole throughout, one thread works, and work is counted, not timed: the outcome is
    always the same.
    """
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    ways = [model.new_bool_var("") for _ in range(len(piece.a))]
    skips = [model.new_bool_var("") for _ in range(len(piece.need))]
    of_address: list[list[cp_model.IntVar]] = [[skip] for skip in skips]
    at_terminal: list[list[tuple[cp_model.IntVar, int]]] = [[] for _ in range(len(piece.free))]
    need = piece.need.tolist()
    for way, a, t in zip(ways, piece.a.tolist(), piece.t.tolist(), strict=True):
        of_address[a].append(way)
        at_terminal[t].append((way, need[a]))
    for some in of_address:
        model.add_exactly_one(some)
    variables, costs = ways + skips, [*piece.loss.tolist(), *piece.skip_loss.tolist()]
    for t, coming in enumerate(at_terminal):
        for ports, cost in (
            (int(piece.free[t]), int(piece.free_cost[t])),
            (int(piece.reserve[t]), int(piece.reserve_cost[t])),
        ):
            if ports:
                variables.append(model.new_int_var(0, ports, ""))
                costs.append(cost)
                coming.append((variables[-1], -1))
        model.add(
            cp_model.LinearExpr.weighted_sum([v for v, _ in coming], [n for _, n in coming]) == 0
        )
    model.minimize(cp_model.LinearExpr.weighted_sum(variables, costs))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.linearization_level = 2
    solver.parameters.symmetry_level = 0
    solver.parameters.cp_model_probing_level = 0
    solver.parameters.max_deterministic_time = MOST_WORK
    if solver.solve(model) != cp_model.OPTIMAL:
        return None
    values = np.array([solver.value(way) for way in ways])
    return np.flatnonzero(values).astype(np.int64)


def _programme(piece: Piece) -> IntArray:
    """Solve a piece by clauses, or where that takes too long by HiGHS; or recall it."""
    key = tuple(np.asarray(value).tobytes() for value in vars(piece).values())
    known = _solved_before.get(key)
    if known is None:
        dearest = max(int(piece.skip_loss.max(initial=0)), int(-piece.free_cost.min(initial=0)))
        # service at stake is better decided by itself first
        found = _satisfied(piece) if dearest < piece.worth // 2 else None
        known = _integer_programme(piece) if found is None else found
        while len(_solved_before) >= MOST_RECALLED:
            _solved_before.pop(next(iter(_solved_before)), None)
        _solved_before[key] = known
    return known.copy()


def _integer_programme(piece: Piece) -> IntArray:
    """Solve a piece by HiGHS: most served, then least loss, so numbers stay small.

    Ports whose use gains are counted by what is lost if unused, so no number is negative.
    """
    from scipy.optimize import LinearConstraint
    from scipy.sparse import coo_array, vstack

    ways, count, terminals = len(piece.a), len(piece.need), len(piece.free)
    width = ways + count + 2 * terminals
    column, everyone, ends = np.arange(ways), np.arange(count) + ways, np.arange(terminals)
    free_column, reserve_column = ends + ways + count, ends + ways + count + terminals
    once = coo_array(
        (
            np.ones(ways + count),
            (np.concatenate([piece.a, everyone - ways]), np.concatenate([column, everyone])),
        ),
        shape=(count, width),
    )
    gains = piece.reserve_cost < 0
    load = coo_array(
        (
            np.concatenate([piece.need[piece.a], np.ones(terminals), np.where(gains, 1.0, -1.0)]),
            (
                np.concatenate([piece.t, ends, ends]),
                np.concatenate([column, free_column, reserve_column]),
            ),
        ),
        shape=(terminals, width),
    )
    total = np.concatenate([np.ones(count), piece.free + gains * piece.reserve])
    rules = [LinearConstraint(vstack([once, load]).tocsr(), total, total)]
    upper = np.concatenate([np.ones(ways + count), piece.free, piece.reserve])
    price = np.concatenate(
        [piece.loss, piece.skip_loss, -piece.free_cost, np.abs(piece.reserve_cost)]
    )
    # with ways of several ports whole, the rest is a flow, and its corners are whole
    several = np.zeros(width, dtype=bool)
    several[:ways] = piece.need[piece.a] > 1
    several[ways : ways + count] = piece.need > 1
    service = (price + piece.worth // 2) // piece.worth
    cost = price - service * piece.worth
    if not service.any():
        values = _solved(cost, rules, upper, several)
    else:
        most = _solved(service, rules, upper, several)
        moderate = SERVICE_OVER_DEAREST * int(np.abs(cost).max(initial=0)) + 1
        values = _solved(cost + moderate * service, rules, upper, several)
        limit = round(float(most @ service))
        if round(float(values @ service)) > limit:
            rules.append(LinearConstraint(coo_array(service[None, :]).tocsr(), -np.inf, limit))
            values = _solved(cost, rules, upper, several)
    # which of them is taken is settled, and the rest is found as the flow that it is
    allowed = (piece.need[piece.a] == 1) | (np.rint(values[:ways]) > 0)
    held = (piece.need > 1) & (np.rint(values[ways : ways + count]) == 0)
    flows = _flow(_network(piece), allowed, held)
    if not flows:
        message = "integer programme ended with more ports than there are"
        raise ArithmeticError(message)
    return np.flatnonzero(flows[0][1] > 0).astype(np.int64)


def _solved(
    price: IntArray, rules: list[LinearConstraint], upper: IntArray, several: BoolArray
) -> npt.NDArray[np.float64]:
    """Find the cheapest values, whole for addresses that need several ports."""
    from scipy.optimize import milp

    if not price.any():
        return np.zeros(len(price))
    found = milp(
        price.astype(np.float64),
        integrality=several,
        bounds=(0, upper),
        constraints=rules,
        options={"mip_rel_gap": 0.0},
    )
    # without whole numbers there is no bound besides the optimum itself
    bound = found.mip_dual_bound if several.any() else found.fun
    if found.status != 0 or abs(bound - found.fun) >= 1.0:
        message = f"integer programme not proved optimal: {found.message}"
        raise ArithmeticError(message)
    values = np.asarray(found.x, dtype=np.float64)
    if np.abs(values - np.rint(values))[several].max(initial=0.0) > WHOLE:
        message = "integer programme ended with a split address"
        raise ArithmeticError(message)
    return values
