"""Why an address has no route without a crossing, in figures.

Enters: plant and settings under which nothing may be crossed, rows of addresses without a route.
Leaves: a sentence for each.
Does not do: look for routes that can be built; `other_ways` found that there are none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.audit.other_ways import ACROSS_CENTS, OtherWays
from geoplan.candidates import Routes
from geoplan.chosen import ids
from geoplan.judging import crossings_of, hang, meet, streets_crossed
from geoplan.lower_bounds import LowerBounds
from geoplan.model import Layers
from geoplan.plan_crossings import crossing_names
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.flags import lengths
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.text_columns import assembled, joined, worded
from geoplan.verdicts import REASON_WORDS, Forbidden

GROUP = 2_000
"""Addresses worked on at once; no say in the result."""
LOOK_FURTHER = 1.5
"""How far over-long air spans are looked for, as a multiple of the limit."""


@dataclass(frozen=True)
class _Ways:
    """Air spans that cross nothing, and what they meet, some of them without a run."""

    air: AirSpans
    crossings: Crossings
    forbidden: IntArray
    """Bits of what is forbidden in plan."""
    routes: Routes

    def take(self, rows: IntArray) -> _Ways:
        """Return some air spans with their routes."""
        place = np.full(len(self.air), -1, dtype=np.int64)
        place[rows] = np.arange(len(rows))
        routes = self.routes.take(place[self.routes.air] >= 0)
        return _Ways(
            self.air.take(rows),
            crossings_of(self.crossings, rows, len(self.air)),
            self.forbidden[rows],
            replace(routes, air=place[routes.air]),
        )


def explain_none(ways: OtherWays, layers: Layers) -> Any:
    """Say why addresses have no route without a crossing.

    Parameters
    ----------
    ways : OtherWays
        What was found; ``ways.none`` are the addresses.
    layers : Layers
        Checked layers.

    Returns
    -------
    pandas array of str, shape (n,)
        A sentence for each of ``ways.none``.
    """
    parts = [
        (rows, _explain(ways, ways.none[rows], layers))
        for rows in np.split(
            np.arange(len(ways.none)), np.arange(GROUP, max(len(ways.none), 1), GROUP)
        )
        if len(rows)
    ]
    return assembled(len(ways.none), parts)


def _explain(other: OtherWays, addresses: IntArray, layers: Layers) -> Any:
    plant, project = other.plant, other.project
    near = _uncrossing(plant, project, addresses)
    slot = np.full(plant.index.address_count, -1, dtype=np.int64)
    slot[addresses] = np.arange(len(addresses))
    count = len(addresses)
    told = np.zeros(count, dtype=bool)
    parts: list[tuple[IntArray, Any]] = []

    def tell(at: IntArray, words: Any) -> None:
        """Take words for addresses that have none yet."""
        new = np.flatnonzero(~told[at])
        told[at[new]] = True
        parts.append((at[new], words.take(new)))

    open_ = near.take(_with_route(near, near.forbidden == 0))
    hung = hang(open_.air, open_.crossings, plant, project)
    routes = open_.routes
    miss = hung.miss_m[routes.air]
    pick = _least(slot[routes.address], np.where(np.isfinite(miss), miss, np.inf), routes.cents)
    pick = pick[np.isfinite(miss[pick])]
    tell(slot[routes.address[pick]], _missing(open_, hung, pick, layers, project))
    bits = np.zeros(count, dtype=np.int64)
    np.bitwise_or.at(bits, slot[routes.address], hung.forbidden[routes.air])
    barred = near.routes
    np.bitwise_or.at(bits, slot[barred.address], near.forbidden[barred.air])
    at = np.flatnonzero(bits)
    tell(at, _in_words(bits[at]))
    unjoined = np.unique(slot[near.air.address])
    no_run = "none: poles are near without a crossing, but no terminal is joined to them in reach"
    tell(unjoined, worded(np.zeros(len(unjoined)), (no_run,)))
    rest = np.flatnonzero(~told)
    if len(rest):
        where, words = _too_long(plant, project, addresses[rest], layers)
        tell(slot[where], words)
    rest = np.flatnonzero(~told)
    tell(rest, worded(np.zeros(len(rest)), ("none: no pole on this side within reach",)))
    lock = worded(plant.rules.locked[addresses] >= 0, ("", " (it is locked to one terminal)"))
    return joined(assembled(count, parts), lock)


def _uncrossing(plant: Plant, project: Project, addresses: IntArray) -> _Ways:
    """Lay all air spans in reach of addresses, and keep those that cross no road."""
    sources = AirSources(plant, project)
    bounds = LowerBounds(sources, addresses)
    poles = sources.from_poles(*sources.poles_near(addresses))
    who, span = sources.spans_near(addresses)
    # without a run the bound says nothing; those are few
    may = bounds.of_spans(who, span) < ACROSS_CENTS
    who, span = who[may], span[may]
    row, at_m = sources.clamp_places(span)
    clamps = sources.from_clamps(who[row], span[row], at_m)
    air = AirSpans.joined([poles, sources.to_other_walls(poles), clamps])
    between = bounds.streets.between(
        air.address, air.segment[:, None, :2], air.segment[:, None, 2:]
    )
    air = air.take(np.flatnonzero(between < ACROSS_CENTS))
    crossings, price = meet(air, plant, project)
    free = np.flatnonzero(~streets_crossed(crossings, len(air)))
    ways = _Ways(air, crossings, price.forbidden, sources.ways(air))
    return ways.take(free)


def _with_route(ways: _Ways, wanted: Any) -> IntArray:
    has = np.zeros(len(ways.air), dtype=bool)
    has[ways.routes.air] = True
    return np.flatnonzero(has & wanted).astype(np.int64)


def _least(group: IntArray, first: FloatArray, then: IntArray) -> IntArray:
    """Return the row of each group with the least figure, then the least price."""
    order = np.lexsort((np.arange(len(group)), then, np.round(first, 6), group))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = group[order][1:] != group[order][:-1]
    return order[lead]


def _missing(ways: _Ways, hung: Any, rows: IntArray, layers: Layers, project: Project) -> Any:
    """Write what the nearest to a clearance among routes misses."""
    routes = ways.routes.take(rows)
    crossing = hung.miss_crossing[routes.air]
    on, yard = np.flatnonzero(crossing >= 0), np.flatnonzero(crossing < 0)
    over = assembled(
        len(rows),
        [
            (on, crossing_names(ways.crossings.take(crossing[on]), layers)),
            (yard, worded(np.zeros(len(yard)), ("the yard",))),
        ],
    )
    return joined(
        "none: clearance misses by ",
        lengths(hung.miss_m[routes.air], project, "sag"),
        " over ",
        over,
        ", from ",
        ids(layers.poles.index, routes.terminal),
        " at the best",
    )


def _in_words(bits: IntArray) -> Any:
    """Write what forbids routes; there are few different sets of bits."""
    distinct, place = np.unique(bits, return_inverse=True)
    return worded(
        place,
        [
            "none: every route without a crossing is ruled out: "
            + "; ".join(text for bit, text in REASON_WORDS.items() if bit in Forbidden(value))
            for value in distinct.tolist()
        ],
    )


def _too_long(
    plant: Plant, project: Project, addresses: IntArray, layers: Layers
) -> tuple[IntArray, Any]:
    """Find the least over-long route without a crossing of addresses that have none in reach."""
    usual = plant.standards
    far = replace(
        usual,
        max_air_span_m=LOOK_FURTHER * usual.max_air_span_m,
        max_route_m=usual.max_route_m + (LOOK_FURTHER - 1.0) * usual.max_air_span_m,
    )
    ways = _uncrossing(replace(plant, standards=far), project, addresses)
    routes = ways.routes.take(ways.forbidden[ways.routes.air] == 0)
    length = ways.air.length_m[routes.air]
    run = plant.reach.run_m[routes.reach] + routes.side_m
    excess = np.maximum(length - usual.max_air_span_m, run + length - usual.max_route_m)
    pick = _least(routes.address, excess, routes.cents)
    words = joined(
        "none: too long by ",
        lengths(excess[pick], project),
        " from ",
        ids(layers.poles.index, routes.terminal[pick]),
        ", the nearest without a crossing",
    )
    return routes.address[pick], words
