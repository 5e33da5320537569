"""Points shared out over areas of nearly equal number.

Enters: coordinates.
Leaves: the number of each point's area.
Does not do: know what the points are.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def split_points(x: FloatArray, y: FloatArray, most: int) -> IntArray:
    """Share out points over areas of nearly equal number.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Coordinates in metres.
    most : int
        Most points of an area, > 0.

    Returns
    -------
    ndarray of int64, shape (n,)
        Number of each point's area, from 0. The larger side is halved at the median until few
        enough are left.
    """
    area = np.zeros(len(x), dtype=np.int64)
    todo, count = [np.arange(len(x))], 0
    while todo:
        rows = todo.pop()
        if len(rows) <= most:
            area[rows] = count
            count += 1
            continue
        wide = np.ptp(x[rows]) >= np.ptp(y[rows])
        first, second = (x, y) if wide else (y, x)
        order = rows[np.lexsort((rows, second[rows], first[rows]))]
        half = len(rows) // 2
        todo += [order[half:], order[:half]]
    return area


def rows_by_area(area: IntArray) -> list[IntArray]:
    """Return the rows of each area.

    Parameters
    ----------
    area : ndarray of int64, shape (n,)
        From `split_points`.

    Returns
    -------
    list of ndarray of int64
        Rows, ascending, by number of the area; areas without points have no place in it.
    """
    order = np.argsort(area, kind="stable")
    cuts = np.flatnonzero(np.diff(area[order])) + 1
    return [part.astype(np.int64) for part in np.split(order, cuts) if len(part)]


def rows_meeting(bounds: FloatArray, own: FloatArray, far_m: float) -> IntArray:
    """Find the boxes that come near any of some others, and perhaps some more.

    Parameters
    ----------
    bounds : ndarray of float64, shape (n, 4)
        Boxes: least x and y, greatest x and y, in metres; NaN never comes near.
    own : ndarray of float64, shape (k, 4)
        The others.
    far_m : float
        How near, along each axis, in metres.

    Returns
    -------
    ndarray of int64
        Rows of `bounds`, ascending. Those near the box around all others; where these are very
        many, as when one lies far off, those near the box around a group of them.
    """
    if not len(own):
        return np.zeros(0, dtype=np.int64)
    rows = _meeting(bounds, own, far_m)
    if len(rows) <= FEW_TIMES * len(own) + ALWAYS_FEW:
        return rows
    middle = (own[:, :2] + own[:, 2:]) / 2.0
    is_near = np.zeros(len(rows), dtype=bool)
    for group in rows_by_area(split_points(middle[:, 0], middle[:, 1], GROUP)):
        is_near[_meeting(bounds[rows], own[group], far_m)] = True
    return rows[is_near]


GROUP = 500
FEW_TIMES, ALWAYS_FEW = 4, 20_000


def _meeting(bounds: FloatArray, own: FloatArray, far_m: float) -> IntArray:
    low, high = own[:, :2].min(axis=0) - far_m, own[:, 2:].max(axis=0) + far_m
    inside = (
        (bounds[:, 0] <= high[0])
        & (bounds[:, 1] <= high[1])
        & (bounds[:, 2] >= low[0])
        & (bounds[:, 3] >= low[1])
    )
    return np.flatnonzero(inside).astype(np.int64)
