"""What every search and every check of routes needs of the plant.

Enters: checked layers, settings, standards.
Leaves: `Plant`.
Does not do: look for routes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geoplan.candidates import PairRules
from geoplan.choice.cost import CENTS, FeaturePrices, price_features
from geoplan.clearance.demands import Demands, build_demands
from geoplan.clearance.supports import Supports, build_supports
from geoplan.model import Layers
from geoplan.project import Project
from geoplan.routes.graph import Reach, find_reach
from geoplan.routes.index import PlantIndex, build_index, row_numbers
from geoplan.routes.segments import FloatArray
from geoplan.standards import Standards


@dataclass(frozen=True)
class Plant:
    """What all groups of addresses share."""

    index: PlantIndex
    reach: Reach
    rules: PairRules
    prices: FeaturePrices
    supports: Supports
    demands: Demands
    standards: Standards

    @property
    def poles(self) -> int:
        """Number of poles."""
        return len(self.index.pole_x)


def build_plant(layers: Layers, project: Project, standards: Standards) -> Plant:
    """Make layers ready for the search.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    project : Project
        Settings.
    standards : Standards
        Rules, wire and strands.

    Returns
    -------
    Plant
        By row of the layers.
    """
    limits = project.limits
    index = build_index(layers, near_power_m=limits.near_power, near_tree_m=limits.near_tree)
    reach = find_reach(
        index.terminal_pole,
        index.span_ends,
        index.span_length_m,
        max_run_m=limits.max_strand_run,
        max_spans=limits.max_spans_passed,
    )
    return Plant(
        index,
        reach,
        pair_rules(layers),
        price_features(layers.roads["road_class"], layers.power["power_kind"], project),
        build_supports(layers, index, project, standards),
        build_demands(layers, project.heights, standards.rule_set),
        standards,
    )


def without_search(plant: Plant) -> Plant:
    """Leave out what only a search needs: trees, walls, and outlines as edges.

    Parameters
    ----------
    plant : Plant
        Made ready for the search.

    Returns
    -------
    Plant
        Enough to lay offers again and to name what they meet.
    """
    return replace(plant, index=plant.index.without_search())


def cheapest_run(plant: Plant, project: Project) -> FloatArray:
    """Find, for each pole, the least price of a run along the strand from any terminal.

    Parameters
    ----------
    plant : Plant
        Runs along the strand.
    project : Project
        Prices.

    Returns
    -------
    ndarray of float64, shape (poles,)
        In cents, not rounded; infinite where no terminal reaches.
    """
    reach, costs = plant.reach, project.costs
    price = costs.strand_run_per_m * reach.run_m + costs.pole_passed * reach.spans_passed
    least = np.full(plant.poles, np.inf)
    np.minimum.at(least, reach.pole, price * CENTS)
    return least


def pair_rules(layers: Layers) -> PairRules:
    """Read locked terminals and forbidden pairs from the addresses.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Returns
    -------
    PairRules
        By row of address and pole; a lock on a pole without ports counts as unknown.
    """
    addresses, poles = layers.addresses, layers.poles
    wanted = addresses["locked_terminal_id"]
    locked = row_numbers(wanted, poles.index)
    has_ports = poles["ports_total"].to_numpy(dtype=np.int64) > 0
    bad = wanted.notna().to_numpy() & ((locked < 0) | ~has_ports[np.maximum(locked, 0)])
    lists = addresses["forbidden_terminal_ids"].dropna().str.split(";").explode().str.strip()
    rows = row_numbers(lists.index.to_series(), addresses.index)
    barred = row_numbers(lists, poles.index)
    known = barred >= 0
    return PairRules(
        np.where(wanted.isna().to_numpy(), -1, np.where(bad, -2, locked)).astype(np.int64),
        np.unique(rows[known] * len(poles) + barred[known]),
    )
