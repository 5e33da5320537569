"""The best route of an address without a crossing, with a port that is free after the plan.

Enters: a finished plan, rows of addresses.
Leaves: `OtherWays`: for each address the cheapest such route, or what keeps it from one.
Does not do: change the plan; look at addresses that were not asked for.

The search is the one that made the plan. Crossing a road costs more there than all else
together, and railways and water are forbidden, so what it finds below that price crosses
nothing; passing over a carriageway's edge is no crossing, as in the plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geoplan.choice.solve import Ports
from geoplan.model import Plan
from geoplan.offers import Offers, order_offers
from geoplan.plan import terminal_ports
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.routes.index import row_numbers
from geoplan.routes.segments import BoolArray, IntArray
from geoplan.search import Aim
from geoplan.standards import Standards, load_standards
from geoplan.working import Here

ACROSS_CENTS = 1 << 44
"""Stands for the price of crossing a road: more than all else on a route can cost."""
AHEAD_CENTS = 10_000
"""How far beyond the planned route's price is searched first; no say in the result."""


@dataclass(frozen=True)
class Rooms:
    """Ports after the plan, seen from each of n addresses that may give its own back."""

    ports: Ports
    load: IntArray
    """Ports planned at each terminal, by row of pole."""
    terminal: IntArray
    """Terminal of each address asked for, by row of address; -1 elsewhere."""
    needed: IntArray
    """Ports that each address needs."""

    def left(self, address: IntArray, terminal: IntArray) -> IntArray:
        """Count the ports that an address could have at a terminal, its own among them."""
        own = np.where(self.terminal[address] == terminal, self.needed[address], 0)
        ports = self.ports
        return ports.free[terminal] + ports.reserve[terminal] - self.load[terminal] + own

    def reserve_cents(self, address: IntArray, terminal: IntArray) -> IntArray:
        """Price the reserved ports that moving an address to a terminal takes or gives back."""
        mine = self.terminal[address]
        own = self.needed[address]
        before = np.maximum(self.load - self.ports.free, 0)
        gone = np.maximum(self.load[mine] - own - self.ports.free[mine], 0) - before[mine]
        taken = np.maximum(self.load[terminal] + own - self.ports.free[terminal], 0)
        more = np.where(mine == terminal, 0, taken - before[terminal] + gone)
        return np.asarray(more * self.ports.reserve_cents, dtype=np.int64)


@dataclass(frozen=True)
class OtherWays:
    """Routes without a crossing of the addresses asked for."""

    plant: Plant
    project: Project
    """Settings under which no railway and no water may be crossed."""
    rooms: Rooms
    best: Offers
    """The cheapest with a free port, of each address that has one; sorted by address."""
    best_cents: IntArray
    """Price of each, with what reserved ports cost more or less than in the plan."""
    full: Offers
    """The cheapest of those to full terminals, where there is no other; sorted by address."""
    none: IntArray
    """Addresses without any such route, sorted."""


def find_other_ways(plan: Plan, addresses: IntArray, standards: Standards | None) -> OtherWays:
    """Find the cheapest route without a crossing for some addresses.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    addresses : ndarray of int64, shape (n,)
        Rows of served addresses, sorted.
    standards : Standards or None
        Rules, wire and strands of the plan; None loads those that its project names.

    Returns
    -------
    OtherWays
        Every address asked for is in one of its three parts.

    Notes
    -----
    Each address is searched up to a little beyond the price of its planned route; those for which
    that does not settle the matter, to the end. So the time goes with the number of addresses
    that cross something, and not with that of the plan.
    """
    project = _without_crossings(plan.project)
    plant = build_plant(plan.layers, project, standards or load_standards(plan.project))
    across = np.full_like(plant.prices.road, ACROSS_CENTS)
    plant = replace(plant, prices=replace(plant.prices, road=across))
    rooms = _rooms(plan, addresses)
    worker = Here(plant, project)
    until = _planned_cents(plan)[addresses] + AHEAD_CENTS
    offers, reached = worker.search(addresses, _aim(until), _unheard)
    offers = _free(offers)
    best, price = _best(offers, rooms)
    limit = np.zeros(len(rooms.needed), dtype=np.int64)
    limit[addresses] = reached
    settled = np.zeros(len(rooms.needed), dtype=bool)
    settled[best.address[price <= limit[best.address] + _least_reserve(rooms)]] = True
    settled[addresses[reached >= ACROSS_CENTS - 1]] = True
    again = addresses[~settled[addresses]]
    if len(again):
        end = np.full(len(again), ACROSS_CENTS - 1, dtype=np.int64)
        more, _ = worker.search(again, _aim(end), _unheard)
        offers = Offers.joined([offers.take(settled[offers.address]), _free(more)])
        best, price = _best(offers, rooms)
    lone = ~np.isin(offers.address, best.address)
    full = _cheapest(offers.take(lone))
    none = np.setdiff1d(addresses, offers.address)
    return OtherWays(plant, project, rooms, best, price, full, none)


def _without_crossings(project: Project) -> Project:
    forbidden = project.forbidden.model_copy(update={"rail": True, "water": True})
    return project.model_copy(update={"forbidden": forbidden})


def _aim(until: IntArray) -> Aim:
    """Ask for all up to a price; no way beyond it is wanted."""
    nothing = np.zeros(len(until), dtype=np.int64)
    return Aim(nothing - 1, until, nothing)


def _unheard(done: int, total: int) -> None:
    del done, total


def _free(offers: Offers) -> Offers:
    """Keep what nothing forbids and crosses no road."""
    return offers.take((offers.forbidden == 0) & (offers.cents < ACROSS_CENTS))


def _rooms(plan: Plan, addresses: IntArray) -> Rooms:
    layers, drops = plan.layers, plan.drops
    index, poles = layers.addresses.index, layers.poles.index
    terminal = np.full(len(index), -1, dtype=np.int64)
    served = row_numbers(drops["address_id"], index)
    at = row_numbers(drops["terminal_id"], poles)
    terminal[served] = at
    needed = layers.addresses["ports_needed"].to_numpy(dtype=np.int64)
    load = np.zeros(len(poles), dtype=np.int64)
    np.add.at(load, at, needed[served])
    asked = np.zeros(len(index), dtype=bool)
    asked[addresses] = True
    return Rooms(terminal_ports(layers, plan.project), load, np.where(asked, terminal, -1), needed)


def _planned_cents(plan: Plan) -> IntArray:
    """Return the price of each address's planned route, by row of address; 0 without one."""
    price = np.zeros(len(plan.layers.addresses), dtype=np.int64)
    rows = row_numbers(plan.drops["address_id"], plan.layers.addresses.index)
    price[rows] = np.rint(plan.drops["cost"].to_numpy(dtype=np.float64) * 100).astype(np.int64)
    return price


def _least_reserve(rooms: Rooms) -> int:
    """Return the least that reserved ports can add to a price: giving all of one's own back."""
    return -int(rooms.needed.max(initial=0)) * rooms.ports.reserve_cents


def _best(offers: Offers, rooms: Rooms) -> tuple[Offers, IntArray]:
    """Return the cheapest offer with a free port of each address, and its price."""
    left = rooms.left(offers.address, offers.terminal)
    offers = offers.take(left >= rooms.needed[offers.address])
    price = offers.cents + rooms.reserve_cents(offers.address, offers.terminal)
    order = order_offers(offers)
    order = order[np.lexsort((price[order], offers.address[order]))]
    pick = order[_leads(offers.address[order])]
    return offers.take(pick), price[pick]


def _cheapest(offers: Offers) -> Offers:
    """Return the cheapest offer of each address."""
    order = order_offers(offers)
    order = order[np.argsort(offers.address[order], kind="stable")]
    return offers.take(order[_leads(offers.address[order])])


def _leads(key: IntArray) -> BoolArray:
    lead = np.ones(len(key), dtype=bool)
    lead[1:] = key[1:] != key[:-1]
    return lead
