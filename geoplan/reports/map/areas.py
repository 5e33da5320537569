"""A large plan cut into areas that a page each can show.

Enters: places of all addresses.
Leaves: the area of each.
Does not do: make pages.
"""

from __future__ import annotations

import numpy as np

from geoplan.reports.map.pack import IntArray
from geoplan.units import FloatArray


def split_areas(xy: FloatArray, most: int) -> IntArray:
    """Cut places at the median of their longer side until no area holds too many.

    Parameters
    ----------
    xy : ndarray of float64, shape (n, 2)
        Places, m, in an order that does not change from run to run: it breaks ties.
    most : int
        Most places in an area, at least 1.

    Returns
    -------
    ndarray of int64, shape (n,)
        Number of the area of each place, from 0, areas from south-west on; none is empty. All
        areas hold as many places as each other, but for one.

    Notes
    -----
    O(n log² n).

    Examples
    --------
    >>> split_areas(np.array([[0.0, 0.0], [9.0, 0.0], [1.0, 0.0], [8.0, 0.0]]), 2).tolist()
    [0, 1, 0, 1]
    """
    if most < 1:
        message = f"most must be at least 1; it is {most}"
        raise ValueError(message)
    area = np.zeros(len(xy), dtype=np.int64)
    count = 0
    waiting = [np.arange(len(xy))] if len(xy) else []
    while waiting:
        rows = waiting.pop()
        if len(rows) <= most:
            area[rows] = count
            count += 1
            continue
        side = int(np.argmax(np.ptp(xy[rows], axis=0)))
        order = rows[np.argsort(xy[rows, side], kind="stable")]
        pages = -(-len(rows) // most)
        middle = len(rows) * (pages // 2) // pages
        waiting += [np.sort(order[middle:]), np.sort(order[:middle])]
    return area
