"""Routes that each address could have had instead, as the declared table.

Enters: the choice and layers.
Leaves: the rows of ``alternatives``.
Does not do: change the choice.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from geoplan.candidates import Routes, order_routes
from geoplan.choice.cost import CENTS
from geoplan.choice.explain import why_not
from geoplan.chosen import Chosen, route_columns, route_lines
from geoplan.model import Layers
from geoplan.project import Project
from geoplan.routes.segments import BoolArray, IntArray, expand
from geoplan.text_columns import assembled, joined

FIRST_LOOK = 4
"""Routes looked at first for each runner-up wanted; several run the same way."""


def _price_key(routes: Routes, rows: IntArray) -> IntArray:
    """Return whole numbers that sort routes by address, then price."""
    cents = routes.cents[rows]
    low = cents.min(initial=0)
    span = int(cents.max(initial=0) - low) + 1
    return np.asarray(routes.address[rows] * span + (cents - low), dtype=np.int64)


def by_price(chosen: Chosen, rows: IntArray) -> IntArray:
    """Sort routes by address, then as `order_routes` does.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    rows : ndarray of int64, shape (n,)
        Rows of the routes.

    Returns
    -------
    ndarray of int64, shape (n,)
        The same rows in order. Only routes of the same price need all keys.
    """
    routes = chosen.found.routes
    key = _price_key(routes, rows)
    order = np.argsort(key, kind="stable")
    same = np.zeros(len(order), dtype=bool)
    alike = key[order][1:] == key[order][:-1]
    same[1:] |= alike
    same[:-1] |= alike
    ties = order[same]
    ties = ties[order_routes(routes.take(rows[ties]), chosen.found.air)]
    order[same] = ties[np.argsort(key[ties], kind="stable")]
    return rows[order]


def _cheapest(routes: Routes, rows: IntArray, count: int) -> BoolArray:
    """Tell which routes cost no more than the address's route of a given place by price."""
    address, cents = routes.address[rows], routes.cents[rows]
    order = np.argsort(_price_key(routes, rows))
    first = np.flatnonzero(np.diff(address[order], prepend=-1))
    last = np.append(first[1:], len(order)) - 1
    most = np.zeros(len(first), dtype=np.int64)
    most[:] = cents[order][np.minimum(first + count - 1, last)]
    limit = np.zeros(int(address.max(initial=-1)) + 1, dtype=np.int64)
    limit[address[order][first]] = most
    return np.asarray(cents <= limit[address], dtype=bool)


def _other_ways(chosen: Chosen, rows: IntArray) -> IntArray:
    """Sort routes by address, then price; drop those that run as a dearer twin or the one taken."""
    routes, air = chosen.found.routes, chosen.found.air
    rows = by_price(chosen, rows)
    key = pd.DataFrame(
        {
            "address": routes.address[rows],
            "terminal": routes.terminal[rows],
            "reach": routes.reach[rows],
            "span": air.span[routes.air[rows]],
        }
    )
    taken = chosen.route[routes.address[rows]]
    own = (
        (taken >= 0)
        & (routes.terminal[taken] == routes.terminal[rows])
        & (routes.reach[taken] == routes.reach[rows])
        & (air.span[routes.air[taken]] == air.span[routes.air[rows]])
    )
    return np.asarray(rows[~(key.duplicated().to_numpy() | own)], dtype=np.int64)


def build_alternatives(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    """Build the rows of runner-up routes.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    layers : Layers
        Checked layers.
    project : Project
        Settings: how many runners-up an address gets.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns as declared for ``alternatives``, and ``address``, its row.
    """
    routes = chosen.found.routes
    free = np.flatnonzero(routes.forbidden == 0).astype(np.int64)
    most = project.choice.alternatives
    near = _cheapest(routes, free, FIRST_LOOK * (most + 1))
    rows = _other_ways(chosen, free[near])
    count = chosen.index.address_count
    short = np.bincount(routes.address[rows], minlength=count) < most
    short &= np.bincount(routes.address[free[~near]], minlength=count) > 0
    if short.any():  # many of their routes run the same way
        again = _other_ways(chosen, free[short[routes.address[free]]])
        rows = np.concatenate([rows[~short[routes.address[rows]]], again])
        rows = rows[np.argsort(routes.address[rows], kind="stable")]
    _, counts = np.unique(routes.address[rows], return_counts=True)
    _, rank = expand(counts.astype(np.int64))
    rows, rank = rows[rank < most], rank[rank < most]
    address, terminal = routes.address[rows], routes.terminal[rows]
    taken = chosen.route[address]
    served = taken >= 0
    extra = routes.cents[rows] - np.where(served, routes.cents[np.maximum(taken, 0)], 0)
    columns = route_columns(chosen, layers, rows)
    terminal_id = pd.Series(columns["terminal_id"], dtype="str")
    full = chosen.ports.free[terminal] + chosen.ports.reserve[terminal] - chosen.load[terminal]
    reason = why_not(
        extra,
        served & (routes.terminal[np.maximum(taken, 0)] == terminal),
        full < chosen.index.ports_needed[address],
        chosen.assignment.value_cents[terminal],
        chosen.assignment.value_addresses[terminal],
        terminal_id,
    )
    lost, won = np.flatnonzero(~served), np.flatnonzero(served)
    if len(lost):
        none_left = joined("terminal ", terminal_id.array.take(lost), " has no port left for it")
        parts = [(won, reason.array.take(won)), (lost, none_left)]
        reason = pd.Series(assembled(len(rows), parts))
    return gpd.GeoDataFrame(
        {
            **columns,
            "address": address,
            "rank": rank + 1,
            "extra_cost": np.where(served, extra / CENTS, np.nan),
            "why_not": reason.array,
        },
        geometry=route_lines(chosen, rows),
        crs=layers.crs.working_crs,
        copy=False,
    )
