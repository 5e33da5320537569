"""The joint choice from prices worked out only where they matter, against the choice from all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.choice.solve import Assignment, Ports, solve_assignment
from geoplan.choosing import Book, choose_offers, value_ports
from geoplan.finishing import Finished
from geoplan.lower_bounds import NEVER
from geoplan.offers import Offers, best_offers, same_offers
from geoplan.search import Aim
from geoplan.verdicts import Forbidden
from geoplan.working import Bounds, Here, Tell
from tests.plants import PROJECT, all_offers, bare_town, lot_town, plant_of


def silent(stage: str, done: int, total: int) -> None:
    del stage, done, total


class PriceList:
    """A worker that looks prices up in a list, and notes how far it was asked to."""

    def __init__(self, offers: Offers, bounds: Bounds, count: int) -> None:
        self.offers, self.all_bounds, self.count = offers, bounds, count
        self.told = 0

    def search(self, addresses: np.ndarray, aim: Aim, tell: Tell) -> tuple[Offers, np.ndarray]:
        del tell
        parts, reached = [Offers.empty()], np.full(len(addresses), NEVER)
        for slot, address in enumerate(addresses.tolist()):
            mine = self.offers.take(self.offers.address == address)
            left = np.sort(mine.cents[mine.cents > aim.after[slot]])
            wanted = int(aim.wanted[slot])
            goal = NEVER if wanted > len(left) else left[wanted - 1] if wanted else -1
            goal = max(int(goal), int(aim.until[slot]))
            if len(left) and left[-1] > goal:
                reached[slot] = goal
            parts.append(mine.take((mine.cents > aim.after[slot]) & (mine.cents <= reached[slot])))
        self.told += sum(len(part) for part in parts)
        return Offers.joined(parts), reached

    def bounds(self, addresses: np.ndarray) -> Bounds:
        keep = np.isin(self.all_bounds[0], addresses)
        return tuple(column[keep] for column in self.all_bounds)  # type: ignore[return-value]

    def shift(self, offers: Offers) -> Offers:
        return offers

    def finish(self, offers: Offers, tell: Tell) -> Finished:
        raise NotImplementedError

    def explain(self, addresses: np.ndarray) -> Offers:
        return self.offers.take(np.isin(self.offers.address, addresses))


def offers_at(address: np.ndarray, terminal: np.ndarray, cents: np.ndarray) -> Offers:
    """Make offers of prices alone."""
    count = len(address)
    none, zero = np.full(count, -1, dtype=np.int64), np.zeros(count, dtype=np.int64)
    unknown, no = np.full(count, np.nan), np.zeros(count, dtype=bool)
    place = np.zeros(count)
    return Offers(
        address, terminal, terminal, zero, none, unknown, place, place, none, zero, unknown,
        cents, zero, no, unknown, none, none,
    )  # fmt: skip


def price_list(rng: np.random.Generator, count: int, terminals: int, *, spread: int) -> PriceList:
    """Draw prices, some pairs missing, and bounds below them, some of pairs without a route."""
    address, terminal = np.divmod(np.arange(count * terminals, dtype=np.int64), terminals)
    cents = 1_000 + rng.integers(0, spread, len(address))
    known = np.flatnonzero(rng.random(len(address)) < 0.7)
    bounded = known if rng.random() < 0.5 else np.arange(len(address))
    low = np.maximum(cents - rng.integers(0, max(spread // 2, 1), len(address)), 0)
    return PriceList(
        offers_at(address[known], terminal[known], cents[known]),
        (address[bounded], terminal[bounded], low[bounded]),
        count,
    )


def brute(offers: Offers, needed: np.ndarray, ports: Ports) -> Assignment:
    """Choose from all pairs at once."""
    pairs = offers.take(best_offers(offers, np.flatnonzero(offers.forbidden == 0)))
    return solve_assignment(
        pairs.address, pairs.terminal, pairs.cents, needed, ports, with_values=False
    )


def chosen_price(book: Book, row: np.ndarray, needed: np.ndarray, ports: Ports) -> tuple[int, int]:
    """Add up what was chosen, and check that ports suffice."""
    served = np.flatnonzero(row >= 0)
    offers = book.offers.take(row[served])
    assert (offers.address == served).all()
    assert (offers.forbidden == 0).all()
    load = np.zeros_like(ports.free)
    np.add.at(load, offers.terminal, needed[served])
    assert (load <= ports.free + ports.reserve).all()
    over = int(np.maximum(load - ports.free, 0).sum())
    return len(served), int(offers.cents.sum()) + over * ports.reserve_cents


def check_optimum(
    worker: PriceList | Here, everything: Offers, needed: np.ndarray, ports: Ports, ways: int = 1
) -> tuple[Book, Assignment]:
    book = Book(worker, len(needed), ways, silent)
    assignment, row = choose_offers(book, needed, ports)
    best = brute(everything, needed, ports)
    assert (assignment.served, assignment.cents) == (best.served, best.cents)
    assert chosen_price(book, row, needed, ports) == (best.served, best.cents)
    return book, assignment


def check_values(
    book: Book, everything: Offers, needed: np.ndarray, ports: Ports, known: Assignment
) -> int:
    """Compare each port value with solving everything again with one more port."""
    valued = value_ports(book, needed, ports, known)
    best = brute(everything, needed, ports)
    worth = 0
    for terminal in np.flatnonzero(valued.value_is_exact[: len(ports.free)]).tolist():
        more = ports.free.copy()
        more[terminal] += 1
        again = brute(everything, needed, Ports(more, ports.reserve, ports.reserve_cents))
        gain = (again.served - best.served, best.cents - again.cents)
        assert (valued.value_addresses[terminal], valued.value_cents[terminal]) == gain
        worth += gain != (0, 0)
    return worth


def few_ports(rng: np.random.Generator, terminals: int) -> Ports:
    free = rng.integers(0, 5, terminals)
    reserve = rng.integers(0, 2, terminals) * (rng.random() < 0.5)
    return Ports(free, reserve, int(rng.integers(0, 2_000)))


seeds = st.integers(0, 100_000)


def drawn(seed: int, *, most_needed: int) -> tuple[PriceList, np.ndarray, Ports]:
    rng = np.random.default_rng(seed)
    count, terminals = int(rng.integers(1, 14)), int(rng.integers(1, 6))
    spread = int(rng.choice([3, 300, 3_000, 30_000]))
    worker = price_list(rng, count, terminals, spread=spread)
    return worker, rng.integers(1, most_needed + 1, count), few_ports(rng, terminals)


@given(seeds, st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_the_choice_is_the_optimum_of_all_pairs(seed: int, most_needed: int) -> None:
    worker, needed, ports = drawn(seed, most_needed=most_needed)
    check_optimum(worker, worker.offers, needed, ports)


@given(seeds)
@settings(max_examples=40, deadline=None)
def test_a_port_is_worth_what_one_more_would_save(seed: int) -> None:
    worker, needed, ports = drawn(seed, most_needed=1)
    book, assignment = check_optimum(worker, worker.offers, needed, ports)
    check_values(book, worker.offers, needed, ports, assignment)


def test_some_port_of_those_lists_is_worth_something() -> None:
    worth = 0
    for seed in range(5):
        worker, needed, ports = drawn(seed, most_needed=1)
        book, assignment = check_optimum(worker, worker.offers, needed, ports)
        worth += check_values(book, worker.offers, needed, ports, assignment)
    assert worth > 3


def test_with_ports_to_spare_nobody_is_searched_beyond_the_cheapest_way() -> None:
    worker = price_list(np.random.default_rng(3), 12, 5, spread=30_000)
    needed, ports = np.full(12, 1), Ports(np.full(5, 12), np.zeros(5, dtype=np.int64), 0)
    book, _ = check_optimum(worker, worker.offers, needed, ports)
    assert worker.told == len(np.unique(worker.offers.address))
    assert not book.asks.any()


def test_with_few_ports_only_those_who_ask_are_searched_further() -> None:
    # ten at terminal 0 with room, three at terminal 1 with one port; 2 and 3 are dear
    address = np.repeat(np.arange(13), 4)
    terminal = np.tile(np.arange(4), 13)
    cents = np.tile([100, 9_000_000, 8_000_000, 9_500_000], 13)
    cents[40:] = np.tile([7_000_000, 100, 6_000_000, 8_000_000], 3)
    offers = offers_at(address, terminal, cents)
    worker = PriceList(offers, (address, terminal, cents - 50), 13)
    needed, ports = np.full(13, 1), Ports(np.array([12, 1, 1, 1]), np.zeros(4, dtype=np.int64), 0)
    book, _ = check_optimum(worker, offers, needed, ports)
    assert not book.asks[:10].any()
    assert book.asks[10:].all()


@given(seeds)
@settings(max_examples=15, deadline=None)
def test_after_an_offer_is_barred_the_choice_is_the_optimum_of_the_others(seed: int) -> None:
    worker, needed, ports = drawn(seed, most_needed=2)
    book, _ = check_optimum(worker, worker.offers, needed, ports)
    left = worker.offers
    for _ in range(3):
        assignment, row = choose_offers(book, needed, ports)
        best = brute(left, needed, ports)
        assert (assignment.served, assignment.cents) == (best.served, best.cents)
        taken = row[row >= 0][:2]
        gone = book.offers.take(taken)
        keys = gone.address * 10 + gone.terminal
        left = left.take(~np.isin(left.address * 10 + left.terminal, keys))
        book.bar(taken, replace(gone, forbidden=np.full(len(taken), int(Forbidden.CLEARANCE))))


def test_where_no_terminal_that_anyone_reaches_has_a_port_nobody_is_served() -> None:
    offers = offers_at(
        np.array([0, 0, 1, 1]), np.array([0, 2, 0, 2]), np.array([1_520, 3_092, 3_817, 1_048])
    )
    bounds = (offers.address, offers.terminal, offers.cents - 100)
    needed, ports = np.array([2, 1]), Ports(np.array([0, 2, 0]), np.zeros(3, dtype=np.int64), 0)
    book, assignment = check_optimum(PriceList(offers, bounds, 2), offers, needed, ports)
    assert assignment.served == 0
    check_values(book, offers, needed, ports, assignment)


@pytest.mark.parametrize("ways", [1, 3])
@given(seeds, st.integers(1, 3), st.booleans())
@settings(max_examples=4, deadline=None)
def test_in_a_town_the_choice_is_the_optimum_of_all_that_could_be_built(
    ways: int, seed: int, ports_each: int, two_ports: bool
) -> None:
    rng = np.random.default_rng(seed)
    plant = plant_of(lot_town(rng, two_ports=two_ports, ports=ports_each))
    everything = all_offers(plant, PROJECT, np.arange(plant.index.address_count))
    needed, free = plant.index.ports_needed, np.zeros(plant.poles, dtype=np.int64)
    free[plant.index.terminal_pole] = ports_each
    ports = Ports(free, (free > 0) * rng.integers(0, 2, len(free)), int(rng.integers(0, 20_000)))
    worker = Here(plant, PROJECT)
    book, assignment = check_optimum(worker, everything, needed, ports, ways)
    if not two_ports:
        check_values(book, everything, needed, ports, assignment)


def test_a_ports_value_counts_one_with_room_that_could_make_room_for_two() -> None:
    """Address 1 goes from terminal 1 to 0, so that address 0, which needs two ports, has 1."""
    offers = offers_at(np.array([0, 1, 1]), np.array([1, 0, 1]), np.array([2_062, 3_098, 2_891]))
    bounds = (offers.address, offers.terminal, offers.cents)
    needed, ports = np.array([2, 1]), Ports(np.array([1, 1]), np.zeros(2, dtype=np.int64), 0)
    book, assignment = check_optimum(PriceList(offers, bounds, 2), offers, needed, ports)
    assert check_values(book, offers, needed, ports, assignment) == 1


def test_after_an_offer_is_barred_another_place_of_its_clamp_is_offered() -> None:
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)], addresses=[(20.0, 58.0)], ends=[(0, 1)], terminals=[0]
    )
    plant, needed = plant_of(layers), np.ones(1, dtype=np.int64)
    ports = Ports(np.array([4, 0]), np.zeros(2, dtype=np.int64), 0)
    book = Book(Here(plant, PROJECT), 1, 4, silent)
    everything = all_offers(plant, PROJECT, np.zeros(1, dtype=np.int64))
    assert np.count_nonzero(everything.forbidden == 0) > 1
    _, row = choose_offers(book, needed, ports)
    gone = book.offers.take(row)
    book.bar(row, replace(gone, forbidden=np.array([int(Forbidden.CLEARANCE)])))
    left = everything.take(~same_offers(everything, gone, np.zeros(len(everything), dtype=int)))
    best = brute(left, needed, ports)
    assignment, _ = choose_offers(book, needed, ports)
    assert (assignment.served, assignment.cents) == (best.served, best.cents)
