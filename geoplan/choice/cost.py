"""What a route costs, and what forbids it.

Enters: air spans, their crossings, the user's prices.
Leaves: whole cents and reason bits per air span; whole cents per route.
Does not do: choose.

Prices are summed as whole cents, so that a sum never depends on the order of its parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import KIND_CODE, Crossings
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.tables import CrossingKind
from geoplan.verdicts import Forbidden

CENTS = 100


@dataclass(frozen=True)
class FeaturePrices:
    """Prices that depend on the feature met, in cents, by row of its layer."""

    road: IntArray
    road_is_forbidden: npt.NDArray[np.bool_]
    power: IntArray


@dataclass(frozen=True)
class AirPrice:
    """Price and verdict of air spans."""

    cents: IntArray
    """Sum of what its crossings and its wall angle add; wire not included."""
    forbidden: IntArray
    """Bits of `Forbidden`."""


def cents(amount: float | npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.int64]:
    """Round an amount to whole cents.

    Parameters
    ----------
    amount : float or ndarray of float64
        In the currency of [costs].

    Returns
    -------
    ndarray of int64
        Whole cents, half to even.
    """
    return np.asarray(np.rint(np.asarray(amount, dtype=np.float64) * CENTS), dtype=np.int64)


def price_features(road_class: pd.Series, power_kind: pd.Series, project: Project) -> FeaturePrices:
    """Look up the price of crossing each road and power line.

    Parameters
    ----------
    road_class, power_kind : pandas.Series of str
        Columns of the layers.
    project : Project
        Settings.

    Returns
    -------
    FeaturePrices
        In cents.
    """
    costs = project.costs
    road = road_class.map(costs.street_crossing).fillna(costs.street_crossing_other)
    most = max(costs.power_crossing.values(), default=0.0)
    power = power_kind.map(costs.power_crossing).fillna(most)
    return FeaturePrices(
        cents(road.to_numpy(dtype=np.float64)),
        road_class.isin(project.forbidden.road_classes).to_numpy(dtype=bool),
        cents(power.to_numpy(dtype=np.float64)),
    )


def price_air_spans(
    air: AirSpans, crossings: Crossings, prices: FeaturePrices, project: Project
) -> AirPrice:
    """Price what air spans meet, and find what forbids them.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    crossings : Crossings
        What they meet.
    prices : FeaturePrices
        Prices by feature.
    project : Project
        Settings.

    Returns
    -------
    AirPrice
        Arrays of shape (n,).
    """
    costs, limits = project.costs, project.limits
    kind, feature = crossings.kind, crossings.feature
    near, over = crossings.is_near_miss, crossings.is_overhang
    fee = np.zeros(len(crossings), dtype=np.int64)
    bits = np.zeros(len(crossings), dtype=np.int64)

    def where(which: CrossingKind) -> npt.NDArray[np.bool_]:
        return np.asarray(kind == KIND_CODE[which])

    road = where(CrossingKind.ROAD)
    fee[road & ~over] = prices.road[feature[road & ~over]]
    fee[road & over] = cents(costs.road_overhang)
    oblique = crossings.angle_deg < limits.min_crossing_angle
    fee[road & ~over & oblique] += cents(costs.oblique_crossing)
    barred = road.copy()
    barred[road] = prices.road_is_forbidden[feature[road]]
    bits[barred] |= int(Forbidden.ROAD_CLASS)
    under_clamp = road & (crossings.start_m < 1e-6) & (air.span[crossings.air] >= 0)
    bits[under_clamp] |= int(Forbidden.CLAMP_OVER_ROAD)
    flat = {
        CrossingKind.RAIL: (costs.rail_crossing, project.forbidden.rail, Forbidden.RAIL),
        CrossingKind.WATER: (costs.water_crossing, project.forbidden.water, Forbidden.WATER),
        CrossingKind.POOL: (costs.pool, project.forbidden.pool, Forbidden.POOL),
    }
    for which, (price, is_forbidden, bit) in flat.items():
        mask = where(which) & ~near
        fee[mask] = cents(price)
        if is_forbidden:
            bits[mask] |= int(bit)
    for which, price in (
        (CrossingKind.LOT, costs.third_party_lot),
        (CrossingKind.ROOF, costs.roof),
        (CrossingKind.DRIVEWAY, costs.driveway),
        (CrossingKind.SIDEWALK, costs.sidewalk),
        (CrossingKind.EXISTING_DROP, costs.drop_crossing),
    ):
        fee[where(which)] = cents(price)
    for which, crossed, missed in (
        (CrossingKind.TREE, costs.tree, costs.near_tree),
        (CrossingKind.POOL, costs.pool, costs.near_pool),
    ):
        fee[where(which) & near] = cents(missed)
        fee[where(which) & ~near] = cents(crossed)
    power = where(CrossingKind.POWER)
    fee[power & near] = cents(costs.near_power)
    fee[power & ~near] = prices.power[feature[power & ~near]]
    fee[~_first_of_feature(crossings)] = 0
    total = np.zeros(len(air), dtype=np.int64)
    np.add.at(total, crossings.air, fee)
    verdict = np.zeros(len(air), dtype=np.int64)
    np.bitwise_or.at(verdict, crossings.air, bits)
    steep = air.wall_angle_deg < limits.min_wall_angle
    total[steep] += int(cents(costs.steep_wall_angle))
    return AirPrice(total, verdict)


def _first_of_feature(crossings: Crossings) -> npt.NDArray[np.bool_]:
    """Charge a feature once per air span, roads at each passage; rows come sorted."""
    road = crossings.kind == KIND_CODE[CrossingKind.ROAD]
    order = np.lexsort(
        (
            crossings.start_m,
            crossings.is_near_miss,
            crossings.feature,
            crossings.kind,
            crossings.air,
        )
    )
    first = np.ones(len(order), dtype=bool)
    same = np.ones(max(len(order) - 1, 0), dtype=bool)
    for part in (crossings.air, crossings.kind, crossings.feature):
        ordered = part[order]
        same &= ordered[1:] == ordered[:-1]
    first[1:] = ~same
    result = np.zeros(len(order), dtype=bool)
    result[order] = first
    return np.asarray(result | road)


def raising_cents(
    hook_is_raised: npt.NDArray[np.bool_],
    attachment_is_raised: npt.NDArray[np.bool_],
    project: Project,
) -> IntArray:
    """Price hooks and attachments higher than usual.

    Parameters
    ----------
    hook_is_raised, attachment_is_raised : ndarray of bool, shape (n,)
        Which are raised.
    project : Project
        Settings.

    Returns
    -------
    ndarray of int64, shape (n,)
        Cents.
    """
    hook, attachment = cents(project.costs.raised_hook), cents(project.costs.raised_attachment)
    return np.asarray(hook * hook_is_raised + attachment * attachment_is_raised, dtype=np.int64)


def route_cents(
    air_m: FloatArray,
    run_m: FloatArray,
    spans_passed: IntArray,
    is_clamp: npt.NDArray[np.bool_],
    project: Project,
) -> IntArray:
    """Price wire and hardware of routes, without what they meet.

    Parameters
    ----------
    air_m, run_m : ndarray of float64, shape (n,)
        Air span and strand run in metres.
    spans_passed : ndarray of int64, shape (n,)
        Strand spans run along before the route's own.
    is_clamp : ndarray of bool, shape (n,)
        Whether a span clamp is used.
    project : Project
        Settings.

    Returns
    -------
    ndarray of int64, shape (n,)
        Cents.
    """
    costs = project.costs
    wire = costs.air_span_per_m * air_m + costs.strand_run_per_m * run_m
    fixed = cents(costs.direct) + cents(costs.span_clamp) * is_clamp
    return np.asarray(cents(wire) + fixed + cents(costs.pole_passed) * spans_passed, np.int64)
