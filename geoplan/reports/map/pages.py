"""The blocks of each page of a map: all of the plan, or one area of it, and the index over areas.

Enters: a `Plan`.
Leaves: `PageBlocks`, one per page.
Does not do: HTML.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.hanging import LADDER_WORDS
from geoplan.reports.caution import CAUTION
from geoplan.reports.clearances import LADDER_ALLOWED, clearance_counts, describe_rules
from geoplan.reports.frames import cut, declared_frame, storable
from geoplan.reports.map.areas import split_areas
from geoplan.reports.map.context import CONTEXT_M, add_context, drawable, pick_context
from geoplan.reports.map.figures import add_ids, add_texts, unit_words
from geoplan.reports.map.lengths import figures_per_cell, lengths_per_sag
from geoplan.reports.map.pack import IntArray, Pack
from geoplan.reports.map.places import COARSE, Grid, make_grid
from geoplan.reports.map.set_aside import add_set_aside, placed_rows
from geoplan.reports.map.tables import (
    CROSSINGS,
    KINDS,
    NAME_LETTERS,
    SEVERITIES,
    Blocks,
    PageTables,
    add_tables,
)
from geoplan.reports.palette import FILL_BANDS, ROUTE_STYLE, SEVERITY_STYLE
from geoplan.reports.sheet_names import sheet_file_name
from geoplan.reports.summary import counts
from geoplan.units import FloatArray, ReportUnits, say

if TYPE_CHECKING:
    from geoplan.model import Plan

AREA_FOLDER = "map"
INDEX_FILE = "map.html"
_BY_ADDRESS = ("hazards", "crossings", "alternatives")


@dataclass(frozen=True)
class PageBlocks:
    """One page: its file, its title, and its blocks as text."""

    file: str
    title: str
    shown: str
    told: str
    is_index: bool = False


@dataclass(frozen=True)
class _Whole:
    """All of a plan, ready to be cut: tables with geometry, places of rows, areas."""

    plan: Plan
    tables: dict[str, Any]
    row_xy: FloatArray
    """Drops at the house, then unserved addresses."""
    bounds: FloatArray | None
    aside: pd.DataFrame
    aside_xy: FloatArray
    aside_left_out: int
    sheets: bool


def plan_pages(
    plan: Plan, *, sheets: bool = False, most_drops: int | None = None
) -> Iterator[PageBlocks]:
    """Make the blocks of all pages of a plan.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    sheets : bool
        Whether a job sheet of each drop was written to ``sheets`` beside the map.
    most_drops : int, optional
        Most addresses on one page; as the project says unless given.

    Yields
    ------
    PageBlocks
        One page if that is enough, else the index and then a page per area.
    """
    whole = _whole(plan, sheets=sheets)
    most = plan.project.map.max_drops_per_page if most_drops is None else most_drops
    if len(whole.row_xy) <= most:
        yield _page(whole, np.arange(len(whole.row_xy)), None)
        return
    area = split_areas(whole.row_xy, most)
    names = [f"area-{number + 1:03d}.html" for number in range(int(area.max()) + 1)]
    yield _index(whole, area, names)
    for number, name in enumerate(names):
        yield _page(whole, np.flatnonzero(area == number), (number, name, len(names)))


def _whole(plan: Plan, *, sheets: bool) -> _Whole:
    names = ("drops", "hazards", "crossings", "unserved", "terminals", "alternatives")
    tables: dict[str, Any] = {name: drawable(declared_frame(plan, name)) for name in names}
    tables["air_spans"] = declared_frame(plan, "air_spans").drop(columns="geometry")
    jobs = getattr(plan, "jobs", None)
    tables["jobs"] = None if jobs is None or jobs.empty else declared_frame(plan, "jobs")
    ends = shapely.get_coordinates(shapely.get_point(tables["drops"].geometry.to_numpy(), -1))
    points = shapely.get_coordinates(tables["unserved"].geometry.to_numpy())
    row_xy = np.concatenate([ends, points])
    shown = [tables[name].geometry.to_numpy() for name in ("drops", "unserved", "terminals")]
    shapes = np.concatenate(shown)
    if not len(shapes):
        shapes = drawable(plan.layers.addresses).geometry.to_numpy()
    bounds = shapely.total_bounds(shapes) if len(shapes) else None
    aside, aside_xy, left_out = placed_rows(plan, bounds)
    return _Whole(plan, tables, row_xy, bounds, aside, aside_xy, left_out, sheets)


def _page(whole: _Whole, rows: IntArray, area: tuple[int, str, int] | None) -> PageBlocks:
    """Make the page of some rows; `area` is its number, its file and how many there are."""
    plan, units = whole.plan, whole.plan.project.units
    tables = _cut(whole, rows)
    xy = whole.row_xy[rows]
    bounds = whole.bounds
    if area is not None:
        shapes = [tables.drops.geometry.to_numpy(), tables.unserved.geometry.to_numpy()]
        bounds = shapely.total_bounds(np.concatenate(shapes))
    grid = make_grid(plan.layers.crs, bounds)
    blocks = Blocks(Pack(), Pack(), grid, units)
    places = shapely.points(xy)
    if area is None:  # an address that was neither planned nor refused can't be; lots may be all
        places = drawable(plan.layers.addresses).geometry.to_numpy()
    context = pick_context(plan.layers, places)
    add_tables(blocks, tables, plan.layers.poles, context.frames["poles"].index)
    add_context(blocks.shown, context, grid, units)
    aside, aside_xy = _aside_of(whole, rows, area)
    add_set_aside(blocks.shown, aside, aside_xy, grid)
    title = storable(plan.project.name)
    left_out = context.left_out if area is None else 0
    _add_values(blocks.shown, whole, grid, bounds, left_out)
    if area is None:
        return PageBlocks(INDEX_FILE, title, blocks.shown.text(), blocks.told.text())
    number, name, total = area
    blocks.shown.value("area", {"number": number + 1, "of": total, "index": f"../{INDEX_FILE}"})
    title = f"{title}, area {number + 1} of {total}"
    file = f"{AREA_FOLDER}/{name}"
    return PageBlocks(file, title, blocks.shown.text(), blocks.told.text())


def _cut(whole: _Whole, rows: IntArray) -> PageTables:
    """Cut the tables down to some rows; the same tables where these are all."""
    tables = whole.tables
    drop_count = len(tables["drops"])
    drops = tables["drops"].iloc[rows[rows < drop_count]]
    unserved = tables["unserved"].iloc[rows[rows >= drop_count] - drop_count]
    planned = pd.Index(drops["address_id"])
    all_rows = planned.append(pd.Index(unserved["address_id"]))
    parts = {}
    for name in _BY_ADDRESS:
        of = all_rows if name == "alternatives" else planned
        parts[name] = tables[name][of.get_indexer(pd.Index(tables[name]["address_id"])) >= 0]
    terminals = tables["terminals"]
    if len(all_rows) < len(whole.row_xy):
        wanted = pd.concat(
            [
                drops["terminal_id"],
                unserved["nearest_terminal_id"],
                parts["alternatives"]["terminal_id"],
            ]
        )
        terminals = terminals[terminals["terminal_id"].isin(wanted)]
    names = drops["address_id"].map(sheet_file_name) if whole.sheets else None
    return PageTables(
        drops=drops,
        unserved=unserved,
        terminals=terminals,
        air_spans=tables["air_spans"],
        jobs=tables["jobs"],
        sheets=names,
        **parts,
    )


def _aside_of(
    whole: _Whole, rows: IntArray, area: tuple[int, str, int] | None
) -> tuple[pd.DataFrame, FloatArray]:
    """Return the rows set aside that belong to a page: with the address nearest to them."""
    if area is None:
        return whole.aside, whole.aside_xy
    known = np.flatnonzero(np.isfinite(whole.aside_xy).all(axis=1))
    tree = shapely.STRtree(shapely.points(whole.row_xy))
    nearest = tree.nearest(shapely.points(whole.aside_xy[known]))
    own = known[np.isin(nearest, rows)]
    return whole.aside.iloc[own], whole.aside_xy[own]


def _add_values(
    pack: Pack, whole: _Whole, grid: Grid, bounds: FloatArray | None, left_out: int
) -> None:
    """Add the plain values that every page needs: words, looks, notes, where it lies."""
    plan = whole.plan
    tiles = plan.project.map
    pack.value("name", storable(plan.project.name))
    pack.value("system", plan.project.units)
    pack.value("units", unit_words(plan.project.units))
    pack.value("origin", [grid.x, grid.y])
    pack.value("cells_per_m", grid.cells_per_m)
    pack.value("coarse", COARSE)
    pack.value("lengths_per_cell", figures_per_cell(grid, plan.project.units))
    pack.value("lengths_per_sag", lengths_per_sag(plan.project.units))
    pack.value("bounds", None if bounds is None else _cell_bounds(grid, bounds))
    pack.value("caution", list(CAUTION))
    pack.value("notes", _notes(whole, left_out))
    pack.value("look", _look())
    pack.value("ladder", {**LADDER_WORDS, LADDER_ALLOWED: ""})
    pack.value("margin_asked", _figure(plan.project.heights.clearance_margin, plan.project.units))
    pack.value("alternatives", plan.project.choice.alternatives)
    pack.value("sheets", whole.sheets)
    if tiles.base_map_url:
        pack.value("base_map", {"url": tiles.base_map_url, "credit": tiles.base_map_credit})


def _figure(metres: float, units: ReportUnits) -> str:
    return say(metres, "sag", units)


def _cell_bounds(grid: Grid, bounds: FloatArray) -> list[int]:
    west, south, east, north = bounds
    corners = grid.cells(np.array([[west, north], [east, south], [west, south], [east, north]]))
    return [*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist()]


def _look() -> dict[str, Any]:
    """Return the words and styles of what is told apart."""
    return {
        "kinds": [
            {
                "key": kind.value,
                "label": style.label,
                "color": style.color,
                "width": style.width,
                "dashes": list(style.dashes),
            }
            for kind, style in ROUTE_STYLE.items()
        ],
        "severities": [
            {
                "key": key,
                "label": SEVERITY_STYLE[key].label,
                "color": SEVERITY_STYLE[key].color,
                "shape": SEVERITY_STYLE[key].shape,
            }
            for key in SEVERITY_STYLE
        ],
        "severity_order": SEVERITIES,
        "kind_order": KINDS,
        "crossings": CROSSINGS,
        "fills": [
            {"key": band.key, "label": band.label, "from": band.lower, "color": band.color}
            for band in FILL_BANDS
        ],
    }


def _notes(whole: _Whole, left_out: int) -> list[str]:
    plan = whole.plan
    count, hanging = counts(plan), clearance_counts(plan)
    notes = [
        f"{count['served']} served, {count['unserved']} unserved,"
        f" {count['addresses_set_aside']} addresses set aside"
        f" ({len(plan.set_aside)} rows of all layers, see set_aside.csv).",
        f"Raised hooks: {hanging.raised_hooks}; raised attachments: {hanging.raised_attachments};"
        f" bucket jobs: {hanging.bucket_jobs}; routes changed by clearance:"
        f" {hanging.routes_changed}.",
        describe_rules(plan),
        "North is up.",
    ]
    if left_out:
        far = say(CONTEXT_M, "length", plan.project.units)
        notes.append(f"{left_out} features farther than {far} from every address are not drawn.")
    if whole.aside_left_out:
        notes.append(
            f"{whole.aside_left_out} rows that were set aside are not listed here:"
            " see set_aside.csv."
        )
    return notes + [cut(sentence) for sentence in plan.unchecked]


def _index(whole: _Whole, area: IntArray, names: list[str]) -> PageBlocks:
    """Make the index: an outline and counts of each area, and where each name is found."""
    plan = whole.plan
    grid = make_grid(plan.layers.crs, whole.bounds)
    pack = Pack()
    drops, unserved = whole.tables["drops"], whole.tables["unserved"]
    label = pd.concat([drops["label"], unserved["label"]], ignore_index=True)
    ids = pd.concat([drops["address_id"], unserved["address_id"]], ignore_index=True)
    cells = grid.cells(whole.row_xy)
    add_ids(pack, "row.id", ids)
    add_texts(pack, "row.label", label, NAME_LETTERS)
    pack.numbers("row.area", area)
    pack.numbers("row.x", cells[:, 0], steps=True)
    pack.numbers("row.y", cells[:, 1], steps=True)
    pack.value("drop_count", len(drops))
    tree = shapely.STRtree(shapely.points(whole.row_xy))
    _add_named(pack, grid, tree, area, "pole", plan.layers.poles.sort_index())
    roads = drawable(plan.layers.roads.sort_index())
    roads = roads[roads["name"].notna()]
    middle = roads.set_geometry(roads.geometry.interpolate(0.5, normalized=True))
    _add_named(pack, grid, tree, area, "road", middle.set_index("name"))
    served = np.bincount(area[: len(drops)], minlength=len(names))
    left = np.bincount(area[len(drops) :], minlength=len(names))
    pack.value(
        "areas",
        [
            {
                "file": f"{AREA_FOLDER}/{name}",
                "served": int(served[number]),
                "unserved": int(left[number]),
                "box": [
                    *cells[area == number].min(axis=0).tolist(),
                    *cells[area == number].max(axis=0).tolist(),
                ],
            }
            for number, name in enumerate(names)
        ],
    )
    _add_values(pack, whole, grid, whole.bounds, 0)
    title = storable(plan.project.name)
    return PageBlocks(INDEX_FILE, title, pack.text(), Pack().text(), is_index=True)


def _add_named(
    pack: Pack,
    grid: Grid,
    tree: shapely.STRtree,
    area: IntArray,
    name: str,
    frame: gpd.GeoDataFrame,
) -> None:
    """Add names with the area of the address nearest to each; far ones are on no page."""
    shapes = frame.geometry.to_numpy()
    (own, nearest) = tree.query_nearest(shapes, max_distance=CONTEXT_M, all_matches=False)
    names = frame.index.to_series().iloc[own]
    if name == "road":
        add_texts(pack, "road.id", names, NAME_LETTERS)
    else:
        add_ids(pack, f"{name}.id", names)
    pack.numbers(f"{name}.area", area[nearest])
    cells = grid.cells(shapely.get_coordinates(shapes[own]))
    pack.numbers(f"{name}.x", cells[:, 0], steps=True)
    pack.numbers(f"{name}.y", cells[:, 1], steps=True)
