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

from geoplan.choice.cost import CENTS
from geoplan.chosen import Chosen, route_columns, route_lines
from geoplan.collector import collector_off
from geoplan.framing import declared
from geoplan.hanging import build_stringing, hanging_columns
from geoplan.hanging_flags import clearance_flags
from geoplan.model import Layers
from geoplan.plan_alternatives import build_alternatives, by_price
from geoplan.plan_crossings import build_crossings, clearance_only, crossing_names, missed
from geoplan.plan_unserved import build_unserved
from geoplan.project import Project
from geoplan.routes.flags import Flags, flag_table, lengths
from geoplan.routes.hazards import hazard_flags
from geoplan.routes.segments import IntArray
from geoplan.tables import TABLES
from geoplan.text_columns import assembled, joined, numbers, places, texts, worded

VALUE_BASIS = {
    "cheapest": "exact: every address has its cheapest route",
    "flow": "exact: from the proof of the choice",
    "branching": "exact: solved again with one more port",
    "unused": "exact: no address could use it",
}
DROP_TABLES = ("drops", "air_spans", "crossings", "hazards", "alternatives", "stringing")
"""Tables whose keys begin with the address."""
VALUE_UNKNOWN = "not computed: too many full terminals linked by addresses that need several ports"


def build_drop_tables(chosen: Chosen, layers: Layers, project: Project) -> dict[str, Any]:
    """Build the tables that tell of drops one by one, of all addresses or of a part of them.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from, of these addresses.
    layers : Layers
        Checked layers.
    project : Project
        Settings.

    Returns
    -------
    dict of str to GeoDataFrame
        `DROP_TABLES`. Addresses are in order of their id, and so are the rows: tables of
        consecutive parts, one after the other, are the table of all.
    """
    with collector_off():
        return _build(chosen, layers, project)


def build_region_tables(chosen: Chosen, layers: Layers, project: Project) -> dict[str, Any]:
    """Build the tables that tell of terminals and of addresses without a route.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from; no drops are needed.
    layers : Layers
        Checked layers.
    project : Project
        Settings.

    Returns
    -------
    dict of str to GeoDataFrame
        ``unserved`` and ``terminals``.
    """
    with collector_off():
        return {
            "unserved": declared(build_unserved(chosen, layers, project), TABLES["unserved"]),
            "terminals": declared(_terminals(chosen, layers), TABLES["terminals"]),
        }


def _build(chosen: Chosen, layers: Layers, project: Project) -> dict[str, Any]:
    """Build the tables of drops, see `build_drop_tables`."""
    crossings = declared(build_crossings(chosen, layers), TABLES["crossings"])
    drops = _drops(chosen, layers, project)
    alternatives = build_alternatives(chosen, layers, project)
    span = chosen.found.air.span[chosen.air_rows]
    sharing = np.where(span < 0, 0, np.append(chosen.whole.drops_on_span, 0)[span])
    own = hazard_flags(crossings, drops, project, sharing)
    hung = clearance_flags(crossings, drops, project)
    flags = own + hung
    owner = places(crossings["address_id"], drops["address_id"])
    at = [owner[part.rows] if part.is_of_crossing else part.rows for part in flags]
    codes = sorted(part.code for part in own) + [part.code for part in hung]
    drops["flags"] = _flag_words(codes, flags, at, len(drops))
    _tell_runner_up(drops, alternatives, chosen)
    hazards = flag_table(flags, crossings, drops)
    del own, hung, flags
    tables = {
        "drops": drops,
        "air_spans": _air_spans(chosen, layers, drops),
        "crossings": crossings,
        "hazards": _place_hazards(hazards, np.concatenate(at), chosen, layers),
        "alternatives": alternatives,
        "stringing": build_stringing(
            drops["address_id"], chosen.final, chosen.plant.standards, project
        ),
    }
    del crossings, drops, alternatives, hazards
    return {
        name: tables.pop(name) if name == "crossings" else declared(tables.pop(name), TABLES[name])
        for name in DROP_TABLES
    }


def _tell_runner_up(drops: pd.DataFrame, alternatives: pd.DataFrame, chosen: Chosen) -> None:
    """Add what each drop's best runner-up was."""
    best = np.flatnonzero(alternatives["rank"] == 1)
    place = np.full(chosen.index.address_count, -1, dtype=np.int64)
    place[alternatives["address"].to_numpy()[best]] = best
    place = place[chosen.served]
    words = joined(
        alternatives["route_kind"].iloc[best].str.replace("_", " ", regex=False),
        " from ",
        alternatives["terminal_id"].iloc[best],
        ": ",
        alternatives["why_not"].iloc[best],
    )
    drops["runner_up"] = assembled(len(alternatives), [(best, words)]).take(place, allow_fill=True)
    extra = np.append(alternatives["extra_cost"].to_numpy(dtype=np.float64), np.nan)
    drops["runner_up_extra_cost"] = extra[place]


def _flag_words(codes: list[str], flags: list[Flags], at: list[IntArray], count: int) -> Any:
    """Write the codes of each drop's flags in the order of `codes`; null without any."""
    held = np.zeros(count, dtype=np.int64)
    for part, rows in zip(flags, at, strict=True):
        held[rows] |= 1 << codes.index(part.code)
    place, distinct = pd.factorize(held)
    return worded(
        place,
        [
            ";".join(code for bit, code in enumerate(codes) if value >> bit & 1) or None
            for value in distinct.tolist()
        ],
    )


def _drops(chosen: Chosen, layers: Layers, project: Project) -> gpd.GeoDataFrame:
    served = chosen.served
    rows = chosen.route[served]
    routes, air, reach = chosen.found.routes, chosen.found.air, chosen.reach
    addresses = layers.addresses
    governs = chosen.final.margin_crossing
    held = np.flatnonzero(governs >= 0)
    over = crossing_names(chosen.crossings.take(governs[held]), layers)
    uses_strand = (air.span[routes.air[rows]] >= 0) | (reach.spans_passed[routes.reach[rows]] > 0)
    return gpd.GeoDataFrame(
        {
            **route_columns(chosen, layers, rows),
            "label": texts(addresses["label"]).take(served),
            "ports_needed": addresses["ports_needed"].to_numpy()[served],
            "reserve_ports_used": chosen.whole.reserve_ports[served],
            "is_locked": chosen.rules.locked[served] >= 0,
            "strand_basis": worded(
                np.where(uses_strand, _uses_guess(chosen, layers, rows), -1),
                ("measured", "inferred"),
            ),
            "parcel_id": texts(addresses["parcel_id"]).take(served),
            "pole_power_basis": _pole_power(chosen, rows),
            "clearance_note": _cheaper_but_not_clear(chosen, layers, project),
            **hanging_columns(
                chosen.final,
                chosen.ends,
                chosen.found.hung.take(chosen.air_rows),
                chosen.crossings,
                assembled(len(served), [(held, over)]),
                chosen.plant,
            ),
        },
        geometry=route_lines(chosen, rows),
        crs=layers.crs.working_crs,
        copy=False,
    )


def _uses_guess(chosen: Chosen, layers: Layers, rows: IntArray) -> IntArray:
    """Tell whether any strand that a route uses was inferred."""
    guessed = np.append((layers.spans["strand_basis"] == "inferred").to_numpy(dtype=bool), False)
    routes, reach = chosen.found.routes, chosen.reach
    any_guessed = guessed[chosen.found.air.span[routes.air[rows]]]
    label = routes.reach[rows].copy()
    while (label >= 0).any():
        on = label >= 0
        any_guessed[on] |= guessed[reach.span[label[on]]]
        label[on] = reach.previous[label[on]]
    return np.asarray(any_guessed, dtype=np.int64)


def _air_spans(chosen: Chosen, layers: Layers, drops: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    air = chosen.found.air.take(chosen.air_rows)
    start, end = chosen.final.start_z_m, chosen.final.end_z_m
    known = chosen.ends.ground_is_known
    lines = np.empty(len(air), dtype=object)
    lines[~known] = shapely.linestrings(air.segment[~known].reshape(-1, 2, 2))
    deep = np.stack([air.sx, air.sy, start, air.ex, air.ey, end], axis=1)
    lines[known] = shapely.linestrings(deep[known].reshape(-1, 2, 3))
    return gpd.GeoDataFrame(
        {
            **{
                name: drops[name].array
                for name in ("address_id", "terminal_id", "route_kind", "air_span_m")
            },
            "start_z_m": np.where(known, start, np.nan),
            "end_z_m": np.where(known, end, np.nan),
            "height_basis": worded(
                np.where(known, chosen.ends.is_assumed, 2), ("measured", "default", "not_checked")
            ),
        },
        geometry=lines,
        crs=layers.crs.working_crs,
        copy=False,
    )


def _pole_power(chosen: Chosen, rows: IntArray) -> Any:
    """Tell whether the hook's separation from power on its own pole was worked out."""
    pole = chosen.found.air.pole[chosen.found.routes.air[rows]]
    supports = chosen.plant.supports
    on_pole = (pole >= 0) & supports.pole_has_power[pole]
    checked = supports.pole_power_is_checked[pole]
    return worded(np.where(on_pole, checked, 2), ("not_checked", "computed", "none"))


def _cheaper_but_not_clear(chosen: Chosen, layers: Layers, project: Project) -> Any:
    """Tell, for each served address, the cheapest route that only clearance rules out.

    Null where the route taken is cheaper than all of those.
    """
    routes, hung = chosen.found.routes, chosen.found.hung
    served = chosen.served
    rows = clearance_only(chosen)
    taken = chosen.route[routes.address[rows]]
    rows = rows[(taken >= 0) & (routes.cents[rows] < routes.cents[np.maximum(taken, 0)])]
    order = by_price(chosen, rows)
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = routes.address[order][1:] != routes.address[order][:-1]
    pick = order[lead]
    columns = route_columns(chosen, layers, pick)
    saved = routes.cents[chosen.route[routes.address[pick]]] - routes.cents[pick]
    other = routes.terminal[pick] != routes.terminal[chosen.route[routes.address[pick]]]
    text = joined(
        pd.Series(columns["route_kind"]).str.replace("_", " ", regex=False),
        " from ",
        columns["terminal_id"],
        worded(other, ("", " (another terminal)")),
        " would cost ",
        numbers(saved / CENTS, 2),
        " less, but misses clearance by ",
        lengths(hung.miss_m[routes.air[pick]], project, "sag"),
        " over ",
        missed(chosen, layers, routes.air[pick]),
    )
    note = np.full(chosen.index.address_count, -1, dtype=np.int64)
    note[routes.address[pick]] = np.arange(len(pick))
    return text.take(note[served], allow_fill=True)


def _place_hazards(
    hazards: pd.DataFrame, at: IntArray, chosen: Chosen, layers: Layers
) -> gpd.GeoDataFrame:
    """Give flags their place; `at` is the drop of each."""
    air = chosen.found.air.take(chosen.air_rows[at])
    share = np.clip(hazards["at_m"].to_numpy() / np.maximum(air.length_m, 1e-9), 0, 1)
    x = air.sx + share * (air.ex - air.sx)
    y = air.sy + share * (air.ey - air.sy)
    return gpd.GeoDataFrame(hazards, geometry=shapely.points(x, y), crs=layers.crs.working_crs)


def _terminals(chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    at = chosen.index.terminal_pole
    poles = layers.poles.iloc[at]
    load, value = chosen.load[at], chosen.assignment
    total = poles["ports_total"].to_numpy(dtype=np.int64)
    in_use = poles["ports_in_use"].to_numpy(dtype=np.int64)
    reserve = np.maximum(load - chosen.ports.free[at], 0)
    method, words = pd.factorize(value.method[at])
    basis = worded(
        np.where(value.value_is_exact[at], method, len(words)),
        [*(VALUE_BASIS[word] for word in words.tolist()), VALUE_UNKNOWN],
    )
    return gpd.GeoDataFrame(
        {
            "terminal_id": texts(poles.index),
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
        copy=False,
    )
