"""The choice with addresses kept whole, piece by piece, from the duals of the relaxed choice.

Enters: pairs that fit and the duals of the choice with split addresses.
Leaves: `Pieces`: the pair of each address, and what keeping them whole loses, by terminal.
Does not do: prices, the value of a port.

With port prices fixed, the price of any choice is the lower bound of the duals plus losses that
are never negative: the loss of each pair used, of each address skipped, and of each terminal
whose ports are used otherwise than its price asks. So the least loss is wanted. Ways of no loss
are open at first; terminals linked by open ways make a piece, and pieces are solved apart. What
closed ways could bring a piece is but two things: an address may leave it, and ports that would
stay unused may be filled from outside. Both are granted to it without end, at the loss of the
cheapest closed way that would do it; a closed way between two pieces that lose something counts
half for each. So the loss of any choice, cut up in this manner, is no less than the sum of the
least losses of pieces: a bound. A piece that makes no use of the offer attains it. Where one
does, the ways that it was offered are opened, and the pieces they link are solved anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.choice.network import FAR, Network, run_flow
from geoplan.choice.relaxed import Pairs, Relaxed
from geoplan.choice.whole import Piece, least_loss
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
TIE_BITS = 30
MOST_PREFERENCE = 15
MOST_SINGLE_ROUNDS = 6
"""Rounds that open only the ways asked for; later ones open what is near besides."""
MOST_WAYS_AT_ONCE = 100_000
"""Components with no more ways than this are opened as a whole then."""


@dataclass(frozen=True)
class Pieces:
    """The least loss and a choice that has it."""

    pair: IntArray
    """Row of the pair of each address; -1 where unserved."""
    loss: IntArray
    """By terminal: least loss of its piece, times the scale of the duals."""
    total_loss: int
    """Sum over pieces: by how much the best choice exceeds the bound of the duals."""
    gap: int
    """Loss of the choice less `total_loss`; 0 proves it optimal."""


@dataclass
class _Open:
    """Ways that are open, and the pieces they make."""

    pair: BoolArray
    skip: BoolArray
    ways: IntArray
    """By address: open ways."""
    piece: IntArray
    """By terminal."""
    ample: BoolArray
    """By terminal: no port price, and room for all who have an open way to it."""
    piece_of: IntArray
    """By address; -1 where all its terminals are ample."""


def solve_pieces(pairs: Pairs, relaxed: Relaxed) -> Pieces:
    """Keep addresses whole at the least loss.

    Parameters
    ----------
    pairs : Pairs
        Pairs that fit.
    relaxed : Relaxed
        Their duals.

    Returns
    -------
    Pieces
        The choice; among equals the one that `_tie_flow` prefers, or that the search over the
        piece alone comes upon: other pieces have no say in either.

    Raises
    ------
    ArithmeticError
        If a solver ends without an optimum, or the proof fails.
    """
    skip = (relaxed.skip_loss == 0) | (np.bincount(pairs.address, minlength=len(pairs.needed)) == 0)
    state = _pieces(pairs, relaxed, relaxed.loss == 0, skip)
    chosen, split = _tie_flow(pairs, relaxed, state)
    lossy = np.zeros(len(pairs.free), dtype=bool)
    loss = np.zeros(len(pairs.free), dtype=np.int64)
    lossy[np.isin(state.piece, state.piece_of[split])] = True
    todo = np.unique(state.piece_of[split])
    rounds = 0
    while len(todo):
        rounds += 1
        offer = _offers(pairs, relaxed, state, lossy)
        pair, skip = _solve_listed(pairs, relaxed, state, offer, todo, chosen, loss)
        if not (pair.any() or skip.any()):
            break
        if rounds > MOST_SINGLE_ROUNDS:
            pair = _widened(pairs, state, pair)
        opened = np.unique(np.concatenate([pairs.address[pair], np.flatnonzero(skip)]))
        state = _pieces(pairs, relaxed, state.pair | pair, state.skip | skip)
        todo = np.unique(state.piece_of[opened])
        joined = np.isin(state.piece, todo)
        # a piece that becomes lossy takes its half of ways that a neighbour had for itself
        lossy, before = lossy | joined, lossy
        todo = _touched(pairs, state, lossy, lossy & ~before, todo)
        loss[np.isin(state.piece, todo)] = 0
    lead = np.unique(state.piece, return_index=True)[1]
    total = int(loss[lead].sum())
    return Pieces(chosen, loss, total, _loss_of(pairs, relaxed, chosen) - total)


def _pieces(pairs: Pairs, relaxed: Relaxed, pair: BoolArray, skip: BoolArray) -> _Open:
    """Find the pieces that open ways make."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    rows = np.flatnonzero(pair)
    a, t = pairs.address[rows], pairs.terminal[rows]
    terminals, count = len(pairs.free), len(pairs.needed)
    wanted = np.bincount(t, weights=pairs.needed[a], minlength=terminals)
    ample = (relaxed.port_price == 0) & (wanted <= pairs.free)
    ways = np.bincount(a, minlength=count) + skip
    tight = ~ample[t]
    a, t = a[tight], t[tight]
    link = np.flatnonzero(a[1:] == a[:-1])
    graph = coo_array((np.ones(len(link)), (t[link], t[link + 1])), shape=(terminals, terminals))
    piece = np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)
    piece_of = np.full(count, -1, dtype=np.int64)
    piece_of[a] = piece[t]
    return _Open(pair, skip, ways, piece, ample, piece_of)


@dataclass(frozen=True)
class _Offers:
    """The cheapest closed ways of each piece that loses something."""

    leave: IntArray
    """By address: what leaving its piece loses at least."""
    leave_row: IntArray
    """The closed pair of that; -1 for staying unserved."""
    fill: IntArray
    """By terminal: what a port loses that is filled from outside."""
    share: IntArray
    """By pair: what a piece at one end is charged for it; -1 if it is open."""


def _offers(pairs: Pairs, relaxed: Relaxed, state: _Open, lossy: BoolArray) -> _Offers:
    """Find for each address and terminal the closed way that would lose least."""
    lossy_piece = np.zeros(int(state.piece.max(initial=-1)) + 2, dtype=bool)
    lossy_piece[state.piece[lossy & ~state.ample]] = True
    own = lossy_piece[state.piece_of][pairs.address]
    other = (lossy & ~state.ample)[pairs.terminal]
    rows = np.flatnonzero(~state.pair & (own | other))
    a, t = pairs.address[rows], pairs.terminal[rows]
    share = np.full(len(pairs.address), -1, dtype=np.int64)
    share[rows] = np.where(own[rows] & other[rows], relaxed.loss[rows] // 2, relaxed.loss[rows])
    leave = np.where(state.skip, FAR, relaxed.skip_loss)
    np.minimum.at(leave, a, share[rows])
    leave_row = np.full(len(leave), -1, dtype=np.int64)
    best = rows[share[rows] == leave[a]]
    leave_row[pairs.address[best][::-1]] = best[::-1]
    fill = np.full(len(pairs.free), FAR, dtype=np.int64)
    np.minimum.at(fill, t, share[rows] // pairs.needed[a])
    return _Offers(leave, leave_row, fill, share)


def _widened(pairs: Pairs, state: _Open, pair: BoolArray) -> BoolArray:
    """Add closed ways that are near some.

    All of their component, or where that is too large, all of the same addresses and terminals.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count, terminals = len(pairs.needed), len(pairs.free)
    links = coo_array(
        (np.ones(len(pairs.address), dtype=np.int8), (pairs.address, pairs.terminal + count)),
        shape=(count + terminals, count + terminals),
    )
    component = connected_components(links, directed=False)[1][pairs.address]
    asks = np.zeros(int(component.max(initial=-1)) + 1, dtype=bool)
    asks[component[pair]] = True
    asks &= np.bincount(component, minlength=len(asks)) <= MOST_WAYS_AT_ONCE
    address, terminal = np.zeros(count, dtype=bool), np.zeros(terminals, dtype=bool)
    address[pairs.address[pair]] = True
    terminal[pairs.terminal[pair]] = True
    near = address[pairs.address] | terminal[pairs.terminal] | asks[component]
    return np.asarray(~state.pair & near)


def _touched(
    pairs: Pairs, state: _Open, lossy: BoolArray, fresh: BoolArray, todo: IntArray
) -> IntArray:
    """Add pieces that share a closed way with one that now loses something."""
    known = np.zeros(int(state.piece.max(initial=-1)) + 2, dtype=bool)
    known[state.piece[lossy & ~state.ample]] = True
    new = np.zeros_like(known)
    new[state.piece[fresh & ~state.ample]] = True
    own, other = state.piece_of[pairs.address], state.piece[pairs.terminal]
    more = [todo, other[new[own] & known[other]], own[new[other] & known[own]]]
    todo = np.unique(np.concatenate(more))
    return todo[todo >= 0]


def _loss_of(pairs: Pairs, relaxed: Relaxed, chosen: IntArray) -> int:
    """Add up all losses of a choice."""
    taken = chosen[chosen >= 0]
    load = _loads(pairs, taken)
    if (load > pairs.free + pairs.reserve).any():
        message = "choice uses more ports than there are"
        raise ArithmeticError(message)
    skipped = relaxed.skip_loss[chosen < 0].sum()
    return int(relaxed.loss[taken].sum() + skipped + _port_loss(pairs, relaxed, load).sum())


def _loads(pairs: Pairs, taken: IntArray) -> IntArray:
    need = pairs.needed[pairs.address[taken]]
    return np.bincount(pairs.terminal[taken], weights=need, minlength=len(pairs.free)).astype(
        np.int64
    )


def _port_loss(pairs: Pairs, relaxed: Relaxed, load: IntArray) -> IntArray:
    """By terminal: price of reserve less port price, over the least of all loads."""
    price, extra = relaxed.port_price, pairs.reserve_cents * relaxed.scale
    least = -price * pairs.free + np.minimum(extra - price, 0) * pairs.reserve
    return np.asarray(
        np.maximum(load - pairs.free, 0) * extra - price * load - least, dtype=np.int64
    )


def _tie_flow(pairs: Pairs, relaxed: Relaxed, state: _Open) -> tuple[IntArray, IntArray]:
    """Choose among ways of no loss: the first terminals, and for the rest a fixed lot.

    Returns the row chosen by each address, -1 for none, and the addresses left split. Addresses
    and terminals are numbered within their piece for the lot, so it depends on nothing else.
    """
    count = len(pairs.needed)
    chosen = np.full(count, -1, dtype=np.int64)
    rows = np.flatnonzero(state.pair)
    owner = pairs.address[rows]
    lone = (state.ways[owner] == 1) | (state.piece_of[owner] < 0)
    fixed = rows[lone]
    chosen[pairs.address[fixed][::-1]] = fixed[::-1]
    rows = rows[~lone]
    if len(rows) == 0:
        return chosen, np.zeros(0, dtype=np.int64)
    addresses, a = np.unique(pairs.address[rows], return_inverse=True)
    terminals, t = np.unique(pairs.terminal[rows], return_inverse=True)
    need = pairs.needed[addresses]
    load = _loads(pairs, chosen[chosen >= 0])[terminals]
    price, extra = relaxed.port_price[terminals], pairs.reserve_cents * relaxed.scale
    free, most = pairs.free[terminals], (pairs.free + pairs.reserve)[terminals]
    low = np.where(price > extra, most, np.where(price > 0, free, 0))
    high = np.where(price >= extra, most, free)
    low = np.maximum(low - load, 0)
    high = high - load
    share = relaxed.scale // need
    lot = _lots(a, t, state.piece_of[addresses], state.piece[terminals])
    nodes = len(addresses) + len(terminals)
    ends = np.arange(len(terminals), dtype=np.int64) + len(addresses)
    skips = np.flatnonzero(state.skip[addresses])
    network = Network(
        np.concatenate([a, skips, ends]),
        np.concatenate(
            [t + len(addresses), np.full(len(skips) + len(ends), nodes, dtype=np.int64)]
        ),
        np.concatenate([need[a], need[skips], high - low]),
        np.concatenate(
            [
                lot * share[a],
                (np.int64(MOST_PREFERENCE + 2) << TIE_BITS) * share[skips],
                np.zeros(len(ends), dtype=np.int64),
            ]
        ),
        np.concatenate([need, -low, [int(low.sum() - need.sum())]]),
        len(a),
    )
    used = run_flow(network)[: len(a)]
    whole = used == need[a]
    chosen[addresses[a[whole]]] = rows[whole]
    return chosen, addresses[np.unique(a[(used > 0) & ~whole])]


def _lots(a: IntArray, t: IntArray, piece_of: IntArray, piece: IntArray) -> IntArray:
    """Draw a fixed lot for each pair, below its place among the pairs of its address."""
    place = np.arange(len(a)) - np.searchsorted(a, a)
    own, other = _rank_within(piece_of)[a], _rank_within(piece)[t]
    other = np.where(piece[t] == piece_of[a], other, (1 << 32) + place)
    mixed = own.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + other.astype(np.uint64)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(factor)
    lot = ((mixed ^ (mixed >> np.uint64(31))) >> np.uint64(64 - TIE_BITS)).astype(np.int64)
    first = np.minimum(place, MOST_PREFERENCE).astype(np.int64) << TIE_BITS
    return np.asarray(first + lot, dtype=np.int64)


def _rank_within(group: IntArray) -> IntArray:
    """Count the members of each group in order."""
    order = np.argsort(group, kind="stable")
    inside = group[order]
    start = np.searchsorted(inside, inside)
    rank = np.empty(len(group), dtype=np.int64)
    rank[order] = np.arange(len(group)) - start
    return rank


def _solve_listed(
    pairs: Pairs,
    relaxed: Relaxed,
    state: _Open,
    offer: _Offers,
    todo: IntArray,
    chosen: IntArray,
    loss: IntArray,
) -> tuple[BoolArray, BoolArray]:
    """Solve some pieces, entering choice and loss; return the ways that they'd rather have."""
    wanted = np.zeros(int(state.piece.max(initial=-1)) + 2, dtype=bool)
    wanted[todo] = True
    inside = wanted[state.piece_of]
    chosen[inside] = -1
    rows = np.flatnonzero(state.pair & inside[pairs.address])
    rows = rows[np.argsort(state.piece_of[pairs.address[rows]], kind="stable")]
    number = state.piece_of[pairs.address[rows]]
    for part in np.split(rows, np.flatnonzero(np.diff(number)) + 1):
        taken = _solve_piece(pairs, relaxed, state, offer, part)
        chosen[pairs.address[taken]] = taken
    taken = chosen[inside & (chosen >= 0)]
    left = inside & (chosen < 0)
    leave = np.minimum(offer.leave, np.where(state.skip, relaxed.skip_loss, FAR))
    lost = np.zeros(len(wanted), dtype=np.int64)
    np.add.at(lost, state.piece_of[pairs.address[taken]], relaxed.loss[taken])
    np.add.at(lost, state.piece_of[left], leave[left])
    at = np.flatnonzero(wanted[state.piece] & ~state.ample)
    load = _loads(pairs, taken)
    strict = _port_loss(pairs, relaxed, load)[at]
    free_cost, reserve_cost = _port_costs(pairs, relaxed, offer.fill)
    granted = _granted_loss(pairs, free_cost, reserve_cost, load)[at]
    np.add.at(lost, state.piece[at], granted)
    loss[at] = lost[state.piece[at]]
    filled = np.zeros(len(pairs.free), dtype=bool)
    filled[at[granted < strict]] = True
    leaves = left & (offer.leave < np.where(state.skip, relaxed.skip_loss, FAR))
    skip = leaves & (offer.leave_row < 0)
    pair = np.zeros(len(pairs.address), dtype=bool)
    pair[offer.leave_row[leaves & (offer.leave_row >= 0)]] = True
    per_port = offer.share // pairs.needed[pairs.address]
    pair |= (offer.share >= 0) & filled[pairs.terminal] & (per_port <= offer.fill[pairs.terminal])
    return pair, skip


def _port_costs(pairs: Pairs, relaxed: Relaxed, fill: IntArray) -> tuple[IntArray, IntArray]:
    """Price the use of a free and a reserved port; unused ones may be filled from outside."""
    free_cost = np.maximum(-relaxed.port_price, -fill)
    reserve_cost = pairs.reserve_cents * relaxed.scale - relaxed.port_price
    return free_cost, np.maximum(reserve_cost, -fill)


def _granted_loss(
    pairs: Pairs, free_cost: IntArray, reserve_cost: IntArray, load: IntArray
) -> IntArray:
    """By terminal: loss over the least of all loads, with ports filled from outside."""
    over = np.maximum(load - pairs.free, 0)
    least = free_cost * pairs.free + np.minimum(reserve_cost, 0) * pairs.reserve
    return np.asarray(free_cost * (load - over) + reserve_cost * over - least, dtype=np.int64)


def _solve_piece(
    pairs: Pairs, relaxed: Relaxed, state: _Open, offer: _Offers, rows: IntArray
) -> IntArray:
    """Solve one piece; return the rows chosen."""
    addresses, a = np.unique(pairs.address[rows], return_inverse=True)
    terminals, t = np.unique(pairs.terminal[rows], return_inverse=True)
    skip_loss = np.minimum(
        offer.leave[addresses], np.where(state.skip, relaxed.skip_loss, FAR)[addresses]
    )
    price = relaxed.port_price[terminals]
    fill = np.where(state.ample[terminals], 0, offer.fill[terminals])
    extra = pairs.reserve_cents * relaxed.scale
    piece = Piece(
        a,
        t,
        relaxed.loss[rows],
        skip_loss,
        pairs.needed[addresses],
        pairs.free[terminals],
        np.maximum(-price, -fill),
        pairs.reserve[terminals],
        np.maximum(extra - price, -fill),
        relaxed.scale,
        relaxed.service,
    )
    return rows[least_loss(piece)]
