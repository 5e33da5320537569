"""Cheapest flows, and the distances that tell whether a flow is one."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.choice.network import FAR, Network, find_flow, run_flow, sink_distances

DEAR = 10_000


def _network(seed: int) -> Network:
    rng = np.random.default_rng(seed)
    addresses, terminals = 12, 4
    key = np.flatnonzero(rng.random(addresses * terminals) < 0.6)
    a, t = key // terminals, key % terminals
    need = rng.integers(1, 3, addresses)
    sink = addresses + terminals
    ends = np.arange(terminals) + addresses
    return Network(
        np.concatenate([a, np.arange(addresses), ends]),
        np.concatenate([t + addresses, np.full(sink, sink)]),
        np.concatenate([need[a], need, rng.integers(0, 5, terminals)]),
        np.concatenate(
            [rng.integers(0, 900, len(key)), np.full(addresses, DEAR), np.zeros(terminals, int)]
        ),
        np.concatenate([need, np.zeros(terminals, int), [-need.sum()]]),
        len(key),
    )


@pytest.mark.parametrize("seed", range(30))
def test_distances_of_the_cheapest_flow_leave_no_residual_arc_below_nought(seed: int) -> None:
    network = _network(seed)
    flow = run_flow(network)
    least, distance = sink_distances(network, flow, network.cost, DEAR)
    assert least == 0
    for sign, arcs in ((1, flow < network.capacity), (-1, flow > 0)):
        ends = (network.tail[arcs], network.head[arcs])
        tail, head = ends if sign > 0 else ends[::-1]
        known = distance[tail] < FAR
        reduced = distance[tail] + sign * network.cost[arcs] - distance[head]
        assert (reduced[known] >= 0).all()


@pytest.mark.parametrize("seed", range(30))
def test_a_flow_that_serves_nobody_is_found_out(seed: int) -> None:
    network = _network(seed)
    nobody = np.zeros(len(network.cost), dtype=np.int64)
    nobody[network.pairs : network.pairs + 12] = network.supply[:12]
    assert sink_distances(network, nobody, network.cost, DEAR)[0] < 0


def test_supplies_without_a_way_are_told() -> None:
    one = np.array([1])
    blocked = Network(0 * one, one, 0 * one, one, np.array([1, -1]), 1)
    assert find_flow(blocked) is None
    with pytest.raises(ArithmeticError, match="without a way"):
        run_flow(blocked)
