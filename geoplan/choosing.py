"""The joint choice from prices that are worked out only where they can matter.

Enters: a worker that searches, ports.
Leaves: for each address the offer that serves it, with the proof; `Book`.
Does not do: search, or solve the assignment itself.

Each address is first searched up to its cheapest way, and counted with one pair more that stands
for all others: it needs no port, and costs a cent more than the address was searched up to. Where
a solution uses that, the address brings all its pairs in, most of them with no more than a lower
bound. Each pair that a solution uses at a bound is worked out, and it is solved again, until it
uses exact prices only. Every other pair costs at least what it was counted with, so the result is
the optimum of all pairs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from geoplan.candidates import BoolArray
from geoplan.choice.flow_parts import LastFlow
from geoplan.choice.solve import Assignment, Ports, relax, solve_assignment
from geoplan.lower_bounds import NEVER
from geoplan.offers import Offers, best_offers, same_offers
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.search import Aim
from geoplan.working import Worker

AHEAD_CENTS = 10_000
"""How far beyond a bound that was used an address is searched the first time; saves rounds, and
has no say in the result."""
NEAR_CENTS = 4_000
"""Bounds that lose no more than this are worked out with those that are used; saves rounds too."""
MOST_TRIED = 2_000
"""Addresses of a region that is small: port values may be tried with every pair worked out."""
MOST_ROUNDS = 400
SERVICE = 1 << 40
"""More cents than any plan costs: what serving one more address outweighs."""

FAILURE = ("forbidden", "miss_m", "miss_kind", "miss_feature")
"""Columns of offers that tell what an offer fails."""

Tell = Callable[[str, int, int], None]


class Book:
    """Offers known so far, how far each address was searched, and the bounds of those who ask."""

    def __init__(self, worker: Worker, count: int, ways: int, tell: Tell) -> None:
        tell("candidates", 0, count)
        everyone = np.arange(count, dtype=np.int64)
        self.worker, self.tell = worker, tell
        self.offers, self.reached = worker.search(
            everyone, Aim.first(count, ways), lambda done, total: tell("candidates", done, total)
        )
        self.is_told = self.reached == NEVER
        self.is_told[self.offers.address[self.offers.forbidden == 0]] = False
        self.asks = np.zeros(count, dtype=bool)
        self.extended = np.zeros(count, dtype=bool)
        none = np.zeros(0, dtype=np.int64)
        self.bounds = (none, none, none)
        self.barred = self.offers.take(none)
        self._pairs: IntArray | None = None

    def exact(self) -> IntArray:
        """Return the best offer of each pair whose price is proven; by address and terminal."""
        if self._pairs is None:
            offers = self.offers
            known = (offers.forbidden == 0) & (offers.cents <= self.reached[offers.address])
            self._pairs = best_offers(offers, np.flatnonzero(known))
        return self._pairs

    def ask(self, addresses: IntArray) -> None:
        """Bring in all pairs of these addresses: by their bounds, or worked out later on.

        When others have been searched further, those who ask now are few: searched to the end at
        once they need no bounds, and the shapes around them are looked up but once.
        """
        self.asks[addresses] = True
        if self.extended.any():
            self.extended[addresses] = True
            self.extend(addresses, np.full(len(addresses), NEVER, dtype=np.int64))
            return
        more = self.worker.bounds(addresses)
        joined = [np.concatenate([old, new]) for old, new in zip(self.bounds, more, strict=True)]
        order = np.lexsort((joined[1], joined[0]))
        self.bounds = (joined[0][order], joined[1][order], joined[2][order])

    def extend(self, addresses: IntArray, until: IntArray, wanted: int = 0) -> None:
        """Search addresses further."""
        aim = Aim(self.reached[addresses], until, np.full(len(addresses), wanted, dtype=np.int64))
        offers, reached = self.worker.search(addresses, aim, _unheard)
        self.offers = Offers.joined([self.offers, offers])
        self.reached[addresses] = np.maximum(self.reached[addresses], reached)
        self._pairs = None

    def bar(self, rows: IntArray, miss: Offers) -> None:
        """Forbid offers that failed when worked out in full, and look for others.

        `miss` are the same offers with what they fail. Their addresses are searched anew and to
        the end, with every place of a clamp, for of each way only the cheapest was kept.
        """
        columns = {name: getattr(miss, name) for name in FAILURE}
        self.barred = Offers.joined([self.barred, replace(self.offers.take(rows), **columns)])
        addresses = np.unique(self.offers.address[rows])
        aim = replace(Aim.everything(len(addresses)), keeps_places=True)
        offers, self.reached[addresses] = self.worker.search(addresses, aim, _unheard)
        others = self.offers.take(~np.isin(self.offers.address, addresses))
        self.offers = Offers.joined([others, _marked(offers, self.barred)])
        self._pairs = None

    def row_of(self, offers: Offers) -> IntArray:
        """Return the rows of offers, of different addresses; -1 where they are not in the book."""
        slot = np.full(len(self.reached), -1, dtype=np.int64)
        slot[offers.address] = np.arange(len(offers))
        mine = np.flatnonzero(slot[self.offers.address] >= 0)
        at = slot[self.offers.address[mine]]
        same = same_offers(self.offers.take(mine), offers, at)
        row = np.full(len(offers), -1, dtype=np.int64)
        row[at[same]] = mine[same]
        return row

    def optimistic(self, exact_keys: IntArray, width: int) -> tuple[IntArray, IntArray, IntArray]:
        """Return the pairs of those who ask that have no proven price, each with its bound."""
        address, terminal, cents = self.bounds
        key = address * width + terminal
        at = np.minimum(np.searchsorted(exact_keys, key), max(len(exact_keys) - 1, 0))
        proven = exact_keys[at] == key if len(exact_keys) else np.zeros(len(key), dtype=bool)
        open_ = ~proven & (self.reached[address] < NEVER)
        address, terminal, cents = address[open_], terminal[open_], cents[open_]
        return address, terminal, np.maximum(cents, self.reached[address] + 1)


def _unheard(done: int, total: int) -> None:
    del done, total


def _marked(offers: Offers, barred: Offers) -> Offers:
    """Tell those among offers as forbidden that were barred before; they are few."""
    columns = {name: getattr(offers, name).copy() for name in FAILURE}
    for number in np.flatnonzero(np.isin(barred.address, offers.address)).tolist():
        mine = np.flatnonzero(offers.address == barred.address[number])
        at = np.full(len(mine), number, dtype=np.int64)
        row = mine[same_offers(offers.take(mine), barred, at)]
        for name, column in columns.items():
            column[row] = getattr(barred, name)[number]
    return replace(offers, **columns)


@dataclass(frozen=True)
class Pairs:
    """Pairs with the price that the assignment counts for each, by address and terminal."""

    address: IntArray
    terminal: IntArray
    cents: IntArray
    offer: IntArray
    """Row of the offer; -1 where the price is a bound."""
    is_stand_in: BoolArray
    """Whether the pair stands for all pairs that its address has not brought in."""

    @staticmethod
    def of(book: Book, width: int, *, stand_ins: bool) -> Pairs:
        """Gather the pairs of a book.

        An address that has not brought its pairs in may have a stand-in: a pair with a terminal
        of its own, numbered after all others, at the least price that any of them can have.
        """
        rows, offers = book.exact(), book.offers
        address, terminal = offers.address[rows], offers.terminal[rows]
        more = book.optimistic(address * width + terminal, width)
        hidden = np.zeros(0, dtype=np.int64)
        if stand_ins:
            hidden = np.flatnonzero(~book.asks & (book.reached < NEVER)).astype(np.int64)
        bounds = len(more[0]) + len(hidden)
        joined = (
            np.concatenate([address, more[0], hidden]),
            np.concatenate([terminal, more[1], width + hidden]),
            np.concatenate([offers.cents[rows], more[2], book.reached[hidden] + 1]),
            np.concatenate([rows, np.full(bounds, -1, dtype=np.int64)]),
            np.arange(len(rows) + bounds) >= len(rows) + len(more[0]),
        )
        order = np.lexsort((joined[1], joined[0]))
        return Pairs(*(column[order] for column in joined))  # type: ignore[arg-type]


def choose_offers(book: Book, needed: IntArray, ports: Ports) -> tuple[Assignment, IntArray]:
    """Find the optimum of all pairs.

    Parameters
    ----------
    book : Book
        Offers known; grows.
    needed : ndarray of int64, shape (n,)
        Ports that each address needs.
    ports : Ports
        Ports of each terminal, by row of pole.

    Returns
    -------
    assignment : Assignment
        Without port values; pairs count along `Pairs.of` the book.
    offer : ndarray of int64, shape (n,)
        Row of the offer of each address; -1 where unserved.

    Raises
    ------
    ArithmeticError
        If the proof fails or the rounds don't end; that would be a defect.
    """
    width = len(ports.free)
    with_own = Ports(
        np.concatenate([ports.free, needed]),
        np.concatenate([ports.reserve, np.zeros(len(needed), dtype=np.int64)]),
        ports.reserve_cents,
    )
    contested: BoolArray | None = None
    last = LastFlow()
    for number in range(MOST_ROUNDS):
        book.tell("choice", number, number + 1)
        pairs = Pairs.of(book, width, stand_ins=True)
        loss, contested = relax(
            pairs.address, pairs.terminal, pairs.cents, needed, with_own, contested, last
        )
        if _look_further(book, pairs, loss == 0, loss):
            continue
        assignment = _solve(pairs, needed, with_own, book.tell, with_values=False, last=last)
        taken = assignment.pair
        used = np.zeros(len(pairs.offer), dtype=bool)
        used[taken[taken >= 0]] = True
        if not _look_further(book, pairs, used, loss):
            return assignment, np.append(pairs.offer, -1)[taken]
    message = "the joint choice did not come to an end"
    raise ArithmeticError(message)


def _look_further(book: Book, pairs: Pairs, used: BoolArray, loss: FloatArray) -> bool:
    """Work out what a solution uses at a bound; return False where it uses exact prices only.

    Bounds that lose little are worked out with them. An address whose stand-in is used brings
    its pairs in.
    """
    bound = pairs.offer < 0
    if not (used & bound).any():
        return False
    joining = _with_neighbours(book, pairs, used & pairs.is_stand_in)
    rows = np.flatnonzero((used | (loss <= NEAR_CENTS)) & bound & ~pairs.is_stand_in)
    if len(rows):
        until = np.zeros(len(book.reached), dtype=np.int64)
        np.maximum.at(until, pairs.address[rows], pairs.cents[rows] + AHEAD_CENTS)
        address = np.flatnonzero(until).astype(np.int64)
        # those who are looked at once more are few, as are all in a small region: to the end
        again = book.extended[address] | (len(book.reached) <= MOST_TRIED)
        book.extended[address] = True
        book.extend(address, np.where(again, NEVER, until[address]))
    if len(joining):
        book.ask(joining)
    return True


def _with_neighbours(book: Book, pairs: Pairs, stand_ins: BoolArray) -> IntArray:
    """Return the owners of stand-ins, with all that could leave the same terminals as well."""
    owner = np.zeros(len(book.reached), dtype=bool)
    owner[pairs.address[stand_ins]] = True
    exact = pairs.offer >= 0
    shared = np.zeros(int(pairs.terminal.max(initial=-1)) + 1, dtype=bool)
    shared[pairs.terminal[exact & owner[pairs.address]]] = True
    owner[pairs.address[exact & shared[pairs.terminal]]] = True
    return np.flatnonzero(owner & ~book.asks & (book.reached < NEVER)).astype(np.int64)


def _solve(
    pairs: Pairs,
    needed: IntArray,
    ports: Ports,
    tell: Tell,
    *,
    with_values: bool,
    last: LastFlow | None = None,
) -> Assignment:
    return solve_assignment(
        pairs.address,
        pairs.terminal,
        pairs.cents,
        needed,
        ports,
        lambda done, total: tell("choice", done, total),
        with_values=with_values,
        last=last,
    )


def value_ports(book: Book, needed: IntArray, ports: Ports, known: Assignment) -> Assignment:
    """Find what one more port at each terminal would be worth, exactly.

    Parameters
    ----------
    book : Book
        Offers known; grows.
    needed : ndarray of int64, shape (n,)
        Ports that each address needs.
    ports : Ports
        Ports of each terminal.
    known : Assignment
        The optimum.

    Returns
    -------
    Assignment
        An optimum of the same price with port values; those don't depend on which of several
        optima is taken.

    Raises
    ------
    ArithmeticError
        If the optimum has another price; that would be a defect.

    Notes
    -----
    Counted with bounds a port is worth at least what it is really worth. Where no pair that the
    gain rests on is a bound, it is worth just that; until then, those are worked out. Where
    addresses that need several ports leave the duals open, values are tried with one more port, in
    regions small enough to work out every pair; elsewhere they are said not to be exact.
    """
    width = len(ports.free)
    for number in range(MOST_ROUNDS):
        book.tell("port values", number, number + 1)
        pairs = Pairs.of(book, width, stand_ins=False)
        valued = _solve(pairs, needed, ports, book.tell, with_values=False)
        loss = np.full(len(pairs.offer), np.inf)
        if _look_further(book, pairs, _rests_on_bounds(pairs, valued), loss):
            continue
        if not valued.value_is_exact.all() and len(needed) <= MOST_TRIED:
            open_ = np.flatnonzero(book.reached < NEVER).astype(np.int64)
            book.extend(open_, np.full(len(open_), NEVER, dtype=np.int64))
            pairs = Pairs.of(book, width, stand_ins=False)
            valued = _solve(pairs, needed, ports, book.tell, with_values=True)
        if (valued.served, valued.cents) != (known.served, known.cents):
            message = "the optimum solved before is not found again"
            raise ArithmeticError(message)
        return valued
    message = "the values of ports did not come to an end"
    raise ArithmeticError(message)


def _rests_on_bounds(pairs: Pairs, valued: Assignment) -> BoolArray:
    """Find pairs counted with a bound that the value of some port may rest on."""
    value = valued.value_addresses * SERVICE + valued.value_cents
    rows = np.flatnonzero(pairs.offer < 0)
    at = valued.pair[pairs.address[rows]]
    before = np.where(at >= 0, pairs.cents[at] + value[pairs.terminal[np.maximum(at, 0)]], SERVICE)
    worth = value[pairs.terminal[rows]]
    rests = (worth > 0) & (before - pairs.cents[rows] >= worth)
    result = np.zeros(len(pairs.offer), dtype=bool)
    result[rows[rests | (at == rows)]] = True
    return result
