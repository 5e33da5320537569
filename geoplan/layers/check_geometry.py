"""Geometry of the wrong kind, broken or in parts: mended where that is safe, else refused.

Enters: arrays of geometries, 2D, in working coordinates.
Leaves: points, lines or polygons as the layer declares, and what was done to each row.
Does not do: name rows, set them aside or transform coordinates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import GeometryType

from geoplan.tables import GeometryKind

GeometryArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
TextArray = npt.NDArray[np.object_]

MIN_AREA_M2 = 1e-6
MIN_LENGTH_M = 1e-6
"""Below these a polygon or line has no extent: it is a square or a step of a millimetre."""
STRAIGHT_VERTICES = 2
MIN_STRIP_M = 0.01
MIN_STRIP_SHARE = 0.01
"""Shorter lines, in metres or in shares of their width, are left to the library to widen."""

REFUSED = {
    "geometry_missing": (
        "has no geometry, or coordinates that are not numbers",
        "Draw it, or correct its coordinates.",
    ),
    "geometry_empty": ("its geometry is empty", "Draw it."),
    "geometry_not_finite": (
        "has coordinates that are not finite numbers",
        "Correct its coordinates.",
    ),
    "geometry_off_earth": (
        "has coordinates outside what its CRS can hold",
        "Correct its coordinates, or set the layer's crs.",
    ),
    "geometry_wrong_type": ("its geometry is of the wrong type", "Bring the type that is named."),
    "geometry_no_area": ("its outline encloses no area", "Draw it again."),
    "geometry_no_length": ("its line has no length", "Draw it again."),
}
"""Code of each reason to set a row aside: what is wrong, and the remedy."""

WANTED = {
    "point": "a point is wanted",
    "line": "a line is wanted",
    "polygon": "a polygon is wanted",
    "line_or_polygon": "a line or a polygon is wanted",
}

_LINES = (GeometryType.LINESTRING, GeometryType.LINEARRING, GeometryType.MULTILINESTRING)
_POLYGONS = (GeometryType.POLYGON, GeometryType.MULTIPOLYGON)
_MULTI = (
    GeometryType.MULTIPOINT,
    GeometryType.MULTILINESTRING,
    GeometryType.MULTIPOLYGON,
    GeometryType.GEOMETRYCOLLECTION,
)


@dataclass(frozen=True)
class Shaped:
    """What became of each geometry."""

    geometry: GeometryArray
    refused: TextArray
    """A key of `REFUSED`, or an empty string."""
    mended: TextArray
    """What was wrong with a polygon that was mended, or an empty string."""
    was_polygon: BoolArray
    """Whether a point stands for a polygon."""
    area_m2: npt.NDArray[np.float64]
    """Area of that polygon; NaN elsewhere."""
    is_line: BoolArray
    """Whether it is a line now."""


def find_unusable(geometry: GeometryArray) -> TextArray:
    """Return why geometries as read cannot be used at all.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        As read; None allowed.

    Returns
    -------
    ndarray of str, shape (n,)
        ``geometry_missing``, ``geometry_empty``, ``geometry_not_finite`` or an empty string.
    """
    codes = np.full(len(geometry), "", dtype=object)
    codes[find_not_finite(geometry)] = "geometry_not_finite"
    codes[shapely.is_empty(geometry)] = "geometry_empty"
    codes[shapely.is_missing(geometry)] = "geometry_missing"
    return codes


def find_not_finite(geometry: GeometryArray) -> BoolArray:
    """Return which geometries hold a coordinate that is NaN or infinite.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        None allowed.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for those.
    """
    is_bad = np.zeros(len(geometry), dtype=bool)
    if np.isfinite(shapely.get_coordinates(geometry)).all():
        return is_bad
    coordinates, owner = shapely.get_coordinates(geometry, return_index=True)
    is_bad[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    return is_bad


def shape_geometry(geometry: GeometryArray, kind: GeometryKind) -> Shaped:
    """Bring geometries to the kind a layer declares.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        2D, finite, not empty, working coordinates.
    kind : {'point', 'line', 'polygon', 'line_or_polygon'}
        What the layer declares.

    Returns
    -------
    Shaped
        With refused rows named; a refused geometry is left as it came.

    Notes
    -----
    Points: a multipoint of one is its point; a polygon is represented by a point inside it.
    Lines: parts that meet end to end become one line; others stay together as a multi-line.
    Polygons: an outline that crosses itself is rebuilt from its rings, and what collapses to
    a line is dropped. A collection is reduced to its parts of the wanted kind.
    """
    shape = {
        "point": _points,
        "line": _lines,
        "polygon": _polygons,
        "line_or_polygon": _lines_or_polygons,
    }[kind]
    return shape(geometry)


def _blank(geometry: GeometryArray) -> dict[str, Any]:
    count = len(geometry)
    return {
        "geometry": geometry.copy(),
        "refused": np.full(count, "", dtype=object),
        "mended": np.full(count, "", dtype=object),
        "was_polygon": np.zeros(count, dtype=bool),
        "area_m2": np.full(count, np.nan),
        "is_line": np.zeros(count, dtype=bool),
    }


def _points(geometry: GeometryArray) -> Shaped:
    state = _blank(geometry)
    types = shapely.get_type_id(geometry)
    single = (types == GeometryType.MULTIPOINT) & (shapely.get_num_geometries(geometry) == 1)
    state["geometry"][single] = shapely.get_geometry(geometry[single], 0)
    is_polygon = np.isin(types, _POLYGONS)
    outlines = geometry.copy()
    outlines[is_polygon] = _mend(geometry[is_polygon])
    has_area = is_polygon & (shapely.area(outlines) > MIN_AREA_M2)
    state["geometry"][has_area] = shapely.point_on_surface(outlines[has_area])
    state["area_m2"][has_area] = shapely.area(outlines[has_area])
    state["was_polygon"] = has_area
    state["refused"][is_polygon & ~has_area] = "geometry_no_area"
    wrong = ~is_polygon & ~single & (types != GeometryType.POINT)
    state["refused"][wrong] = "geometry_wrong_type"
    return Shaped(**state)


def tree_stems(
    geometry: GeometryArray, was_polygon: BoolArray, stems: GeometryArray
) -> GeometryArray:
    """Return the middles of crowns that came as polygons.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        As they came.
    was_polygon : ndarray of bool, shape (n,)
        Rows that are crowns.
    stems : ndarray of points, shape (n,)
        Points from `shape_geometry`.

    Returns
    -------
    ndarray of points, shape (n,)
        The centroid for crowns, the given point elsewhere.
    """
    middles = stems.copy()
    middles[was_polygon] = shapely.centroid(geometry[was_polygon])
    return middles


def _lines(geometry: GeometryArray) -> Shaped:
    state = _blank(geometry)
    lines = _reduce(geometry, _LINES, shapely.multilinestrings)
    multi = shapely.get_type_id(lines) == GeometryType.MULTILINESTRING
    lines[multi] = shapely.line_merge(lines[multi])
    fits = np.isin(shapely.get_type_id(lines), _LINES)
    has_length = fits & (shapely.length(lines) > MIN_LENGTH_M)
    state["geometry"][has_length] = lines[has_length]
    state["is_line"] = has_length
    state["refused"][~fits] = "geometry_wrong_type"
    state["refused"][fits & ~has_length] = "geometry_no_length"
    return Shaped(**state)


def _polygons(geometry: GeometryArray) -> Shaped:
    state = _blank(geometry)
    outlines = _reduce(geometry, _POLYGONS, shapely.multipolygons)
    fits = np.isin(shapely.get_type_id(outlines), _POLYGONS)
    broken = fits & ~shapely.is_valid(outlines)
    state["mended"][broken] = shapely.is_valid_reason(outlines[broken])
    outlines[broken] = _reduce(_mend(outlines[broken]), _POLYGONS, shapely.multipolygons)
    has_area = fits & (shapely.area(outlines) > MIN_AREA_M2)
    is_multi = shapely.get_type_id(outlines) == GeometryType.MULTIPOLYGON
    single = has_area & is_multi & (shapely.get_num_geometries(outlines) == 1)
    outlines[single] = shapely.get_geometry(outlines[single], 0)
    state["geometry"][has_area] = outlines[has_area]
    state["mended"][~has_area] = ""
    state["refused"][~fits] = "geometry_wrong_type"
    state["refused"][fits & ~has_area] = "geometry_no_area"
    return Shaped(**state)


def _mend(outlines: GeometryArray) -> GeometryArray:
    """Rebuild broken polygons from their rings; parts that then share an edge are joined."""
    mended = shapely.make_valid(outlines, method="structure", keep_collapsed=False)
    left = ~shapely.is_valid(mended)
    mended[left] = shapely.union_all(mended[left][:, np.newaxis], axis=1)
    return np.asarray(mended)


def _lines_or_polygons(geometry: GeometryArray) -> Shaped:
    state = _blank(geometry)
    is_line = np.isin(shapely.get_type_id(geometry), _LINES)
    if is_line.all():
        return _lines(geometry)
    for mask, shape in ((is_line, _lines), (~is_line, _polygons)):
        shaped = shape(geometry[mask])
        for name in state:
            state[name][mask] = getattr(shaped, name)
    return Shaped(**state)


def _reduce(
    geometry: GeometryArray,
    types: tuple[GeometryType, ...],
    assemble: Callable[..., Any],
) -> GeometryArray:
    """Replace collections by their parts of the wanted types, where they have any."""
    reduced = geometry.copy()
    mixed = np.flatnonzero(shapely.get_type_id(geometry) == GeometryType.GEOMETRYCOLLECTION)
    if not len(mixed):
        return reduced
    parts, owner = shapely.get_parts(geometry[mixed], return_index=True)
    parts, inner = shapely.get_parts(parts, return_index=True)  # a part may be multi itself
    owner = owner[inner]
    wanted = np.isin(shapely.get_type_id(parts), types) & ~shapely.is_empty(parts)
    if wanted.any():
        owners, packed = np.unique(owner[wanted], return_inverse=True)
        reduced[mixed[owners]] = assemble(parts[wanted], indices=packed)
    return reduced


def widen_lines(
    geometry: GeometryArray, width_m: npt.NDArray[np.float64], is_line: BoolArray
) -> GeometryArray:
    """Return lines as strips of their width, polygons as they are.

    Parameters
    ----------
    geometry : ndarray of lines and polygons, shape (n,)
        Working coordinates, m.
    width_m : ndarray of float64, shape (n,)
        Whole width of the strip, m, > 0 for lines.
    is_line : ndarray of bool, shape (n,)
        Rows to widen.

    Returns
    -------
    ndarray of polygons, shape (n,)
        Strips end square at the line's ends and keep their corners sharp.

    Notes
    -----
    Lines of two vertices, by far the most, are widened by arithmetic; it gives the corners,
    and their order, that a buffer would.
    """
    widened = geometry.copy()
    half = width_m / 2.0
    straight = is_line & (shapely.get_type_id(geometry) == GeometryType.LINESTRING)
    straight &= shapely.get_num_coordinates(geometry) == STRAIGHT_VERTICES
    straight &= shapely.length(geometry) > np.maximum(half * MIN_STRIP_SHARE, MIN_STRIP_M)
    widened[straight] = _strips(geometry[straight], half[straight])
    other = is_line & ~straight
    widened[other] = shapely.buffer(
        geometry[other], half[other], cap_style="flat", join_style="mitre"
    )
    return widened


def _strips(lines: GeometryArray, half_m: npt.NDArray[np.float64]) -> GeometryArray:
    """Return rectangles along lines of two vertices, clockwise from the left of their ends."""
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    along = ends[:, 1] - ends[:, 0]
    length = np.sqrt(along[:, 0] * along[:, 0] + along[:, 1] * along[:, 1])
    step = half_m[:, np.newaxis] * along / length[:, np.newaxis]
    left = np.stack([-step[:, 1], step[:, 0]], axis=1)
    start, end = ends[:, 0], ends[:, 1]
    ring = [end + left, end - left, start - left, start + left, end + left]
    strips: GeometryArray = np.asarray(shapely.polygons(np.stack(ring, axis=1)), dtype=object)
    return strips


def split_parts(
    geometry: GeometryArray, ids: npt.NDArray[Any]
) -> tuple[GeometryArray, npt.NDArray[Any], npt.NDArray[np.intp], BoolArray]:
    """Split geometries of several parts into one row each.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        Lines or polygons, single or multi.
    ids : ndarray of str, shape (n,)
        Unique.

    Returns
    -------
    geometry : ndarray of shapely geometries, shape (m,)
        Single parts.
    ids : ndarray of str, shape (m,)
        The row's own id where it has one part, else ``id#1``, ``id#2`` from west to east.
    owner : ndarray of intp, shape (m,)
        Position of the row each part came from.
    is_split : ndarray of bool, shape (n,)
        Rows that were split.

    Notes
    -----
    Where such an id is taken already, more ``#`` signs are set.
    """
    if not np.isin(shapely.get_type_id(geometry), _MULTI).any():
        every = np.arange(len(geometry), dtype=np.intp)
        return geometry, np.asarray(ids, dtype=object), every, np.zeros(len(every), dtype=bool)
    parts, owner = shapely.get_parts(geometry, return_index=True)
    bounds = np.round(shapely.bounds(parts), 3)
    order = np.lexsort((shapely.length(parts), *bounds.T[::-1], owner))
    parts, owner = parts[order], owner[order]
    count = np.bincount(owner, minlength=len(geometry))
    starts = np.cumsum(count) - count
    number = np.arange(len(parts)) - starts[owner] + 1
    is_split = count > 1
    named = np.asarray(ids, dtype=object)[owner]
    several = is_split[owner]
    sign, taken = "#", set(ids)
    suffix = number[several].astype(str).astype(object)
    while not taken.isdisjoint(named[several] + sign + suffix):
        sign += "#"
    named[several] = named[several] + sign + suffix
    return parts, named, owner, is_split
