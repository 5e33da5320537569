"""Clamps of chosen routes shifted to where they cost less.

Enters: offers by span clamp.
Leaves: the same or cheaper offers, over the same run and strand span.
Does not do: choose terminals.

The search places clamps a step apart; a chosen one is then shifted by half a step, a quarter and
so on, whichever way is free and cheaper. That can only lessen the price of the plan, and may miss
a gap that is narrower than the step.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.candidates import Found, leads
from geoplan.choice.cost import AirPrice
from geoplan.judging import crossings_of, hang, meet, raised, streets_crossed
from geoplan.offers import Offers, offers_of, order_offers, routes_of
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.segments import FloatArray, IntArray

HALVINGS = 4


def shift_clamps(offers: Offers, plant: Plant, project: Project) -> Offers:
    """Shift the clamps of n offers by ever smaller steps while that lessens the price.

    Parameters
    ----------
    offers : Offers
        Allowed routes of different addresses; those without a clamp stay as they are.
    plant : Plant
        Where.
    project : Project
        Settings.

    Returns
    -------
    Offers
        In the same order; none is dearer than it was.
    """
    clamp = np.flatnonzero(offers.span >= 0)
    if len(clamp) == 0:
        return offers
    now = offers.take(clamp)
    for halving in range(1, HALVINGS + 1):
        step = project.limits.clamp_step / 2**halving
        at = np.concatenate([now.clamp_from_m - step, now.clamp_from_m + step])
        now = _cheaper(now, at, plant, project)
    place = np.arange(len(offers))
    place[clamp] = len(offers) + np.arange(len(clamp))
    return Offers.joined([offers, now]).take(place)


def _cheaper(now: Offers, at_m: FloatArray, plant: Plant, project: Project) -> Offers:
    """Try each offer at two places; return the cheapest of the three."""
    sources = AirSources(plant, project)
    owner = np.tile(np.arange(len(now), dtype=np.int64), 2)
    span = now.span[owner]
    low, high = sources.clamp_limits(span)
    within = np.flatnonzero((at_m >= low) & (at_m <= high))
    owner, span, at_m = owner[within], span[within], at_m[within]
    slot = np.full(plant.index.address_count, -1, dtype=np.int64)
    slot[now.address] = np.arange(len(now))
    air = sources.from_clamps(now.address[owner], span, at_m)
    routes = sources.ways(air)
    label = routes_of(now, plant, np.zeros(len(now), dtype=np.int64)).reach
    same_run = routes.reach == label[slot[routes.address]]
    cheaper = routes.cents < now.cents[slot[routes.address]]
    routes = routes.take(same_run & cheaper)
    used = np.unique(routes.air)
    air, routes = air.take(used), replace(routes, air=np.searchsorted(used, routes.air))
    crossings, price = meet(air, plant, project)
    total = routes.cents + price.cents[routes.air]
    may = (price.forbidden[routes.air] == 0) & (total < now.cents[slot[routes.address]])
    routes = replace(routes, cents=total).take(may)
    used = np.unique(routes.air)
    crossings = crossings_of(crossings, used, len(air))
    air, routes = air.take(used), replace(routes, air=np.searchsorted(used, routes.air))
    hung = hang(air, crossings, plant, project)
    more = raised(hung, project)
    routes = replace(
        routes, cents=routes.cents + more[routes.air], forbidden=hung.forbidden[routes.air]
    )
    nothing = np.zeros(len(air), dtype=np.int64)
    over = streets_crossed(crossings, len(air))
    found = Found(air, crossings, AirPrice(nothing, nothing), hung, routes, over)
    tried = offers_of(found, plant)
    both = Offers.joined([now, tried.take(tried.forbidden == 0)])
    return both.take(_first_by_address(both))


def _first_by_address(offers: Offers) -> IntArray:
    order = order_offers(offers)
    order = order[np.argsort(offers.address[order], kind="stable")]
    first = order[leads(offers.address[order])]
    # back in the order of the addresses asked for, which come first and once each
    place = np.full(int(offers.address.max(initial=-1)) + 1, -1, dtype=np.int64)
    place[offers.address[first]] = first
    asked = offers.address[: len(first)]
    return np.asarray(place[asked], dtype=np.int64)
