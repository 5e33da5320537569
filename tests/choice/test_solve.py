"""The joint choice against enumeration by hand, and what must hold of its proof and values."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, milp
from scipy.sparse import coo_array

from geoplan.choice import port_values, relaxed, whole
from geoplan.choice.network import Network
from geoplan.choice.solve import Assignment, Ports, solve_assignment


def _whole(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def _solve(
    pairs: list[tuple[int, int, int]],
    needed: list[int],
    free: list[int],
    reserve: list[int] | None = None,
    reserve_cents: int = 0,
) -> Assignment:
    rows = sorted(pairs)
    address, terminal, cents = (
        np.array([row[part] for row in rows], dtype=np.int64) for part in range(3)
    )
    spare = [0] * len(free) if reserve is None else reserve
    ports = Ports(_whole(*free), _whole(*spare), reserve_cents)
    return solve_assignment(address, terminal, cents, _whole(*needed), ports)


def _brute(
    pairs: list[tuple[int, int, int]],
    needed: list[int],
    free: list[int],
    reserve: list[int],
    reserve_cents: int,
) -> tuple[int, int]:
    """Try every choice: most addresses, then least cost."""
    ways = [
        [None, *((t, c) for a, t, c in pairs if a == address)] for address in range(len(needed))
    ]
    best = (0, 0)
    for choice in itertools.product(*ways):
        load, served, price = [0] * len(free), 0, 0
        for need, way in zip(needed, choice, strict=True):
            if way is not None:
                load[way[0]] += need
                served += 1
                price += way[1]
        extra = [max(used - have, 0) for used, have in zip(load, free, strict=True)]
        if all(more <= kept for more, kept in zip(extra, reserve, strict=True)):
            best = min(best, (-served, price + sum(extra) * reserve_cents))
    return -best[0], best[1]


def test_where_ports_abound_everybody_gets_the_cheapest() -> None:
    result = _solve([(0, 0, 50), (0, 1, 40), (1, 0, 30), (1, 1, 60)], [1, 1], [2, 2])
    assert result.pair.tolist() == [1, 2]
    assert (result.served, result.cents) == (2, 70)
    assert result.method.tolist() == ["cheapest", "cheapest"]
    assert result.value_addresses.tolist() == result.value_cents.tolist() == [0, 0]
    assert result.proof == {
        "cheapest": 1,
        "flow": 0,
        "branching": 0,
        "arcs_checked": 4,
        "least_reduced_cost": 0,
    }


def test_nothing_to_assign_is_an_answer_too() -> None:
    result = _solve([], [], [])
    assert (result.served, result.cents, len(result.pair)) == (0, 0, 0)


def test_addresses_without_any_pair_stay_unserved() -> None:
    result = _solve([], [1, 1], [4])
    assert result.pair.tolist() == [-1, -1]
    assert result.method.tolist() == ["unused"]
    assert result.value_is_exact.all()


def test_without_ports_nobody_is_served_and_one_port_would_bring_one_in() -> None:
    result = _solve([(0, 0, 900), (1, 0, 700)], [1, 1], [0])
    assert result.pair.tolist() == [-1, -1]
    assert result.cents == 0
    assert result.value_addresses.tolist() == [1]
    assert result.value_cents.tolist() == [-700]


def test_a_scarce_port_goes_where_it_saves_most() -> None:
    # both prefer terminal 0; address 1 would lose 90 elsewhere, address 0 only 10
    result = _solve([(0, 0, 10), (0, 1, 20), (1, 0, 10), (1, 1, 100)], [1, 1], [1, 1])
    assert result.pair.tolist() == [1, 2]
    assert result.cents == 30
    assert result.method.tolist() == ["flow", "flow"]
    assert result.value_addresses.tolist() == [0, 0]
    assert result.value_cents.tolist() == [10, 0]


def test_service_comes_before_price() -> None:
    # address 0 could have terminal 0 for nothing, but then address 1 would have none
    result = _solve([(0, 0, 0), (0, 1, 999_999), (1, 0, 500_000)], [1, 1], [1, 1])
    assert result.served == 2
    assert result.cents == 1_499_999


def test_an_address_with_one_pair_only_gets_it_even_if_others_pay_more() -> None:
    result = _solve([(0, 0, 80), (1, 0, 10), (1, 1, 70)], [1, 1], [1, 1])
    assert result.pair.tolist() == [0, 2]


def test_an_address_that_needs_two_ports_is_not_split_over_two_terminals() -> None:
    result = _solve([(0, 0, 10), (0, 1, 10)], [2], [1, 1])
    assert result.pair.tolist() == [-1]
    assert result.served == 0
    assert result.value_addresses.tolist() == [1, 1]
    assert result.value_cents.tolist() == [-10, -10]


def test_where_the_flow_would_split_an_address_branching_decides() -> None:
    # as a flow: address 0 takes one port of each terminal, and 1 and 2 the others
    pairs = [(0, 0, 10), (0, 1, 10), (1, 0, 5), (1, 1, 60), (2, 0, 60), (2, 1, 5)]
    result = _solve(pairs, [2, 1, 1], [2, 2])
    assert result.proof["branching"] == 1
    assert result.proof["flow"] == 0
    assert (result.served, result.cents) == (3, 75)
    assert set(result.method) == {"branching"}


@pytest.mark.parametrize("most", [0, 1, 400])
def test_the_integer_programme_that_takes_over_past_the_last_branch_agrees(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole, "MOST_BRANCHES", most)
    rng = np.random.default_rng(8)
    for _ in range(25):
        pairs = [(a, t, int(rng.integers(0, 99))) for a in range(5) for t in range(3)]
        needed, free = rng.integers(1, 4, 5).tolist(), rng.integers(0, 5, 3).tolist()
        reserve = rng.integers(0, 2, 3).tolist()
        result = _solve(pairs, needed, free, reserve, 20)
        assert (result.served, result.cents) == _brute(pairs, needed, free, reserve, 20)


@pytest.mark.parametrize("needed", [1, 2])
def test_a_large_piece_is_solved_whether_ways_take_one_port_or_several(
    needed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole, "MOST_BRANCHED_WAYS", 2)
    asked: list[int] = []
    programme = whole._integer_programme
    monkeypatch.setattr(
        whole,
        "_integer_programme",
        lambda piece: (asked.append(len(piece.a)), programme(piece))[1],
    )
    nothing = np.zeros(2, dtype=np.int64)
    piece = whole.Piece(
        a=_whole(0, 0, 1, 1, 2, 2),
        t=_whole(0, 1, 0, 1, 0, 1),
        loss=_whole(0, 30, 0, 50, 0, 20),
        skip_loss=_whole(1000, 1000, 1000),
        need=_whole(1, 1, needed),
        free=_whole(1, 2 + needed),
        free_cost=nothing,
        reserve=nothing,
        reserve_cost=nothing,
        scale=2,
        worth=10_000,
    )
    taken = whole.least_loss(piece)
    assert taken.tolist() == [1, 2, 5], "the one port goes to whom it saves most"
    assert len(asked) == (needed > 1)


def test_a_free_port_is_taken_before_a_reserved_one_that_costs_nothing() -> None:
    result = _solve([(0, 0, 0), (1, 0, 0)], [1, 3], [1], [1], 0)
    assert result.reserve_used.tolist() == [0]


def test_values_can_be_left_out() -> None:
    address = _whole(0, 0, 1, 1, 2, 2)
    arguments = (
        address,
        _whole(0, 1, 0, 1, 0, 1),
        _whole(10, 10, 5, 60, 60, 5),
        _whole(2, 1, 1),
        Ports(_whole(2, 2), _whole(0, 0), 0),
    )
    full, quick = solve_assignment(*arguments), solve_assignment(*arguments, with_values=False)
    assert quick.pair.tolist() == full.pair.tolist()
    assert not quick.value_is_exact.any()
    assert full.value_is_exact.all()


def test_ports_wanted_together_are_counted_together() -> None:
    result = _solve([(0, 0, 10), (1, 0, 10), (2, 0, 10)], [2, 2, 1], [3])
    load = sum(need for need, pair in zip([2, 2, 1], result.pair, strict=True) if pair >= 0)
    assert result.served == 2
    assert load == 3


def test_the_reserve_is_used_where_it_is_cheaper_than_the_way_around() -> None:
    near_or_far = [(0, 0, 100), (0, 1, 250)]
    used = _solve(near_or_far, [1], [0, 1], [1, 0], 100)
    assert used.reserve_used.tolist() == [1, 0]
    assert used.cents == 200
    spared = _solve(near_or_far, [1], [0, 1], [1, 0], 151)
    assert spared.reserve_used.tolist() == [0, 0]
    assert spared.cents == 250


def test_the_reserve_is_used_at_any_price_where_it_brings_service() -> None:
    result = _solve([(0, 0, 100)], [1], [0], [1], 10_000_000)
    assert result.served == 1
    assert result.cents == 10_000_100


def test_free_ports_are_taken_before_reserved_ones() -> None:
    result = _solve([(0, 0, 10), (1, 0, 20), (2, 0, 30)], [1, 1, 1], [2], [2], 7)
    assert result.reserve_used.tolist() == [1]
    assert result.cents == 67


@st.composite
def _instances(draw: st.DrawFn, most_ports: int = 3) -> tuple:
    addresses, terminals = draw(st.integers(1, 5)), draw(st.integers(1, 3))
    pairs = [
        (a, t, draw(st.integers(0, 400)))
        for a in range(addresses)
        for t in range(terminals)
        if draw(st.booleans())
    ]
    needed = draw(st.lists(st.integers(1, most_ports), min_size=addresses, max_size=addresses))
    free = draw(st.lists(st.integers(0, 3), min_size=terminals, max_size=terminals))
    reserve = draw(st.lists(st.integers(0, 2), min_size=terminals, max_size=terminals))
    return pairs, needed, free, reserve, draw(st.integers(0, 300))


@given(_instances())
@settings(max_examples=120, deadline=None)
def test_the_choice_equals_the_best_of_all_choices(instance: tuple) -> None:
    pairs, needed, free, reserve, _ = instance
    result = _solve(*instance)
    assert (result.served, result.cents) == _brute(*instance)
    load = [0] * len(free)
    for address, pair in enumerate(result.pair.tolist()):
        if pair >= 0:
            owner, terminal, _ = sorted(pairs)[pair]
            assert owner == address
            load[terminal] += needed[address]
    for terminal, used in enumerate(result.reserve_used.tolist()):
        assert used == max(load[terminal] - free[terminal], 0)
        assert used <= reserve[terminal]


@given(_instances())
@settings(max_examples=80, deadline=None)
def test_the_value_of_a_port_is_what_one_more_would_change(instance: tuple) -> None:
    pairs, needed, free, reserve, reserve_cents = instance
    result = _solve(*instance)
    assert result.value_is_exact.all()
    for terminal in range(len(free)):
        more = [ports + (number == terminal) for number, ports in enumerate(free)]
        served, price = _brute(pairs, needed, more, reserve, reserve_cents)
        assert result.value_addresses[terminal] == served - result.served
        assert result.value_cents[terminal] == result.cents - price


@given(_instances())
@settings(max_examples=80, deadline=None)
def test_a_port_that_brings_nobody_in_never_costs(instance: tuple) -> None:
    result = _solve(*instance)
    assert (result.value_addresses >= 0).all()
    assert (result.value_cents[result.value_addresses == 0] >= 0).all()


@given(_instances(), _instances())
@settings(max_examples=60, deadline=None)
def test_two_problems_without_a_common_terminal_are_solved_as_if_apart(
    first: tuple, second: tuple
) -> None:
    reserve_cents = first[4]
    addresses, terminals = len(first[1]), len(first[2])
    moved = [(a + addresses, t + terminals, c) for a, t, c in second[0]]
    both = _solve(
        [*first[0], *moved],
        [*first[1], *second[1]],
        [*first[2], *second[2]],
        [*first[3], *second[3]],
        reserve_cents,
    )
    one, two = _solve(*first[:4], reserve_cents), _solve(*second[:4], reserve_cents)
    shift = np.where(two.pair >= 0, two.pair + len(first[0]), -1)
    assert both.pair.tolist() == [*one.pair.tolist(), *shift.tolist()]
    assert (both.served, both.cents) == (one.served + two.served, one.cents + two.cents)
    for name in ("reserve_used", "value_addresses", "value_cents", "method", "value_is_exact"):
        assert getattr(both, name).tolist() == [
            *getattr(one, name).tolist(),
            *getattr(two, name).tolist(),
        ]
    for name, count in both.proof.items():
        assert count == one.proof[name] + two.proof[name]


@given(_instances(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_order_of_addresses_and_terminals_has_no_say(instance: tuple, random) -> None:
    pairs, needed, free, reserve, reserve_cents = instance
    who, where = list(range(len(needed))), list(range(len(free)))
    random.shuffle(who)
    random.shuffle(where)
    renamed = [(who[a], where[t], c) for a, t, c in pairs]
    first = _solve(*instance)
    second = _solve(
        renamed,
        [needed[who.index(a)] for a in range(len(needed))],
        [free[where.index(t)] for t in range(len(free))],
        [reserve[where.index(t)] for t in range(len(free))],
        reserve_cents,
    )
    assert (first.served, first.cents) == (second.served, second.cents)
    assert first.value_addresses.tolist() == second.value_addresses[where].tolist()
    assert first.value_cents.tolist() == second.value_cents[where].tolist()


def test_every_component_is_counted_once_by_its_method() -> None:
    pairs = [
        *[(0, 0, 5), (1, 0, 6)],  # ample
        *[(2, 1, 5), (3, 1, 6)],  # one port for two
        *[(4, 2, 10), (4, 3, 10), (5, 2, 5), (5, 3, 60), (6, 2, 60), (6, 3, 5)],  # would split
    ]
    result = _solve(pairs, [1, 1, 1, 1, 2, 1, 1], [2, 1, 2, 2])
    counts = {name: result.proof[name] for name in ("cheapest", "flow", "branching")}
    assert counts == {"cheapest": 1, "flow": 1, "branching": 1}
    assert result.proof["least_reduced_cost"] == 0
    assert result.proof["arcs_checked"] > 2
    assert result.method.tolist() == ["cheapest", "flow", "branching", "branching"]


def test_a_flow_that_is_not_optimal_fails_its_proof(monkeypatch: pytest.MonkeyPatch) -> None:
    def serve_nobody(network: Network) -> np.ndarray:
        flow = np.zeros(len(network.capacity), dtype=np.int64)
        supply = network.supply[network.supply > 0]
        to_sink = np.flatnonzero(
            (network.head == len(network.supply) - 1) & (network.tail < len(supply))
        )
        flow[to_sink] = supply
        return flow

    monkeypatch.setattr(relaxed, "run_flow", serve_nobody)
    with pytest.raises(ArithmeticError, match="optimality proof failed: reduced cost -"):
        _solve([(0, 0, 10), (0, 1, 20), (1, 0, 10), (1, 1, 100)], [1, 1], [1, 1])


def test_values_too_many_to_be_worked_out_are_said_to_be_inexact(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(port_values, "MOST_TRIALS", 0)
    pairs = [(0, 0, 10), (0, 1, 10), (1, 0, 5), (1, 1, 60), (2, 0, 60), (2, 1, 5)]
    result = _solve(pairs, [2, 1, 1], [2, 2])
    assert not result.value_is_exact.any()
    assert (result.served, result.cents) == (3, 75)


def test_progress_counts_up_to_all_steps() -> None:
    steps = []
    address, terminal = _whole(0, 1, 2, 3), _whole(0, 0, 1, 1)
    for with_values, expected in ((True, 3), (False, 2)):
        steps.clear()
        solve_assignment(
            address,
            terminal,
            _whole(1, 2, 3, 4),
            _whole(1, 1, 1, 1),
            Ports(_whole(1, 1), _whole(0, 0), 0),
            lambda done, total: steps.append((done, total)),
            with_values=with_values,
        )
        assert steps == [(done, expected) for done in range(1, expected + 1)]


def _town(count: int, seed: int, *, dearest: int = 6_000) -> tuple:
    """Lay out a strip of houses that all hang together: eight terminals each, few ports."""
    rng = np.random.default_rng(seed)
    terminals, near = max(count // 8, 8), 8
    place = np.sort(rng.random(count)) * (terminals - near)
    first = place.astype(np.int64)
    address = np.repeat(np.arange(count), near)
    terminal = (first[:, None] + np.arange(near)).ravel()
    cents = rng.integers(0, dearest, len(address)) + 40 * np.abs(
        terminal - np.repeat(place, near) - near / 2
    ).astype(np.int64)
    needed = np.where(rng.random(count) < 0.05, 2, 1).astype(np.int64)
    home = first + rng.integers(2, 6, count)
    load = np.bincount(home, weights=needed, minlength=terminals)
    free = np.ceil(load / rng.uniform(0.85, 1.0, terminals)).astype(np.int64)
    return address, terminal, cents.astype(np.int64), needed, free


@pytest.mark.parametrize("seed", range(4))
def test_a_town_in_one_component_is_proved_and_equals_an_integer_programme(seed: int) -> None:
    address, terminal, cents, needed, free = _town(150, seed)
    ports = Ports(free, np.zeros_like(free), 0)
    result = solve_assignment(address, terminal, cents, needed, ports, with_values=False)
    assert result.gap_cents == 0
    assert result.proof["branching"] + result.proof["flow"] >= 1
    weight = 100_000
    once = coo_array((np.ones(len(address)), (address, np.arange(len(address)))))
    load = coo_array(
        (needed[address], (terminal, np.arange(len(address)))), (len(free), len(address))
    )
    found = milp(
        (cents - weight).astype(np.float64),
        integrality=np.ones(len(address)),
        bounds=(0, 1),
        constraints=[LinearConstraint(once.tocsr(), ub=1), LinearConstraint(load.tocsr(), ub=free)],
        options={"mip_rel_gap": 0.0},
    )
    assert result.cents - weight * result.served == round(found.fun)


@pytest.mark.parametrize("dearest", [1, 3, 6_000])
def test_what_else_is_in_the_call_never_changes_the_choice(dearest: int) -> None:
    towns = [_town(200, seed, dearest=dearest) for seed in range(3)]
    ends = np.cumsum([0, *(len(town[3]) for town in towns)])
    stops = np.cumsum([0, *(len(town[4]) for town in towns)])
    address, terminal = (
        np.concatenate([town[part] + shift for town, shift in zip(towns, by[:-1], strict=True)])
        for part, by in ((0, ends), (1, stops))
    )
    cents, needed, free = (np.concatenate([town[part] for town in towns]) for part in (2, 3, 4))
    with_values = dearest > 3
    both = solve_assignment(
        address, terminal, cents, needed, Ports(free, 0 * free, 0), with_values=with_values
    )
    row = 0
    for number, town in enumerate(towns):
        alone = solve_assignment(*town[:4], Ports(town[4], 0 * town[4], 0), with_values=with_values)
        own = slice(ends[number], ends[number + 1])
        stop = slice(stops[number], stops[number + 1])
        assert both.pair[own].tolist() == np.where(alone.pair >= 0, alone.pair + row, -1).tolist()
        assert both.value_cents[stop].tolist() == alone.value_cents.tolist()
        assert both.value_is_exact[stop].tolist() == alone.value_is_exact.tolist()
        row += len(town[0])
