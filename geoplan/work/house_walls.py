"""Where a ladder stands at a house: square to a wall, both rails on it.

Enters: premises attachments, outlines of their buildings.
Leaves: candidate points by drop, the way that each wall faces.
Does not do: look whether the ground is free; know windows, doors or plantings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

HALF_LADDER_M = 0.45
"""Half the width that a ladder takes up on a wall; common practice, no source."""
SHIFTS_M = (0.0, 0.4, -0.4)
"""Shifts along the wall that are tried; a worker reaches that far to the side; common practice,
no source."""
ON_WALL_M = 0.05
"""An attachment this much farther from a wall than from the nearest one is on both."""
SAME_WAY = 0.95
"""Walls whose normals have this cosine or more between them make no corner."""
WALLS = 2


@dataclass(frozen=True)
class WallFeet:
    """Candidates for the foot of a ladder, n drops."""

    xy: list[FloatArray]
    """Points, shape (n, 2) each, the best first; NaN where a drop has none."""
    facing: list[FloatArray]
    """Unit vectors, away from the wall."""
    has_wall: BoolArray
    is_corner: BoolArray


def wall_feet(
    end: FloatArray,
    outlines: npt.NDArray[np.object_],
    to_house: FloatArray,
    out_m: FloatArray,
) -> WallFeet:
    """Lay out where a ladder's foot may stand before the walls at each attachment.

    Parameters
    ----------
    end : ndarray of float64, shape (n, 2)
        Premises attachments.
    outlines : ndarray of shapely Polygon or MultiPolygon, shape (n,)
        Building of each; None without one.
    to_house : ndarray of float64, shape (n, 2)
        Unit vectors of the air spans toward the house: the wall that faces the wire comes first.
    out_m : ndarray of float64, shape (n,)
        Way from wall to foot.

    Returns
    -------
    WallFeet
        At a corner the ladder is beside it on either wall, never before the corner itself. A
        wall narrower than the ladder is not used unless there is no other.
    """
    count = len(end)
    row, base, u, length = _walls(end, outlines)
    facing = np.stack([-u[:, 1], u[:, 0]], axis=1)
    outside = ~shapely.intersects_xy(outlines[row], *(base_of(base, u, length) + 0.02 * facing).T)
    facing = np.where(outside[:, None], facing, -facing)
    order = np.lexsort(
        (
            np.round((facing * to_house[row]).sum(axis=1), 6),
            length < 2 * HALF_LADDER_M,
            row,
        )
    )
    row, base, u, length = row[order], base[order], u[order], length[order]
    facing = facing[order]
    first = np.append(True, row[1:] != row[:-1])[: len(row)]
    lead = np.maximum.accumulate(np.where(first, np.arange(len(row)), 0))
    rank = np.arange(len(row)) - lead
    turns = (facing * facing[lead]).sum(axis=1) < SAME_WAY
    is_corner, has_wall = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    is_corner[row[turns]] = True
    has_wall[row] = True
    at = ((end[row] - base) * u).sum(axis=1)
    half = np.minimum(HALF_LADDER_M, length / 2)
    low = np.where(is_corner[row], half, np.minimum(at, half))
    high = np.where(is_corner[row], length - half, np.maximum(at, length - half))
    xy, ways = [], []
    for shift in SHIFTS_M:
        placed = np.clip(np.clip(at, low, high) + shift, low, high)
        foot = base + placed[:, None] * u + out_m[row, None] * facing
        for wall in range(WALLS):
            points, way = np.full((count, 2), np.nan), np.zeros((count, 2))
            mine = rank == wall
            points[row[mine]], way[row[mine]] = foot[mine], facing[mine]
            xy.append(points)
            ways.append(way)
    return WallFeet(xy, ways, has_wall, is_corner)


def base_of(base: FloatArray, u: FloatArray, length: FloatArray) -> FloatArray:
    """Return the middle of walls."""
    return np.asarray(base + 0.5 * length[:, None] * u)


def _walls(
    end: FloatArray, outlines: npt.NDArray[np.object_]
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Return drop, first corner, direction and length of the walls at each attachment."""
    has = np.flatnonzero(~shapely.is_missing(outlines))
    parts, part = shapely.get_parts(outlines[has], return_index=True)
    coordinates, ring = shapely.get_coordinates(shapely.get_exterior_ring(parts), return_index=True)
    follows = ring[1:] == ring[:-1]
    begin, way = coordinates[:-1][follows], np.diff(coordinates, axis=0)[follows]
    row = has[part[ring[1:][follows]]]
    length = np.hypot(*way.T)
    real = length > 1e-6
    row, begin, way, length = row[real], begin[real], way[real], length[real]
    u = way / length[:, None]
    off = end[row] - begin
    along = np.clip((off * u).sum(axis=1), 0.0, length)
    away = np.hypot(*(off - along[:, None] * u).T)
    nearest = np.full(len(end), np.inf)
    np.minimum.at(nearest, row, away)
    at = away <= nearest[row] + ON_WALL_M
    return row[at].astype(np.int64), begin[at], u[at], length[at]
