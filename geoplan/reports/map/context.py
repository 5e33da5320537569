"""What the plan lies in: lots, roads, buildings, plant, as packed columns.

Enters: the checked layers of a plan.
Leaves: columns of a `Pack`, layer by layer.
Does not do: style.

Roads are lines with their width and trees points with their crown's radius: the page draws both to
scale, which takes fewer figures than their outlines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from geoplan.reports.map.figures import add_figures, add_ids, add_texts
from geoplan.reports.map.pack import Pack
from geoplan.reports.map.places import (
    Grid,
    ShapeArray,
    add_coarse_points,
    add_lines,
    add_points,
    add_rings,
    line_parts,
)
from geoplan.units import FloatArray, ReportUnits

if TYPE_CHECKING:
    from geoplan.model import Layers

CONTEXT_M = 150.0
"""Lots, roads and the like farther than this from every address are left out of the page."""

AREAS = ("parcels", "water", "sidewalks", "driveways", "buildings", "pools")
LINES = ("roads", "rail", "power", "spans", "existing_drops")
POINTS = ("trees", "poles")

NAME_LETTERS = 120
CENTIMETRES = 100.0


@dataclass(frozen=True)
class Context:
    """Layers cut down to what stands near the addresses of a page."""

    frames: dict[str, gpd.GeoDataFrame]
    left_out: int


def drawable(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the rows that have a geometry."""
    shapes = frame.geometry
    return frame[~(shapes.isna() | shapes.is_empty)]


def pick_context(layers: Layers, places: ShapeArray) -> Context:
    """Pick what stands near some places, and count what is left out.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    places : ndarray of shapely.Point, shape (n,)
        Addresses of the page.

    Returns
    -------
    Context
        Frames sorted by id.
    """
    tree = shapely.STRtree(places)
    near, left_out = {}, 0
    for name in (*AREAS, *LINES, *POINTS):
        frame = drawable(getattr(layers, name).sort_index())
        hits = (
            tree.query_nearest(frame.geometry.array, max_distance=CONTEXT_M, all_matches=False)
            if len(places)
            else np.zeros((2, 0), dtype=np.int64)
        )
        near[name] = frame.iloc[np.unique(hits[0])]
        left_out += len(frame) - len(near[name])
    return Context(near, left_out)


def add_context(pack: Pack, context: Context, grid: Grid, units: ReportUnits) -> None:
    """Add all context layers to a block.

    Parameters
    ----------
    pack : Pack
        The block.
    context : Context
        Layers near the addresses.
    grid : Grid
        Of the page.
    units : {'us', 'metric'}
        Units of the report.
    """
    for name in AREAS:
        add_rings(pack, name, context.frames[name].geometry.to_numpy(), grid)
    for name in LINES:
        frame = context.frames[name]
        parts, rows = line_parts(frame.geometry.to_numpy())
        add_lines(pack, name, parts, grid)
        parted = frame.iloc[rows]
        if name == "roads":
            named = parted["name"].where(parted["name"].notna(), parted.index.to_series())
            add_texts(pack, "roads.name", named, NAME_LETTERS)
            _add_widths(pack, "roads.width", parted["width_m"].to_numpy(dtype=np.float64))
    trees, poles = context.frames["trees"], context.frames["poles"]
    add_coarse_points(pack, "trees", trees.geometry.to_numpy(), grid)
    _add_widths(pack, "trees.radius", trees["crown_radius_m"].to_numpy(dtype=np.float64))
    add_points(pack, "poles", poles.geometry.to_numpy(), grid)
    add_ids(pack, "poles.id", poles.index.to_series())
    add_figures(pack, "poles.height", poles["height_m"], "length", units)


def _add_widths(pack: Pack, name: str, metres: FloatArray) -> None:
    """Add widths in centimetres, unknown where they are not known or none."""
    known = np.isfinite(metres) & (metres > 0.0)
    pack.numbers(name, np.rint(np.where(known, metres, 0.0) * CENTIMETRES), known)
