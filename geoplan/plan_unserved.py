"""Addresses without a route: what is known of each, for its reasons and remedy.

Enters: the choice and layers.
Leaves: the rows of ``unserved``.
Does not do: change the choice.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.choice.explain import Lack, explain_unserved
from geoplan.chosen import Chosen, ObjectArray, ids
from geoplan.model import Layers
from geoplan.plan_crossings import clearance_only, missed
from geoplan.project import Project
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.units import ReportUnits, say


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
    rows = np.flatnonzero(chosen.route < 0).astype(np.int64)
    addresses = layers.addresses.iloc[rows]
    lack = _lack(chosen, layers, project, rows)
    told = explain_unserved(lack, project)
    return gpd.GeoDataFrame(
        {
            "address_id": addresses.index.to_numpy(dtype=object),
            "label": addresses["label"].to_numpy(dtype=object),
            **{name: told[name].to_numpy() for name in told.columns},
            "nearest_terminal_id": lack.nearest_terminal_id.to_numpy(dtype=object),
            "nearest_terminal_m": lack.nearest_terminal_m,
            "new_terminal_pole_id": lack.new_terminal_pole_id.to_numpy(dtype=object),
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
    bits = np.zeros(index.address_count, dtype=np.int64)
    np.bitwise_or.at(bits, routes.address, routes.forbidden)
    free = np.flatnonzero(routes.forbidden == 0)
    free = free[chosen.route[routes.address[free]] < 0]
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
    miss = np.full(chosen.index.address_count, np.nan)
    miss[routes.address[pick]] = hung.miss_m[routes.air[pick]]
    said = pd.Series([""] * chosen.index.address_count, dtype="str")
    mends = said.copy()
    terminal = ids(layers.poles.index, routes.terminal[pick])
    over = missed(chosen, layers, routes.air[pick])
    for row, name, what in zip(pick.tolist(), terminal.tolist(), over.tolist(), strict=True):
        span = int(routes.air[row])
        short = float(hung.miss_m[span])
        part = float(np.clip(hung.miss_part[span], 0.0, 1.0))
        text = say(short, "sag", project.units)
        said.iloc[int(routes.address[row])] = (
            f"the nearest to it, from {name}, is {text} short over {what} with hook and "
            "attachment at their highest and the wire as tight as allowed"
        )
        mends.iloc[int(routes.address[row])] = _mend(
            short, part, is_clamp=bool(air.span[span] >= 0), units=project.units
        )
    return miss[rows], said.iloc[rows], mends.iloc[rows]


def _mend(short: float, part: float, *, is_clamp: bool, units: ReportUnits) -> str:
    """Say what would make good a miss at a place along the air span."""
    options = []
    if part > 0.1:
        options.append(f"a mast {say(short / part, 'sag', units)} above the attachment's limit")
    if part < 0.9 and not is_clamp:
        options.append(f"a hook {say(short / (1 - part), 'sag', units)} above the pole's limit")
    return ("Needs " + " or ".join(options)) if options else "Needs another pole"


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
