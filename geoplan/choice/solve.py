"""Exact assignment of addresses to terminals with few ports.

Enters: priced pairs of address and terminal, ports needed, ports free, ports in reserve.
Leaves: `Assignment`: the pair of each address, and the proof.
Does not do: know what a pair stands for.

Most addresses served first, then least cost. Pairs that share no terminal fall into separate
components; each is solved by itself, so the result doesn't depend on how work is split. In a
component where everybody gets the cheapest pair there is nothing to solve. Otherwise it is a
minimum-cost flow (OR-Tools); where addresses with several ports would be split between
terminals by the flow, branch and bound over flows decides, and past a set number of branches an
integer programme (HiGHS).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
FAR = np.int64(2**62)
MOST_BRANCHES = 400
MOST_SPLITS = 6
"""More addresses split by the flow than this: branching would not end, so it isn't begun."""
SERVICE_OVER_DEAREST = 20.0
WHOLE = 1e-5
MOST_PAIRS_OPENED = 400_000
MOST_TRIALS = 40
"""Terminals of one component whose port value is found by solving again."""


@dataclass(frozen=True)
class Ports:
    """Ports of each terminal, by number."""

    free: IntArray
    reserve: IntArray
    """Reserved ports that may be used at a price; 0 where they may not."""
    reserve_cents: int


@dataclass(frozen=True)
class Assignment:
    """The optimum and its proof."""

    pair: IntArray
    """Row of the pair of each address; -1 where unserved."""
    reserve_used: IntArray
    """Reserved ports used, by terminal."""
    served: int
    cents: int
    """Price of all pairs chosen and reserved ports used."""
    value_addresses: IntArray
    """Addresses that one more port at each terminal would bring in."""
    value_cents: IntArray
    """What one more port would save besides; negative: what serving one more would add."""
    method: npt.NDArray[np.str_]
    """By terminal: ``cheapest``, ``flow``, ``branching``; ``unused`` without a pair."""
    value_is_exact: BoolArray
    """False where the value was not worked out (and is 0): a large component with addresses that
    need several ports."""
    proof: dict[str, int]
    """Components by method, arcs whose reduced cost was checked, the least reduced cost."""


def solve_assignment(
    address: IntArray,
    terminal: IntArray,
    cents: IntArray,
    needed: IntArray,
    ports: Ports,
    progress: Callable[[int, int], None] | None = None,
    *,
    with_values: bool = True,
    known: Assignment | None = None,
) -> Assignment:
    """Assign addresses to terminals: most served first, then least cost.

    Parameters
    ----------
    address, terminal : ndarray of int64, shape (n,)
        Numbers of each pair's address and terminal; sorted by address, then terminal, no pair
        twice.
    cents : ndarray of int64, shape (n,)
        Price of each pair in whole cents, >= 0.
    needed : ndarray of int64, shape (a,)
        Ports that each address needs at one terminal, >= 1.
    ports : Ports
        Ports of each terminal, shape (t,).
    progress : callable, optional
        Called with components done and in all.
    with_values : bool
        Whether to work out what one more port would be worth; False saves time.
    known : Assignment, optional
        The optimum of the very same pairs, solved before; only the values are worked out anew.

    Returns
    -------
    Assignment
        The optimum with its proof.

    Raises
    ------
    ArithmeticError
        If the proof fails; that would be a defect, never a property of the input.
    """
    count, terminals = len(needed), len(ports.free)
    fits = needed[address] <= ports.free[terminal] + ports.reserve[terminal]
    rows = np.flatnonzero(fits).astype(np.int64)
    chosen = np.full(count, -1, dtype=np.int64)
    value_addresses = np.zeros(terminals, dtype=np.int64)
    value_cents = np.zeros(terminals, dtype=np.int64)
    value_is_exact = np.ones(terminals, dtype=bool)
    method = np.full(terminals, "unused", dtype="<U17")
    proof = {"cheapest": 0, "flow": 0, "branching": 0, "arcs_checked": 0}
    least = 0
    # pairs that don't fit still count for the value of a port, so components use them all
    component = _components(address, terminal, count, terminals)
    first = _cheapest(address[rows], cents[rows], rows)
    load = np.zeros(terminals, dtype=np.int64)
    np.add.at(load, terminal[first], needed[address[first]])
    crowded = load > ports.free
    misfit = np.flatnonzero(~fits)
    over = np.zeros(int(component.max(initial=-1)) + 1, dtype=bool)
    over[component[count:][crowded]] = True
    over[component[count:][terminal[misfit]]] = True
    easy = first[~over[component[address[first]]]]
    chosen[address[easy]] = easy
    simple = ~over[component[count:]]
    method[np.unique(terminal[simple[terminal]])] = "cheapest"
    proof["cheapest"] = len(np.unique(component[address[easy]]))
    proof["arcs_checked"] = int(np.count_nonzero(simple[terminal]))
    hard = np.flatnonzero(over[component[address]]).astype(np.int64)
    order = hard[np.argsort(component[address[hard]], kind="stable")]
    parts = np.split(order, np.flatnonzero(np.diff(component[address[order]])) + 1)
    for done, part in enumerate(parts if len(order) else []):
        result = _solve_component(
            address[part],
            terminal[part],
            cents[part],
            needed,
            ports,
            with_values=with_values,
            known=None if known is None else np.flatnonzero(np.isin(part, known.pair)),
        )
        kept = result.pair >= 0
        chosen[result.addresses[kept]] = part[result.pair[kept]]
        value_addresses[result.terminals] = result.value_addresses
        value_cents[result.terminals] = result.value_cents
        value_is_exact[result.terminals] = result.value_is_exact
        method[result.terminals] = result.method
        proof[result.method] += 1
        proof["arcs_checked"] += result.arcs_checked
        least = min(least, result.least_reduced_cost)
        if progress is not None:
            progress(done + 1, len(parts))
    if least < 0:
        message = f"optimality proof failed: reduced cost {least} cents"
        raise ArithmeticError(message)
    proof["least_reduced_cost"] = least
    taken = chosen[chosen >= 0]
    load = np.zeros(terminals, dtype=np.int64)
    np.add.at(load, terminal[taken], needed[address[taken]])
    # the load says it, not the flow, which may pass a reserve of no price before a free port
    reserve_used = np.maximum(load - ports.free, 0)
    return Assignment(
        chosen,
        reserve_used,
        len(taken),
        int(cents[taken].sum() + reserve_used.sum() * ports.reserve_cents),
        value_addresses,
        value_cents,
        method,
        value_is_exact,
        proof,
    )


def _components(address: IntArray, terminal: IntArray, count: int, terminals: int) -> IntArray:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    links = coo_array(
        (np.ones(len(address), dtype=np.int8), (address, terminal + count)),
        shape=(count + terminals, count + terminals),
    )
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _cheapest(address: IntArray, cents: IntArray, rows: IntArray) -> IntArray:
    order = np.lexsort((rows, cents, address))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = address[order][1:] != address[order][:-1]
    return np.asarray(rows[order[lead]], dtype=np.int64)


@dataclass(frozen=True)
class _Part:
    addresses: IntArray
    terminals: IntArray
    pair: IntArray
    reserve_used: IntArray
    value_addresses: IntArray
    value_cents: IntArray
    value_is_exact: BoolArray
    method: str
    arcs_checked: int
    least_reduced_cost: int


@dataclass(frozen=True)
class _Network:
    """One component as a flow network: addresses, then terminals, then the sink."""

    tail: IntArray
    head: IntArray
    capacity: IntArray
    cost: IntArray
    supply: IntArray
    pairs: int
    scale: int
    service: int
    """Worth of serving one address, in cents; more than all prices together."""


def _solve_component(
    address: IntArray,
    terminal: IntArray,
    cents: IntArray,
    needed: IntArray,
    ports: Ports,
    *,
    with_values: bool,
    known: IntArray | None,
) -> _Part:
    addresses, a = np.unique(address, return_inverse=True)
    terminals, t = np.unique(terminal, return_inverse=True)
    need = needed[addresses]
    free, reserve = ports.free[terminals], ports.reserve[terminals]
    network = _build_network(a, t, cents, need, free, reserve, ports.reserve_cents)
    flow = _run_flow(network)
    least, checked, distance = _check_optimal(network, flow)
    used = flow[: network.pairs]
    whole = (used == 0) | (used == need[a])
    pair = np.full(len(addresses), -1, dtype=np.int64)
    if whole.all():
        method = "flow"
        taken = np.flatnonzero(used > 0)
        first_reserve = network.pairs + len(addresses) + len(terminals)
        reserve_used = flow[first_reserve : first_reserve + len(terminals)]
    else:
        method, least, checked = "branching", 0, 0
        taken = (
            _whole_optimum(a, t, cents, need, free, reserve, ports.reserve_cents)[0]
            if known is None
            else known
        )
        load = np.zeros(len(terminals), dtype=np.int64)
        np.add.at(load, t[taken], need[a[taken]])
        reserve_used = np.maximum(load - free, 0)
    pair[a[taken]] = taken
    if method == "flow":
        values = _values_by_dual(network, flow, distance, need, len(terminals))
        unsure = np.flatnonzero(~values[2])
    else:
        values = (
            np.zeros(len(terminals), dtype=np.int64),
            np.zeros(len(terminals), dtype=np.int64),
            np.zeros(len(terminals), dtype=bool),
        )
        unsure = _tight_terminals(a, t, need, free, taken)
    if with_values and 0 < len(unsure) <= MOST_TRIALS:
        price = int(cents[taken].sum() + reserve_used.sum() * ports.reserve_cents)
        _try_values(
            values,
            unsure,
            (len(taken), price),
            a,
            t,
            cents,
            need,
            free,
            reserve,
            ports.reserve_cents,
        )
        values[2][:] = True
    elif len(unsure) == 0:
        values[2][:] = True
    return _Part(addresses, terminals, pair, reserve_used, *values, method, checked, least)


def _build_network(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> _Network:
    """Lay out the network; a unit of flow is a port, prices are split evenly over ports."""
    count, terminals = len(need), len(free)
    scale = int(np.lcm.reduce(np.unique(need)))
    dearest = np.zeros(count, dtype=np.int64)
    np.maximum.at(dearest, a, cents)
    service = int(2 * (1 + dearest.sum() + reserve.sum() * reserve_cents))
    sink = count + terminals
    share = scale // need
    everyone = np.arange(count, dtype=np.int64)
    all_terminals = np.arange(terminals, dtype=np.int64) + count
    return _Network(
        np.concatenate([a, everyone, all_terminals, all_terminals]),
        np.concatenate([t + count, np.full(count + 2 * terminals, sink, dtype=np.int64)]),
        np.concatenate([need[a], need, free, reserve]),
        np.concatenate(
            [
                (cents - service) * share[a],
                np.zeros(count + terminals, dtype=np.int64),
                np.full(terminals, reserve_cents * scale, dtype=np.int64),
            ]
        ),
        np.concatenate([need, np.zeros(terminals, dtype=np.int64), [-int(need.sum())]]),
        len(a),
        scale,
        service,
    )


def _run_flow(network: _Network) -> IntArray:
    from ortools.graph.python import min_cost_flow

    solver = min_cost_flow.SimpleMinCostFlow()
    arcs = solver.add_arcs_with_capacity_and_unit_cost(
        network.tail, network.head, network.capacity, network.cost
    )
    solver.set_nodes_supplies(np.arange(len(network.supply)), network.supply)
    status = solver.solve()
    if status != solver.OPTIMAL:
        message = f"minimum-cost flow ended with status {status}"
        raise ArithmeticError(message)
    return np.asarray(solver.flows(arcs), dtype=np.int64)


def _check_optimal(
    network: _Network, flow: IntArray, only: BoolArray | None = None
) -> tuple[int, int, IntArray]:
    """Prove a flow optimal by potentials; return least reduced cost, arcs, distances from sink.

    Potentials are the shortest distances from the sink in the residual network. They exist only
    if it has no cycle of negative cost, which is what makes a flow optimal.
    """
    some = np.ones(len(flow), dtype=bool) if only is None else only
    ahead, back = some & (flow < network.capacity), some & (flow > 0)
    tail = np.concatenate([network.tail[ahead], network.head[back]])
    head = np.concatenate([network.head[ahead], network.tail[back]])
    cost = np.concatenate([network.cost[ahead], -network.cost[back]])
    nodes = len(network.supply)
    distance = np.full(nodes, FAR, dtype=np.int64)
    distance[-1] = 0
    for _ in range(nodes + 1):
        fresh = distance.copy()
        np.minimum.at(fresh, head, distance[tail] + cost)
        if np.array_equal(fresh, distance):
            break
        distance = fresh
    reduced = cost + distance[tail] - distance[head]
    distance = np.where(distance > FAR // 2, 0, distance)
    return int(min(reduced.min(initial=0), 0)), len(reduced), distance


def _whole_optimum(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> tuple[IntArray, IntArray]:
    """Solve a component in which no address may be split between terminals.

    Branch and bound over flows: where a flow splits an address, either it is held to one of the
    terminals or it is kept from it. The flow of a branch bounds it from below, and branches are
    opened best first, so the first one that splits nobody is the optimum. Past `MOST_BRANCHES`
    an integer programme takes over.
    """
    network = _build_network(a, t, cents, need, free, reserve, reserve_cents)
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
        _, _, flow, branch = heapq.heappop(heap)
        used = flow[: network.pairs]
        split = np.flatnonzero((used > 0) & (used < need[a]))
        if len(split) == 0:
            first = network.pairs + len(need) + len(free)
            return np.flatnonzero(used > 0), flow[first : first + len(free)]
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
    network: _Network, need: IntArray, a: IntArray, branch: _Branch
) -> tuple[int, IntArray]:
    """Solve the flow of one branch; return its price and the flow."""
    capacity, cost = network.capacity.copy(), network.cost.copy()
    capacity[: network.pairs][~branch.allowed] = 0
    cost[: network.pairs][branch.held] -= 4 * network.service * network.scale * len(need)
    flow = _run_flow(replace(network, capacity=capacity, cost=cost))
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
) -> tuple[IntArray, IntArray]:
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
            return np.flatnonzero(values[:pairs]).astype(np.int64), values[pairs:]
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
    return np.flatnonzero(values[:pairs]).astype(np.int64), values[pairs:]


def _values_by_dual(
    network: _Network, flow: IntArray, distance: IntArray, need: IntArray, terminals: int
) -> tuple[IntArray, IntArray, BoolArray]:
    """Read the value of one more port off the residual network.

    The shortest way from the sink to a terminal is what one more port there would change. Where
    it moves only addresses that need one port the change can be made as it stands; where it
    would split an address that needs several, the dual is but a bound, and the third array is
    False.
    """
    count = len(need)
    bound = distance[count : count + terminals]
    gain = np.where(bound < 0, -bound, 0)
    exact = np.ones(terminals, dtype=bool)
    if (need > 1).any():
        several = np.zeros(len(network.supply), dtype=bool)
        several[:count] = need > 1
        single = ~(several[network.tail] | several[network.head])
        _, _, within = _check_optimal(network, flow, single)
        exact = np.minimum(within[count : count + terminals], 0) == -gain
    gain = np.where(exact, gain, 0)
    service = network.service * network.scale
    brought = (gain + service // 2) // service
    return brought, (gain - brought * service) // network.scale, exact


def _tight_terminals(
    a: IntArray, t: IntArray, need: IntArray, free: IntArray, taken: IntArray
) -> IntArray:
    """Find terminals with less room left than their largest customer needs."""
    load, largest = np.zeros(len(free), dtype=np.int64), np.zeros(len(free), dtype=np.int64)
    np.add.at(load, t[taken], need[a[taken]])
    np.maximum.at(largest, t, need[a])
    return np.flatnonzero(free - load < largest).astype(np.int64)


def _try_values(
    values: tuple[IntArray, IntArray, BoolArray],
    unsure: IntArray,
    base: tuple[int, int],
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> None:
    """Find the value of one more port at some terminals by solving again with it."""
    for terminal in unsure:
        more = free.copy()
        more[terminal] += 1
        served, price = _outcome(a, t, cents, need, more, reserve, reserve_cents)
        values[0][terminal] = served - base[0]
        values[1][terminal] = base[1] - price


def _outcome(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> tuple[int, int]:
    taken, reserve_used = _whole_optimum(a, t, cents, need, free, reserve, reserve_cents)
    return len(taken), int(cents[taken].sum() + reserve_used.sum() * reserve_cents)
