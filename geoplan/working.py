"""The work that can be done by address or by strand span, in this process.

Enters: plant, settings, rows of addresses or offers.
Leaves: offers, bounds, finished drops; the same whatever the size of the groups.
Does not do: the joint choice.

`Worker` is what the joint choice asks; `Here` does it for a region that lies in this process's
memory. Elsewhere the same functions run on parts of the region.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.finishing import Finished, by_strand_span, finish_offers
from geoplan.lower_bounds import NEVER, LowerBounds
from geoplan.offers import CLEARANCE_ONLY, Offers, offers_of, worth_keeping, worth_telling
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.segments import IntArray
from geoplan.search import Aim, search_routes
from geoplan.shifting import shift_clamps
from geoplan.side_by_side import processors, side_by_side

CHUNK = 5_000
FEWEST = 100
"""Fewer are not shared out."""

Tell = Callable[[int, int], None]
Bounds = tuple[IntArray, IntArray, IntArray]
"""Address, terminal and cents of each pair, sorted by address and terminal."""
T = TypeVar("T")


class Worker(Protocol):
    """Works on addresses and offers; rows are those of the whole region."""

    def search(self, addresses: IntArray, aim: Aim, tell: Tell) -> tuple[Offers, IntArray]:
        """Search addresses; return offers, and the price that each was searched up to."""

    def bounds(self, addresses: IntArray) -> Bounds:
        """Return a lower bound for every pair of these addresses that may have a route."""

    def shift(self, offers: Offers) -> Offers:
        """Shift clamps to cheaper places; same order."""

    def finish(self, offers: Offers, tell: Tell) -> Finished:
        """Work drops out in full; sorted by address."""

    def explain(self, addresses: IntArray) -> Offers:
        """Search addresses to the end, and keep what tells why they have no route."""


class Here:
    """Works on what this process holds, so many groups at once; by default as it has processors."""

    def __init__(
        self, plant: Plant, project: Project, chunk: int = CHUNK, at_once: int | None = None
    ) -> None:
        self.plant, self.project, self.chunk = plant, project, chunk
        self.at_once = processors() if at_once is None else at_once

    def search(self, addresses: IntArray, aim: Aim, tell: Tell) -> tuple[Offers, IntArray]:
        """Search addresses; return offers, and the price that each was searched up to."""
        found = self._each(
            self._groups(len(addresses)),
            lambda rows: search_offers(addresses[rows], aim.take(rows), self.plant, self.project),
            tell,
        )
        return joined_offers([offers for offers, _ in found]), np.concatenate(
            [np.zeros(0, dtype=np.int64), *(reached for _, reached in found)]
        )

    def bounds(self, addresses: IntArray) -> Bounds:
        """Return a lower bound for every pair of these addresses that may have a route."""
        parts = self._each(
            self._groups(len(addresses)),
            lambda rows: pair_bounds(addresses[rows], self.plant, self.project),
        )
        return joined_bounds(parts)

    def shift(self, offers: Offers) -> Offers:
        """Shift clamps to cheaper places; same order."""
        parts = self._each(
            self._groups(len(offers)),
            lambda rows: shift_clamps(offers.take(rows), self.plant, self.project),
        )
        return joined_offers(parts)

    def finish(self, offers: Offers, tell: Tell) -> Finished:
        """Work drops out in full; sorted by address."""
        groups = by_strand_span(offers.span, self._size(len(offers)))
        if not groups:
            return finish_offers(offers, self.plant, self.project)
        parts = self._each(
            groups, lambda rows: finish_offers(offers.take(rows), self.plant, self.project), tell
        )
        return sorted_by_address(parts)

    def explain(self, addresses: IntArray) -> Offers:
        """Search addresses to the end, and keep what tells why they have no route."""
        parts = self._each(
            self._groups(len(addresses)),
            lambda rows: explaining_offers(addresses[rows], self.plant, self.project),
        )
        return joined_offers(parts)

    def _size(self, count: int) -> int:
        """Return how many make a group, so that no processor is idle."""
        return min(self.chunk, max(-(-count // self.at_once), FEWEST))

    def _groups(self, count: int) -> list[IntArray]:
        size = self._size(count)
        return [
            np.arange(start, min(start + size, count), dtype=np.int64)
            for start in range(0, count, size)
        ]

    def _each(
        self,
        groups: Sequence[IntArray],
        work: Callable[[IntArray], T],
        tell: Tell | None = None,
    ) -> list[T]:
        total, done, results = sum(len(group) for group in groups), 0, []
        answers = side_by_side(work, groups, self.at_once)
        for group, result in zip(groups, answers, strict=True):
            results.append(result)
            done += len(group)
            if tell is not None:
                tell(done, total)
        return results


def sorted_by_address(parts: list[Finished]) -> Finished:
    """Join drops worked out in parts.

    Parameters
    ----------
    parts : list of Finished
        Each drop once; the list is emptied.

    Returns
    -------
    Finished
        Sorted by address.
    """
    address = np.concatenate([part.offers.address for part in parts])
    return Finished.gathered(parts, np.argsort(address, kind="stable"))


def search_offers(
    addresses: IntArray, aim: Aim, plant: Plant, project: Project
) -> tuple[Offers, IntArray]:
    """Search a group of addresses and keep what a choice may need.

    Parameters
    ----------
    addresses : ndarray of int64, shape (n,)
        Rows of addresses.
    aim : Aim
        How far to search each.
    plant : Plant
        Where.
    project : Project
        Settings.

    Returns
    -------
    Offers, ndarray of int64
        Offers by address, and the price in cents up to which each address is known. Where nothing
        is known of an address yet and no route is allowed, what `worth_telling` keeps.
    """
    searched = search_routes(plant, project, addresses, aim)
    offers, reached = offers_of(searched.found, plant), searched.reached
    if aim.keeps_places:
        failing = offers.forbidden & ~CLEARANCE_ONLY
        return offers.take(failing == 0), reached
    if (aim.after >= 0).any():
        return worth_keeping(offers), reached
    has_way = np.ones(plant.index.address_count, dtype=bool)
    has_way[addresses[reached == NEVER]] = False
    has_way[offers.address[offers.forbidden == 0]] = True
    hopeless = ~has_way[offers.address]
    told = worth_telling(offers.take(hopeless))
    kept = Offers.joined([worth_keeping(offers.take(~hopeless)), told])
    return kept.take(np.argsort(kept.address, kind="stable")), reached


def explaining_offers(addresses: IntArray, plant: Plant, project: Project) -> Offers:
    """Search a group of addresses to the end, and keep what tells why they have no route.

    Parameters
    ----------
    addresses : ndarray of int64, shape (n,)
        Rows of addresses.
    plant : Plant
        Where.
    project : Project
        Settings.

    Returns
    -------
    Offers
        By address; see `worth_telling`.
    """
    found = search_routes(plant, project, addresses, Aim.everything(len(addresses))).found
    return worth_telling(offers_of(found, plant))


def pair_bounds(addresses: IntArray, plant: Plant, project: Project) -> Bounds:
    """Bound the price of every pair of a group of addresses.

    Parameters
    ----------
    addresses : ndarray of int64, shape (n,)
        Rows of addresses.
    plant : Plant
        Where.
    project : Project
        Settings.

    Returns
    -------
    address, terminal, cents : ndarray of int64
        Sorted by address and terminal.
    """
    return LowerBounds(AirSources(plant, project), addresses).by_pair(addresses)


def joined_offers(parts: Sequence[Offers]) -> Offers:
    """Join offers; none give an empty table.

    Parameters
    ----------
    parts : sequence of Offers
        In order.

    Returns
    -------
    Offers
        All rows.
    """
    return Offers.joined([Offers.empty(), *parts])


def joined_bounds(parts: Sequence[Bounds]) -> Bounds:
    """Join bounds and sort them by address and terminal.

    Parameters
    ----------
    parts : sequence of Bounds
        Of different addresses.

    Returns
    -------
    Bounds
        All rows.
    """
    none = np.zeros(0, dtype=np.int64)
    address, terminal, cents = (
        np.concatenate([none, *(part[column] for part in parts)]) for column in range(3)
    )
    order = np.lexsort((terminal, address))
    return address[order], terminal[order], cents[order]
