"""The assignment against networkx's network simplex and an integer programme (HiGHS)."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from scipy.optimize import LinearConstraint, milp

from geoplan.choice.solve import Ports, solve_assignment


def _instance(
    seed: int, *, most_ports: int, most_addresses: int = 40, most_terminals: int = 10
) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    addresses = int(rng.integers(1, most_addresses))
    terminals = int(rng.integers(1, most_terminals))
    key = np.flatnonzero(rng.random(addresses * terminals) < rng.uniform(0.05, 0.6))
    address, terminal = (key // terminals).astype(np.int64), (key % terminals).astype(np.int64)
    cents = rng.integers(0, 50_000, len(key)).astype(np.int64)
    needed = rng.integers(1, most_ports + 1, addresses).astype(np.int64)
    free = rng.integers(0, 6, terminals).astype(np.int64)
    return address, terminal, cents, needed, free


@pytest.mark.parametrize("seed", range(200))
def test_served_and_cost_equal_network_simplex(seed: int) -> None:
    address, terminal, cents, needed, free = _instance(seed, most_ports=1)
    result = solve_assignment(address, terminal, cents, needed, Ports(free, np.zeros_like(free), 0))
    graph = nx.DiGraph()
    count = len(needed)
    unserved = int(cents.sum()) + 1
    graph.add_node("sink", demand=count)
    for a in range(count):
        graph.add_node(("a", a), demand=-1)
        graph.add_edge(("a", a), "sink", capacity=1, weight=unserved)
    for a, t, price in zip(address.tolist(), terminal.tolist(), cents.tolist(), strict=True):
        graph.add_edge(("a", a), ("t", t), capacity=1, weight=price)
    for t, ports in enumerate(free.tolist()):
        graph.add_edge(("t", t), "sink", capacity=ports, weight=0)
    cost, _ = nx.network_simplex(graph)
    assert (count - result.served) * unserved + result.cents == cost


@pytest.mark.parametrize("seed", range(200, 320))
def test_addresses_with_several_ports_equal_an_integer_programme(seed: int) -> None:
    address, terminal, cents, needed, free = _instance(seed, most_ports=3)
    reserve = np.random.default_rng(seed).integers(0, 3, len(free)).astype(np.int64)
    ports = Ports(free, reserve, 7_000)
    # what one more port is worth takes a choice of its own per terminal; it is compared below
    result = solve_assignment(address, terminal, cents, needed, ports, with_values=False)
    served, cost = _by_integer_programme(address, terminal, cents, needed, ports)
    assert (result.served, result.cents) == (served, cost)
    load = np.zeros(len(free), dtype=np.int64)
    taken = result.pair[result.pair >= 0]
    np.add.at(load, terminal[taken], needed[address[taken]])
    assert (load <= free + result.reserve_used).all()
    assert (result.reserve_used <= reserve).all()


@pytest.mark.parametrize("seed", range(400, 420))
def test_value_of_a_port_for_addresses_with_several_equals_solving_again(seed: int) -> None:
    address, terminal, cents, needed, free = _instance(
        seed, most_ports=3, most_addresses=18, most_terminals=6
    )
    reserve = np.random.default_rng(seed).integers(0, 3, len(free)).astype(np.int64)
    result = solve_assignment(address, terminal, cents, needed, Ports(free, reserve, 7_000))
    assert result.value_is_exact.all()
    for t in range(len(free)):
        more = Ports(free + (np.arange(len(free)) == t), reserve, 7_000)
        served, cost = _by_integer_programme(address, terminal, cents, needed, more)
        assert served - result.served == result.value_addresses[t]
        assert result.cents - cost == result.value_cents[t]


def _by_integer_programme(
    address: np.ndarray, terminal: np.ndarray, cents: np.ndarray, needed: np.ndarray, ports: Ports
) -> tuple[int, int]:
    """One programme with a weight on service, unlike the two-step one under test."""
    pairs, terminals = len(address), len(ports.free)
    if pairs == 0:
        return 0, 0
    weight = float(cents.sum() + ports.reserve.sum() * ports.reserve_cents + 1)
    once = np.zeros((len(needed), pairs + terminals))
    once[address, np.arange(pairs)] = 1
    load = np.zeros((terminals, pairs + terminals))
    load[terminal, np.arange(pairs)] = needed[address]
    load[np.arange(terminals), pairs + np.arange(terminals)] = -1
    price = np.concatenate([cents - weight, np.full(terminals, ports.reserve_cents)])
    solution = milp(
        price,
        integrality=np.ones(pairs + terminals),
        bounds=(0, np.concatenate([np.ones(pairs), ports.reserve])),
        constraints=[LinearConstraint(once, ub=1), LinearConstraint(load, ub=ports.free)],
        options={"mip_rel_gap": 0.0},
    )
    values = np.rint(solution.x).astype(np.int64)
    chosen = np.flatnonzero(values[:pairs])
    used = int(values[pairs:].sum())
    return len(chosen), int(cents[chosen].sum()) + used * ports.reserve_cents


@pytest.mark.parametrize("seed", range(60))
def test_value_of_a_port_equals_solving_again_with_it(seed: int) -> None:
    address, terminal, cents, needed, free = _instance(seed, most_ports=1)
    none = np.zeros_like(free)
    base = solve_assignment(address, terminal, cents, needed, Ports(free, none, 0))
    for t in range(len(free)):
        more = free.copy()
        more[t] += 1
        again = solve_assignment(address, terminal, cents, needed, Ports(more, none, 0))
        assert again.served - base.served == base.value_addresses[t]
        assert base.cents - again.cents == base.value_cents[t]
