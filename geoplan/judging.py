"""The verdict on air spans: what they meet, what that costs, how they hang.

Enters: air spans, plant, settings.
Leaves: crossings, prices, heights and sag.
Does not do: look for air spans.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoplan.choice.cost import AirPrice, price_air_spans, raising_cents
from geoplan.clearance.heights import choose_heights
from geoplan.clearance.hung import Hung
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings, find_crossings
from geoplan.routes.segments import IntArray


def meet(air: AirSpans, plant: Plant, project: Project) -> tuple[Crossings, AirPrice]:
    """Find what air spans meet in plan, and price it.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    plant : Plant
        Indexed layers and prices.
    project : Project
        Settings.

    Returns
    -------
    Crossings, AirPrice
        ``air`` of the crossings counts from 0; prices of shape (n,).
    """
    limits = project.limits
    crossings = find_crossings(
        air,
        plant.index,
        near_power_m=limits.near_power,
        near_pool_m=limits.near_pool,
        near_tree_m=limits.near_tree,
        min_lot_overlap_m=limits.min_lot_overlap,
    )
    return crossings, price_air_spans(air, crossings, plant.prices, project)


def hang(air: AirSpans, crossings: Crossings, plant: Plant, project: Project) -> Hung:
    """Choose heights and sag of air spans.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    crossings : Crossings
        What they meet; ``air`` counts from 0.
    plant : Plant
        Heights, demands and standards.
    project : Project
        Settings.

    Returns
    -------
    Hung
        n rows.
    """
    return choose_heights(
        air, crossings, plant.index, plant.supports, plant.demands, plant.standards, project
    )


def raised(hung: Hung, project: Project) -> IntArray:
    """Price raised hooks and attachments, in cents.

    Parameters
    ----------
    hung : Hung
        n air spans.
    project : Project
        Prices.

    Returns
    -------
    ndarray of int64, shape (n,)
        Cents.
    """
    return raising_cents(hung.hook_is_raised, hung.attachment_is_raised, project)


def crossings_of(crossings: Crossings, rows: IntArray, count: int) -> Crossings:
    """Take the crossings of some air spans, renumbered.

    Parameters
    ----------
    crossings : Crossings
        Of `count` air spans.
    rows : ndarray of int64
        Air spans wanted.
    count : int
        Number of air spans.

    Returns
    -------
    Crossings
        ``air`` counts along `rows`; in the old order.
    """
    place = np.full(count, -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    kept = crossings.take(place[crossings.air] >= 0)
    return Crossings(
        place[kept.air],
        kept.kind,
        kept.feature,
        kept.is_near_miss,
        kept.is_overhang,
        kept.at_m,
        kept.start_m,
        kept.end_m,
        kept.distance_m,
        kept.angle_deg,
    )


def streets_crossed(crossings: Crossings, count: int) -> npt.NDArray[np.bool_]:
    """Tell which air spans cross a road's centre-line.

    Parameters
    ----------
    crossings : Crossings
        What they meet.
    count : int
        Number of air spans.

    Returns
    -------
    ndarray of bool, shape (count,)
        True over a street.
    """
    return crossings.over_streets(count)
