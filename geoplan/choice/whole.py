"""The optimum of a component in which no address may be split between terminals.

Enters: one component as pairs, ports needed, ports free and in reserve.
Leaves: the pairs chosen, and the reserved ports used.
Does not do: the value of a port.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoplan.choice.network import Network, build_network, run_flow
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]

MOST_BRANCHES = 400
MOST_SPLITS = 6
"""More addresses split by the flow than this: branching would not end, so it isn't begun."""
SERVICE_OVER_DEAREST = 20.0
WHOLE = 1e-5
MOST_PAIRS_OPENED = 400_000


def whole_optimum(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> tuple[IntArray, int]:
    """Solve a component in which no address may be split between terminals.

    Parameters
    ----------
    a, t : ndarray of int64, shape (n,)
        Number of each pair's address and terminal within the component.
    cents : ndarray of int64, shape (n,)
        Price of each pair.
    need : ndarray of int64, shape (a,)
        Ports that each address needs.
    free, reserve : ndarray of int64, shape (t,)
        Ports free and in reserve at each terminal.
    reserve_cents : int
        Price of a reserved port.

    Returns
    -------
    taken : ndarray of int64
        Rows of the pairs chosen.
    gap_cents : int
        By how much their price exceeds the bound that the search ended with.

    Raises
    ------
    ArithmeticError
        If a solver ends without a proved optimum.

    Notes
    -----
    Branch and bound over flows: where a flow splits an address, either it is held to one of the
    terminals or it is kept from it. The flow of a branch bounds it from below, and branches are
    opened best first, so the first one that splits nobody is the optimum. Past `MOST_BRANCHES`
    an integer programme takes over.
    """
    network = build_network(a, t, cents, need, free, reserve, reserve_cents)
    everything = np.ones(len(a), dtype=bool)
    start = _Branch(everything, np.zeros(len(a), dtype=bool))
    bound, flow = _solve_branch(network, need, a, start)
    used = flow[: network.pairs]
    most_served = int(np.floor((used / need[a]).sum() + 1e-6))
    splits = len(np.unique(a[(used > 0) & (used < need[a])]))
    opened = 0
    heap: list[tuple[int, int, IntArray, _Branch]] = []
    if splits <= MOST_SPLITS:
        heap.append((bound, opened, flow, start))
    most = min(MOST_BRANCHES, max(MOST_PAIRS_OPENED // max(len(a), 1), 20))
    while heap and opened < most:
        bound, _, flow, branch = heapq.heappop(heap)
        used = flow[: network.pairs]
        split = np.flatnonzero((used > 0) & (used < need[a]))
        if len(split) == 0:
            least = min([bound, *(item[0] for item in heap)])
            return np.flatnonzero(used > 0), -((least - bound) // network.scale)
        pick = int(split[np.lexsort((split, -used[split]))[0]])
        held, kept_out = branch.held.copy(), branch.allowed.copy()
        held[pick] = True
        kept_out[pick] = False
        only = branch.allowed & ((a != a[pick]) | (np.arange(len(a)) == pick))
        for child in (_Branch(only, held), _Branch(kept_out, branch.held)):
            opened += 1
            bound, flow = _solve_branch(network, need, a, child)
            if (flow[: network.pairs][child.held] == need[a][child.held]).all():
                heapq.heappush(heap, (bound, opened, flow, child))
    return _integer_programme(a, t, cents, need, free, reserve, reserve_cents, most_served)


@dataclass(frozen=True)
class _Branch:
    """Pairs that may be used, and pairs that must be."""

    allowed: BoolArray
    held: BoolArray


def _solve_branch(
    network: Network, need: IntArray, a: IntArray, branch: _Branch
) -> tuple[int, IntArray]:
    """Solve the flow of one branch; return its price and the flow."""
    capacity, cost = network.capacity.copy(), network.cost.copy()
    capacity[: network.pairs][~branch.allowed] = 0
    cost[: network.pairs][branch.held] -= 4 * network.service * network.scale * len(need)
    flow = run_flow(replace(network, capacity=capacity, cost=cost))
    return int((flow * network.cost).sum()), flow


def _integer_programme(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
    most_served: int,
) -> tuple[IntArray, int]:
    """Solve a component exactly: first most addresses, then least cost among those.

    One programme that prices service moderately is tried first. If it serves `most_served`, the
    bound that a flow gives, it has the least cost of all plans that do; else two programmes
    follow, for the number and then for the cost.
    """
    from scipy.optimize import LinearConstraint, milp
    from scipy.sparse import coo_array, vstack

    pairs, count, terminals = len(a), len(need), len(free)
    width = pairs + terminals
    column = np.arange(pairs)
    once = coo_array((np.ones(pairs), (a, column)), shape=(count, width))
    load = coo_array(
        (
            np.concatenate([need[a], -np.ones(terminals)]),
            (
                np.concatenate([t, np.arange(terminals)]),
                np.concatenate([column, pairs + np.arange(terminals)]),
            ),
        ),
        shape=(terminals, width),
    )
    rules = LinearConstraint(
        vstack([once, load]).tocsr(), -np.inf, np.concatenate([np.ones(count), free])
    )
    upper = np.concatenate([np.ones(pairs), reserve])
    serve = np.concatenate([-np.ones(pairs), np.zeros(terminals)])
    price = np.concatenate([cents, np.full(terminals, reserve_cents)]).astype(np.float64)
    options = {"mip_rel_gap": 0.0}
    bounds = (np.zeros(width), upper)
    several = np.concatenate([need[a] > 1, np.zeros(terminals, dtype=bool)])
    worth = SERVICE_OVER_DEAREST * float(price.max(initial=1.0))
    quick = milp(
        price + worth * serve,
        integrality=several.astype(np.int64),
        bounds=bounds,
        constraints=rules,
        options=options,
    )
    if quick.status == 0 and abs(quick.mip_dual_bound - quick.fun) < 1.0:
        values = np.rint(quick.x).astype(np.int64)
        is_whole = float(np.abs(quick.x - values).max(initial=0.0)) < WHOLE
        if is_whole and int(values[:pairs].sum()) == most_served:
            return _with_gap(values[:pairs], quick.fun - quick.mip_dual_bound)
    most = milp(
        serve, integrality=np.ones(width), bounds=bounds, constraints=rules, options=options
    )
    if most.status != 0:
        message = f"integer programme ended with status {most.status}: {most.message}"
        raise ArithmeticError(message)
    served = int(np.rint(-most.fun))
    keep = LinearConstraint(coo_array(serve[None, :]).tocsr(), -served, -served)
    best = milp(
        price, integrality=np.ones(width), bounds=bounds, constraints=[rules, keep], options=options
    )
    if best.status != 0 or abs(best.mip_dual_bound - best.fun) >= 1.0:
        message = f"integer programme not proved optimal: {best.message}"
        raise ArithmeticError(message)
    values = np.rint(best.x).astype(np.int64)
    return _with_gap(values[:pairs], best.fun - best.mip_dual_bound)


def _with_gap(values: IntArray, gap: float) -> tuple[IntArray, int]:
    """Return the pairs chosen, and the gap in whole cents: all prices are whole."""
    return np.flatnonzero(values).astype(np.int64), int(np.floor(max(gap, 0.0) + WHOLE))
