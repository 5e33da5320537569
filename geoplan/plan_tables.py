"""From row numbers to the declared tables of a plan.

Enters: the choice, what the search found, layers, settings.
Leaves: frames as declared in `geoplan.tables.TABLES`.
Does not do: decide anything.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.candidates import order_routes
from geoplan.choice.cost import CENTS
from geoplan.choice.explain import why_not
from geoplan.chosen import Chosen, ObjectArray, route_columns, route_lines
from geoplan.hanging import (
    build_stringing,
    clearance_hazards,
    hanging_columns,
)
from geoplan.model import Layers
from geoplan.plan_crossings import build_crossings, clearance_only, crossing_names, missed
from geoplan.plan_unserved import build_unserved
from geoplan.project import Project
from geoplan.routes.hazards import build_hazards, lengths
from geoplan.routes.segments import IntArray, expand
from geoplan.tables import TABLES, Table


def build_tables(chosen: Chosen, layers: Layers, project: Project) -> dict[str, Any]:
    """Build all tables that a plan holds.

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
    dict of str to GeoDataFrame
        ``drops``, ``air_spans``, ``crossings``, ``hazards``, ``unserved``, ``terminals``,
        ``alternatives``.
    """
    crossings = declared(build_crossings(chosen, layers), TABLES["crossings"])
    drops = _drops(chosen, layers, project)
    alternatives = _alternatives(chosen, layers, project)
    hazards = pd.concat(
        [
            build_hazards(pd.DataFrame(crossings), pd.DataFrame(drops), project),
            clearance_hazards(pd.DataFrame(crossings), pd.DataFrame(drops), project),
        ],
        ignore_index=True,
    )
    flags = hazards.drop_duplicates(["address_id", "code"]).groupby("address_id")["code"]
    drops["flags"] = drops["address_id"].map(flags.agg(";".join)).astype("str")
    best = alternatives[alternatives["rank"] == 1].set_index("address_id")
    words = (
        best["route_kind"].str.replace("_", " ")
        + " from "
        + best["terminal_id"]
        + ": "
        + best["why_not"]
    )
    drops["runner_up"] = drops["address_id"].map(words).astype("str")
    drops["runner_up_extra_cost"] = drops["address_id"].map(best["extra_cost"]).astype("float64")
    tables = {
        "drops": drops,
        "air_spans": _air_spans(chosen, layers),
        "crossings": crossings,
        "hazards": _place_hazards(hazards, chosen, layers),
        "unserved": build_unserved(chosen, layers, project),
        "terminals": _terminals(chosen, layers),
        "alternatives": alternatives,
        "stringing": build_stringing(
            drops["address_id"].to_numpy(), chosen.final, chosen.plant.standards, project
        ),
    }
    return {name: declared(table, TABLES[name]) for name, table in tables.items()}


def declared(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Put a frame into its declared columns, types and order.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        At least the declared columns.
    table : Table
        Its declaration.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        Sorted by its key, with a range index.
    """
    dtypes = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}
    columns = {column.name: dtypes[column.kind] for column in table.columns}
    names = [*columns, *(["geometry"] if table.geometry != "none" else [])]
    return (
        frame[names].astype(columns).sort_values(list(table.key), kind="stable", ignore_index=True)
    )


def _drops(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    served = chosen.served
    rows = chosen.route[served]
    routes, air, reach = chosen.found.routes, chosen.found.air, chosen.reach
    addresses = layers.addresses.iloc[served]
    uses_strand = (air.span[routes.air[rows]] >= 0) | (reach.spans_passed[routes.reach[rows]] > 0)
    return gpd.GeoDataFrame(
        {
            **route_columns(chosen, layers, rows),
            "label": addresses["label"].to_numpy(),
            "ports_needed": addresses["ports_needed"].to_numpy(),
            "reserve_ports_used": _reserve_by_drop(chosen),
            "is_locked": chosen.rules.locked[served] >= 0,
            "strand_basis": pd.Series(_strand_basis(chosen, layers, rows), dtype="str").where(
                uses_strand
            ),
            "parcel_id": addresses["parcel_id"].to_numpy(),
            "pole_power_basis": _pole_power(chosen, rows),
            "clearance_note": _cheaper_but_not_clear(chosen, layers, project),
            **hanging_columns(
                chosen.final,
                chosen.ends,
                chosen.found.hung.take(chosen.air_rows),
                chosen.crossings,
                crossing_names(chosen.crossings, layers),
                chosen.plant,
            ),
        },
        geometry=route_lines(chosen, rows),
        crs=layers.crs.working_crs,
    )


def _strand_basis(chosen: Chosen, layers: Layers, rows: IntArray) -> ObjectArray:
    """Tell whether any strand that a route uses was inferred."""
    guessed = np.append((layers.spans["strand_basis"] == "inferred").to_numpy(dtype=bool), False)
    routes, reach = chosen.found.routes, chosen.reach
    any_guessed = guessed[chosen.found.air.span[routes.air[rows]]]
    label = routes.reach[rows].copy()
    while (label >= 0).any():
        on = label >= 0
        any_guessed[on] |= guessed[reach.span[label[on]]]
        label[on] = reach.previous[label[on]]
    return np.where(any_guessed, "inferred", "measured").astype(object)


def _reserve_by_drop(chosen: Chosen) -> IntArray:
    """Book reserved ports on the last drops of a terminal, by address."""
    served = chosen.served
    terminal = chosen.found.routes.terminal[chosen.route[served]]
    need = chosen.index.ports_needed[served]
    order = np.lexsort((served, terminal))
    total = np.cumsum(need[order])
    _, first, counts = np.unique(terminal[order], return_index=True, return_counts=True)
    before = np.repeat(np.append(0, total)[first], counts)
    used = total - before
    free = chosen.ports.free[terminal[order]]
    result = np.zeros(len(served), dtype=np.int64)
    result[order] = np.clip(used - free, 0, need[order])
    return result


def _air_spans(chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    served = chosen.served
    rows = chosen.route[served]
    air = chosen.found.air.take(chosen.found.routes.air[rows])
    start, end = chosen.final.start_z_m, chosen.final.end_z_m
    columns = route_columns(chosen, layers, rows)
    known = chosen.ends.ground_is_known
    assumed = chosen.ends.is_assumed
    flat = shapely.linestrings(air.segment.reshape(-1, 2, 2))
    deep = shapely.linestrings(
        np.stack(
            [air.sx, air.sy, np.nan_to_num(start), air.ex, air.ey, np.nan_to_num(end)], 1
        ).reshape(-1, 2, 3)
    )
    return gpd.GeoDataFrame(
        {
            **{name: columns[name] for name in ("address_id", "terminal_id", "route_kind")},
            "air_span_m": columns["air_span_m"],
            "start_z_m": np.where(known, start, np.nan),
            "end_z_m": np.where(known, end, np.nan),
            "height_basis": np.where(
                known, np.where(assumed, "default", "measured"), "not_checked"
            ),
        },
        geometry=np.where(known, deep, flat),
        crs=layers.crs.working_crs,
    )


def _pole_power(chosen: Chosen, rows: IntArray) -> ObjectArray:
    """Tell whether the hook's separation from power on its own pole was worked out."""
    pole = chosen.found.air.pole[chosen.found.routes.air[rows]]
    supports = chosen.plant.supports
    on_pole = (pole >= 0) & supports.pole_has_power[pole]
    checked = np.where(supports.pole_power_is_checked[pole], "computed", "not_checked")
    return np.where(on_pole, checked, "none").astype(object)


def _cheaper_but_not_clear(chosen: Chosen, layers: Layers, project: Project) -> pd.Series[str]:
    """Tell, for each served address, the cheapest route that only clearance rules out.

    Null where the route taken is cheaper than all of those.
    """
    routes, hung = chosen.found.routes, chosen.found.hung
    served = chosen.served
    rows = clearance_only(chosen)
    taken = chosen.route[routes.address[rows]]
    rows = rows[(taken >= 0) & (routes.cents[rows] < routes.cents[np.maximum(taken, 0)])]
    order = rows[order_routes(routes.take(rows), chosen.found.air)]
    order = order[np.argsort(routes.address[order], kind="stable")]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = routes.address[order][1:] != routes.address[order][:-1]
    pick = order[lead]
    columns = pd.DataFrame(route_columns(chosen, layers, pick))
    saved = routes.cents[chosen.route[routes.address[pick]]] - routes.cents[pick]
    other = routes.terminal[pick] != routes.terminal[chosen.route[routes.address[pick]]]
    text = (
        columns["route_kind"].astype("str").str.replace("_", " ")
        + " from "
        + columns["terminal_id"].astype("str")
        + pd.Series(np.where(other, " (another terminal)", ""), dtype="str")
        + " would cost "
        + pd.Series([f"{amount / CENTS:.2f}" for amount in saved.tolist()], dtype="str")
        + " less, but misses clearance by "
        + lengths(pd.Series(hung.miss_m[routes.air[pick]]), project, "sag")
        + " over "
        + pd.Series(missed(chosen, layers, routes.air[pick]), dtype="str")
    )
    notes = pd.Series(text.to_numpy(), index=routes.address[pick])
    return pd.Series(notes.reindex(served).to_numpy(), dtype="str")


def _place_hazards(hazards: pd.DataFrame, chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    served = layers.addresses.index.get_indexer(pd.Index(hazards["address_id"]))
    row = chosen.found.routes.air[chosen.route[served]]
    air = chosen.found.air
    share = np.clip(hazards["at_m"].to_numpy() / np.maximum(air.length_m[row], 1e-9), 0, 1)
    x = air.sx[row] + share * (air.ex - air.sx)[row]
    y = air.sy[row] + share * (air.ey - air.sy)[row]
    return gpd.GeoDataFrame(hazards, geometry=shapely.points(x, y), crs=layers.crs.working_crs)


def _terminals(chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    at = chosen.index.terminal_pole
    poles = layers.poles.iloc[at]
    load, value = chosen.load[at], chosen.assignment
    total = poles["ports_total"].to_numpy(dtype=np.int64)
    in_use = poles["ports_in_use"].to_numpy(dtype=np.int64)
    reserve = np.maximum(load - chosen.ports.free[at], 0)
    basis = np.where(
        value.value_is_exact[at],
        np.array(
            [
                {
                    "cheapest": "exact: every address has its cheapest route",
                    "flow": "exact: dual of the flow",
                    "branching": "exact: solved again with one more port",
                    "unused": "exact: no address could use it",
                }[word]
                for word in value.method[at]
            ],
            dtype=object,
        ),
        "not computed: too many full terminals linked by addresses that need several ports",
    )
    return gpd.GeoDataFrame(
        {
            "terminal_id": poles.index.to_numpy(dtype=object),
            "ports_total": total,
            "ports_in_use": in_use,
            "ports_reserved": poles["ports_reserved"].to_numpy(dtype=np.int64),
            "ports_planned": load,
            "ports_free": chosen.ports.free[at] - (load - reserve),
            "reserve_ports_used": reserve,
            "fill": (in_use + load) / total,
            "port_value_addresses": value.value_addresses[at],
            "port_value_cost": value.value_cents[at] / CENTS,
            "port_value_basis": basis,
        },
        geometry=poles.geometry.to_numpy(),
        crs=layers.crs.working_crs,
    )


def _alternatives(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    routes, air = chosen.found.routes, chosen.found.air
    free = np.flatnonzero(routes.forbidden == 0)
    rows = free[order_routes(routes.take(free), air)]
    rows = rows[np.argsort(routes.address[rows], kind="stable")]
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
    rows = rows[~(key.duplicated().to_numpy() | own)]
    _, counts = np.unique(routes.address[rows], return_counts=True)
    _, rank = expand(counts.astype(np.int64))
    rows, rank = rows[rank < project.choice.alternatives], rank[rank < project.choice.alternatives]
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
    reason = reason.where(served, "terminal " + terminal_id + " has no port left for it")
    return gpd.GeoDataFrame(
        {
            **columns,
            "rank": rank + 1,
            "extra_cost": np.where(served, extra / CENTS, np.nan),
            "why_not": reason.to_numpy(),
        },
        geometry=route_lines(chosen, rows),
        crs=layers.crs.working_crs,
    )
