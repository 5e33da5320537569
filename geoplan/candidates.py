"""Candidate routes as columns: what the search found, and how routes compare.

Enters: routes with their air spans and prices.
Leaves: `Routes`, `Found`, `PairRules`; routes in order.
Does not do: look for routes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.choice.cost import AirPrice
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
