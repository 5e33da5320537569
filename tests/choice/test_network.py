"""Flow networks of one component, and the bound that proves a flow optimal."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.choice.network import build_network, check_optimal, dual_gap, run_flow


def _network(seed: int):
    rng = np.random.default_rng(seed)
    addresses, terminals = 12, 4
    key = np.flatnonzero(rng.random(addresses * terminals) < 0.6)
    none = np.zeros(terminals, dtype=np.int64)
    return build_network(
        key // terminals,
        key % terminals,
        rng.integers(0, 900, len(key)),
        rng.integers(1, 3, addresses),
        rng.integers(0, 5, terminals),
        none,
        0,
    )


@pytest.mark.parametrize("seed", range(30))
def test_the_gap_of_the_cheapest_flow_is_nought(seed: int) -> None:
    network = _network(seed)
    flow = run_flow(network)
    least, _, potential = check_optimal(network, flow)
    assert least == 0
    assert dual_gap(network, flow, potential) == 0


@pytest.mark.parametrize("seed", range(30))
def test_the_gap_of_a_flow_that_serves_nobody_is_what_it_wastes(seed: int) -> None:
    network = _network(seed)
    best = run_flow(network)
    _, _, potential = check_optimal(network, best)
    nobody = np.zeros_like(best)
    supply = network.supply[network.supply > 0]
    sink = len(network.supply) - 1
    nobody[np.flatnonzero((network.head == sink) & (network.tail < len(supply)))] = supply
    waste = int(((nobody - best) * network.cost).sum())
    assert waste > 0
    assert dual_gap(network, nobody, potential) == waste
