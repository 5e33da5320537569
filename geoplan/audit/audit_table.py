"""The table of crossings to be audited, made from a finished plan and its jobs.

Enters: a finished plan, its jobs.
Leaves: the table ``crossing_audit``.
Does not do: find crossings or routes; give permits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.air_sources import AirSources
from geoplan.audit.no_other_way import explain_none
from geoplan.audit.other_ways import OtherWays, find_other_ways
from geoplan.chosen import KIND_NAMES, ids
from geoplan.framing import declared
from geoplan.offers import Offers, air_of
from geoplan.routes.index import row_numbers
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.tables import TABLES, CrossingKind
from geoplan.text_columns import assembled, joined, numbers, places, texts, worded

if TYPE_CHECKING:
    from geoplan.model import Layers, Plan
    from geoplan.standards import Standards

AUDITED = (CrossingKind.ROAD.value, CrossingKind.RAIL.value, CrossingKind.WATER.value)
OWNERS = {
    CrossingKind.ROAD.value: "not recorded: ask the road's authority",
    CrossingKind.RAIL.value: "owner of the railway",
    CrossingKind.WATER.value: "owner of the water",
}
"""Who has to agree where no jurisdiction is recorded."""
LINES = {CrossingKind.ROAD.value: "roads", CrossingKind.RAIL.value: "rail"}
"""Layers along whose lines a place is told; water is told by its coordinates only."""
TRAFFIC = (
    "traffic_class",
    "traffic_reasons",
    "sign_1_m",
    "sign_2_m",
    "sign_3_m",
    "taper_m",
    "buffer_m",
)
FROM_CROSSINGS = (
    "address_id",
    "crossing_kind",
    "feature_id",
    "at_m",
    "terminal_id",
    "feature_name",
    "feature_class",
    "jurisdiction",
    "angle_deg",
    "width_m",
    "required_m",
    "available_m",
    "margin_m",
    "clearance_basis",
)
CENTS = 100


def build_audit(
    plan: Plan, jobs: pd.DataFrame, standards: Standards | None = None
) -> gpd.GeoDataFrame:
    """Tell of every crossing of a road, railway or water, and what avoiding it would cost.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    jobs : pandas.DataFrame
        Table ``jobs`` of it, for the traffic control of each drop.
    standards : Standards, optional
        Rules, wire and strands of the plan; by default those that its project names.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``crossing_audit``: a row for each passage over a road's centre-line, a railway or
        water; working CRS.

    Notes
    -----
    ``along_m`` is measured along the feature's line from its first point; where the line has
    several parts, along these in their order, gaps not counted. Water has none.
    The other route crosses no road, railway or water at all, keeps every rule of the search, and
    ends at a terminal that has ports left after the plan; its price is that of the search, so a
    clamp shifted to the best place may still save a little.
    """
    met = plan.crossings
    crossed = met["crossing_kind"].isin(AUDITED) & ~met["is_near_miss"]
    # over a carriageway's edge is no crossing; a track is asked for wherever it is met
    crossed &= (met["crossing_kind"] != CrossingKind.ROAD.value) | met["angle_deg"].notna()
    rows = met[crossed.to_numpy(dtype=bool)].reset_index(drop=True)
    index = plan.layers.addresses.index
    address = row_numbers(rows["address_id"], index)
    asked = np.unique(address)
    other = _other_columns(plan, asked, standards)
    place = np.searchsorted(asked, address)
    kind, jurisdiction = rows["crossing_kind"], rows["jurisdiction"]
    traffic = places(rows["address_id"], jobs["address_id"])
    frame = gpd.GeoDataFrame(
        {
            **{name: rows[name].array for name in FROM_CROSSINGS},
            "permit_owner": texts(jurisdiction.where(jurisdiction.notna(), kind.map(OWNERS))),
            "along_m": _along(rows, plan.layers),
            **{name: _taken(jobs[name], traffic) for name in TRAFFIC},
            **{name: _taken(pd.Series(column), place) for name, column in other.items()},
        },
        geometry=rows.geometry.array,
        crs=plan.layers.crs.working_crs,
    )
    table: gpd.GeoDataFrame = declared(frame, TABLES["crossing_audit"])
    return table.set_crs(plan.layers.crs.working_crs)


def _taken(column: pd.Series, rows: IntArray) -> Any:
    """Return values by row; all rows exist."""
    return column.array.take(rows)


def _along(rows: gpd.GeoDataFrame, layers: Layers) -> FloatArray:
    """Measure how far along its line each crossing lies, in metres; NaN without a line."""
    along = np.full(len(rows), np.nan)
    for kind, name in LINES.items():
        at = np.flatnonzero(rows["crossing_kind"] == kind)
        frame: gpd.GeoDataFrame = getattr(layers, name)
        line = frame.geometry.to_numpy()[row_numbers(rows["feature_id"].iloc[at], frame.index)]
        along[at] = shapely.line_locate_point(line, rows.geometry.to_numpy()[at])
    return along


def _other_columns(plan: Plan, asked: IntArray, standards: Standards | None) -> dict[str, Any]:
    """Return the columns that tell of the best route without a crossing, by address asked for."""
    ways = find_other_ways(plan, asked, standards)
    at = np.searchsorted(asked, ways.best.address)
    cost = np.zeros(len(plan.layers.addresses))
    drops = row_numbers(plan.drops["address_id"], plan.layers.addresses.index)
    cost[drops] = plan.drops["cost"].to_numpy(dtype=np.float64)
    planned = np.rint(cost * CENTS).astype(np.int64)
    best, count = ways.best, len(asked)
    extra = np.full(count, np.nan)
    extra[at] = (ways.best_cents - planned[best.address]) / CENTS
    air = np.full(count, np.nan)
    air[at] = _air_m(ways)
    full = np.searchsorted(asked, ways.full.address)
    none = np.searchsorted(asked, ways.none)
    notes = [
        (at, _how(ways, extra[at])),
        (full, _if_ports(ways, planned[ways.full.address], plan.layers)),
        (none, explain_none(ways, plan.layers)),
    ]
    return {
        "other_terminal_id": assembled(count, [(at, ids(plan.layers.poles.index, best.terminal))]),
        "other_route_kind": assembled(
            count, [(at, worded((best.span >= 0) + 2 * (best.passed > 0), KIND_NAMES))]
        ),
        "other_air_span_m": air,
        "other_extra_cost": extra,
        "other_note": assembled(count, notes),
    }


def _air_m(ways: OtherWays) -> FloatArray:
    return air_of(ways.best, AirSources(ways.plant, ways.project)).length_m


def _how(ways: OtherWays, extra: FloatArray) -> Any:
    """Say what the other route needs."""
    best, rooms = ways.best, ways.rooms
    same = rooms.terminal[best.address] == best.terminal
    words = worded(
        same.astype(np.int64), ("a port that stays free in the plan", "at the same terminal")
    )
    reserve = rooms.reserve_cents(best.address, best.terminal)
    priced = np.flatnonzero(reserve)
    more = joined(
        words.take(priced),
        "; reserved ports priced in: ",
        numbers(reserve[priced] / CENTS, 2),
    )
    plain = np.flatnonzero(reserve == 0)
    words = assembled(len(best), [(priced, more), (plain, words.take(plain))])
    cheaper = np.flatnonzero(extra < 0)
    rest = np.flatnonzero(extra >= 0)
    lower = joined(
        words.take(cheaper),
        "; cheaper, but the plan left it: drops would cross, or it failed when worked out in full",
    )
    return assembled(len(best), [(cheaper, lower), (rest, words.take(rest))])


def _if_ports(ways: OtherWays, planned: IntArray, layers: Layers) -> Any:
    """Say at which full terminal a route would be had, and at what price."""
    full: Offers = ways.full
    lack = ways.rooms.needed[full.address] - ways.rooms.left(full.address, full.terminal)
    extra = (full.cents - planned) / CENTS
    return joined(
        "only with ",
        numbers(lack.astype(np.float64), 0),
        worded((lack > 1).astype(np.int64), (" more port at ", " more ports at ")),
        ids(layers.poles.index, full.terminal),
        ": ",
        numbers(np.abs(extra), 2),
        worded((extra < 0).astype(np.int64), (" more", " less")),
    )
