"""The choice with addresses allowed to be split: one flow over all that compete for ports.

Enters: priced pairs that fit, ports needed, ports free and in reserve.
Leaves: `Relaxed`: a price for a port of each terminal, and what each pair loses against it.
Does not do: keep addresses whole that need several ports.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.choice.flow_parts import LastFlow, parts_of, shared_out
from geoplan.choice.network import FAR, Network, run_flow, sink_distances
from geoplan.routes.segments import IntArray
from geoplan.side_by_side import processors, side_by_side

BoolArray = npt.NDArray[np.bool_]
SERVICE_OVER_DEAREST = 4
SERVICE_STEP = 256
SERVICE_CENTS = 2**40
"""Worth of service in all but the dearest calls, so that it doesn't vary with what is in them."""
MOST_CONTESTED = 0.6
"""Share of addresses in the flow from which on all are taken in at once."""
MANY_PAIRS = 40_000
"""From so many on flows are solved side by side."""
MOST_GROWTHS = 12
"""Times the set of contested terminals grows before all are taken in."""


@dataclass(frozen=True)
class Pairs:
    """Pairs of address and terminal, sorted by address, then terminal."""

    address: IntArray
    terminal: IntArray
    cents: IntArray
    needed: IntArray
    free: IntArray
    reserve: IntArray
    reserve_cents: int

    @property
    def scale(self) -> int:
        """Least common multiple of the ports needed: what a cent is multiplied by."""
        return int(np.lcm.reduce(np.unique(self.needed))) if len(self.needed) else 1

    @property
    def service(self) -> int:
        """Worth of serving one address, in cents; more than all prices together."""
        dearest = np.zeros(len(self.needed), dtype=np.int64)
        np.maximum.at(dearest, self.address, self.cents)
        most = int(2 * (1 + dearest.sum() + self.reserve.sum() * self.reserve_cents))
        return max(SERVICE_CENTS, 1 << (most * self.scale).bit_length())


@dataclass(frozen=True)
class Relaxed:
    """Optimal duals of the choice with split addresses; all prices times `scale`."""

    port_price: IntArray
    """What a port of each terminal is worth at least; 0 where one is left over."""
    loss: IntArray
    """By pair: price and ports less the cheapest way of the address; 0 or more."""
    skip_loss: IntArray
    """By address: what leaving it unserved loses against its cheapest way."""
    scale: int
    service: int
    contested: int
    """Addresses that compete for ports."""
    is_contested: BoolArray
    """By terminal: whether its ports are competed for."""


def solve_relaxed(
    pairs: Pairs, begin: BoolArray | None = None, last: LastFlow | None = None
) -> Relaxed:
    """Find the worth of a port at each terminal where addresses may be split.

    Parameters
    ----------
    pairs : Pairs
        Pairs that fit.
    begin : ndarray of bool, optional
        Terminals to begin with besides those that overflow; saves time where a like problem was
        solved before, and has no say in the result.
    last : LastFlow, optional
        The flow of a like problem, which is replaced; saves time, and has no say either.

    Returns
    -------
    Relaxed
        Duals, the same whichever optimal flow the solver comes upon.

    Raises
    ------
    ArithmeticError
        If the duals don't prove the flow optimal.

    Notes
    -----
    Only contested terminals need a flow. Give every address its cheapest pair; terminals that
    overflow are contested, and so are addresses whose cheapest pair ends there. A flow of
    those alone, over all their pairs, with the others' ports taken off, is optimal for all if no
    terminal with ports of others gets a price: port prices are never negative, so an address
    outside pays its cheapest price and no pair of it costs less with port prices added. Terminals
    that do get a price are contested in the next round. The proof is repeated on the whole problem
    at the end: every loss is 0 or more by construction, and what the flow uses must lose nothing.

    In the flow an address with one pair left (`_worth_counting`) is no node: it is a supply of its
    terminal, with an arc from there to the sink at what its next best way costs more. Residual
    distances are the same as with the node, so prices are too, and networks get several times
    smaller.

    The price of a port is minus the shortest distance from the sink to the terminal in the
    residual network, the largest of all optimal prices where there is a choice.
    """
    first = cheapest_rows(pairs)
    served = first >= 0
    home = np.where(served, pairs.terminal[first] if len(pairs.terminal) else -1, -1)
    wanted = np.bincount(
        home[served], weights=pairs.needed[served], minlength=len(pairs.free)
    ).astype(np.int64)
    contested = wanted > pairs.free
    if begin is not None:
        contested |= begin
    contested |= _may_fill(pairs, contested, home, wanted)
    scale, service = pairs.scale, pairs.service
    last = LastFlow() if last is None else last
    price = np.zeros(len(pairs.free), dtype=np.int64)
    inside = np.zeros(len(pairs.needed), dtype=bool)
    grown = 0
    while contested.any():
        inside = served & contested[home]
        if inside.sum() > MOST_CONTESTED * len(inside):
            inside, contested = served, np.ones_like(contested)
        rows = np.flatnonzero(inside[pairs.address])
        if len(rows) == 0:  # contested before, when there were other pairs
            break
        outside = np.bincount(
            home[served & ~inside],
            weights=pairs.needed[served & ~inside],
            minlength=len(pairs.free),
        ).astype(np.int64)
        price = _contested_prices(pairs, rows, outside, scale, service, last)
        asked = (price > 0) & (outside > 0)
        if not asked.any():
            break
        grown += 1
        contested = contested | (asked if grown < MOST_GROWTHS else outside > 0)
    whole_price = pairs.cents * scale + price[pairs.terminal] * pairs.needed[pairs.address]
    least = np.full(len(pairs.needed), service * scale, dtype=np.int64)
    lead, owner = _starts(pairs.address)
    if len(lead):
        least[owner] = np.minimum(least[owner], np.minimum.reduceat(whole_price, lead))
    return Relaxed(
        price,
        whole_price - least[pairs.address],
        service * scale - least,
        scale,
        service,
        int(np.count_nonzero(inside)),
        contested,
    )


def _may_fill(pairs: Pairs, contested: BoolArray, home: IntArray, outside: IntArray) -> BoolArray:
    """Tell which terminals would fill up if all who may come from contested ones came."""
    coming = contested[np.maximum(home, 0)] & (home >= 0)
    rows = np.flatnonzero(coming[pairs.address] & ~contested[pairs.terminal])
    most = outside.copy()
    np.add.at(most, pairs.terminal[rows], pairs.needed[pairs.address[rows]])
    return np.asarray((most >= pairs.free) & (outside > 0))


def cheapest_rows(pairs: Pairs) -> IntArray:
    """Return the row of each address's cheapest pair, the first of equals; -1 without one."""
    found = np.full(len(pairs.needed), -1, dtype=np.int64)
    lead, owner = _starts(pairs.address)
    if len(lead):
        least = np.zeros(len(pairs.needed), dtype=np.int64)
        least[owner] = np.minimum.reduceat(pairs.cents, lead)
        rows = np.flatnonzero(pairs.cents == least[pairs.address])
        at, who = _starts(pairs.address[rows])
        found[who] = rows[at]
    return found


def _starts(address: IntArray) -> tuple[IntArray, IntArray]:
    """Return where each address begins in a sorted column, and the address."""
    new = np.ones(len(address), dtype=bool)
    new[1:] = address[1:] != address[:-1]
    lead = np.flatnonzero(new).astype(np.int64)
    return lead, address[lead]


def _contested_prices(
    pairs: Pairs, rows: IntArray, outside: IntArray, scale: int, service: int, last: LastFlow
) -> IntArray:
    """Solve the flow of contested addresses; return the price of a port at each terminal.

    Parts that share no terminal are solved apart, so those that came before cost nothing, and
    others are solved side by side.
    """
    price = np.zeros(len(pairs.free), dtype=np.int64)
    free = np.maximum(pairs.free - outside, 0)
    kept, without = _worth_counting(pairs, rows, free)
    if len(kept) == 0:
        return price
    reserve = np.minimum(pairs.reserve, pairs.free + pairs.reserve - outside)
    address, terminal = pairs.address[kept], pairs.terminal[kept]
    numbers = np.column_stack(
        [
            pairs.cents[kept],
            *(column[address] for column in (pairs.needed, without)),
            *(column[terminal] for column in (free, reserve)),
        ]
    )
    part = parts_of(address, terminal)
    basis = (scale, service, pairs.reserve_cents, len(free))
    key = address * len(free) + terminal
    known = last.known(basis, key, numbers, part)
    price[terminal[known]] = last.price[terminal[known]]
    left = np.flatnonzero(~known)

    def work(some: IntArray) -> tuple[IntArray, IntArray]:
        chosen = kept[left[some]]
        return _prices_of_flow(pairs, chosen, without, free, reserve, scale, service)

    count = processors() if len(left) > MANY_PAIRS else 1
    for ends, found in side_by_side(work, shared_out(part[left], count), count):
        price[ends] = found
    last.keep(basis, key, numbers, part, price)
    return price


def _prices_of_flow(
    pairs: Pairs,
    kept: IntArray,
    elsewhere: IntArray,
    free: IntArray,
    reserve: IntArray,
    scale: int,
    service: int,
) -> tuple[IntArray, IntArray]:
    """Solve one flow; return its terminals, and the price of a port at each.

    Service is first given a moderate worth, which keeps the numbers small; potentials at its
    full worth tell whether that was enough to serve most, or it is raised.
    """
    addresses, a = np.unique(pairs.address[kept], return_inverse=True)
    terminals, t = np.unique(pairs.terminal[kept], return_inverse=True)
    need, without = pairs.needed[addresses], elsewhere[addresses]
    share = scale // need
    free, reserve = free[terminals], reserve[terminals]
    unit = pairs.cents[kept] * share[a]
    is_leaf = np.bincount(a, minlength=len(addresses)) == 1
    leaf, branch = np.flatnonzero(is_leaf[a]), np.flatnonzero(~is_leaf[a])
    node = np.cumsum(~is_leaf) - 1
    count = int(np.count_nonzero(~is_leaf))
    sink = count + len(terminals)
    ends = np.arange(len(terminals), dtype=np.int64) + count
    at_home = np.bincount(t[leaf], weights=need[a[leaf]], minlength=len(terminals))
    who = np.concatenate([np.flatnonzero(~is_leaf), a[leaf]])
    served = np.concatenate([np.zeros(count, dtype=np.int64), unit[leaf]])
    dearest = int(pairs.cents[kept].max()) + pairs.reserve_cents
    dearest = max(dearest, int(without[without < FAR].max(initial=0)))
    worth = min(SERVICE_OVER_DEAREST * dearest + 1, service)
    while True:
        network = Network(
            np.concatenate([node[a[branch]], np.arange(count), count + t[leaf], ends, ends]),
            np.concatenate([t[branch] + count, np.full(len(who) + 2 * len(ends), sink)]),
            np.concatenate([need[a[branch]], need[who], free, reserve]),
            np.concatenate(
                [
                    unit[branch],
                    np.minimum(without, worth)[who] * share[who] - served,
                    np.zeros(len(ends), dtype=np.int64),
                    np.full(len(ends), pairs.reserve_cents * scale, dtype=np.int64),
                ]
            ),
            np.concatenate([need[~is_leaf], at_home.astype(np.int64), [-int(need.sum())]]),
            len(branch),
        )
        flow = run_flow(network)
        full_worth = network.cost.copy()
        full_worth[len(branch) : len(branch) + len(who)] = (
            np.minimum(without, service)[who] * share[who] - served
        )
        least, distance = sink_distances(network, flow, full_worth, service * scale)
        if least >= 0:
            break
        if worth >= service:
            message = f"optimality proof failed: reduced cost {least} cents"
            raise ArithmeticError(message)
        worth = min(worth * SERVICE_STEP, service)
    return terminals, np.maximum(-distance[count:sink], 0)


def _worth_counting(pairs: Pairs, rows: IntArray, free: IntArray) -> tuple[IntArray, IntArray]:
    """Leave out pairs that no flow needs; return the others, and each address's best way without.

    A terminal with ports for all who have a pair there costs nothing beyond the pair. So the
    cheapest of these pairs is all that its address needs of them, and no dearer pair at any other
    terminal is ever better. With those gone, more terminals have ports for all.
    """
    elsewhere = np.full(len(pairs.needed), FAR, dtype=np.int64)
    while len(rows):
        address, terminal = pairs.address[rows], pairs.terminal[rows]
        wanted = np.bincount(terminal, weights=pairs.needed[address], minlength=len(free))
        roomy = wanted[terminal] <= free[terminal]
        if not roomy.any():
            break
        np.minimum.at(elsewhere, address[roomy], pairs.cents[rows[roomy]])
        rows = rows[~roomy]
        rows = rows[pairs.cents[rows] < elsewhere[pairs.address[rows]]]
    return rows, elsewhere
