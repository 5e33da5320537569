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
    fees, verdicts = _by_kind(project)
    which = 2 * kind + near
    fee, bits = fees[which], verdicts[which]
    road = np.flatnonzero(kind == KIND_CODE[CrossingKind.ROAD])
    overhangs = over[road]
    oblique = crossings.angle_deg[road] < limits.min_crossing_angle
    crossed = prices.road[feature[road]] + oblique * cents(costs.oblique_crossing)
    fee[road] = np.where(overhangs, cents(costs.road_overhang), crossed)
    barred = road[prices.road_is_forbidden[feature[road]]]
    bits[barred] |= int(Forbidden.ROAD_CLASS)
    at_start = road[crossings.start_m[road] < 1e-6]
    bits[at_start[air.span[crossings.air[at_start]] >= 0]] |= int(Forbidden.CLAMP_OVER_ROAD)
    power = np.flatnonzero((kind == KIND_CODE[CrossingKind.POWER]) & ~near)
    fee[power] = prices.power[feature[power]]
    fee[_is_repeated(crossings)] = 0
    total = np.zeros(len(air), dtype=np.int64)
    np.add.at(total, crossings.air, fee)
    verdict = np.zeros(len(air), dtype=np.int64)
    blocked = np.flatnonzero(bits)
    np.bitwise_or.at(verdict, crossings.air[blocked], bits[blocked])
    steep = air.wall_angle_deg < limits.min_wall_angle
    total[steep] += int(cents(costs.steep_wall_angle))
    return AirPrice(total, verdict)


def _by_kind(project: Project) -> tuple[IntArray, IntArray]:
    """Return fee and reason bits of each kind, at twice its code, and one further if near only.

    Roads, and power that is crossed, are priced by feature.
    """
    costs = project.costs
    fee = np.zeros(2 * len(KIND_CODE), dtype=np.int64)
    bits = np.zeros(2 * len(KIND_CODE), dtype=np.int64)
    for kind, crossed, missed in (
        (CrossingKind.RAIL, costs.rail_crossing, 0.0),
        (CrossingKind.WATER, costs.water_crossing, 0.0),
        (CrossingKind.POOL, costs.pool, costs.near_pool),
        (CrossingKind.TREE, costs.tree, costs.near_tree),
        (CrossingKind.POWER, 0.0, costs.near_power),
        (CrossingKind.LOT, costs.third_party_lot, costs.third_party_lot),
        (CrossingKind.ROOF, costs.roof, 0.0),
        (CrossingKind.DRIVEWAY, costs.driveway, costs.driveway),
        (CrossingKind.SIDEWALK, costs.sidewalk, costs.sidewalk),
        (CrossingKind.EXISTING_DROP, costs.drop_crossing, costs.drop_crossing),
    ):
        fee[2 * KIND_CODE[kind]], fee[2 * KIND_CODE[kind] + 1] = cents(crossed), cents(missed)
    for kind, is_forbidden, bit in (
        (CrossingKind.RAIL, project.forbidden.rail, Forbidden.RAIL),
        (CrossingKind.WATER, project.forbidden.water, Forbidden.WATER),
        (CrossingKind.POOL, project.forbidden.pool, Forbidden.POOL),
    ):
        bits[2 * KIND_CODE[kind]] = int(bit) if is_forbidden else 0
    return fee, bits


def _is_repeated(crossings: Crossings) -> npt.NDArray[np.bool_]:
    """Tell which rows are not charged: a feature is once per air span, roads at each passage."""
    kind, air = crossings.kind, crossings.air
    key = air * len(KIND_CODE) + kind
    same = np.zeros(len(key) + 1, dtype=bool)
    same[1:-1] = key[1:] == key[:-1]
    several = same[:-1] | same[1:]
    if (key[1:] < key[:-1]).any():  # not sorted: any row may have its like elsewhere
        several[:] = True
    rows = np.flatnonzero(several & (kind != KIND_CODE[CrossingKind.ROAD]))
    feature, near = crossings.feature[rows], crossings.is_near_miss[rows]
    order = rows[np.lexsort((crossings.start_m[rows], near, feature, key[rows]))]
    feature, key = crossings.feature[order], key[order]
    repeated = np.zeros(len(crossings), dtype=bool)
    repeated[order[1:]] = (key[1:] == key[:-1]) & (feature[1:] == feature[:-1])
    return repeated


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
