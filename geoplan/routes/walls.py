"""Premises attachments: points on a building's outer wall that a span can reach freely.

Enters: building outlines; pairs of a source (pole or clamp) and a building.
Leaves: for each pair an attachment point, its angle to the wall, and whether it is a corner.
Does not do: heights; judge what the span meets on its way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.routes.segments import FloatArray, IntArray, expand, point_distance, polygon_intervals

CORNER_WITHIN_M = 0.05
"""An attachment nearer to a corner than this counts as on the corner."""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Walls:
    """Outer walls of all buildings, one row per face, counter-clockwise.

    ``first[b]:first[b + 1]`` are the faces of building ``b``.
    """

    face: FloatArray
    normal: FloatArray
    first: IntArray


@dataclass(frozen=True)
class WallPoints:
    """Attachment points, one per pair that was asked for."""

    pair: IntArray
    x: FloatArray
    y: FloatArray
    angle_deg: FloatArray
    is_corner: BoolArray
    distance_m: FloatArray


def build_walls(polygons: npt.NDArray[np.object_]) -> Walls:
    """Take the outer walls of building outlines.

    Parameters
    ----------
    polygons : ndarray of shapely Polygon, shape (b,)
        Valid outlines in metres.

    Returns
    -------
    Walls
        Faces with outward normals; faces without length are left out.
    """
    rings = shapely.get_exterior_ring(shapely.normalize(polygons))
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    if len(coordinates) == 0:
        empty = np.zeros((0, 4))
        return Walls(empty, empty[:, :2], np.zeros(len(polygons) + 1, dtype=np.int64))
    clockwise = ~shapely.is_ccw(rings)
    same = ring[1:] == ring[:-1]
    face = np.concatenate([coordinates[:-1], coordinates[1:]], axis=1)[same]
    owner = ring[1:][same]
    flip = clockwise[owner]
    face[flip] = face[flip][:, [2, 3, 0, 1]]
    dx, dy = face[:, 2] - face[:, 0], face[:, 3] - face[:, 1]
    length = np.hypot(dx, dy)
    keep = length > 1e-6
    face, owner, dx, dy, length = face[keep], owner[keep], dx[keep], dy[keep], length[keep]
    normal = np.stack([dy / length, -dx / length], axis=1)
    first = np.searchsorted(owner, np.arange(len(polygons) + 1)).astype(np.int64)
    return Walls(face, normal, first)


def _feet(
    walls: Walls, building: IntArray, sx: FloatArray, sy: FloatArray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray, FloatArray, FloatArray, BoolArray]:
    """Return, for each pair and face, the face's nearest point to the source."""
    pair, rank = expand(walls.first[building + 1] - walls.first[building])
    number = walls.first[building][pair] + rank
    face, normal = walls.face[number], walls.normal[number]
    distance, u = point_distance(sx[pair], sy[pair], face)
    x = face[:, 0] + u * (face[:, 2] - face[:, 0])
    y = face[:, 1] + u * (face[:, 3] - face[:, 1])
    safe = np.where(distance > 0, distance, 1.0)
    sine = ((sx[pair] - x) * normal[:, 0] + (sy[pair] - y) * normal[:, 1]) / safe
    length = np.hypot(face[:, 2] - face[:, 0], face[:, 3] - face[:, 1])
    corner = np.minimum(u, 1 - u) * length <= CORNER_WITHIN_M
    return pair, number, x, y, distance, sine, corner


def nearest_wall_points(
    walls: Walls, building: IntArray, sx: FloatArray, sy: FloatArray
) -> WallPoints:
    """Find the point of each building's outer wall that is nearest to the source.

    Parameters
    ----------
    walls : Walls
        Faces of all buildings.
    building : ndarray of int64, shape (n,)
        Building of each pair.
    sx, sy : ndarray of float64, shape (n,)
        Sources in metres.

    Returns
    -------
    WallPoints
        One row per pair whose source lies outside its building, sorted by pair. The straight
        line to the nearest point never passes through the building, whatever its shape.
    """
    pair, _, x, y, distance, sine, corner = _feet(walls, building, sx, sy)
    pick = _nearest(pair, np.round(distance, 7), (-sine, x, y))
    pick = pick[(sine[pick] > 1e-9) & (distance[pick] > 1e-6)]
    return _points(pick, pair, x, y, distance, sine, corner)


def _nearest(pair: IntArray, distance: FloatArray, otherwise: tuple[FloatArray, ...]) -> IntArray:
    """Return the row of least distance of each pair, rows sorted by pair; else by other columns."""
    start = np.flatnonzero(_leads(pair))
    if len(start) == 0:
        return start.astype(np.int64)
    size = np.diff(start, append=len(pair))
    least = np.repeat(np.minimum.reduceat(distance, start), size)
    best = np.flatnonzero(distance == least)
    lead = _leads(pair[best])
    tied = ~lead
    tied[:-1] |= ~lead[1:]
    some = best[tied]
    columns = tuple(column[some] for column in (*otherwise[::-1], pair))
    best[tied] = some[np.lexsort(columns)]
    return np.asarray(best[lead], dtype=np.int64)


def _leads(values: IntArray) -> BoolArray:
    """Tell which values differ from the one before."""
    lead = np.ones(len(values), dtype=bool)
    lead[1:] = values[1:] != values[:-1]
    return lead


def other_wall_points(
    walls: Walls, building: IntArray, sx: FloatArray, sy: FloatArray, *, most: int, apart_m: float
) -> WallPoints:
    """Find further free points of the outer wall, on other faces than the nearest.

    Parameters
    ----------
    walls : Walls
        Faces of all buildings.
    building : ndarray of int64, shape (n,)
        Building of each pair.
    sx, sy : ndarray of float64, shape (n,)
        Sources in metres.
    most : int
        Most points per pair.
    apart_m : float
        Least distance from the pair's nearest point, so that the choice is a real one.

    Returns
    -------
    WallPoints
        Up to `most` rows per pair, nearest first. On each face that looks toward the source:
        its middle, its point nearest to the source, and its corners; kept where the straight
        line to it doesn't pass through the building.
    """
    pair, number, x, y, distance, sine, corner = _feet(walls, building, sx, sy)
    face, normal = walls.face[number], walls.normal[number]
    xs, ys, corners = [x], [y], [corner]
    for u in (0.0, 0.5, 1.0):
        xs.append(face[:, 0] + u * (face[:, 2] - face[:, 0]))
        ys.append(face[:, 1] + u * (face[:, 3] - face[:, 1]))
        corners.append(np.full(len(x), u != 0.5))
    x, y, corner = np.concatenate(xs), np.concatenate(ys), np.concatenate(corners)
    pair, normal = np.tile(pair, 4), np.tile(normal, (4, 1))
    ax, ay = sx[pair] - x, sy[pair] - y
    distance = np.hypot(ax, ay)
    safe = np.where(distance > 0, distance, 1.0)
    sine = (ax * normal[:, 0] + ay * normal[:, 1]) / safe
    nearest = nearest_wall_points(walls, building, sx, sy)
    nx, ny = np.full(len(building), np.nan), np.full(len(building), np.nan)
    nx[nearest.pair], ny[nearest.pair] = nearest.x, nearest.y
    far = np.hypot(x - nx[pair], y - ny[pair]) >= apart_m
    keep = np.flatnonzero((sine > 0.05) & (distance > 1e-6) & far)
    order = keep[np.lexsort((-sine[keep], y[keep], x[keep], pair[keep]))]
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = (pair[order][1:] != pair[order][:-1]) | (
        np.hypot(np.diff(x[order]), np.diff(y[order])) > 1e-6
    )
    order = order[fresh]
    row = pair[order]
    spans = np.stack([sx[row], sy[row], x[order], y[order]], axis=1)
    hit, start, end = polygon_intervals(spans, walls.face, walls.first, building[row])
    inside = np.bincount(hit, weights=end - start, minlength=len(order)) * distance[order]
    order = order[inside < 1e-6]
    order = order[np.lexsort((y[order], x[order], np.round(distance[order], 7), pair[order]))]
    _, counts = np.unique(pair[order], return_counts=True)
    _, rank = expand(counts.astype(np.int64))
    order = order[rank < most]
    return _points(order, pair, x, y, distance, sine, corner)


def _points(
    pick: IntArray,
    pair: IntArray,
    x: FloatArray,
    y: FloatArray,
    distance: FloatArray,
    sine: FloatArray,
    corner: BoolArray,
) -> WallPoints:
    return WallPoints(
        pair[pick],
        x[pick],
        y[pick],
        np.degrees(np.arcsin(np.clip(sine[pick], -1.0, 1.0))),
        corner[pick],
        distance[pick],
    )
