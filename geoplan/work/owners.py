"""Drops over rail or water: their owner has to agree, and a crew does them.

Enters: what planned drops cross, strand runs, tracks and water, crew rules.
Leaves: which drops, how many people, and words for it.
Does not do: ask the owner; know the traffic of a railway.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, texts
from geoplan.work.clauses import per_row
from geoplan.work.run_reach import under_runs
from geoplan.work.strand_run import StrandRuns

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Owned:
    """Drops over rail or water, n rows."""

    is_owned: BoolArray
    is_rail: BoolArray
    """Over a railway, whose owner controls the trains."""
    people: IntArray
    """People that the owners ask for; 1 elsewhere."""
    words: Any
    """Null where nothing is owned."""
    rail_words: Any
    """Those of railways alone: water has no traffic."""


def find_owned(plan: Plan, rules: CrewRules, runs: StrandRuns) -> Owned:
    """Find drops whose air span or strand run is over rail or water.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rules : CrewRules
        People by owner.
    runs : StrandRuns
        Ways of the wires along the strand.

    Returns
    -------
    Owned
        By drop.
    """
    crossings, count = plan.crossings, len(plan.drops)
    is_owned = crossings["crossing_kind"].isin(("rail", "water")) & ~crossings["is_near_miss"]
    rows = crossings[is_owned]
    name = rows["feature_name"].fillna(rows["feature_id"])
    by_air = joined("crosses ", texts(rows["crossing_kind"]), " ", texts(name))
    at = pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(rows["address_id"]))
    met = [(at.astype(np.int64), rows["crossing_kind"].eq("rail"), by_air)]
    for kind, layer in (("rail", plan.layers.rail), ("water", plan.layers.water)):
        drop, row = under_runs(layer, runs)
        name = texts(layer["name"].fillna(pd.Series(layer.index, index=layer.index))).take(row)
        of_rail = pd.Series(np.full(len(drop), kind == "rail"))
        met.append((drop, of_rail, joined(f"strand run over {kind} ", name)))
    drop = np.concatenate([part[0] for part in met])
    by_rail = np.concatenate([part[1].to_numpy(dtype=bool) for part in met])
    what = pd.concat([pd.Series(part[2], dtype="str") for part in met], ignore_index=True)
    needed = np.where(by_rail, rules.value("owner.rail.people"), rules.value("owner.water.people"))
    people = np.ones(count)
    np.maximum.at(people, drop, needed)
    owned, rail = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    owned[drop] = True
    rail[drop[by_rail]] = True
    words = joined(what.array, ": only with the owner's permit and a crew")
    told = per_row(drop, words, count)
    of_rail = per_row(drop[by_rail], words.take(np.flatnonzero(by_rail)), count)
    return Owned(owned, rail, people.astype(np.int64), told, of_rail)
