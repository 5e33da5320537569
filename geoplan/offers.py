"""Routes as a choice needs them: one row each, told by rows of the layers alone.

Enters: what a search found.
Leaves: `Offers`; their order; the best of each pair; air spans and routes made from them again.
Does not do: search, choose.

An offer says all that is needed to work the route out again to the last bit, and no more, so
that a million of them fit in memory and travel between processes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.air_sources import AirSources
from geoplan.candidates import BoolArray, Found, Routes, leads
from geoplan.plant import Plant
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.verdicts import Forbidden

CLEARANCE_ONLY = int(Forbidden.CLEARANCE | Forbidden.POWER)


@dataclass(frozen=True)
class Offers:
    """Routes, one row each."""

    address: IntArray
    terminal: IntArray
    """Row of the terminal's pole."""
    pole: IntArray
    """Row of the access pole."""
    passed: IntArray
    """Strand spans run along to the access pole."""
    span: IntArray
    """Strand span of the clamp; -1 without."""
    clamp_from_m: FloatArray
    ex: FloatArray
    ey: FloatArray
    building: IntArray
    basis: IntArray
    wall_angle_deg: FloatArray
    cents: IntArray
    forbidden: IntArray
    over_street: BoolArray
    miss_m: FloatArray
    """By how much heights fail; NaN where they don't."""
    miss_kind: IntArray
    """Code of the kind of crossing that fails; -1: the yard or none."""
    miss_feature: IntArray

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.address)

    def take(self, rows: IntArray | BoolArray) -> Offers:
        """Return some rows."""
        return Offers(*(getattr(self, field.name)[rows] for field in fields(self)))

    @staticmethod
    def empty() -> Offers:
        """Return a table without rows."""
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        no = np.zeros(0, dtype=bool)
        return Offers(
            *(whole,) * 5,
            *(real,) * 3,
            *(whole,) * 2,
            real,
            *(whole,) * 2,
            no,
            real,
            *(whole,) * 2,
        )

    @staticmethod
    def joined(parts: list[Offers]) -> Offers:
        """Return the rows of several tables, in order."""
        return Offers(
            *(
                np.concatenate([getattr(part, field.name) for part in parts])
                for field in fields(Offers)
            )
        )


def offers_of(found: Found, plant: Plant) -> Offers:
    """Tell routes as offers.

    Parameters
    ----------
    found : Found
        What a search found.
    plant : Plant
        Where.

    Returns
    -------
    Offers
        A row for each route, in their order.
    """
    routes, air, hung = found.routes, found.air, found.hung
    row, label = routes.air, routes.reach
    crossing = hung.miss_crossing[row]
    kind = np.append(found.crossings.kind, -1)[crossing]
    feature = np.append(found.crossings.feature, -1)[crossing]
    return Offers(
        routes.address,
        routes.terminal,
        plant.reach.pole[label],
        plant.reach.spans_passed[label],
        air.span[row],
        air.clamp_from_m[row],
        air.ex[row],
        air.ey[row],
        air.building[row],
        air.basis[row],
        air.wall_angle_deg[row],
        routes.cents,
        routes.forbidden,
        found.over_street[row],
        hung.miss_m[row],
        kind,
        feature,
    )


def worth_keeping(offers: Offers) -> Offers:
    """Keep the cheapest of each different way, and of those that clearance alone forbids.

    Parameters
    ----------
    offers : Offers
        All that one search found for its addresses.

    Returns
    -------
    Offers
        In their order of `order_offers`, by address.
    """
    free = np.flatnonzero(offers.forbidden == 0)
    rows = free[order_offers(offers.take(free))]
    key = np.stack(
        [getattr(offers, name)[rows] for name in ("address", "terminal", "pole", "passed", "span")]
    )
    order = np.lexsort(key[::-1])
    first = np.ones(len(order), dtype=bool)
    first[1:] = (key[:, order[1:]] != key[:, order[:-1]]).any(axis=0)
    ways = rows[order[first]]
    only = (offers.forbidden != 0) & ((offers.forbidden & ~CLEARANCE_ONLY) == 0)
    missed = np.flatnonzero(only & np.isfinite(offers.miss_m))
    missed = missed[order_offers(offers.take(missed))]
    missed = missed[np.argsort(offers.address[missed], kind="stable")]
    kept = np.concatenate([ways, missed[leads(offers.address[missed])]])
    kept = kept[order_offers(offers.take(kept))]
    return offers.take(kept[np.argsort(offers.address[kept], kind="stable")])


def worth_telling(offers: Offers) -> Offers:
    """Keep what tells why addresses have no route.

    Parameters
    ----------
    offers : Offers
        All candidates of some addresses.

    Returns
    -------
    Offers
        Of each address: the cheapest for each terminal that is allowed, the cheapest of each set
        of reasons, and of those that clearance alone forbids the one that misses least; by
        address.
    """
    order = order_offers(offers)
    offers = offers.take(order[np.argsort(offers.address[order], kind="stable")])
    rows = np.arange(len(offers))
    terminal = np.where(offers.forbidden == 0, offers.terminal, -1)
    kind = np.lexsort((rows, terminal, offers.forbidden, offers.address))
    first = np.ones(len(kind), dtype=bool)
    same = np.ones(max(len(kind) - 1, 0), dtype=bool)
    for column in (offers.address, offers.forbidden, terminal):
        same &= column[kind][1:] == column[kind][:-1]
    first[1:] = ~same
    only = (offers.forbidden != 0) & ((offers.forbidden & ~CLEARANCE_ONLY) == 0)
    missed = np.flatnonzero(only & np.isfinite(offers.miss_m))
    missed = missed[
        np.lexsort((missed, np.round(offers.miss_m[missed], 6), offers.address[missed]))
    ]
    least = missed[leads(offers.address[missed])]
    return offers.take(np.union1d(kind[first], least))


def order_offers(offers: Offers) -> IntArray:
    """Sort offers by price, ties by kind, address, terminal, access, place and attachment.

    Parameters
    ----------
    offers : Offers
        n offers.

    Returns
    -------
    ndarray of int64, shape (n,)
        Rows in order.
    """
    is_clamp = offers.span >= 0
    keys = (
        offers.ey,
        offers.ex,
        np.nan_to_num(offers.clamp_from_m, nan=-1.0),
        offers.passed,
        offers.pole,
        offers.span,
        offers.terminal,
        offers.address,
        is_clamp,
        offers.cents,
    )
    return np.lexsort(keys).astype(np.int64)


def best_offers(offers: Offers, rows: IntArray) -> IntArray:
    """Pick the best offer of each address and terminal.

    Parameters
    ----------
    offers : Offers
        All.
    rows : ndarray of int64
        Those that may be picked.

    Returns
    -------
    ndarray of int64
        Rows of `offers`, sorted by address, then terminal.
    """
    address, terminal, cents = offers.address[rows], offers.terminal[rows], offers.cents[rows]
    order = np.lexsort((cents, terminal, address))
    rows, address, terminal = rows[order], address[order], terminal[order]
    lead = np.ones(len(rows), dtype=bool)
    lead[1:] = (address[1:] != address[:-1]) | (terminal[1:] != terminal[:-1])
    group = np.cumsum(lead) - 1
    cheapest = offers.cents[rows] == offers.cents[rows[lead]][group] if len(rows) else lead
    tied = rows[cheapest]
    tied = tied[order_offers(offers.take(tied))]
    tied = tied[np.lexsort((offers.terminal[tied], offers.address[tied]))]
    lead = np.ones(len(tied), dtype=bool)
    lead[1:] = (offers.address[tied][1:] != offers.address[tied][:-1]) | (
        offers.terminal[tied][1:] != offers.terminal[tied][:-1]
    )
    return np.asarray(tied[lead], dtype=np.int64)


def same_offers(offers: Offers, others: Offers, at: IntArray) -> BoolArray:
    """Tell which offers are the same route as others.

    Parameters
    ----------
    offers : Offers
        n offers.
    others : Offers
        Others.
    at : ndarray of int64, shape (n,)
        Row of `others` that each is compared with.

    Returns
    -------
    ndarray of bool, shape (n,)
        Same address, terminal, run, clamp and attachment.
    """
    if len(others) == 0:
        return np.zeros(len(offers), dtype=bool)
    same = np.ones(len(offers), dtype=bool)
    for name in ("address", "terminal", "pole", "passed", "span", "ex", "ey"):
        same &= getattr(offers, name) == getattr(others, name)[at]
    here, there = offers.clamp_from_m, others.clamp_from_m[at]
    return np.asarray(same & ((here == there) | (np.isnan(here) & np.isnan(there))))


def air_of(offers: Offers, sources: AirSources) -> AirSpans:
    """Lay the air spans of offers again.

    Parameters
    ----------
    offers : Offers
        n offers.
    sources : AirSources
        Of their plant.

    Returns
    -------
    AirSpans
        n rows, equal to those searched to the last bit.
    """
    x, y = sources.index.pole_x[offers.pole], sources.index.pole_y[offers.pole]
    clamp = np.flatnonzero(offers.span >= 0)
    if len(clamp):
        x[clamp], y[clamp] = sources.clamp_point(offers.span[clamp], offers.clamp_from_m[clamp])
    return AirSpans(
        offers.address,
        np.where(offers.span >= 0, -1, offers.pole),
        offers.span,
        offers.clamp_from_m,
        x,
        y,
        offers.ex,
        offers.ey,
        offers.building,
        offers.basis,
        offers.wall_angle_deg,
    )


def routes_of(offers: Offers, plant: Plant, air: IntArray) -> Routes:
    """Make routes of offers.

    Parameters
    ----------
    offers : Offers
        n offers.
    plant : Plant
        Where.
    air : ndarray of int64, shape (n,)
        Row of the air span of each.

    Returns
    -------
    Routes
        n rows.

    Raises
    ------
    LookupError
        If no such run exists; that would be a defect.
    """
    reach, index = plant.reach, plant.index
    label = _labels(offers, plant)
    side = np.zeros(len(offers))
    clamp = np.flatnonzero(offers.span >= 0)
    span, near = offers.span[clamp], offers.clamp_from_m[clamp]
    at_first = index.span_ends[span, 0] == offers.pole[clamp]
    side[clamp] = np.where(at_first, near, index.span_length_m[span] - near)
    if not np.array_equal(reach.terminal[label], offers.terminal):
        message = "an offer's run along the strand is not known"
        raise LookupError(message)
    return Routes(offers.address, offers.terminal, air, label, side, offers.cents, offers.forbidden)


def _labels(offers: Offers, plant: Plant) -> IntArray:
    """Find the runs of offers; those of a plant are sorted by pole, terminal, spans passed."""
    reach = plant.reach
    most = int(reach.spans_passed.max(initial=0)) + 1

    def key(pole: IntArray, terminal: IntArray, passed: IntArray) -> npt.NDArray[np.int64]:
        return (pole * plant.poles + terminal) * most + passed

    known = key(reach.pole, reach.terminal, reach.spans_passed)
    at = np.searchsorted(known, key(offers.pole, offers.terminal, offers.passed))
    return np.minimum(at, max(len(known) - 1, 0)).astype(np.int64)
