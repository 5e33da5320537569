"""Planned drops re-chosen so that fewer of them cross.

Enters: the offer of each address, the book of offers, ports.
Leaves: `Uncrossed`: the offers after that, and what it cost.
Does not do: look for new routes beyond the price that undoing a crossing may cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.choice.cost import cents
from geoplan.choice.drop_crossings import Options, find_drop_crossings, reduce_drop_crossings
from geoplan.choice.solve import Ports
from geoplan.choosing import Book
from geoplan.offers import Offers, air_of, order_offers, same_offers
from geoplan.project import Project
from geoplan.routes.segments import FloatArray, IntArray


@dataclass(frozen=True)
class Uncrossed:
    """Offers after crossings of planned drops were undone."""

    offers: Offers
    """One for each served address, sorted by it."""
    crossings_before: int
    crossings_after: int
    cents: int
    changed: int


def undo_crossings(
    chosen: Offers,
    book: Book,
    sources: AirSources,
    needed: IntArray,
    ports: Ports,
    project: Project,
) -> Uncrossed:
    """Undo crossings of planned drops where that costs little.

    Parameters
    ----------
    chosen : Offers
        The offer of each served address, sorted by address.
    book : Book
        All offers known; those of addresses whose drops cross are searched further.
    sources : AirSources
        Of the plant.
    needed : ndarray of int64, shape (n,)
        Ports that each address needs.
    ports : Ports
        Ports of each terminal.
    project : Project
        Prices and the most that undoing may cost.

    Returns
    -------
    Uncrossed
        As many addresses served as before.
    """
    count = len(needed)
    segment = _segments(chosen, sources, count)
    served = chosen.address
    i, j, _, _ = find_drop_crossings(segment[served], segment[served], same=True)
    crossing = np.unique(served[np.concatenate([i, j])])
    after = chosen
    changed = 0
    if len(crossing):
        most = int(cents(project.choice.max_extra_per_drop_crossing))
        price, terminal = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
        price[served], terminal[served] = chosen.cents, chosen.terminal
        short = crossing[book.reached[crossing] < price[crossing] + most]
        if len(short):
            book.extend(short, price[short] + most)
        others = _others(book, chosen, crossing)
        row = np.full(count, -1, dtype=np.int64)
        row[served] = len(others) + np.arange(len(served))
        load = np.zeros_like(ports.free)
        np.add.at(load, chosen.terminal, needed[served])
        result = reduce_drop_crossings(
            row,
            terminal,
            price,
            segment,
            needed,
            np.maximum(ports.free - load, 0),
            Options(
                np.arange(len(others), dtype=np.int64),
                others.address,
                others.terminal,
                others.cents,
                air_of(others, sources).segment,
            ),
            crossing_cents=int(cents(project.costs.drop_crossing)),
            most_extra_cents=most,
        )[served]
        after = Offers.joined([others, chosen]).take(result)
        changed = int(np.count_nonzero(result < len(others)))
    load = np.zeros_like(ports.free)
    np.add.at(load, after.terminal, needed[served])
    reserve = int(np.maximum(load - ports.free, 0).sum()) * ports.reserve_cents
    left = _segments(after, sources, count)[served] if changed else segment[served]
    return Uncrossed(
        after,
        len(i),
        len(find_drop_crossings(left, left, same=True)[0]) if changed else len(i),
        int(after.cents.sum()) + reserve,
        changed,
    )


def _segments(offers: Offers, sources: AirSources, count: int) -> FloatArray:
    segment = np.full((count, 4), np.nan)
    segment[offers.address] = air_of(offers, sources).segment
    return segment


def _others(book: Book, chosen: Offers, addresses: IntArray) -> Offers:
    """Return the allowed offers of some addresses that are dearer or other than the chosen ones.

    Sorted by address, then price.
    """
    wanted = np.zeros(len(book.reached), dtype=bool)
    wanted[addresses] = True
    rows = np.flatnonzero(wanted[book.offers.address])
    rows = rows[book.offers.forbidden[rows] == 0]
    rows = rows[book.offers.cents[rows] <= book.reached[book.offers.address[rows]]]
    others = book.offers.take(rows)
    at = np.searchsorted(chosen.address, others.address)
    same = same_offers(others, chosen, at)
    others = others.take(~same)
    order = order_offers(others)
    return others.take(order[np.argsort(others.address[order], kind="stable")])
