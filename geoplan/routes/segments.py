"""Plane arithmetic on many segments at once.

Enters: coordinate arrays in metres, one row per pair.
Leaves: parameters along the first segment, distances, angles, intervals.
Does not do: search for the pairs; know what a segment stands for.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BLOCK_PAIRS = 2048
"""Pairs worked on at once, so that their edges stay in the processor's cache."""


def crossing_parameters(
    first: FloatArray, second: FloatArray
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Find where each first segment meets its second segment.

    Parameters
    ----------
    first, second : ndarray of float64, shape (n, 4)
        ``x0, y0, x1, y1`` in metres.

    Returns
    -------
    meets : ndarray of bool, shape (n,)
        Whether they share a point; parallel segments never do.
    u : ndarray of float64, shape (n,)
        Parameter of the meeting point along the first segment, 0 to 1; 0 where they don't meet.
    angle_deg : ndarray of float64, shape (n,)
        Angle between the two, 0 (parallel) to 90 (square).
    """
    dx, dy = first[:, 2] - first[:, 0], first[:, 3] - first[:, 1]
    ex, ey = second[:, 2] - second[:, 0], second[:, 3] - second[:, 1]
    wx, wy = second[:, 0] - first[:, 0], second[:, 1] - first[:, 1]
    cross = dx * ey - dy * ex
    norm = np.hypot(dx, dy) * np.hypot(ex, ey)
    usable = np.abs(cross) > 1e-12 * np.maximum(norm, 1e-300)
    safe = np.where(usable, cross, 1.0)
    u = (wx * ey - wy * ex) / safe
    v = (wx * dy - wy * dx) / safe
    tiny = 1e-12
    meets = usable & (u >= -tiny) & (u <= 1 + tiny) & (v >= -tiny) & (v <= 1 + tiny)
    sine = np.minimum(np.abs(cross) / np.maximum(norm, 1e-300), 1.0)
    return meets, np.where(meets, np.clip(u, 0.0, 1.0), 0.0), np.degrees(np.arcsin(sine))


def point_distance(
    px: FloatArray, py: FloatArray, segment: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the distance of points from segments and where on the segment the nearest point is.

    Parameters
    ----------
    px, py : ndarray of float64, shape (n,)
        Points in metres.
    segment : ndarray of float64, shape (n, 4)
        ``x0, y0, x1, y1`` in metres; may have no length.

    Returns
    -------
    distance_m : ndarray of float64, shape (n,)
        Distance in metres.
    u : ndarray of float64, shape (n,)
        Parameter of the nearest point, 0 to 1.
    """
    dx, dy = segment[:, 2] - segment[:, 0], segment[:, 3] - segment[:, 1]
    square = dx * dx + dy * dy
    along = (px - segment[:, 0]) * dx + (py - segment[:, 1]) * dy
    u = np.clip(along / np.where(square > 0, square, 1.0), 0.0, 1.0)
    return np.hypot(px - segment[:, 0] - u * dx, py - segment[:, 1] - u * dy), u


def segment_distance(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the least distance between pairs of segments and where it is along the first.

    Parameters
    ----------
    first, second : ndarray of float64, shape (n, 4)
        ``x0, y0, x1, y1`` in metres.

    Returns
    -------
    distance_m : ndarray of float64, shape (n,)
        0 where they meet.
    u : ndarray of float64, shape (n,)
        Parameter along the first segment, 0 to 1.
    """
    meets, u_meet, _ = crossing_parameters(first, second)
    from_start, _ = point_distance(first[:, 0], first[:, 1], second)
    from_end, _ = point_distance(first[:, 2], first[:, 3], second)
    to_start, u_start = point_distance(second[:, 0], second[:, 1], first)
    to_end, u_end = point_distance(second[:, 2], second[:, 3], first)
    zeros, ones = np.zeros(len(first)), np.ones(len(first))
    distances = np.stack([from_start, from_end, to_start, to_end], axis=1)
    places = np.stack([zeros, ones, u_start, u_end], axis=1)
    best = np.argmin(distances, axis=1)
    rows = np.arange(len(first))
    return (
        np.where(meets, 0.0, distances[rows, best]),
        np.where(meets, u_meet, places[rows, best]),
    )


def may_be_within(first: FloatArray, second: FloatArray, distance_m: float) -> BoolArray:
    """Tell which pairs of segments a cheap test cannot tell to be further apart than a distance.

    Parameters
    ----------
    first, second : ndarray of float64, shape (n, 4)
        ``x0, y0, x1, y1`` in metres.
    distance_m : float
        Distance in metres.

    Returns
    -------
    ndarray of bool, shape (n,)
        False only where one of the two lies beyond a line that is parallel to the other, further
        than the distance from it.
    """
    most = distance_m * (1 + 1e-9) + 1e-9
    apart = np.zeros(len(first), dtype=bool)
    for one, other in ((first, second), (second, first)):
        dx, dy = one[:, 2] - one[:, 0], one[:, 3] - one[:, 1]
        rx, ry = other[:, 0] - one[:, 0], other[:, 1] - one[:, 1]
        side0 = dx * ry - dy * rx
        side1 = dx * (other[:, 3] - one[:, 1]) - dy * (other[:, 2] - one[:, 0])
        reach = most * np.sqrt(dx * dx + dy * dy)
        apart |= (np.minimum(side0, side1) > reach) | (np.maximum(side0, side1) < -reach)
    return ~apart


def strip_interval(
    first: FloatArray, axis: FloatArray, half_width: FloatArray
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Find the part of each segment that lies within a distance of an axis segment.

    Parameters
    ----------
    first : ndarray of float64, shape (n, 4)
        Segments ``x0, y0, x1, y1`` in metres.
    axis : ndarray of float64, shape (n, 4)
        Axis segments, for example pieces of a road's centre-line.
    half_width : ndarray of float64, shape (n,)
        Distance from the axis in metres.

    Returns
    -------
    inside : ndarray of bool, shape (n,)
        Whether any part is within.
    start, end : ndarray of float64, shape (n,)
        Parameters along the segment, 0 to 1; both 0 where none is.

    Notes
    -----
    Points within a distance of a segment form a convex set: a rectangle and a disc at each end.
    The line's part in it is therefore one interval, from the least to the greatest bound of the
    three.
    """
    dx, dy = first[:, 2] - first[:, 0], first[:, 3] - first[:, 1]
    ax, ay = axis[:, 2] - axis[:, 0], axis[:, 3] - axis[:, 1]
    length = np.hypot(ax, ay)
    safe = np.where(length > 0, length, 1.0)
    ux, uy = ax / safe, ay / safe
    rx, ry = first[:, 0] - axis[:, 0], first[:, 1] - axis[:, 1]
    low, high = _slab(rx * ux + ry * uy, dx * ux + dy * uy, np.zeros(len(first)), length)
    low2, high2 = _slab(rx * uy - ry * ux, dx * uy - dy * ux, -half_width, half_width)
    low, high = np.maximum(low, low2), np.minimum(high, high2)
    bounds = [(np.where(length > 0, low, np.inf), np.where(length > 0, high, -np.inf))]
    for ox, oy in ((0.0, 0.0), (ax, ay)):
        bounds.append(_disc(rx - ox, ry - oy, dx, dy, half_width))
    start, end = np.full(len(first), np.inf), np.full(len(first), -np.inf)
    for low_bound, high_bound in bounds:
        lower, upper = np.maximum(low_bound, 0.0), np.minimum(high_bound, 1.0)
        found = lower <= upper
        start = np.where(found, np.minimum(start, lower), start)
        end = np.where(found, np.maximum(end, upper), end)
    inside = start <= end
    return inside, np.where(inside, start, 0.0), np.where(inside, end, 0.0)


def _slab(
    origin: FloatArray, rate: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    moves = np.abs(rate) > 1e-15
    safe = np.where(moves, rate, 1.0)
    first, second = (low - origin) / safe, (high - origin) / safe
    within = (origin >= low) & (origin <= high)
    return (
        np.where(moves, np.minimum(first, second), np.where(within, -np.inf, np.inf)),
        np.where(moves, np.maximum(first, second), np.where(within, np.inf, -np.inf)),
    )


def _disc(
    rx: FloatArray, ry: FloatArray, dx: FloatArray, dy: FloatArray, radius: FloatArray
) -> tuple[FloatArray, FloatArray]:
    a = dx * dx + dy * dy
    b = rx * dx + ry * dy
    c = rx * rx + ry * ry - radius * radius
    root = b * b - a * c
    real = (root >= 0) & (a > 0)
    half = np.sqrt(np.where(real, root, 0.0))
    safe = np.where(a > 0, a, 1.0)
    return (
        np.where(real, (-b - half) / safe, np.inf),
        np.where(real, (-b + half) / safe, -np.inf),
    )


def polygon_intervals(
    segment: FloatArray, edges: FloatArray, first: IntArray, polygon: IntArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Find the parts of each segment that lie within its polygon.

    Parameters
    ----------
    segment : ndarray of float64, shape (n, 4)
        Segments ``x0, y0, x1, y1`` in metres.
    edges : ndarray of float64, shape (e, 4)
        Edges of all polygons, holes and parts alike.
    first : ndarray of int64, shape (p + 1,)
        ``first[k]:first[k + 1]`` are the edges of polygon k.
    polygon : ndarray of int64, shape (n,)
        Polygon of each segment.

    Returns
    -------
    row : ndarray of int64, shape (m,)
        Row of `segment`, sorted.
    start, end : ndarray of float64, shape (m,)
        Parameters along it, 0 to 1, start < end.

    Notes
    -----
    Even-odd rule on the line through the segment: a corner counts as left of the line when on
    it, so every ring is crossed an even number of times and touching adds nothing.
    """
    parts = [
        _intervals(segment[i : i + BLOCK_PAIRS], edges, first, polygon[i : i + BLOCK_PAIRS], i)
        for i in range(0, max(len(segment), 1), BLOCK_PAIRS)
    ]
    if len(parts) == 1:
        return parts[0]
    row, start, end = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    return row, start, end


def _intervals(
    segment: FloatArray, edges: FloatArray, first: IntArray, polygon: IntArray, number: int
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Find the parts of some segments, the first of which has a number."""
    begin = first[polygon]
    counts = first[polygon + 1] - begin
    row = np.repeat(np.arange(len(counts), dtype=np.int64), counts)
    each = np.arange(len(row)) + np.repeat(begin - np.cumsum(counts) + counts, counts)
    edge = edges[each]
    x, y = segment[:, 0], segment[:, 1]
    dx, dy = segment[:, 2] - x, segment[:, 3] - y
    far_x, far_y = np.repeat(x, counts), np.repeat(y, counts)
    far_dx, far_dy = np.repeat(dx, counts), np.repeat(dy, counts)
    side0 = far_dx * (edge[:, 1] - far_y) - far_dy * (edge[:, 0] - far_x)
    side1 = far_dx * (edge[:, 3] - far_y) - far_dy * (edge[:, 2] - far_x)
    cut = np.flatnonzero((side0 >= 0) != (side1 >= 0))
    row, edge, side0, side1 = row[cut], edge[cut], side0[cut], side1[cut]
    x, y, dx, dy = x[row], y[row], dx[row], dy[row]
    share = side0 / (side0 - side1)
    px = edge[:, 0] + share * (edge[:, 2] - edge[:, 0])
    py = edge[:, 1] + share * (edge[:, 3] - edge[:, 1])
    square = np.maximum(dx * dx + dy * dy, 1e-300)
    u = _sorted_within(row, ((px - x) * dx + (py - y) * dy) / square)
    u = np.minimum(np.maximum(u, 0.0), 1.0)
    row, start, end = row[0::2] + number, u[0::2], u[1::2]
    inside = end > start
    return row[inside], start[inside], end[inside]


def _sorted_within(row: IntArray, u: FloatArray) -> FloatArray:
    """Sort values within their rows, which are sorted and hold an even number each."""
    low, high = np.minimum(u[0::2], u[1::2]), np.maximum(u[0::2], u[1::2])
    result = np.empty_like(u)
    result[0::2], result[1::2] = low, high
    pair = row[0::2]
    again = np.zeros(len(pair), dtype=bool)
    again[1:] = pair[1:] == pair[:-1]
    again[:-1] |= again[1:]
    if again.any():
        many = np.repeat(again, 2)
        some = u[many]
        result[many] = some[np.lexsort((some, row[many]))]
    return result


def merge_intervals(
    keys: tuple[IntArray, ...], start: FloatArray, end: FloatArray, *, gap: float = 1e-9
) -> tuple[IntArray, IntArray]:
    """Join overlapping intervals that share their keys.

    Parameters
    ----------
    keys : tuple of ndarray of int64, shape (n,)
        Rows are joined only where all keys agree.
    start, end : ndarray of float64, shape (n,)
        Intervals.
    gap : float
        Intervals this close count as overlapping.

    Returns
    -------
    order : ndarray of int64, shape (n,)
        Rows sorted by keys, then start, then end.
    group : ndarray of int64, shape (n,)
        For each sorted row, the number of its joined interval, from 0.
    """
    order = np.lexsort((end, start, *reversed(keys)))
    if len(order) == 0:
        return order.astype(np.int64), np.zeros(0, dtype=np.int64)
    changes = np.zeros(len(order), dtype=bool)
    changes[0] = True
    for key in keys:
        sorted_key = key[order]
        changes[1:] |= sorted_key[1:] != sorted_key[:-1]
    block = np.cumsum(changes) - 1
    s, e = start[order], end[order]
    span = float(max(e.max() - min(s.min(), 0.0), 1.0)) * 2 + 1.0
    reach = np.maximum.accumulate(e + block * span) - block * span
    apart = np.ones(len(order), dtype=bool)
    apart[1:] = s[1:] > reach[:-1] + gap
    return order.astype(np.int64), (np.cumsum(changes | apart) - 1).astype(np.int64)


def expand(counts: IntArray) -> tuple[IntArray, IntArray]:
    """Repeat row numbers by counts and number the repeats.

    Parameters
    ----------
    counts : ndarray of int64, shape (n,)
        How often each row is wanted.

    Returns
    -------
    row : ndarray of int64
        Row number, repeated.
    rank : ndarray of int64
        0, 1, … within each row.

    Examples
    --------
    >>> [part.tolist() for part in expand(np.array([2, 0, 1]))]
    [[0, 0, 2], [0, 1, 0]]
    """
    row = np.repeat(np.arange(len(counts), dtype=np.int64), counts)
    first = np.cumsum(counts) - counts
    return row, np.arange(len(row), dtype=np.int64) - first[row]
