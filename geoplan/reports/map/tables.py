"""The tables of a plan as packed columns: what is drawn and filtered, and what is read on demand.

Enters: the tables of a `Plan`, cut down to the addresses of one page.
Leaves: columns of two `Pack` blocks, ``shown`` and ``told``.
Does not do: words; the page's script writes the sentences around the figures.

Rows point at each other by number: a *row* is a drop, or an unserved address after all drops.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.reports.map.figures import (
    add_counts,
    add_figures,
    add_ids,
    add_rest,
    add_rows,
    add_texts,
    scaled,
)
from geoplan.reports.map.lengths import available, drawn_lengths
from geoplan.reports.map.pack import IntArray, Pack
from geoplan.reports.map.places import Grid, add_lines, add_points
from geoplan.tables import CrossingKind, RouteKind, Severity
from geoplan.units import ReportUnits

NAME_LETTERS = 120

KINDS = [kind.value for kind in RouteKind]
CROSSINGS = [kind.value for kind in CrossingKind]
SEVERITIES = [severity.value for severity in Severity]

DROP_FIGURES: Mapping[str, str] = {
    "hook_height_m": "length",
    "attachment_height_m": "length",
    "stringing_sag_m": "sag",
    "stringing_temperature_c": "temperature",
    "stringing_tension_n": "force",
    "sag_worst_m": "sag",
    "tension_worst_n": "force",
    "tension_limit_n": "force",
    "margin_required_m": "length",
    "margin_at_m": "length",
    "ladder_sag_m": "sag",
    "ladder_shift_m": "sag",
    "clamp_shift_m": "sag",
    "clamp_sink_m": "sag",
}
DROP_COUNTS = ("ports_needed", "reserve_ports_used")
DROP_FLAGS = ("hook_is_raised", "attachment_is_raised", "is_locked")
DROP_TEXTS = (
    "height_basis",
    "ground_basis",
    "pole_power_basis",
    "sag_worst_case",
    "tension_case",
    "margin_case",
    "margin_over",
    "margin_rule",
    "strand_ladder",
    "clearance_note",
)
CROSSING_FIGURES: Mapping[str, str] = {
    "distance_m": "length",
    "angle_deg": "angle",
    "width_m": "length",
    "required_m": "length",
    "margin_m": "sag",
}
CROSSING_TEXTS = (
    "feature_id",
    "feature_name",
    "feature_class",
    "jurisdiction",
    "margin_case",
    "rule",
    "clearance_basis",
    "clearance_note",
)
UNSERVED_FIGURES: Mapping[str, str] = {
    "nearest_terminal_m": "length",
    "clearance_miss_m": "sag",
    "excess_m": "length",
    "cost_if_port_added": "cost",
}
TERMINAL_COUNTS = (
    "ports_total",
    "ports_in_use",
    "ports_reserved",
    "ports_planned",
    "ports_free",
    "reserve_ports_used",
    "port_value_addresses",
)
ALTERNATIVE_FIGURES: Mapping[str, str] = {"extra_cost": "cost"}
_COSTS = re.compile(r"^costs [-\d.]+ more")
JOB_TEXTS = ("traffic_class", "crew_day_id")
JOB_TOLD = ("crew_reasons", "traffic_reasons", "job_kind", "power_approach")


@dataclass(frozen=True)
class PageTables:
    """Tables of one page, as from `geoplan.reports.frames.declared_frame`; geometry is there."""

    drops: gpd.GeoDataFrame
    hazards: gpd.GeoDataFrame
    crossings: gpd.GeoDataFrame
    unserved: gpd.GeoDataFrame
    terminals: gpd.GeoDataFrame
    alternatives: gpd.GeoDataFrame
    air_spans: pd.DataFrame
    jobs: pd.DataFrame | None
    sheets: pd.Series | None
    """File name of each drop's sheet, in the order of `drops`; None: none were written."""


@dataclass(frozen=True)
class Blocks:
    """The two blocks of a page: what is drawn at once, and what is told on demand."""

    shown: Pack
    told: Pack
    grid: Grid
    units: ReportUnits


def add_tables(
    blocks: Blocks, tables: PageTables, poles: gpd.GeoDataFrame, near_poles: pd.Index
) -> None:
    """Add all tables of a page to its blocks.

    Parameters
    ----------
    blocks : Blocks
        The blocks.
    tables : PageTables
        The tables.
    poles : geopandas.GeoDataFrame
        All poles of the layers, indexed by id: places of remedies.
    near_poles : pandas.Index
        Ids of those that the page shows, in its order.
    """
    _add_drops(blocks, tables)
    _add_jobs(blocks, tables)
    _add_terminals(blocks, tables.terminals)
    rows = pd.Index(tables.drops["address_id"])
    _add_hazards(blocks, tables.hazards, tables.crossings, rows)
    _add_crossings(blocks, tables.crossings, rows)
    _add_unserved(blocks, tables.unserved, poles)
    _add_alternatives(blocks, tables, rows.append(pd.Index(tables.unserved["address_id"])))
    _add_ways(blocks, tables, poles.loc[near_poles])


def _add_drops(blocks: Blocks, tables: PageTables) -> None:
    shown, told, units, drops = blocks.shown, blocks.told, blocks.units, tables.drops
    add_ids(shown, "drop.id", drops["address_id"])
    add_texts(shown, "drop.label", drops["label"], NAME_LETTERS)
    shown.numbers("drop.kind", pd.Index(KINDS).get_indexer(drops["route_kind"]))
    terminals = pd.Index(tables.terminals["terminal_id"])
    add_rows(shown, "drop.terminal", drops["terminal_id"], terminals, steps=False)
    for name in ("terminal_id", "access_pole_id"):
        add_ids(told, f"drop.{name}", drops[name])
    add_counts(shown, "drop.street", drops["is_street_crossing"])
    add_figures(shown, "drop.margin", drops["margin_m"], "sag", units)
    add_figures(shown, "drop.cost", drops["cost"], "cost", units)
    add_lines(shown, "drop", drops.geometry.to_numpy(), blocks.grid)
    lengths = drawn_lengths(drops.geometry.to_numpy(), blocks.grid, units)
    add_rest(shown, "drop.air_span_rest", drops["air_span_m"], "length", units, lengths[0])
    add_rest(told, "drop.strand_run_rest", drops["strand_run_m"], "length", units, lengths[1])
    add_rest(told, "drop.clamp_at_rest", drops["clamp_at_m"], "length", units, lengths[2])
    guess = available(drops["margin_required_m"], drops["margin_m"], units)
    add_rest(
        told, "drop.margin_available_rest", drops["margin_available_m"], "length", units, guess
    )
    for name, quantity in DROP_FIGURES.items():
        add_figures(told, f"drop.{_bare(name)}", drops[name], quantity, units)
    for name in (*DROP_COUNTS, *DROP_FLAGS):
        add_counts(told, f"drop.{name}", drops[name])
    for name in DROP_TEXTS:
        add_texts(told, f"drop.{name}", drops[name])
    ends = tables.air_spans.set_index("address_id")[["start_z_m", "end_z_m"]]
    ends = ends[~ends.index.duplicated()].reindex(drops["address_id"])
    for name in ("start_z_m", "end_z_m"):
        add_figures(told, f"drop.{_bare(name)}", ends[name], "length", units)
    if tables.sheets is not None:
        told.texts("drop.sheet", tables.sheets)


def _add_jobs(blocks: Blocks, tables: PageTables) -> None:
    """Add crew size, day and traffic class of each drop, where they were worked out."""
    jobs = tables.jobs
    if jobs is None or jobs.empty:
        return
    jobs = jobs.drop_duplicates("address_id").set_index("address_id")
    jobs = jobs.reindex(tables.drops["address_id"])
    add_counts(blocks.shown, "drop.crew_size", jobs["crew_size"])
    for name in JOB_TEXTS:
        add_ids(blocks.shown, f"drop.{name}", jobs[name].astype("str"))
    for name in JOB_TOLD:
        add_texts(blocks.told, f"drop.{name}", jobs[name].astype("str"))


def _add_terminals(blocks: Blocks, terminals: gpd.GeoDataFrame) -> None:
    add_ids(blocks.shown, "terminal.id", terminals["terminal_id"])
    add_points(blocks.shown, "terminal", terminals.geometry.to_numpy(), blocks.grid)
    add_figures(blocks.shown, "terminal.fill", terminals["fill"], "share", blocks.units)
    for name in TERMINAL_COUNTS:
        add_counts(blocks.told, f"terminal.{name}", terminals[name])
    add_figures(
        blocks.told, "terminal.port_value_cost", terminals["port_value_cost"], "cost", blocks.units
    )
    add_texts(blocks.told, "terminal.port_value_basis", terminals["port_value_basis"])


def _add_hazards(
    blocks: Blocks, hazards: gpd.GeoDataFrame, crossings: gpd.GeoDataFrame, rows: pd.Index
) -> None:
    add_rows(blocks.shown, "flag.row", hazards["address_id"], rows, steps=True)
    blocks.shown.numbers("flag.severity", pd.Index(SEVERITIES).get_indexer(hazards["severity"]))
    add_ids(blocks.shown, "flag.code", hazards["code"])
    _add_flag_places(blocks, hazards, crossings, rows)
    for name in ("setting", "what", "remedy"):
        add_texts(blocks.told, f"flag.{name}", hazards[name])


def _add_flag_places(
    blocks: Blocks, hazards: pd.DataFrame, crossings: pd.DataFrame, rows: pd.Index
) -> None:
    """Add how far out each flag lies: as a crossing of its drop does, told by its number, or else.

    The distances of those that lie elsewhere follow in a column of their own.
    """
    at, has_at = scaled(hazards["at_m"], "length", blocks.units)
    crossed, has_crossed = scaled(crossings["at_m"], "length", blocks.units)
    of_crossing = rows.get_indexer(pd.Index(crossings["address_id"]))
    of_flag = rows.get_indexer(pd.Index(hazards["address_id"]))
    order = np.flatnonzero(has_crossed)
    known = pd.MultiIndex.from_arrays([of_crossing[order], crossed[order]])
    order, known = order[~known.duplicated()], known[~known.duplicated()]
    found = known.get_indexer(pd.MultiIndex.from_arrays([of_flag, at]))
    is_like = (found >= 0) & has_at
    first = np.searchsorted(of_crossing, of_flag)
    number = np.append(order, 0)[np.where(is_like, found, -1)] - first
    blocks.shown.numbers("flag.like", number, is_like)
    blocks.shown.numbers("flag.at_else", at[~is_like], has_at[~is_like])


def _add_crossings(blocks: Blocks, crossings: gpd.GeoDataFrame, rows: pd.Index) -> None:
    add_rows(blocks.shown, "crossing.row", crossings["address_id"], rows, steps=True)
    blocks.shown.numbers(
        "crossing.kind", pd.Index(CROSSINGS).get_indexer(crossings["crossing_kind"])
    )
    add_counts(blocks.shown, "crossing.near", crossings["is_near_miss"])
    add_figures(blocks.shown, "crossing.at", crossings["at_m"], "length", blocks.units)
    for name, quantity in CROSSING_FIGURES.items():
        add_figures(blocks.told, f"crossing.{_bare(name)}", crossings[name], quantity, blocks.units)
    at, _ = scaled(crossings["at_m"], "length", blocks.units)
    start, _ = scaled(crossings["start_m"], "length", blocks.units)
    for name, guess in (("start_m", at), ("end_m", 2 * at - start)):  # often as far off either way
        add_rest(
            blocks.told,
            f"crossing.{_bare(name)}_rest",
            crossings[name],
            "length",
            blocks.units,
            guess,
        )
    guess = available(crossings["required_m"], crossings["margin_m"], blocks.units)
    add_rest(
        blocks.told,
        "crossing.available_rest",
        crossings["available_m"],
        "length",
        blocks.units,
        guess,
    )
    for name in CROSSING_TEXTS:
        add_texts(blocks.told, f"crossing.{name}", crossings[name])


def _add_unserved(blocks: Blocks, unserved: gpd.GeoDataFrame, poles: gpd.GeoDataFrame) -> None:
    add_ids(blocks.shown, "unserved.id", unserved["address_id"])
    add_texts(blocks.shown, "unserved.label", unserved["label"], NAME_LETTERS)
    add_ids(blocks.shown, "unserved.code", unserved["code"])
    add_points(blocks.shown, "unserved", unserved.geometry.to_numpy(), blocks.grid)
    for name in ("reasons", "remedy"):
        add_texts(blocks.told, f"unserved.{name}", unserved[name])
    for name, quantity in UNSERVED_FIGURES.items():
        add_figures(blocks.told, f"unserved.{_bare(name)}", unserved[name], quantity, blocks.units)
    xy = blocks.grid.cells(
        np.column_stack([poles.geometry.x.to_numpy(), poles.geometry.y.to_numpy()])
    )
    for name in ("nearest_terminal_id", "new_terminal_pole_id"):
        add_ids(blocks.told, f"unserved.{name}", unserved[name])
        at = poles.index.get_indexer(pd.Index(unserved[name]))
        known = at >= 0
        for axis, letter in enumerate("xy"):
            place = xy[np.maximum(at, 0), axis] if len(xy) else np.zeros(len(at), dtype=np.int64)
            blocks.told.numbers(f"unserved.{name}.{letter}", place, known)


def _add_alternatives(blocks: Blocks, tables: PageTables, rows: pd.Index) -> None:
    told, frame = blocks.told, tables.alternatives
    add_rows(told, "other.row", frame["address_id"], rows, steps=False)
    add_counts(told, "other.rank", frame["rank"])
    told.numbers("other.kind", pd.Index(KINDS).get_indexer(frame["route_kind"]))
    for name in ("terminal_id", "access_pole_id"):
        add_ids(told, f"other.{name}", frame[name])
    add_counts(told, "other.street", frame["is_street_crossing"])
    for name, quantity in ALTERNATIVE_FIGURES.items():
        add_figures(told, f"other.{_bare(name)}", frame[name], quantity, blocks.units)
    lengths = drawn_lengths(frame.geometry.to_numpy(), blocks.grid, blocks.units)
    for name, guess in zip(("air_span_m", "strand_run_m", "clamp_at_m"), lengths, strict=True):
        add_rest(told, f"other.{_bare(name)}_rest", frame[name], "length", blocks.units, guess)
    is_extra = np.isfinite(frame["extra_cost"].to_numpy(dtype=np.float64))
    add_figures(told, "other.cost", frame["cost"].mask(is_extra), "cost", blocks.units)
    add_texts(told, "other.why_not", _without_extra(frame))


def _add_ways(blocks: Blocks, tables: PageTables, poles: gpd.GeoDataFrame) -> None:
    """Add the lines of other routes: most corners are poles, the last lies by the drop's end.

    A corner at a pole that the page shows is told by the pole's row, as the difference from the
    pole told before; the last corner by its distance from the address's place on the map; any other
    by its distance from the corner before, or for a first one from the page's origin.
    """
    told, grid, frame = blocks.told, blocks.grid, tables.alternatives
    shapes = frame.geometry.to_numpy()
    counts = shapely.get_num_coordinates(shapes)
    cells = grid.cells(shapely.get_coordinates(shapes))
    ends = np.cumsum(counts) - 1
    is_last, is_first = np.zeros((2, len(cells)), dtype=bool)
    is_last[ends], is_first[ends - counts + 1] = True, True
    rows = pd.Index([*tables.drops["address_id"], *tables.unserved["address_id"]])
    houses = shapely.get_point(tables.drops.geometry.to_numpy(), -1)
    places = np.concatenate([houses, tables.unserved.geometry.to_numpy()])
    own = grid.cells(shapely.get_coordinates(places))[rows.get_indexer(frame["address_id"])]
    known = _corner_index(grid.cells(shapely.get_coordinates(poles.geometry.to_numpy())))
    rows_of = np.append(np.flatnonzero(~known.duplicated()), -1)
    pole = rows_of[known[rows_of[:-1]].get_indexer(_corner_index(cells))]
    is_pole = (pole >= 0) & ~is_last
    steps = np.zeros(len(cells), dtype=np.int64)
    steps[is_pole] = np.diff(pole[is_pole], prepend=0)
    told.numbers("other.n", counts)
    told.numbers("other.pole", steps[~is_last], is_pole[~is_last])
    before = np.where(is_first[:, None], 0, np.roll(cells, 1, axis=0))
    rest = ~(is_pole | is_last)
    for axis, letter in enumerate("xy"):
        told.numbers(f"other.end_{letter}", cells[ends, axis] - own[:, axis])
        told.numbers(f"other.off_{letter}", (cells - before)[rest, axis])


def _corner_index(cells: IntArray) -> pd.MultiIndex:
    return pd.MultiIndex.from_arrays([cells[:, 0], cells[:, 1]])


def _without_extra(frame: pd.DataFrame) -> pd.Series:
    """Return why each route lost, without the difference in cost that its own column tells."""
    why = frame["why_not"].fillna("").astype("str")
    told = "costs " + frame["extra_cost"].map("{:.2f}".format).astype("str") + " more"
    is_told = np.array(
        [one.startswith(two) for one, two in zip(why, told, strict=True)], dtype=bool
    )
    rest = why.mask(is_told, why.str.replace(_COSTS, "", n=1, regex=True))
    return rest.str.removeprefix("; ")


def _bare(name: str) -> str:
    """Return a column's name without its SI unit: the block holds it in the reader's."""
    return name.removesuffix("_m").removesuffix("_n").removesuffix("_c").removesuffix("_deg")
