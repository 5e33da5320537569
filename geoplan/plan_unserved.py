"""Addresses without a route: what is known of each, for its reasons and remedy.

Enters: the choice and layers.
Leaves: the rows of ``unserved``.
Does not do: change the choice.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.choice.explain import Lack, explain_unserved
from geoplan.chosen import Chosen, ObjectArray, ids
from geoplan.model import Layers
from geoplan.plan_crossings import clearance_only, missed
from geoplan.project import Project
from geoplan.routes.flags import lengths
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import BoolArray, FloatArray, IntArray
from geoplan.text_columns import assembled, joined, texts, worded


def build_unserved(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    """Build the rows of addresses without a route.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    layers : Layers
        Checked layers.
    project : Project
        Settings.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns as declared for ``unserved``.
    """
    rows = chosen.unserved
    addresses = layers.addresses.iloc[rows]
    lack = _lack(chosen, layers, project, rows)
    told = explain_unserved(lack, project)
    return gpd.GeoDataFrame(
        {
            "address_id": texts(addresses.index),
            "label": texts(addresses["label"]),
            **{name: told[name].array for name in told.columns},
            "nearest_terminal_id": lack.nearest_terminal_id.array,
            "nearest_terminal_m": lack.nearest_terminal_m,
            "new_terminal_pole_id": lack.new_terminal_pole_id.array,
        },
        geometry=addresses.geometry.to_numpy(),
        crs=layers.crs.working_crs,
    )


def _lack(chosen: Chosen, layers: Layers, project: Project, rows: IntArray) -> Lack:
    index, routes = chosen.index, chosen.found.routes
    targets = index.targets(rows)
    terminal, terminal_m = _nearest(index, targets, index.terminal_pole)
    _, reached_m = _nearest(index, targets, np.unique(chosen.reach.pole))
    plain = np.setdiff1d(np.arange(len(index.pole_x)), index.terminal_pole)
    pole, pole_m = _nearest(index, targets, plain)
    pole = np.where(pole_m <= chosen.plant.standards.max_air_span_m, pole, -1)
    own = np.flatnonzero(chosen.route[routes.address] < 0)
    bits = np.zeros(index.address_count, dtype=np.int64)
    np.bitwise_or.at(bits, routes.address[own], routes.forbidden[own])
    free = own[routes.forbidden[own] == 0]
    free = free[np.lexsort((routes.terminal[free], routes.cents[free], routes.address[free]))]
    ways = pd.DataFrame(
        {
            "address": routes.address[free],
            "terminal": ids(layers.poles.index, routes.terminal[free]),
            "cents": routes.cents[free],
        }
    ).drop_duplicates(["address", "terminal"])
    groups = ways.groupby("address")
    miss, miss_text, mend_text = _nearest_miss(chosen, layers, project, rows)
    price = groups["cents"].min().reindex(rows)
    names = groups["terminal"].agg(", ".join).reindex(rows)
    return Lack(
        pd.Series(ids(layers.poles.index, terminal), dtype="str"),
        terminal_m,
        reached_m - chosen.plant.standards.max_air_span_m,
        miss,
        miss_text,
        mend_text,
        bits[rows],
        price.notna().to_numpy(),
        names.astype("str"),
        price.fillna(-1).to_numpy(dtype=np.int64),
        chosen.rules.locked[rows] >= 0,
        chosen.rules.locked[rows] == -2,
        index.ports_needed[rows],
        pd.Series(ids(layers.poles.index, pole), dtype="str"),
        pole_m,
    )


def _nearest_miss(
    chosen: Chosen, layers: Layers, project: Project, rows: IntArray
) -> tuple[FloatArray, pd.Series, pd.Series]:
    """Find, for addresses that only clearance keeps from a route, the route that misses least."""
    routes, hung, air = chosen.found.routes, chosen.found.hung, chosen.found.air
    wanted = np.zeros(chosen.index.address_count, dtype=bool)
    wanted[rows] = True
    at = clearance_only(chosen)
    at = at[wanted[routes.address[at]]]
    order = at[
        np.lexsort((routes.cents[at], np.round(hung.miss_m[routes.air[at]], 6), routes.address[at]))
    ]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = routes.address[order][1:] != routes.address[order][:-1]
    pick = order[lead]
    span = routes.air[pick]
    short, part = hung.miss_m[span], np.clip(hung.miss_part[span], 0.0, 1.0)
    said = joined(
        "the nearest to it, from ",
        ids(layers.poles.index, routes.terminal[pick]),
        ", is ",
        lengths(short, project, "sag"),
        " short over ",
        missed(chosen, layers, span),
        " with hook and attachment at their highest and the wire as tight as allowed",
    )
    place = np.full(chosen.index.address_count, -1, dtype=np.int64)
    place[routes.address[pick]] = np.arange(len(pick))
    place = place[rows]
    mends = _mends(short, part, air.span[span] >= 0, project)
    return (
        np.append(short, np.nan)[place],
        pd.Series(said.take(place, allow_fill=True)),
        pd.Series(mends.take(place, allow_fill=True)),
    )


def _mends(short: FloatArray, part: FloatArray, is_clamp: BoolArray, project: Project) -> Any:
    """Say what would make good misses at places along air spans."""
    by_mast, by_hook = part > 0.1, (part < 0.9) & ~is_clamp
    mast = joined(
        "a mast ",
        lengths(short / np.where(by_mast, part, 1.0), project, "sag"),
        " above the attachment's limit",
    )
    hook = joined(
        "a hook ",
        lengths(short / np.where(by_hook, 1.0 - part, 1.0), project, "sag"),
        " above the pole's limit",
    )
    parts = []
    for mask, pieces in (
        (by_mast & by_hook, ("Needs ", mast, " or ", hook)),
        (by_mast & ~by_hook, ("Needs ", mast)),
        (by_hook & ~by_mast, ("Needs ", hook)),
    ):
        rows = np.flatnonzero(mask).astype(np.int64)
        parts.append((rows, joined(*pieces).take(rows)))
    rows = np.flatnonzero(~by_mast & ~by_hook).astype(np.int64)
    parts.append((rows, worded(np.zeros(len(rows)), ("Needs another pole",))))
    return assembled(len(short), parts)


def _nearest(
    index: PlantIndex, targets: ObjectArray, poles: IntArray
) -> tuple[IntArray, FloatArray]:
    """Find the nearest of some poles to each target; the first by id on ties."""
    nearest = np.full(len(targets), -1, dtype=np.int64)
    distance = np.full(len(targets), np.nan)
    if len(targets) == 0 or len(poles) == 0:
        return nearest, distance
    tree = shapely.STRtree(shapely.points(index.pole_x[poles], index.pole_y[poles]))
    (row, pole), metres = tree.query_nearest(targets, return_distance=True)
    order = np.lexsort((pole, row))
    first = np.ones(len(order), dtype=bool)
    first[1:] = row[order][1:] != row[order][:-1]
    pick = order[first]
    nearest[row[pick]], distance[row[pick]] = poles[pole[pick]], metres[pick]
    return nearest, distance
