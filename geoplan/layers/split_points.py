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


MOST_CELLS = 500
"""Along the longer side of the grid of `Nearby`."""
CELL_SHARE, LEAST_CELL_M = 0.25, 1.0


class Nearby:
    """Finds boxes that come near any of some others, by a grid laid over these."""

    def __init__(self, own: FloatArray, far_m: float) -> None:
        """Lay the grid.

        Parameters
        ----------
        own : ndarray of float64, shape (k, 4)
            The others: least x and y, greatest x and y, in metres; NaN is nowhere.
        far_m : float
            How near, along each axis, in metres. Cells are a part of it wide, and no finer than
            `MOST_CELLS` allows.
        """
        own = own[np.isfinite(own).all(axis=1)]
        self._is_nowhere = len(own) == 0
        if self._is_nowhere:
            return
        wide = own + far_m * np.array([-1.0, -1.0, 1.0, 1.0])
        self._low, self._high = wide[:, :2].min(axis=0), wide[:, 2:].max(axis=0)
        side_m = float((self._high - self._low).max())
        self._cell_m = max(CELL_SHARE * far_m, side_m / MOST_CELLS, LEAST_CELL_M)
        self._shape = np.floor((self._high - self._low) / self._cell_m).astype(np.int64) + 1
        covered = _count_boxes(self._cells(wide), self._shape) > 0
        self._is_full = bool(covered.all())
        self._before = np.zeros(self._shape + 1, dtype=np.int64)
        """Covered cells left of and below each corner."""
        self._before[1:, 1:] = covered.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)

    def rows(self, bounds: FloatArray) -> IntArray:
        """Find the boxes that come near.

        Parameters
        ----------
        bounds : ndarray of float64, shape (n, 4)
            Boxes; NaN never comes near.

        Returns
        -------
        ndarray of int64
            Rows of `bounds`, ascending: all that come near, and of the rest those that meet a
            cell which something near meets too.
        """
        if self._is_nowhere:
            return np.zeros(0, dtype=np.int64)
        inside = (
            (bounds[:, 0] <= self._high[0])
            & (bounds[:, 1] <= self._high[1])
            & (bounds[:, 2] >= self._low[0])
            & (bounds[:, 3] >= self._low[1])
        )
        rows = np.flatnonzero(inside).astype(np.int64)
        if self._is_full:
            return rows
        x0, y0, x1, y1 = self._cells(bounds[rows]).T
        before = self._before
        met = before[x1 + 1, y1 + 1] - before[x0, y1 + 1] - before[x1 + 1, y0] + before[x0, y0]
        return np.asarray(rows[met > 0], dtype=np.int64)

    def _cells(self, boxes: FloatArray) -> IntArray:
        """Return the first and last cell that each box meets: columns and rows, on the grid."""
        corners = np.floor((boxes.reshape(-1, 2, 2) - self._low) / self._cell_m)
        cells: IntArray = np.clip(corners, 0, self._shape - 1).astype(np.int64).reshape(-1, 4)
        return cells


def _count_boxes(cells: IntArray, shape: IntArray) -> IntArray:
    """Count for every cell of a grid the boxes that meet it."""
    change = np.zeros(shape + 1, dtype=np.int64)
    x0, y0, x1, y1 = cells.T
    np.add.at(change, (x0, y0), 1)
    np.add.at(change, (x1 + 1, y1 + 1), 1)
    np.add.at(change, (x0, y1 + 1), -1)
    np.add.at(change, (x1 + 1, y0), -1)
    counts: IntArray = change.cumsum(axis=0).cumsum(axis=1)
    return counts[:-1, :-1]
