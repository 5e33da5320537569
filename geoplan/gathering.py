"""The outcome of the choice gathered into what the tables are made from.

Enters: finished drops, all offers known, explanations of the unserved.
Leaves: `Chosen`.
Does not do: decide anything.
"""

from __future__ import annotations

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.candidates import Found
from geoplan.choice.cost import AirPrice
from geoplan.choice.solve import Assignment, Ports
from geoplan.chosen import Chosen, Recalled
from geoplan.clearance.hung import Hung
from geoplan.finishing import Finished
from geoplan.offers import Offers, air_of, routes_of
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.segments import IntArray
from geoplan.uncrossing import Uncrossed


def gather(
    finished: Finished,
    others: Offers,
    uncrossed: Uncrossed,
    assignment: Assignment,
    ports: Ports,
    sources: AirSources,
) -> Chosen:
    """Gather the planned drops with every other offer that the tables tell of.

    Parameters
    ----------
    finished : Finished
        Planned drops, sorted by address.
    others : Offers
        Other offers: allowed ones, and forbidden ones that explain.
    uncrossed : Uncrossed
        Figures of the last step of the choice.
    assignment : Assignment
        The optimum with port values.
    ports : Ports
        Ports of each terminal.
    sources : AirSources
        Of the plant.

    Returns
    -------
    Chosen
        Planned drops come first among its routes.
    """
    plant = sources.plant
    count = len(finished)
    route = np.full(plant.index.address_count, -1, dtype=np.int64)
    route[finished.offers.address] = np.arange(count)
    offers = Offers.joined([finished.offers, others])
    every = np.arange(len(offers), dtype=np.int64)
    met, crossing = _missed(others, count, len(finished.crossings))
    nothing = np.zeros(len(offers), dtype=np.int64)
    found = Found(
        AirSpans.joined([finished.air, air_of(others, sources)]),
        Crossings.joined([finished.crossings, met]),
        AirPrice(nothing, nothing),
        Hung.joined([finished.hung, _unhung(others, crossing)]),
        routes_of(offers, plant, every),
        offers.over_street,
    )
    return Chosen(
        plant,
        found,
        assignment,
        ports,
        Recalled(
            route,
            uncrossed.crossings_before,
            uncrossed.crossings_after,
            uncrossed.cents,
            uncrossed.changed,
        ),
        np.arange(count, dtype=np.int64),
        np.arange(len(finished.crossings), dtype=np.int64),
        finished.crossings,
        finished.ends,
        finished.final,
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
