"""Ground on which nobody may stand: roads, buildings, tracks, water; asked of many points at once.

Enters: checked layers, points.
Leaves: which points are free, and how far the nearest road is.
Does not do: choose places.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Layers
from geoplan.routes.segments import point_distance

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

TRACK_HALF_M = 3.0
"""Ground of a track on either side of its line; common practice, no source."""


@dataclass(frozen=True)
class Ground:
    """Carriageways as straight pieces with half a width, and what else is in the way."""

    piece: FloatArray
    """``x0, y0, x1, y1`` of each piece of a road's centre-line."""
    road: IntArray
    """Row of its road."""
    half_width_m: FloatArray
    """Half the carriageway, by piece."""
    tree: shapely.STRtree
    """Over the pieces."""
    solid: shapely.STRtree
    """Over buildings, pools and water."""
    tracks: shapely.STRtree
    """Over the lines of railways."""
    walks: shapely.STRtree
    """Over walks and driveways, where one may stand but is in the way."""

    def is_free(self, x_m: FloatArray, y_m: FloatArray, keep_off_m: float) -> BoolArray:
        """Tell which points are clear of carriageways, buildings, pools, water and tracks.

        Parameters
        ----------
        x_m, y_m : ndarray of float64, shape (n,)
            Points in working coordinates.
        keep_off_m : float
            Distance to keep from their edges, m.

        Returns
        -------
        ndarray of bool, shape (n,)
            True where nothing is nearer than that.
        """
        points = shapely.points(x_m, y_m)
        free = np.ones(len(points), dtype=bool)
        near, _ = self.solid.query(points, predicate="dwithin", distance=keep_off_m)
        free[near] = False
        near, _ = self.tracks.query(points, predicate="dwithin", distance=keep_off_m + TRACK_HALF_M)
        free[near] = False
        point, piece, edge = self._edges(points, x_m, y_m, keep_off_m)
        del piece
        free[point[edge < keep_off_m]] = False
        return free

    def is_off_walks(self, x_m: FloatArray, y_m: FloatArray) -> BoolArray:
        """Tell which points lie on no walk and no driveway.

        Parameters
        ----------
        x_m, y_m : ndarray of float64, shape (n,)
            Points in working coordinates.

        Returns
        -------
        ndarray of bool, shape (n,)
            True where there is none.
        """
        off = np.ones(len(x_m), dtype=bool)
        on, _ = self.walks.query(shapely.points(x_m, y_m), predicate="intersects")
        off[on] = False
        return off

    def nearest_road(
        self, x_m: FloatArray, y_m: FloatArray, within_m: float
    ) -> tuple[IntArray, FloatArray]:
        """Find the road whose carriageway is nearest.

        Parameters
        ----------
        x_m, y_m : ndarray of float64, shape (n,)
            Points in working coordinates.
        within_m : float
            Roads farther away don't count, m.

        Returns
        -------
        road : ndarray of int64, shape (n,)
            Row of the road; -1 where none is near. Of equally near ones the first.
        edge_m : ndarray of float64, shape (n,)
            Distance to the edge of its carriageway, m, 0 on it; infinite without a road.
        """
        point, road, edge = self.roads_near(x_m, y_m, within_m)
        order = np.lexsort((road, edge, point))
        point, road, edge = point[order], road[order], edge[order]
        lead = np.ones(len(point), dtype=bool)
        lead[1:] = point[1:] != point[:-1]
        nearest = np.full(len(x_m), -1, dtype=np.int64)
        distance = np.full(len(x_m), np.inf)
        nearest[point[lead]] = road[lead]
        distance[point[lead]] = edge[lead]
        return nearest, distance

    def roads_near(
        self, x_m: FloatArray, y_m: FloatArray, within_m: float
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Find all roads whose carriageway is near points.

        Parameters
        ----------
        x_m, y_m : ndarray of float64, shape (n,)
            Points in working coordinates.
        within_m : float
            Roads farther away don't count, m.

        Returns
        -------
        point, road : ndarray of int64, shape (k,)
            Rows; a pair is there once for each straight piece of the road that is near.
        edge_m : ndarray of float64, shape (k,)
            Distance to the edge of the carriageway, m, 0 on it.
        """
        point, piece, edge = self._edges(shapely.points(x_m, y_m), x_m, y_m, within_m)
        keep = edge <= within_m
        return point[keep], self.road[piece[keep]], np.maximum(edge[keep], 0.0)

    def _edges(
        self, points: npt.NDArray[np.object_], x_m: FloatArray, y_m: FloatArray, within_m: float
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Return pairs of point and piece near it, with the distance to the carriageway's edge."""
        reach = within_m + float(self.half_width_m.max(initial=0.0))
        point, piece = self.tree.query(points, predicate="dwithin", distance=reach)
        away, _ = point_distance(x_m[point], y_m[point], self.piece[piece])
        return point, piece, away - self.half_width_m[piece]


def build_ground(layers: Layers) -> Ground:
    """Make what is in the way ready to be asked.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Returns
    -------
    Ground
        With search trees.
    """
    lines, row = shapely.get_parts(
        np.asarray(layers.roads.geometry.values, dtype=object), return_index=True
    )
    coordinates, line = shapely.get_coordinates(lines, return_index=True)
    joins = line[1:] == line[:-1]
    piece = np.concatenate([coordinates[:-1], coordinates[1:]], axis=1)[joins]
    road = row[line[1:][joins]].astype(np.int64)
    half = layers.roads["width_m"].to_numpy(dtype=np.float64) / 2
    return Ground(
        piece,
        road,
        half[road],
        shapely.STRtree(shapely.linestrings(piece.reshape(-1, 2, 2))),
        _tree(layers.buildings, layers.pools, layers.water),
        _tree(layers.rail),
        _tree(layers.sidewalks, layers.driveways),
    )


def _tree(*frames: gpd.GeoDataFrame) -> shapely.STRtree:
    shapes = [np.asarray(frame.geometry.values, dtype=object) for frame in frames]
    return shapely.STRtree(np.concatenate(shapes))
