"""From row numbers to the declared tables of a plan.

Enters: the choice, what the search found, layers, settings.
Leaves: frames as declared in `geoplan.tables.TABLES`.
Does not do: decide anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.choice.cost import CENTS
from geoplan.choice.drop_crossings import find_drop_crossings
from geoplan.choice.explain import Lack, explain_unserved, why_not
from geoplan.choice.solve import Assignment, Ports
from geoplan.clearance.final import Final
from geoplan.clearance.supports import Ends
from geoplan.hanging import (
    build_stringing,
    clearance_columns,
    clearance_hazards,
    hanging_columns,
)
from geoplan.model import Layers
from geoplan.project import Project
from geoplan.routes.air_spans import BASIS_NAMES
from geoplan.routes.crossings import KIND_CODE, KINDS, Crossings
from geoplan.routes.graph import Reach
from geoplan.routes.hazards import build_hazards, lengths
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray, expand
from geoplan.search import Found, PairRules, Plant, order_routes
from geoplan.tables import TABLES, CrossingKind, RouteKind, Table
from geoplan.units import ReportUnits, say
from geoplan.verdicts import Forbidden

ObjectArray = npt.NDArray[np.object_]

KIND_NAMES = np.array(
    [
        RouteKind.DIRECT,
        RouteKind.SPAN_CLAMP,
        RouteKind.OTHER_POLE,
        RouteKind.OTHER_POLE_SPAN_CLAMP,
    ],
    dtype=object,
)

KIND_LAYER = {
    CrossingKind.ROAD: "roads",
    CrossingKind.RAIL: "rail",
    CrossingKind.WATER: "water",
    CrossingKind.POWER: "power",
    CrossingKind.TREE: "trees",
    CrossingKind.ROOF: "buildings",
    CrossingKind.DRIVEWAY: "driveways",
    CrossingKind.SIDEWALK: "sidewalks",
    CrossingKind.POOL: "pools",
    CrossingKind.LOT: "parcels",
    CrossingKind.EXISTING_DROP: "existing_drops",
}


@dataclass(frozen=True)
class Recalled:
    """Routes after crossings of planned drops were undone."""

    route: IntArray
    """Route of each address; -1 where unserved."""
    crossings_before: int
    crossings_after: int
    cents: int
    changed: int


@dataclass(frozen=True)
class Chosen:
    """Everything the tables are made from."""

    plant: Plant
    found: Found
    assignment: Assignment
    ports: Ports
    recalled: Recalled
    air_rows: IntArray
    """Air span of each served address."""
    crossing_rows: IntArray
    """Rows of `crossings` in `found.crossings`."""
    crossings: Crossings
    """What the planned air spans meet; ``air`` counts the served addresses."""
    ends: Ends
    final: Final

    @property
    def index(self) -> PlantIndex:
        """Layers by row number."""
        return self.plant.index

    @property
    def reach(self) -> Reach:
        """Runs along the strand."""
        return self.plant.reach

    @property
    def rules(self) -> PairRules:
        """Locked and forbidden pairs."""
        return self.plant.rules

    @property
    def route(self) -> IntArray:
        """Route of each address; -1 where unserved."""
        return self.recalled.route

    @property
    def served(self) -> IntArray:
        """Rows of served addresses."""
        return np.flatnonzero(self.route >= 0).astype(np.int64)

    @property
    def load(self) -> IntArray:
        """Ports taken at each terminal, by row of pole."""
        load = np.zeros(len(self.ports.free), dtype=np.int64)
        terminal = self.found.routes.terminal[self.route[self.served]]
        np.add.at(load, terminal, self.index.ports_needed[self.served])
        return load


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
    crossings = _crossings(chosen, layers, project)
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
        "unserved": _unserved(chosen, layers, project),
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


def _ids(index: pd.Index, rows: IntArray) -> ObjectArray:
    """Return the ids of rows; None for -1."""
    ids = np.full(len(index) + 1, None, dtype=object)
    ids[:-1] = index.to_numpy(dtype=object)
    return np.asarray(ids[np.where(rows < 0, len(index), rows)], dtype=object)


def _route_columns(chosen: Chosen, layers: Layers, rows: IntArray) -> dict[str, Any]:
    routes, air, reach = chosen.found.routes, chosen.found.air, chosen.reach
    row, label = routes.air[rows], routes.reach[rows]
    clamp = air.span[row] >= 0
    length = air.length_m[row]
    run = reach.run_m[label] + routes.side_m[rows]
    passed = reach.spans_passed[label]
    crossings = chosen.found.crossings
    road = (crossings.kind == KIND_CODE[CrossingKind.ROAD]) & ~crossings.is_overhang
    over_street = np.zeros(len(air), dtype=bool)
    over_street[crossings.air[road]] = True
    return {
        "address_id": _ids(layers.addresses.index, routes.address[rows]),
        "terminal_id": _ids(layers.poles.index, routes.terminal[rows]),
        "route_kind": KIND_NAMES[clamp + 2 * (passed > 0)],
        "is_street_crossing": over_street[row],
        "access_pole_id": _ids(layers.poles.index, reach.pole[label]),
        "strand_span_id": _ids(layers.spans.index, air.span[row]),
        "clamp_at_m": np.where(clamp, routes.side_m[rows], np.nan),
        "air_span_m": length,
        "strand_run_m": run,
        "route_m": run + length,
        "spans_passed": passed,
        "attachment_basis": np.array(BASIS_NAMES, dtype=object)[air.basis[row]],
        "building_id": _ids(layers.buildings.index, air.building[row]),
        "wall_angle_deg": air.wall_angle_deg[row],
        "cost": routes.cents[rows] / CENTS,
    }


def _route_lines(chosen: Chosen, rows: IntArray) -> ObjectArray:
    """Draw routes from the terminal along the strand to the attachment."""
    index, reach, air = chosen.index, chosen.reach, chosen.found.air
    routes = chosen.found.routes
    number = np.arange(len(rows), dtype=np.int64)
    row = routes.air[rows]
    points = [(number, np.full(len(rows), 2), air.ex[row], air.ey[row])]
    clamp = np.flatnonzero(air.span[row] >= 0)
    points.append((clamp, np.full(len(clamp), 1), air.sx[row[clamp]], air.sy[row[clamp]]))
    label, who, step = routes.reach[rows], number, 0
    while len(label):
        pole = reach.pole[label]
        points.append((who, np.full(len(who), -step), index.pole_x[pole], index.pole_y[pole]))
        label = reach.previous[label]
        who, label = who[label >= 0], label[label >= 0]
        step += 1
    drop, place, x, y = (np.concatenate(column) for column in zip(*points, strict=True))
    order = np.lexsort((place, drop))
    return np.asarray(
        shapely.linestrings(np.stack([x, y], axis=1)[order], indices=drop[order]), dtype=object
    )


def _drops(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    served = chosen.served
    rows = chosen.route[served]
    routes, air, reach = chosen.found.routes, chosen.found.air, chosen.reach
    addresses = layers.addresses.iloc[served]
    uses_strand = (air.span[routes.air[rows]] >= 0) | (reach.spans_passed[routes.reach[rows]] > 0)
    return gpd.GeoDataFrame(
        {
            **_route_columns(chosen, layers, rows),
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
                _crossing_names(chosen.crossings, layers),
                chosen.plant,
            ),
        },
        geometry=_route_lines(chosen, rows),
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
    columns = _route_columns(chosen, layers, rows)
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


def _crossings(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    served = chosen.served
    routes = chosen.found.routes
    air = chosen.found.air.take(chosen.air_rows)
    met = chosen.crossings
    who = served[met.air]
    names = {key: np.full(len(met), None, dtype=object) for key in ("id", "name", "class", "by")}
    width = np.full(len(met), np.nan)
    for kind, layer in KIND_LAYER.items():
        rows = np.flatnonzero(met.kind == KIND_CODE[kind])
        frame: gpd.GeoDataFrame = getattr(layers, layer)
        feature = met.feature[rows]
        names["id"][rows] = _ids(frame.index, feature)
        for key, column in (
            ("name", "name"),
            ("class", "road_class"),
            ("class", "power_kind"),
            ("by", "jurisdiction"),
        ):
            if column in frame.columns:
                names[key][rows] = frame[column].to_numpy(dtype=object)[feature]
        if kind is CrossingKind.ROAD:
            width[rows] = frame["width_m"].to_numpy(dtype=np.float64)[feature]
    share = met.at_m / np.maximum(air.length_m[met.air], 1e-9)
    x = air.sx[met.air] + share * (air.ex - air.sx)[met.air]
    y = air.sy[met.air] + share * (air.ey - air.sy)[met.air]
    table = gpd.GeoDataFrame(
        {
            "address_id": _ids(layers.addresses.index, who),
            "terminal_id": _ids(layers.poles.index, routes.terminal[chosen.route[who]]),
            "crossing_kind": np.array([kind.value for kind in KINDS], dtype=object)[met.kind],
            "feature_id": names["id"],
            "feature_name": names["name"],
            "feature_class": names["class"],
            "is_near_miss": met.is_near_miss,
            "at_m": met.at_m,
            "start_m": met.start_m,
            "end_m": met.end_m,
            "distance_m": met.distance_m,
            "angle_deg": met.angle_deg,
            "width_m": width,
            "jurisdiction": names["by"],
            **clearance_columns(met, chosen.final, chosen.ends, chosen.plant),
        },
        geometry=shapely.points(x, y),
        crs=layers.crs.working_crs,
    )
    both = pd.concat([table, _planned_crossings(chosen, layers)], ignore_index=True)
    return declared(gpd.GeoDataFrame(both, crs=layers.crs.working_crs), TABLES["crossings"])


def _crossing_names(met: Crossings, layers: Layers) -> ObjectArray:
    """Name what air spans meet: its kind and id."""
    names = np.full(len(met), None, dtype=object)
    for kind, layer in KIND_LAYER.items():
        rows = np.flatnonzero(met.kind == KIND_CODE[kind])
        ids = _ids(getattr(layers, layer).index, met.feature[rows])
        names[rows] = [f"{kind.value} {name}" for name in ids.tolist()]
    return names


def _missed(chosen: Chosen, layers: Layers, air: IntArray) -> ObjectArray:
    """Name what air spans miss the clearance of: a crossing's kind and id, or the yard."""
    crossing = chosen.found.hung.miss_crossing[air]
    names = np.full(len(air), "the yard", dtype=object)
    on = np.flatnonzero(crossing >= 0)
    names[on] = _crossing_names(chosen.found.crossings.take(crossing[on]), layers)
    return names


def _clearance_only(chosen: Chosen) -> IntArray:
    """Find routes that nothing but clearance or power forbids."""
    routes = chosen.found.routes
    clearance = int(Forbidden.CLEARANCE | Forbidden.POWER)
    only = (routes.forbidden != 0) & ((routes.forbidden & ~clearance) == 0)
    return np.flatnonzero(only & np.isfinite(chosen.found.hung.miss_m[routes.air])).astype(np.int64)


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
    rows = _clearance_only(chosen)
    taken = chosen.route[routes.address[rows]]
    rows = rows[(taken >= 0) & (routes.cents[rows] < routes.cents[np.maximum(taken, 0)])]
    order = rows[order_routes(routes.take(rows), chosen.found.air)]
    order = order[np.argsort(routes.address[order], kind="stable")]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = routes.address[order][1:] != routes.address[order][:-1]
    pick = order[lead]
    columns = pd.DataFrame(_route_columns(chosen, layers, pick))
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
        + pd.Series(_missed(chosen, layers, routes.air[pick]), dtype="str")
    )
    notes = pd.Series(text.to_numpy(), index=routes.address[pick])
    return pd.Series(notes.reindex(served).to_numpy(), dtype="str")


def _planned_crossings(chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    served = chosen.served
    routes, air = chosen.found.routes, chosen.found.air
    segment = air.segment[routes.air[chosen.route[served]]]
    i, j, at_i, at_j = find_drop_crossings(segment, segment, same=True)
    first, second = np.concatenate([i, j]), np.concatenate([j, i])
    at = np.concatenate([at_i, at_j])
    vector = segment[:, 2:] - segment[:, :2]
    length = np.hypot(vector[:, 0], vector[:, 1])
    cross = vector[first, 0] * vector[second, 1] - vector[first, 1] * vector[second, 0]
    sine = np.abs(cross) / np.maximum(length[first] * length[second], 1e-9)
    share = at / np.maximum(length[first], 1e-9)
    place = segment[first, :2] + share[:, None] * vector[first]
    ids = layers.addresses.index
    return gpd.GeoDataFrame(
        {
            "address_id": _ids(ids, served[first]),
            "terminal_id": _ids(layers.poles.index, routes.terminal[chosen.route[served[first]]]),
            "crossing_kind": CrossingKind.PLANNED_DROP.value,
            "feature_id": _ids(ids, served[second]),
            "feature_name": None,
            "feature_class": None,
            "is_near_miss": False,
            "at_m": at,
            "start_m": at,
            "end_m": at,
            "distance_m": 0.0,
            "angle_deg": np.degrees(np.arcsin(np.clip(sine, 0, 1))),
            "width_m": np.nan,
            "jurisdiction": None,
            "required_m": np.nan,
            "available_m": np.nan,
            "margin_m": np.nan,
            "margin_case": None,
            "rule": None,
            "clearance_basis": "not_checked",
            "clearance_note": "heights of both drops where they cross are not compared",
        },
        geometry=shapely.points(place),
        crs=layers.crs.working_crs,
    )


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
    columns = _route_columns(chosen, layers, rows)
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
        geometry=_route_lines(chosen, rows),
        crs=layers.crs.working_crs,
    )


def _unserved(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
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
            "terminal": _ids(layers.poles.index, routes.terminal[free]),
            "cents": routes.cents[free],
        }
    ).drop_duplicates(["address", "terminal"])
    groups = ways.groupby("address")
    miss, miss_text, mend_text = _nearest_miss(chosen, layers, project, rows)
    price = groups["cents"].min().reindex(rows)
    names = groups["terminal"].agg(", ".join).reindex(rows)
    return Lack(
        pd.Series(_ids(layers.poles.index, terminal), dtype="str"),
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
        pd.Series(_ids(layers.poles.index, pole), dtype="str"),
        pole_m,
    )


def _nearest_miss(
    chosen: Chosen, layers: Layers, project: Project, rows: IntArray
) -> tuple[FloatArray, pd.Series, pd.Series]:
    """Find, for addresses that only clearance keeps from a route, the route that misses least."""
    routes, hung, air = chosen.found.routes, chosen.found.hung, chosen.found.air
    wanted = np.zeros(chosen.index.address_count, dtype=bool)
    wanted[rows] = True
    at = _clearance_only(chosen)
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
    terminal = _ids(layers.poles.index, routes.terminal[pick])
    over = _missed(chosen, layers, routes.air[pick])
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
