"""The search for route candidates of a group of addresses, cheapest first.

Enters: plant, settings, rows of addresses, how far each is to be searched.
Leaves: `Found`: air spans, their crossings and verdicts, the routes over them; how far it went.
Does not do: the choice between addresses.

The candidates of an address are a fixed set: from every pole in reach to the nearest wall and to
other walls, and from span clamps a step apart to the nearest wall. Each has a lower bound (wire
and hardware, then also what it meets in plan); what else is looked at can only add to it. They
are opened in order of that bound, and heights and sag are worked out only below the front. The
front of an address stops where enough ways are known and all that is left costs more than those.
So every candidate up to the price `Searched.reached` is known exactly, and what was never opened
cannot be among the best: nothing is lost.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.candidates import BoolArray, Found, Routes
from geoplan.choice.cost import AirPrice
from geoplan.clearance.hung import Hung
from geoplan.judging import crossings_of, hang, meet, raised, streets_crossed
from geoplan.lower_bounds import NEVER, LowerBounds, lot_bound
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.segments import IntArray

FIRST_STEP_CENTS = 1_600
MOST_DOUBLINGS = 40


@dataclass(frozen=True)
class Aim:
    """How far to search each of n addresses."""

    after: IntArray
    """Candidates of at most this price, in cents, are known already; -1: none are."""
    until: IntArray
    """Search at least up to this price; `NEVER`: to the end."""
    wanted: IntArray
    """Further ways to find beyond `after`; one by another run or strand span is different."""
    keeps_places: bool = False
    """Whether to keep every place of a clamp, not just the cheapest of each way."""

    def take(self, rows: IntArray) -> Aim:
        """Return the aims of some addresses."""
        return Aim(self.after[rows], self.until[rows], self.wanted[rows], self.keeps_places)

    @staticmethod
    def first(count: int, ways: int = 1) -> Aim:
        """Ask for the cheapest ways of n addresses of which nothing is known."""
        return Aim(
            np.full(count, -1, dtype=np.int64),
            np.full(count, -1, dtype=np.int64),
            np.full(count, ways, dtype=np.int64),
        )

    @staticmethod
    def everything(count: int) -> Aim:
        """Ask for all candidates, and what forbids those that are."""
        return replace(Aim.first(count), until=np.full(count, NEVER, dtype=np.int64))


@dataclass(frozen=True)
class Searched:
    """What was found, and how far the search went."""

    found: Found
    reached: IntArray
    """Price in cents up to which all candidates of each address are known; `NEVER`: all."""


@dataclass(frozen=True)
class _Open:
    """Air spans that may still be wanted."""

    air: AirSpans
    slot: IntArray
    low: IntArray
    """Bound of the cheapest route over each."""
    has_other_walls: BoolArray
    """Whether other walls have not been looked at for its source."""
    is_rough: BoolArray
    """Whether neighbours' lots don't count in the bound yet."""

    def take(self, rows: IntArray) -> _Open:
        return _Open(
            self.air.take(rows),
            self.slot[rows],
            self.low[rows],
            self.has_other_walls[rows],
            self.is_rough[rows],
        )

    @staticmethod
    def joined(parts: list[_Open]) -> _Open:
        return _Open(
            AirSpans.joined([part.air for part in parts]),
            np.concatenate([part.slot for part in parts]),
            np.concatenate([part.low for part in parts]),
            np.concatenate([part.has_other_walls for part in parts]),
            np.concatenate([part.is_rough for part in parts]),
        )


@dataclass(frozen=True)
class _Met:
    """Open air spans whose crossings and routes are known."""

    open: _Open
    crossings: Crossings
    price: AirPrice
    routes: Routes

    def take(self, rows: IntArray) -> _Met:
        count = len(self.open.slot)
        place = np.full(count, -1, dtype=np.int64)
        place[rows] = np.arange(len(rows))
        routes = self.routes.take(place[self.routes.air] >= 0)
        return _Met(
            self.open.take(rows),
            crossings_of(self.crossings, rows, count),
            AirPrice(self.price.cents[rows], self.price.forbidden[rows]),
            replace(routes, air=place[routes.air]),
        )

    @staticmethod
    def joined(parts: list[_Met]) -> _Met:
        by = np.cumsum([0, *(len(part.open.slot) for part in parts)]).tolist()
        return _Met(
            _Open.joined([part.open for part in parts]),
            Crossings.joined([part.crossings.moved(n) for part, n in zip(parts, by, strict=False)]),
            AirPrice(
                np.concatenate([part.price.cents for part in parts]),
                np.concatenate([part.price.forbidden for part in parts]),
            ),
            Routes.joined(
                [
                    replace(part.routes, air=part.routes.air + n)
                    for part, n in zip(parts, by, strict=False)
                ]
            ),
        )


class _Search:
    """One group of addresses."""

    def __init__(self, plant: Plant, project: Project, addresses: IntArray, aim: Aim) -> None:
        self.plant, self.project, self.aim = plant, project, aim
        self.addresses = addresses
        self.sources = AirSources(plant, project)
        self.bounds = LowerBounds(self.sources, addresses)
        self.slots = np.full(plant.index.address_count, -1, dtype=np.int64)
        self.slots[addresses] = np.arange(len(addresses))
        self.is_thorough = aim.until == NEVER
        self.done: list[tuple[_Met, Hung]] = []
        self.ways = _Ways(aim.wanted, len(plant.reach.pole), len(plant.index.span_ends))
        self.fresh = self._opened(self.sources.from_poles(*self.sources.poles_near(addresses)))
        self.met = self._meet(self.fresh.take(np.zeros(0, dtype=np.int64)))
        near, self.span = self.sources.spans_near(addresses)
        self.span_slot = self.slots[near]
        self.span_low = self.bounds.of_spans(near, self.span)

    def run(self) -> Searched:
        """Move the front of every address on until it may stop."""
        for number in range(MOST_DOUBLINGS):
            low = self._least_left()
            goal = np.maximum(self.aim.until, self.ways.price())
            active = (low <= goal) & (low < NEVER)
            if not active.any():
                break
            ahead = low + np.where(self.aim.until == NEVER, NEVER - low, FIRST_STEP_CENTS << number)
            front = np.where(active, np.minimum(goal, ahead), -1)
            self._open_spans(front)
            self._meet_up_to(front)
            self._hang_up_to(front)
        else:
            message = "the front of the search did not reach its end"
            raise ArithmeticError(message)
        reached = np.where(low == NEVER, NEVER, goal)
        return Searched(self._found(reached), reached)

    def _least_left(self) -> IntArray:
        least = np.full(len(self.addresses), NEVER, dtype=np.int64)
        np.minimum.at(least, self.fresh.slot, self.fresh.low)
        np.minimum.at(least, self.met.open.slot, self.met.open.low)
        np.minimum.at(least, self.span_slot, self.span_low)
        return least

    # -- opening ------------------------------------------------------------------------------

    def _opened(self, air: AirSpans, *, walls: bool = True) -> _Open:
        low = self.bounds.of_air(air, to_any_wall=walls)
        more = (air.pole >= 0) & (air.building >= 0) & walls
        rough = np.ones(len(air), dtype=bool)
        opened = _Open(air, self.slots[air.address], low, more, rough)
        return opened.take(np.flatnonzero(low < NEVER))

    def _open_spans(self, front: IntArray) -> None:
        """Lay air spans from all clamps of the strand spans that the front has come to."""
        here = self.span_low <= front[self.span_slot]
        if not here.any():
            return
        address, span = self.addresses[self.span_slot[here]], self.span[here]
        row, at = self.sources.clamp_places(span)
        more = self._opened(self.sources.from_clamps(address[row], span[row], at))
        self.fresh = _Open.joined([self.fresh, more])
        self.span_slot, self.span = self.span_slot[~here], self.span[~here]
        self.span_low = self.span_low[~here]

    # -- what is met --------------------------------------------------------------------------

    def _meet_up_to(self, front: IntArray) -> None:
        """Price what fresh air spans below the front meet, until no more are added there."""
        while True:
            while self._count_lots(front):
                pass
            here = self.fresh.low <= front[self.fresh.slot]
            if not here.any():
                return
            met = self._meet(self.fresh.take(np.flatnonzero(here)))
            self.fresh = self.fresh.take(np.flatnonzero(~here))
            self._add_other_walls(met, (met.price.cents > 0) | (met.price.forbidden != 0))
            barred = met.price.forbidden != 0
            if barred.any():
                self._keep_barred(met.take(np.flatnonzero(barred)))
            self.met = _Met.joined(
                [self.met, met.take(np.flatnonzero(~barred & (met.open.low < NEVER)))]
            )

    def _count_lots(self, front: IntArray) -> bool:
        """Count a neighbour's lot in the bounds below the front; tell whether any were left."""
        fresh = self.fresh
        rows = np.flatnonzero(fresh.is_rough & (fresh.low <= front[fresh.slot]))
        if len(rows) == 0:
            return False
        more = lot_bound(fresh.air.take(rows), self.sources)
        low, rough, walls = fresh.low.copy(), fresh.is_rough.copy(), fresh.has_other_walls.copy()
        low[rows] += more
        rough[rows] = False
        # another wall may be reached past the lot, so it is looked at with its own bound
        aside = rows[(more > 0) & walls[rows]]
        walls[aside] = False
        others = self.sources.to_other_walls(fresh.air.take(aside))
        fresh = replace(fresh, low=low, is_rough=rough, has_other_walls=walls)
        self.fresh = _Open.joined([fresh, self._opened(others, walls=False)])
        return True

    def _meet(self, opened: _Open) -> _Met:
        crossings, price = meet(opened.air, self.plant, self.project)
        routes = self.sources.ways(opened.air)
        total = routes.cents + price.cents[routes.air]
        routes = replace(routes, cents=total, forbidden=price.forbidden[routes.air])
        is_new = total > self.aim.after[self.slots[routes.address]]
        # an air span that is known already is hung again where that may bring in other walls
        counts = is_new | (opened.has_other_walls & (price.cents == 0))[routes.air]
        low = np.full(len(opened.slot), NEVER, dtype=np.int64)
        np.minimum.at(low, routes.air[counts], total[counts])
        routes = routes.take(is_new)
        return _Met(replace(opened, low=low), crossings, price, routes)

    def _add_other_walls(self, met: _Met, is_met: BoolArray) -> None:
        """Look at other walls where the nearest one from a pole is not reached freely."""
        rows = np.flatnonzero(is_met & met.open.has_other_walls)
        if len(rows):
            more = self.sources.to_other_walls(met.open.air.take(rows))
            self.fresh = _Open.joined([self.fresh, self._opened(more, walls=False)])

    def _keep_barred(self, met: _Met) -> None:
        """Keep what is forbidden in plan, without heights, so that reasons can be told."""
        count = len(met.open.slot)
        nothing, unknown = np.zeros(count), np.full(count, np.nan)
        no = np.zeros(count, dtype=bool)
        none = np.full(count, -1, dtype=np.int64)
        bits = np.zeros(count, dtype=np.int64)
        hung = Hung(
            nothing, nothing, nothing, nothing, no, no, nothing, bits,
            unknown, unknown, none, no, no, nothing,
        )  # fmt: skip
        self.done.append((met, hung))

    # -- how it hangs -------------------------------------------------------------------------

    def _hang_up_to(self, front: IntArray) -> None:
        here = self.met.open.low <= front[self.met.open.slot]
        if not here.any():
            return
        met = self.met.take(np.flatnonzero(here))
        self.met = self.met.take(np.flatnonzero(~here))
        hung = hang(met.open.air, met.crossings, self.plant, self.project)
        more = raised(hung, self.project)
        # those that meet something in plan have had their other walls added before
        self._add_other_walls(met, (met.price.cents == 0) & ((hung.forbidden != 0) | (more > 0)))
        self.done.append((met, hung))
        free = hung.forbidden[met.routes.air] == 0
        routes = replace(met.routes, cents=met.routes.cents + more[met.routes.air]).take(free)
        self.ways.add(self.slots[routes.address], routes, met.open.air.span[routes.air])

    # -- the outcome --------------------------------------------------------------------------

    def _found(self, reached: IntArray) -> Found:
        """Gather what is known up to the price reached; beyond, it is not all that there is."""
        nothing = self._meet(self.fresh.take(np.zeros(0, dtype=np.int64)))
        met = _Met.joined([nothing, *(met for met, _ in self.done)])
        hung = [part.moved(by) for (_, part), by in zip(self.done, self._offsets(), strict=True)]
        empty = hang(nothing.open.air, nothing.crossings, self.plant, self.project)
        all_hung = Hung.joined([empty, *hung])
        more = np.where(all_hung.forbidden == 0, raised(all_hung, self.project), 0)
        routes = met.routes
        slot = self.slots[routes.address]
        # what is forbidden in plan explains those without a way, and is left out of others
        tells = self.is_thorough | ((reached == NEVER) & ~self.ways.is_known())
        told = tells[slot] | (met.price.forbidden[routes.air] == 0)
        routes = routes.take(told & (routes.cents <= reached[slot]))
        used, place = np.unique(routes.air, return_inverse=True)
        crossings = np.flatnonzero(np.isin(met.crossings.air, used))
        taken = all_hung.take(used)
        place_of = np.full(len(met.crossings) + 1, -1, dtype=np.int64)
        place_of[crossings] = np.arange(len(crossings))
        kept = met.take(used)
        bits = kept.price.forbidden | taken.forbidden
        return Found(
            kept.open.air,
            kept.crossings,
            AirPrice(kept.price.cents + more[used], bits),
            replace(taken, miss_crossing=place_of[taken.miss_crossing], forbidden=bits),
            replace(
                routes,
                air=place.astype(np.int64),
                cents=routes.cents + more[routes.air],
                forbidden=bits[place],
            ),
            streets_crossed(kept.crossings, len(used)),
        )

    def _offsets(self) -> list[int]:
        return list(itertools.accumulate((len(met.crossings) for met, _ in self.done), initial=0))[
            :-1
        ]


class _Ways:
    """The cheapest allowed route of each different way, by address of the group."""

    def __init__(self, wanted: IntArray, labels: int, spans: int) -> None:
        self.wanted, self.labels, self.spans = wanted, labels, spans
        self.slot = np.zeros(0, dtype=np.int64)
        self.key = np.zeros(0, dtype=np.int64)
        self.cents = np.zeros(0, dtype=np.int64)

    def add(self, slot: IntArray, routes: Routes, span: IntArray) -> None:
        """Note allowed routes."""
        key = routes.reach * (self.spans + 1) + span + 1
        slot = np.concatenate([self.slot, slot])
        key, cents = np.concatenate([self.key, key]), np.concatenate([self.cents, routes.cents])
        order = np.lexsort((cents, key, slot))
        slot, key, cents = slot[order], key[order], cents[order]
        first = np.ones(len(slot), dtype=bool)
        first[1:] = (slot[1:] != slot[:-1]) | (key[1:] != key[:-1])
        self.slot, self.key, self.cents = slot[first], key[first], cents[first]

    def is_known(self) -> BoolArray:
        """Tell who has any way."""
        known = np.zeros(len(self.wanted), dtype=bool)
        known[self.slot] = True
        return known

    def price(self) -> IntArray:
        """Return the price of the last of the ways wanted; `NEVER` where fewer are known.

        Where none are wanted, -1.
        """
        order = np.lexsort((self.cents, self.slot))
        slot, cents = self.slot[order], self.cents[order]
        begin = np.searchsorted(slot, np.arange(len(self.wanted)))
        count = np.searchsorted(slot, np.arange(len(self.wanted)), "right") - begin
        last = np.append(cents, 0)[np.minimum(begin + self.wanted - 1, len(cents))]
        price = np.where(count >= self.wanted, last, NEVER)
        return np.where(self.wanted == 0, -1, price)


def search_routes(plant: Plant, project: Project, addresses: IntArray, aim: Aim) -> Searched:
    """Find the cheapest routes of a group of addresses, as far as is asked for.

    Parameters
    ----------
    plant : Plant
        Indexed layers, runs along the strand, rules, prices, heights and standards.
    project : Project
        Settings.
    addresses : ndarray of int64, shape (n,)
        Rows of different addresses; their results don't depend on who else is in the group.
    aim : Aim
        How far to search each; arrays of shape (n,).

    Returns
    -------
    Searched
        Routes priced above ``aim.after`` and up to `reached`, with air spans, crossings, heights
        and sag; those that only heights or tension forbid too, with what they miss. What is
        forbidden in plan is kept only where all candidates were asked for, or none is allowed.

    Raises
    ------
    ArithmeticError
        If the search doesn't end; that would be a defect.
    """
    return _Search(plant, project, addresses, aim).run()
