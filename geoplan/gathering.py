"""The outcome of the choice gathered into what the tables are made from.

Enters: finished drops, all offers known, explanations of the unserved.
Leaves: `Gathered`, which gives `Chosen` for all addresses or a part of them.
Does not do: decide anything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.candidates import BoolArray, Found
from geoplan.choice.cost import AirPrice
from geoplan.choice.drop_crossings import find_drop_crossings
from geoplan.choice.solve import Assignment, Ports
from geoplan.chosen import Chosen, Meetings, Recalled, Whole
from geoplan.clearance.hung import Hung
from geoplan.finishing import Finished
from geoplan.offers import CLEARANCE_ONLY, Offers, air_of, routes_of
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.segments import IntArray
from geoplan.uncrossing import Uncrossed


@dataclass(frozen=True)
class Figures:
    """What the last step of the choice came to."""

    crossings_before: int
    crossings_after: int
    cents: int
    changed: int

    @staticmethod
    def of(uncrossed: Uncrossed) -> Figures:
        """Take the figures without the offers."""
        return Figures(
            uncrossed.crossings_before,
            uncrossed.crossings_after,
            uncrossed.cents,
            uncrossed.changed,
        )


@dataclass(frozen=True)
class Gathered:
    """Planned drops, with every other offer that the tables tell of."""

    finished: Finished
    """Sorted by address."""
    others: Offers
    """Sorted by address."""
    figures: Figures
    assignment: Assignment
    ports: Ports
    sources: AirSources
    whole: Whole

    def between(self, first: int, last: int) -> Chosen:
        """Return what the tables of some addresses are made from.

        Parameters
        ----------
        first, last : int
            Rows of the addresses, the last one not included.

        Returns
        -------
        Chosen
            Planned drops come first among its routes.
        """
        low, high = np.searchsorted(self.finished.offers.address, [first, last]).tolist()
        start, end = np.searchsorted(self.others.address, [first, last]).tolist()
        is_all = high - low == len(self.finished)
        finished = self.finished if is_all else self.finished.take(np.arange(low, high))
        return self._chosen(
            finished, self.others.take(np.arange(start, end)), self._unserved(first, last)
        )

    def of_unserved(self) -> Chosen:
        """Return what the tables of the region are made from: no drop, all who have none."""
        rows = self._unserved(0, self.sources.index.address_count)
        mine = np.zeros(self.sources.index.address_count, dtype=bool)
        mine[rows] = True
        nothing = np.zeros(0, dtype=np.int64)
        others = self.others.take(mine[self.others.address])
        return self._chosen(self.finished.take(nothing), others, rows)

    def _unserved(self, first: int, last: int) -> IntArray:
        without = np.ones(self.sources.index.address_count, dtype=bool)
        without[self.finished.offers.address] = False
        return (first + np.flatnonzero(without[first:last])).astype(np.int64)

    def _chosen(self, finished: Finished, others: Offers, unserved: IntArray) -> Chosen:
        plant, whole = self.sources.plant, self.whole
        count = len(finished)
        route = np.full(plant.index.address_count, -1, dtype=np.int64)
        route[finished.offers.address] = np.arange(count)
        offers = Offers.joined([finished.offers, others])
        every = np.arange(len(offers), dtype=np.int64)
        met, crossing = _missed(others, count, len(finished.crossings))
        nothing = np.zeros(len(offers), dtype=np.int64)
        found = Found(
            AirSpans.joined([finished.air, air_of(others, self.sources)]),
            Crossings.joined([finished.crossings, met]),
            AirPrice(nothing, nothing),
            Hung.joined([finished.hung, _unhung(others, crossing)]),
            routes_of(offers, plant, every),
            offers.over_street,
        )
        told = self.figures
        first, last = (finished.offers.address[[0, -1]] + [0, 1]).tolist() if count else (0, 0)
        return Chosen(
            plant,
            found,
            self.assignment,
            self.ports,
            Recalled(route, told.crossings_before, told.crossings_after, told.cents, told.changed),
            np.arange(count, dtype=np.int64),
            np.arange(len(finished.crossings), dtype=np.int64),
            finished.crossings,
            finished.ends,
            finished.final,
            Whole(
                whole.load,
                whole.reserve_ports,
                whole.drops_on_span,
                whole.meetings.between(first, last),
            ),
            unserved,
        )


def gather(
    finished: Finished,
    others: Offers,
    figures: Figures,
    assignment: Assignment,
    ports: Ports,
    sources: AirSources,
) -> Gathered:
    """Gather the planned drops with every other offer that the tables tell of.

    Parameters
    ----------
    finished : Finished
        Planned drops, sorted by address.
    others : Offers
        Other offers: allowed ones, and forbidden ones that explain.
    figures : Figures
        Of the last step of the choice.
    assignment : Assignment
        The optimum with port values.
    ports : Ports
        Ports of each terminal.
    sources : AirSources
        Of the plant.

    Returns
    -------
    Gathered
        For the tables.
    """
    order = np.argsort(others.address, kind="stable")
    index, offers = sources.index, finished.offers
    load = np.zeros(len(ports.free), dtype=np.int64)
    np.add.at(load, offers.terminal, index.ports_needed[offers.address])
    on_span = np.bincount(offers.span[offers.span >= 0], minlength=len(index.span_length_m))
    whole = Whole(
        load,
        _reserve_ports(offers, ports, index.ports_needed),
        on_span.astype(np.int64),
        _meetings(finished),
    )
    return Gathered(finished, others.take(order), figures, assignment, ports, sources, whole)


def worth_gathering(offers: Offers, finished: Finished, count: int, alternatives: int) -> BoolArray:
    """Tell which offers that were not taken the tables can tell of.

    Parameters
    ----------
    offers : Offers
        n offers.
    finished : Finished
        Planned drops.
    count : int
        Addresses.
    alternatives : int
        Runners-up that an address gets.

    Returns
    -------
    ndarray of bool, shape (n,)
        All of the unserved; of the others what clearance alone forbids and is cheaper than the
        route taken, and runners-up if any are wanted.
    """
    price = np.full(count, -1, dtype=np.int64)
    price[finished.offers.address] = finished.offers.cents
    price = price[offers.address]
    is_allowed = offers.forbidden == 0
    only = ~is_allowed & ((offers.forbidden & ~CLEARANCE_ONLY) == 0)
    return np.asarray(
        (price < 0) | (only & (offers.cents < price)) | (is_allowed & (alternatives > 0))
    )


def _reserve_ports(offers: Offers, ports: Ports, needed: IntArray) -> IntArray:
    """Book reserved ports on the last drops of a terminal, by address; by row of address."""
    need = needed[offers.address]
    order = np.lexsort((offers.address, offers.terminal))
    total = np.cumsum(need[order])
    _, first, counts = np.unique(offers.terminal[order], return_index=True, return_counts=True)
    before = np.repeat(np.append(0, total)[first], counts)
    used = total - before
    free = ports.free[offers.terminal[order]]
    result = np.zeros(len(needed), dtype=np.int64)
    result[offers.address[order]] = np.clip(used - free, 0, need[order])
    return result


def _meetings(finished: Finished) -> Meetings:
    """Find where planned drops cross each other."""
    segment, address = finished.air.segment, finished.offers.address
    i, j, at_i, at_j = find_drop_crossings(segment, segment, same=True)
    first, second = np.concatenate([i, j]), np.concatenate([j, i])
    at = np.concatenate([at_i, at_j])
    order = np.lexsort((second, first))
    first, second, at = first[order], second[order], at[order]
    one = segment[first, 2:] - segment[first, :2]
    other = segment[second, 2:] - segment[second, :2]
    length = np.hypot(one[:, 0], one[:, 1])
    cross = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    sine = np.abs(cross) / np.maximum(length * np.hypot(other[:, 0], other[:, 1]), 1e-9)
    share = at / np.maximum(length, 1e-9)
    place = segment[first, :2] + share[:, None] * one
    return Meetings(
        address[first],
        address[second],
        at,
        np.degrees(np.arcsin(np.clip(sine, 0, 1))),
        place[:, 0],
        place[:, 1],
    )


def _missed(offers: Offers, first_air: int, first_row: int) -> tuple[Crossings, IntArray]:
    """Name the crossings whose clearance offers miss; return their row by offer, -1 for none."""
    at = np.flatnonzero(offers.miss_kind >= 0)
    crossing = np.full(len(offers), -1, dtype=np.int64)
    crossing[at] = first_row + np.arange(len(at))
    unknown, no = np.full(len(at), np.nan), np.zeros(len(at), dtype=bool)
    return (
        Crossings(
            first_air + at,
            offers.miss_kind[at],
            offers.miss_feature[at],
            no,
            no,
            unknown,
            unknown,
            unknown,
            unknown,
            unknown,
        ),
        crossing,
    )


def _unhung(offers: Offers, crossing: IntArray) -> Hung:
    """Tell of offers that are not planned just what they miss."""
    count = len(offers)
    unknown, no = np.full(count, np.nan), np.zeros(count, dtype=bool)
    return Hung(
        unknown,
        unknown,
        unknown,
        unknown,
        no,
        no,
        unknown,
        offers.forbidden,
        offers.miss_m,
        unknown,
        crossing,
        no,
        no,
        unknown,
    )
