"""Candidate routes as columns: what the search found, and how routes compare.

Enters: routes with their air spans and prices.
Leaves: `Routes`, `Found`, `PairRules`; routes in order; the best of each pair.
Does not do: look for routes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.choice.cost import (
    AirPrice,
)
from geoplan.clearance.hung import Hung
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.segments import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Routes:
    """Candidate routes, one row each: an address, a terminal, an air span, a run to its start."""

    address: IntArray
    terminal: IntArray
    """Row of the terminal's pole."""
    air: IntArray
    reach: IntArray
    """Row of the run along the strand to the access pole."""
    side_m: FloatArray
    """Distance of the clamp from the access pole; 0 for a pole."""
    cents: IntArray
    forbidden: IntArray

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.address)

    def take(self, rows: npt.NDArray[np.int64] | BoolArray) -> Routes:
        """Return some rows."""
        return Routes(*(getattr(self, field.name)[rows] for field in fields(self)))

    @staticmethod
    def joined(parts: list[Routes]) -> Routes:
        """Return the rows of several tables, in order."""
        return Routes(
            *(
                np.concatenate([getattr(part, field.name) for part in parts])
                for field in fields(Routes)
            )
        )


@dataclass(frozen=True)
class Found:
    """All that the search found."""

    air: AirSpans
    crossings: Crossings
    price: AirPrice
    hung: Hung
    routes: Routes
    over_street: BoolArray
    """Whether each air span crosses a road's centre-line."""


@dataclass(frozen=True)
class PairRules:
    """Which address may not have which terminal."""

    locked: IntArray
    """Terminal that alone may serve each address; -1: any; -2: one that doesn't exist."""
    barred_keys: IntArray
    """Sorted ``address * poles + terminal`` of forbidden pairs."""

    def allowed(self, address: IntArray, terminal: IntArray, poles: int) -> BoolArray:
        """Tell which pairs may be used."""
        lock = self.locked[address]
        free = (lock == -1) | (lock == terminal)
        if len(self.barred_keys) == 0:
            return np.asarray(free)
        key = address * poles + terminal
        at = np.minimum(np.searchsorted(self.barred_keys, key), len(self.barred_keys) - 1)
        return np.asarray(free & (self.barred_keys[at] != key))


def best_per_pair(routes: Routes, air: AirSpans, poles: int) -> IntArray:
    """Pick the cheapest allowed route of each address and terminal.

    Parameters
    ----------
    routes : Routes
        Candidate routes.
    air : AirSpans
        Their air spans.
    poles : int
        Number of poles.

    Returns
    -------
    ndarray of int64
        Rows of `routes`, one per pair, sorted by address, then terminal. Ties go to the route
        without a clamp, then by access, place and attachment, so row order has no say.
    """
    free = np.flatnonzero(routes.forbidden == 0)
    key = routes.address[free] * poles + routes.terminal[free]
    cents = routes.cents[free]
    order = np.lexsort((cents, key))
    key, cents, free = key[order], cents[order], free[order]
    lead = leads(key)
    cheapest = cents == cents[lead][np.cumsum(lead) - 1] if len(key) else lead
    key, free = key[cheapest], free[cheapest]
    tied = free[order_routes(routes.take(free), air)]
    key = routes.address[tied] * poles + routes.terminal[tied]
    order = np.argsort(key, kind="stable")
    return np.asarray(tied[order[leads(key[order])]], dtype=np.int64)


def leads(key: IntArray) -> BoolArray:
    """Mark the first row of each run of equal keys.

    Parameters
    ----------
    key : ndarray of int64, shape (n,)
        Keys.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where a run begins.
    """
    lead = np.ones(len(key), dtype=bool)
    lead[1:] = key[1:] != key[:-1]
    return lead


def order_routes(routes: Routes, air: AirSpans) -> IntArray:
    """Sort routes by price, ties by kind, access, place and attachment.

    Parameters
    ----------
    routes : Routes
        Candidate routes.
    air : AirSpans
        Their air spans.

    Returns
    -------
    ndarray of int64
        Rows of `routes` in order.
    """
    row = routes.air
    clamp_at = np.nan_to_num(air.clamp_from_m[row], nan=-1.0)
    keys = (
        air.ey[row],
        air.ex[row],
        clamp_at,
        routes.reach,
        air.pole[row],
        air.span[row],
        routes.terminal,
        routes.address,
        air.span[row] >= 0,
        routes.cents,
    )
    return np.lexsort(keys).astype(np.int64)


def joined_prices(parts: list[AirPrice]) -> AirPrice:
    """Join the prices of several tables of air spans.

    Parameters
    ----------
    parts : list of AirPrice
        In order.

    Returns
    -------
    AirPrice
        All rows.
    """
    return AirPrice(
        np.concatenate([part.cents for part in parts]),
        np.concatenate([part.forbidden for part in parts]),
    )


def joined_found(parts: list[Found]) -> Found:
    """Join what was found for several groups of addresses.

    Parameters
    ----------
    parts : list of Found
        At least one, in order of their addresses.

    Returns
    -------
    Found
        Rows renumbered.
    """
    offsets = np.cumsum([0, *(len(part.air) for part in parts)]).tolist()
    met = np.cumsum([0, *(len(part.crossings) for part in parts)]).tolist()
    return Found(
        AirSpans.joined([part.air for part in parts]),
        Crossings.joined(
            [part.crossings.moved(by) for part, by in zip(parts, offsets, strict=False)]
        ),
        joined_prices([part.price for part in parts]),
        Hung.joined([part.hung.moved(by) for part, by in zip(parts, met, strict=False)]),
        Routes.joined(
            [
                Routes(
                    part.routes.address,
                    part.routes.terminal,
                    part.routes.air + by,
                    part.routes.reach,
                    part.routes.side_m,
                    part.routes.cents,
                    part.routes.forbidden,
                )
                for part, by in zip(parts, offsets, strict=False)
            ]
        ),
        np.concatenate([part.over_street for part in parts]),
    )
