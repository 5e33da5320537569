"""Cheapest flows, and the distances that prove them so.

Enters: `Network`: arcs with capacity and cost, supplies.
Leaves: the flow on each arc; residual distances from the sink.
Does not do: keep addresses whole that need several ports.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.routes.segments import IntArray

FAR = np.int64(2**62)


@dataclass(frozen=True)
class Network:
    """A flow network: addresses, then terminals, then the sink; pairs come first among arcs."""

    tail: IntArray
    head: IntArray
    capacity: IntArray
    cost: IntArray
    supply: IntArray
    pairs: int


def find_flow(network: Network) -> IntArray | None:
    """Find the cheapest flow of a network.

    Parameters
    ----------
    network : Network
        Arcs and supplies.

    Returns
    -------
    ndarray of int64 or None
        Flow on each arc; None if the supplies can't be sent.

    Raises
    ------
    ArithmeticError
        If the solver ends for any other reason.
    """
    from ortools.graph.python import min_cost_flow

    solver = min_cost_flow.SimpleMinCostFlow()
    arcs = solver.add_arcs_with_capacity_and_unit_cost(
        network.tail, network.head, network.capacity, network.cost
    )
    solver.set_nodes_supplies(np.arange(len(network.supply)), network.supply)
    status = solver.solve()
    if status == solver.INFEASIBLE:
        return None
    if status != solver.OPTIMAL:
        message = f"minimum-cost flow ended with status {status}"
        raise ArithmeticError(message)
    return np.asarray(solver.flows(arcs), dtype=np.int64)


def run_flow(network: Network) -> IntArray:
    """Find the cheapest flow of a network that has one.

    Parameters
    ----------
    network : Network
        Arcs and supplies.

    Returns
    -------
    ndarray of int64
        Flow on each arc.

    Raises
    ------
    ArithmeticError
        If there is none.
    """
    flow = find_flow(network)
    if flow is None:
        message = "minimum-cost flow ended without a way for all supplies"
        raise ArithmeticError(message)
    return flow


def sink_distances(
    network: Network, flow: IntArray, cost: IntArray, deepest: int
) -> tuple[int, IntArray]:
    """Find the shortest residual distance from the sink to every node.

    Parameters
    ----------
    network : Network
        Addresses, terminals, sink; pairs come first among the arcs.
    flow, cost : ndarray of int64
        By arc.
    deepest : int
        Distances below minus twice this mean a cycle of negative cost.

    Returns
    -------
    least : int
        Negative where a residual cycle has negative cost, else 0.
    distance : ndarray of int64
        By node; `FAR` where the sink doesn't lead.

    Notes
    -----
    Bellman's rule from the nodes that changed in the last step only, in sweeps from terminals
    to the addresses that use them and on to all their terminals.
    """
    pairs, sink = network.pairs, len(network.supply) - 1
    tail, head, price = network.tail[:pairs], network.head[:pairs], cost[:pairs]
    distance = np.full(sink + 1, FAR, dtype=np.int64)
    distance[sink] = 0
    back = np.flatnonzero(flow[pairs:] > 0) + pairs
    np.minimum.at(distance, network.tail[back], -cost[back])
    ahead = np.flatnonzero(flow[pairs:] < network.capacity[pairs:]) + pairs
    used = np.flatnonzero(flow[:pairs] > 0)
    into = _Rows(head[used], sink + 1, used)
    out = np.flatnonzero(flow[:pairs] < network.capacity[:pairs])
    onward = _Rows(tail[out], sink + 1, out)
    changed = np.flatnonzero(distance[:sink] < FAR)
    for _ in range(2 * sink + 4):
        over = np.concatenate([into.of(changed), onward.of(changed)])
        is_back = np.arange(len(over)) < len(over) - onward.total(changed)
        source = np.where(is_back, head[over], tail[over])
        target = np.where(is_back, tail[over], head[over])
        reached = distance[source] + np.where(is_back, -price[over], price[over])
        better = reached < distance[target]
        if not better.any():
            break
        target, reached = target[better], reached[better]
        np.minimum.at(distance, target, reached)
        changed = np.unique(target)
        if int(reached.min()) < -2 * deepest:
            return int(reached.min()), distance
    home = distance[network.tail[ahead]] + cost[ahead]
    return int(min(home.min(initial=0), 0)), distance


class _Rows:
    """Rows by a number they carry."""

    def __init__(self, number: IntArray, numbers: int, rows: IntArray) -> None:
        order = np.argsort(number, kind="stable")
        self._rows = rows[order]
        self._count = np.bincount(number, minlength=numbers)
        self._start = np.cumsum(self._count) - self._count

    def total(self, wanted: IntArray) -> int:
        return int(self._count[wanted].sum())

    def of(self, wanted: IntArray) -> IntArray:
        """Return the rows that carry one of the numbers, one number after another."""
        count = self._count[wanted]
        first = np.repeat(self._start[wanted] - np.cumsum(count) + count, count)
        return np.asarray(self._rows[first + np.arange(len(first))], dtype=np.int64)
