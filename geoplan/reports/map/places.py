"""Shapes as whole numbers on a fine grid of the web's usual map projection.

Enters: geometries in the working CRS.
Leaves: columns of a `Pack`: points, lines, rings.
Does not do: draw.

The grid divides the square world of the spherical Mercator projection into 2^32 by 2^32 cells: just
under a centimetre at the equator, less elsewhere. Places are told from a corner of the plan. The
projection takes the ellipsoid for a sphere, so what is drawn to scale (widths of roads, crowns of
trees, the scale bar) may be off by 0.7 %; figures of the plan have nothing to do with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Transformer

from geoplan.reports.map.pack import IntArray, Pack
from geoplan.units import FloatArray

if TYPE_CHECKING:
    from geoplan.model import CrsReport

ShapeArray = npt.NDArray[np.object_]

WORLD = 2.0**32
EARTH_M = 2.0 * math.pi * 6378137.0
"""Equator of the WGS 84 ellipsoid's semi-major axis, by definition of the projection."""

LEAST_STEP_M = 0.01

COARSE = 4
"""Cells to a step of the surroundings: a pixel at the greatest zoom, some 3 cm."""


@dataclass(frozen=True)
class Grid:
    """The grid of one page: its origin in cells of the world, and cells per metre there."""

    x: int
    y: int
    cells_per_m: float
    transformer: Transformer
    unit_to_metre: float

    def cells(self, xy: FloatArray) -> IntArray:
        """Return cells from the origin of working coordinates, shape (n, 2); y grows southward."""
        scaled = xy if self.unit_to_metre == 1.0 else xy / self.unit_to_metre
        x, y = world_cells(*self.transformer.transform(scaled[:, 0], scaled[:, 1]))
        return np.column_stack([x - self.x, y - self.y])


def world_cells(longitude: FloatArray, latitude: FloatArray) -> tuple[IntArray, IntArray]:
    """Return the cells of places in degrees.

    Parameters
    ----------
    longitude, latitude : ndarray of float64, shape (n,)
        Degrees, WGS 84; latitude within 85 degrees of the equator.

    Returns
    -------
    x, y : ndarray of int64, shape (n,)
        From the corner at 180 degrees west, 85.05 degrees north.
    """
    angle = np.radians(np.clip(latitude, -85.0, 85.0))
    x = (np.asarray(longitude) + 180.0) / 360.0
    y = 0.5 - np.arcsinh(np.tan(angle)) / (2.0 * np.pi)
    return np.rint(x * WORLD).astype(np.int64), np.rint(y * WORLD).astype(np.int64)


def degrees(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return longitude and latitude of cells, the inverse of `world_cells`."""
    longitude = np.asarray(x, dtype=np.float64) / WORLD * 360.0 - 180.0
    turn = (0.5 - np.asarray(y, dtype=np.float64) / WORLD) * 2.0 * np.pi
    return longitude, np.degrees(np.arctan(np.sinh(turn)))


def make_grid(crs: CrsReport, bounds: FloatArray | None) -> Grid:
    """Return the grid of a page.

    Parameters
    ----------
    crs : CrsReport
        CRS of the plan.
    bounds : ndarray of float64, shape (4,), optional
        West, south, east, north of what is shown, working coordinates; None: nothing is.

    Returns
    -------
    Grid
        With its origin at the north-west corner.
    """
    transformer = Transformer.from_crs(crs.project_crs, "EPSG:4326", always_xy=True)
    whole = Grid(0, 0, WORLD / EARTH_M, transformer, crs.unit_to_metre)
    if bounds is None:
        return whole
    west, south, east, north = bounds
    corners = whole.cells(np.array([[west, north], [east, south], [west, south], [east, north]]))
    x, y = (int(value) for value in corners.min(axis=0))
    _, latitude = degrees(0.0, (corners[:, 1].min() + corners[:, 1].max()) / 2.0)
    scale = WORLD / EARTH_M / math.cos(math.radians(float(latitude)))
    return Grid(x, y, scale, transformer, crs.unit_to_metre)


def piece_lengths(cells: IntArray) -> FloatArray:
    """Return the length of the piece that ends at each corner, in cells; 0 for the very first.

    Notes
    -----
    The root of a sum of squares of whole numbers below 2**53: the page's script gets the same
    number to the last bit.
    """
    step = np.diff(cells, axis=0, prepend=cells[:1]).astype(np.float64)
    return np.sqrt(step[:, 0] ** 2 + step[:, 1] ** 2)


def add_points(pack: Pack, name: str, shapes: ShapeArray, grid: Grid) -> None:
    """Add the columns ``name.x`` and ``name.y``; each shape is a point."""
    cells = grid.cells(shapely.get_coordinates(shapes))
    pack.numbers(f"{name}.x", cells[:, 0], steps=True)
    pack.numbers(f"{name}.y", cells[:, 1], steps=True)


def add_lines(pack: Pack, name: str, shapes: ShapeArray, grid: Grid) -> None:
    """Add ``name.x``, ``name.y`` of all corners and ``name.n``, the corners of each line."""
    _add_corners(pack, name, grid.cells(shapely.get_coordinates(shapes)), shapes)


def add_coarse_points(pack: Pack, name: str, shapes: ShapeArray, grid: Grid) -> None:
    """Add points as in `add_points`, their places divided by `COARSE`."""
    cells = coarse(grid.cells(shapely.get_coordinates(shapes)))
    pack.numbers(f"{name}.x", cells[:, 0], steps=True)
    pack.numbers(f"{name}.y", cells[:, 1], steps=True)


def coarse(cells: IntArray) -> IntArray:
    """Return cells divided by `COARSE` and rounded."""
    return np.rint(cells / COARSE).astype(np.int64)


def add_rings(pack: Pack, name: str, shapes: ShapeArray, grid: Grid) -> None:
    """Add the rings of polygons as in `add_lines`, holes turning the other way.

    The last corner of a ring, which is its first one, is left out, and places are divided by
    `COARSE`.
    """
    parts = shapely.get_parts(shapes)
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    rings = shapely.get_rings(shapely.orient_polygons(parts))
    counts = shapely.get_num_coordinates(rings)
    cells = coarse(grid.cells(shapely.get_coordinates(rings)))
    keep = np.ones(len(cells), dtype=bool)
    keep[np.cumsum(counts) - 1] = False
    pack.numbers(f"{name}.n", counts - 1)
    pack.numbers(f"{name}.x", cells[keep, 0], steps=True)
    pack.numbers(f"{name}.y", cells[keep, 1], steps=True)


def _add_corners(pack: Pack, name: str, cells: IntArray, shapes: ShapeArray) -> None:
    pack.numbers(f"{name}.n", shapely.get_num_coordinates(shapes))
    pack.numbers(f"{name}.x", cells[:, 0], steps=True)
    pack.numbers(f"{name}.y", cells[:, 1], steps=True)


def line_parts(shapes: ShapeArray) -> tuple[ShapeArray, IntArray]:
    """Return the single lines of lines in parts, and the row that each is of."""
    parts, rows = shapely.get_parts(shapes, return_index=True)
    keep = np.isin(
        shapely.get_type_id(parts),
        (shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING),
    )
    return parts[keep], rows[keep].astype(np.int64)
