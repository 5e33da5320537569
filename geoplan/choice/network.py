"""One component of the assignment as a flow network.

Enters: pairs, ports needed, ports free and in reserve, all numbered from 0.
Leaves: `Network`, its cheapest flow, and potentials that prove a flow optimal.
Does not do: keep addresses whole that need several ports.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
FAR = np.int64(2**62)


@dataclass(frozen=True)
class Network:
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


def build_network(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> Network:
    """Lay out one component as a flow network.

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
    Network
        A unit of flow is a port; prices are split evenly over the ports of an address.
    """
    count, terminals = len(need), len(free)
    scale = int(np.lcm.reduce(np.unique(need)))
    dearest = np.zeros(count, dtype=np.int64)
    np.maximum.at(dearest, a, cents)
    service = int(2 * (1 + dearest.sum() + reserve.sum() * reserve_cents))
    sink = count + terminals
    share = scale // need
    everyone = np.arange(count, dtype=np.int64)
    all_terminals = np.arange(terminals, dtype=np.int64) + count
    return Network(
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


def run_flow(network: Network) -> IntArray:
    """Find the cheapest flow of a network.

    Parameters
    ----------
    network : Network
        One component.

    Returns
    -------
    ndarray of int64
        Flow on each arc.

    Raises
    ------
    ArithmeticError
        If the solver ends without an optimum.
    """
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


def check_optimal(
    network: Network, flow: IntArray, only: BoolArray | None = None
) -> tuple[int, int, IntArray]:
    """Prove a flow optimal by potentials.

    Parameters
    ----------
    network : Network
        One component.
    flow : ndarray of int64
        Flow on each arc.
    only : ndarray of bool, optional
        Arcs that may change; by default all.

    Returns
    -------
    least : int
        Least reduced cost, 0 where the flow is optimal.
    checked : int
        Arcs of the residual network that were looked at.
    distance : ndarray of int64
        Shortest distance from the sink to each node in the residual network; a large positive
        number where the sink doesn't lead.

    Notes
    -----
    Potentials are those shortest distances. They exist only if the residual network has no cycle
    of negative cost, which is what makes a flow optimal.
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
    reached = distance < FAR // 2
    beyond = np.where(reached, 0, distance - FAR)
    within = np.where(reached, distance, 0)
    far = np.abs(within).max() + np.abs(beyond).max() + np.abs(cost).max(initial=0)
    distance = np.where(reached, distance, beyond + far)
    reduced = cost + distance[tail] - distance[head]
    return int(min(reduced.min(initial=0), 0)), len(reduced), distance


def dual_gap(network: Network, flow: IntArray, potential: IntArray) -> int:
    """Return by how much a flow costs more than a lower bound from potentials.

    Parameters
    ----------
    network : Network
        One component.
    flow : ndarray of int64
        Flow on each arc.
    potential : ndarray of int64
        Potential of each node, as from `check_optimal`.

    Returns
    -------
    int
        In the network's scaled cents; 0 proves the flow optimal.

    Notes
    -----
    Weak duality: with r = cost + p(tail) - p(head), no flow costs less than the sum of
    capacity x min(r, 0) over arcs less the sum of supply x p over nodes.
    """
    reduced = network.cost + potential[network.tail] - potential[network.head]
    bound = (network.capacity * np.minimum(reduced, 0)).sum() - (network.supply * potential).sum()
    return int((flow * network.cost).sum() - bound)
