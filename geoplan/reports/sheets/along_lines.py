"""Places along lines and in areas on paper, for names and marks that follow them.

Enters: geometries in millimetres on paper.
Leaves: places, directions, boxes turned along a line.
Does not do: draw; choose among places.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]
ObjectArray = npt.NDArray[np.object_]

LEAST_FLASHED = 3.0
"""Pieces of a line shorter than this, mm, have no mark."""
MOST_PLACES = 150
"""Places that are given for an area, about."""


FLASH_HALF = np.array([0.7, 1.6])
"""Half the room that a mark takes, mm."""


def flash_places(
    line: shapely.Geometry, corners: tuple[float, float, float, float]
) -> list[tuple[float, float]]:
    """Return where marks stand beside a line on paper.

    Parameters
    ----------
    line : shapely.Geometry
        On paper, mm.
    corners : tuple of float
        Left, top, right and bottom of the picture: marks are within it.

    Returns
    -------
    list of (float, float)
        1.6 mm off the line, some 15 mm apart; none for pieces too short to be told.
    """
    low, high = corners[:2] + FLASH_HALF, corners[2:] - FLASH_HALF
    places = []
    for piece in shapely.get_parts(line):
        if piece.geom_type != "LineString" or piece.length < LEAST_FLASHED:
            continue
        count = max(int(piece.length // 15.0), 1)
        part = (np.arange(count) + 0.5) / count * piece.length
        at = shapely.get_coordinates(shapely.line_interpolate_point(piece, part))
        ahead = shapely.get_coordinates(shapely.line_interpolate_point(piece, part + 0.2))
        behind = shapely.get_coordinates(shapely.line_interpolate_point(piece, part - 0.2))
        way = ahead - behind
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        side = np.stack([way[:, 1], -way[:, 0]], axis=1)
        right, left = (np.clip(at + 1.6 * way, low, high) for way in (side, -side))
        off = np.hypot(*(right - at - 1.6 * side).T) > 0.01
        places += [(float(x), float(y)) for x, y in np.where(off[:, None], left, right).tolist()]
    return places


def longest(line: shapely.Geometry) -> shapely.Geometry:
    """Return the longest piece of a line."""
    pieces = shapely.get_parts(line)
    return pieces[int(np.argmax(shapely.length(pieces)))]


def spread(area: shapely.Geometry, step: float) -> FloatArray:
    """Return places in an area, or along a line, some mm apart."""
    if area.is_empty:
        return np.empty((0, 2))
    if area.area == 0.0:
        line = longest(area)
        part = np.arange(step / 2, max(line.length, step), step)
        return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(line, part)))
    left, top, right, bottom = area.bounds
    x, y = np.meshgrid(np.arange(left + 0.5, right, step), np.arange(top + 0.5, bottom, step / 2))
    inside = shapely.contains_xy(area, x.ravel(), y.ravel())
    points = np.column_stack([x.ravel()[inside], y.ravel()[inside]])
    return points[:: len(points) // MOST_PLACES + 1]


def direction_deg(line: shapely.Geometry, points: FloatArray) -> FloatArray:
    """Return the direction of a line beside places, degrees clockwise, readable: -90 to 90."""
    piece = longest(line)
    along = shapely.line_locate_point(piece, shapely.points(points))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(piece, along + 0.5))
    behind = shapely.get_coordinates(
        shapely.line_interpolate_point(piece, np.maximum(along - 0.5, 0.0))
    )
    turn = np.degrees(np.arctan2(*(ahead - behind).T[::-1]))
    turn = np.where(turn > 90, turn - 180, turn)
    return np.asarray(np.where(turn <= -90, turn + 180, turn))


def turned_boxes(centre: FloatArray, half: float, tall: float, turn_deg: FloatArray) -> ObjectArray:
    """Return boxes of given half length and half height, turned about their centres."""
    turn = np.radians(turn_deg)[:, None]
    x = np.array([[-half, half, half, -half]])
    y = np.array([[-tall, -tall, tall, tall]])
    corners = np.stack(
        [
            centre[:, :1] + x * np.cos(turn) - y * np.sin(turn),
            centre[:, 1:] + x * np.sin(turn) + y * np.cos(turn),
        ],
        axis=2,
    )
    return np.asarray(shapely.polygons(corners))
