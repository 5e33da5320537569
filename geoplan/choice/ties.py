"""A choice among ways of no loss, and what it has to leave split.

Enters: pairs that fit and the duals of the choice with split addresses.
Leaves: `Ties`: a way of no loss for each address, but for those that need parts of several.
Does not do: keep split addresses whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.choice.network import Network, run_flow
from geoplan.choice.relaxed import Pairs, Relaxed
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
TIE_BITS = 30
MOST_PREFERENCE = 15


@dataclass(frozen=True)
class Ties:
    """A choice of no loss, the same whatever else is in the call."""

    pair: IntArray
    """Row of the pair of each address; -1 where unserved or split."""
    split: IntArray
    """Addresses that have their ports at more than one terminal, or some and not all."""
    parts: IntArray
    """Rows that the split addresses use."""


@dataclass(frozen=True)
class _Open:
    """Ways of no loss, and the pieces they make."""

    pair: BoolArray
    skip: BoolArray
    ways: IntArray
    """By address: ways of no loss."""
    piece: IntArray
    """By terminal."""
    piece_of: IntArray
    """By address; -1 where all its terminals have no port price, and room for all who may come."""


def find_ties(pairs: Pairs, relaxed: Relaxed) -> Ties:
    """Choose among ways of no loss: the first terminals, and for the rest a fixed lot.

    Parameters
    ----------
    pairs : Pairs
        Pairs that fit.
    relaxed : Relaxed
        Their duals.

    Returns
    -------
    Ties
        Addresses and terminals are numbered for the lot within what ways of no loss link, so the
        choice depends on nothing else.

    Raises
    ------
    ArithmeticError
        If the duals allow no choice of no loss.
    """
    skip = (relaxed.skip_loss == 0) | (np.bincount(pairs.address, minlength=len(pairs.needed)) == 0)
    return _tie_flow(pairs, relaxed, _pieces(pairs, relaxed, relaxed.loss == 0, skip))


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
    return _Open(pair, skip, ways, piece, piece_of)


def loads_of(pairs: Pairs, taken: IntArray) -> IntArray:
    """Count the ports that rows use, by terminal."""
    need = pairs.needed[pairs.address[taken]]
    return np.bincount(pairs.terminal[taken], weights=need, minlength=len(pairs.free)).astype(
        np.int64
    )


def port_losses(pairs: Pairs, relaxed: Relaxed, load: IntArray) -> IntArray:
    """By terminal: price of reserve less port price, over the least of all loads."""
    price, extra = relaxed.port_price, pairs.reserve_cents * relaxed.scale
    least = -price * pairs.free + np.minimum(extra - price, 0) * pairs.reserve
    return np.asarray(
        np.maximum(load - pairs.free, 0) * extra - price * load - least, dtype=np.int64
    )


def _tie_flow(pairs: Pairs, relaxed: Relaxed, state: _Open) -> Ties:
    """Send the addresses that have a choice through their ways of no loss."""
    count = len(pairs.needed)
    chosen = np.full(count, -1, dtype=np.int64)
    rows = np.flatnonzero(state.pair)
    owner = pairs.address[rows]
    lone = (state.ways[owner] == 1) | (state.piece_of[owner] < 0)
    fixed = rows[lone]
    chosen[pairs.address[fixed][::-1]] = fixed[::-1]
    rows = rows[~lone]
    if len(rows) == 0:
        none = np.zeros(0, dtype=np.int64)
        return Ties(chosen, none, none)
    addresses, a = np.unique(pairs.address[rows], return_inverse=True)
    terminals, t = np.unique(pairs.terminal[rows], return_inverse=True)
    need = pairs.needed[addresses]
    load = loads_of(pairs, chosen[chosen >= 0])[terminals]
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
    parts = np.flatnonzero((used > 0) & ~whole)
    return Ties(chosen, addresses[np.unique(a[parts])], rows[parts])


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
