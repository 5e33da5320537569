"""geoplan's own price of every address and terminal, with its mechanics switched off.

The search is the one that plans; only the question how an air span hangs is answered with "as
usual" for all, as in the plain baseline, which has no mechanics. Once all candidates are asked
for, so that every pair gets its price; once only the cheapest of each address, as a plan begins,
which shows that what the search leaves unopened could not have been it.
"""

from __future__ import annotations

from unittest.mock import patch

import numpy as np

from geoplan import search
from geoplan.clearance.hung import Hung
from geoplan.model import Layers
from geoplan.offers import best_offers, offers_of
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.standards import load_standards

GROUP = 2_500

Prices = dict[tuple[str, str], int]


def prices_without_mechanics(
    layers: Layers, project: Project, *, cheapest_only: bool = False
) -> Prices:
    """Return the price of every pair in cents, by ids; or of those that a first search finds."""
    plant = build_plant(layers, project, load_standards(project))
    count = plant.index.address_count
    address_ids, pole_ids = layers.addresses.index, layers.poles.index
    prices: Prices = {}
    with patch.object(search, "hang", _hangs_as_usual):
        for start in range(0, count, GROUP):
            rows = np.arange(start, min(start + GROUP, count), dtype=np.int64)
            wanted = search.Aim.first if cheapest_only else search.Aim.everything
            aim = wanted(len(rows))
            found = search.search_routes(plant, project, rows, aim).found
            offers = offers_of(found, plant)
            best = offers.take(best_offers(offers, np.flatnonzero(offers.forbidden == 0)))
            names = zip(address_ids[best.address], pole_ids[best.terminal], strict=True)
            prices.update(zip(names, best.cents.tolist(), strict=True))
    return prices


def _hangs_as_usual(air: AirSpans, crossings: Crossings, plant: Plant, project: Project) -> Hung:
    del crossings, plant, project
    count = len(air)
    zero, unknown = np.zeros(count), np.full(count, np.nan)
    no, nothing = np.zeros(count, dtype=bool), np.zeros(count, dtype=np.int64)
    values: dict[str, np.ndarray] = {}
    for name, kind in Hung.__annotations__.items():
        values[name] = {"BoolArray": no, "IntArray": nothing}.get(kind, zero)
    values |= {"miss_m": unknown, "miss_crossing": nothing - 1}
    return Hung(**values)


def cheapest(prices: Prices) -> Prices:
    """Return the price of the cheapest pair of each address, under no terminal's name."""
    least: Prices = {}
    for (address, _), cents in prices.items():
        least[address, ""] = min(cents, least.get((address, ""), cents))
    return least


def compare(plain: Prices, ours: Prices) -> dict[str, object]:
    """Count equal and unequal pairs; show the first few that differ."""
    pairs = sorted(set(plain) | set(ours))
    unequal = [pair for pair in pairs if plain.get(pair) != ours.get(pair)]
    return {
        "equal": len(pairs) - len(unequal),
        "unequal": len(unequal),
        "only_plain": sum(pair not in ours for pair in unequal),
        "only_geoplan": sum(pair not in plain for pair in unequal),
        "first_unequal": [[*pair, plain.get(pair), ours.get(pair)] for pair in unequal[:5]],
    }
