"""What labels of a drawing should not cover, and how bad each place for a label is.

Enters: shapes in millimetres on paper with their weights, places tried for a label.
Leaves: one cost for each place tried.
Does not do: draw; decide which label comes first.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]
ObjectArray = npt.NDArray[np.object_]

NEVER = 1.0e6
"""Cost of a place outside the picture."""


class Obstacles:
    """Shapes that cost when a label touches them.

    Parameters
    ----------
    left, top, right, bottom : float
        The picture, mm; a label outside it costs `NEVER`.
    """

    def __init__(self, left: float, top: float, right: float, bottom: float) -> None:
        self.frame = shapely.box(left, top, right, bottom)
        shapely.prepare(self.frame)
        self._shapes: list[shapely.Geometry] = []
        self._hit: list[float] = []
        self._tree: shapely.STRtree | None = None

    def add(self, shapes: Iterable[shapely.Geometry], hit: float) -> None:
        """Add shapes.

        Parameters
        ----------
        shapes : iterable of shapely.Geometry
            On paper, mm; empty ones are left out.
        hit : float
            Cost of touching one of them.
        """
        for shape in shapes:
            if not shape.is_empty:
                self._shapes.append(shape)
                self._hit.append(hit)
        self._tree = None

    def costs(self, tried: ObjectArray) -> FloatArray:
        """Return the cost of each place tried, shape (n,)."""
        cost = np.where(shapely.covers(self.frame, tried), 0.0, NEVER)
        if not self._shapes:
            return np.asarray(cost)
        if self._tree is None:
            self._tree = shapely.STRtree(np.array(self._shapes, dtype=object))
        place, shape = self._tree.query(tried, predicate="intersects")
        np.add.at(cost, place, np.array(self._hit)[shape])
        return np.asarray(cost)


def boxes(places: FloatArray) -> ObjectArray:
    """Return upright boxes of least x, least y, greatest x, greatest y, shape (n, 4)."""
    return np.asarray(shapely.box(places[:, 0], places[:, 1], places[:, 2], places[:, 3]))


def around(x: float, y: float, radii: Iterable[float], turns: int) -> FloatArray:
    """Return places around a place, nearest first, shape (n, 2)."""
    angle = np.arange(turns) * 2 * np.pi / turns
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.vstack([np.array([x, y]) + radius * ring for radius in radii])
