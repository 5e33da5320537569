"""Checked layers together, with geometries and search trees that several checks share.

Enters: layers by name, each indexed by its id and sorted by it, working coordinates, metres.
Leaves: `Town`.
Does not do: check anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

IntArray = npt.NDArray[np.intp]
ObjectArray = npt.NDArray[np.object_]


class Town(Mapping[str, gpd.GeoDataFrame]):
    """Layers by name; what is asked of their geometry is worked out once and kept."""

    def __init__(self, frames: Mapping[str, gpd.GeoDataFrame]) -> None:
        self._frames = dict(frames)
        self._trees: dict[str, shapely.STRtree] = {}
        self._around: dict[tuple[str, str], IntArray] = {}

    def __getitem__(self, name: str) -> gpd.GeoDataFrame:
        """Return a layer."""
        return self._frames[name]

    def __iter__(self) -> Iterator[str]:
        """Go through the names of the layers."""
        return iter(self._frames)

    def __len__(self) -> int:
        """Return the number of layers."""
        return len(self._frames)

    def shapes(self, name: str) -> ObjectArray:
        """Return the geometries of a layer by row."""
        shapes: ObjectArray = self._frames[name].geometry.to_numpy()
        return shapes

    def tree(self, name: str) -> shapely.STRtree:
        """Return the search tree of a layer."""
        if name not in self._trees:
            self._trees[name] = shapely.STRtree(self.shapes(name))
        return self._trees[name]

    def around(self, points: str, polygons: str) -> IntArray:
        """Return rows of points and of polygons that hold or touch them, shape (2, k)."""
        key = (points, polygons)
        if key not in self._around:
            self._around[key] = pairs_around(self.tree(points), self.shapes(polygons))
        return self._around[key]

    def set_columns(self, name: str, frame: gpd.GeoDataFrame) -> None:
        """Put other columns to the same rows of a layer, keeping what is known of their place."""
        self._frames[name] = frame

    def with_layer(self, name: str, frame: gpd.GeoDataFrame) -> Town:
        """Return the town with other rows in one layer; the rest is shared."""
        other = Town({**self._frames, name: frame})
        other._trees = {key: tree for key, tree in self._trees.items() if key != name}
        other._around = {key: pairs for key, pairs in self._around.items() if name not in key}
        return other


def pairs_around(tree: shapely.STRtree, polygons: ObjectArray) -> IntArray:
    """Return which polygons hold or touch which points of a tree.

    Parameters
    ----------
    tree : shapely.STRtree
        Of points, metres.
    polygons : ndarray of polygons, shape (m,)
        Metres.

    Returns
    -------
    ndarray of intp, shape (2, k)
        Rows of points and of polygons, by pair.

    Notes
    -----
    Each polygon asks for its points, not the other way, so that one with very many vertices is
    prepared once: a hundred thousand points in a hundred thousand vertices take seconds.
    """
    polygon, point = tree.query(polygons, predicate="intersects")
    order = np.lexsort((polygon, point))
    return np.stack([point[order], polygon[order]])
