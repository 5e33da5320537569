"""Layers made ready for bulk questions: row numbers, coordinates, search trees.

Enters: checked layers and a few settings.
Leaves: `PlantIndex`.
Does not do: answer the questions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Layers
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.routes.walls import Walls, build_walls

if TYPE_CHECKING:
    import geopandas as gpd

ObjectArray = npt.NDArray[np.object_]

INTRICATE_EDGES = 24


@dataclass(frozen=True)
class Pieces:
    """Lines cut into straight pieces, with a tree over their widened boxes.

    The tree holds diagonals of the boxes: it can be asked for boxes that meet, and no more.
    """

    segment: FloatArray
    feature: IntArray
    half_width_m: FloatArray
    tree: shapely.STRtree


@dataclass(frozen=True)
class Areas:
    """Polygons with a tree, and their edges: ``first[k]:first[k + 1]`` are those of row k."""

    polygon: ObjectArray
    tree: shapely.STRtree
    edges: FloatArray
    first: IntArray

    @property
    def is_intricate(self) -> bool:
        """Whether outlines are long enough to be tested one by one before any arithmetic."""
        return len(self.edges) > INTRICATE_EDGES * max(len(self.polygon), 1)


@dataclass(frozen=True)
class PlantIndex:
    """All layers by row number, sorted by id, so that row order stands for id order."""

    address_x: FloatArray
    address_y: FloatArray
    address_parcel: IntArray
    """Row of the address's lot; -1 where unknown."""
    address_building: IntArray
    """Row of its building; -1 without one."""
    ports_needed: IntArray
    pole_x: FloatArray
    pole_y: FloatArray
    pole_tree: shapely.STRtree
    terminal_pole: IntArray
    span_ends: IntArray
    span_length_m: FloatArray
    span_line: ObjectArray
    span_tree: shapely.STRtree
    walls: Walls
    roads: Pieces
    rail: Pieces
    power: Pieces
    existing_drops: Pieces
    water: Areas
    sidewalks: Areas
    driveways: Areas
    pools: Areas
    buildings: Areas
    parcels: Areas
    tree_x: FloatArray
    tree_y: FloatArray
    crown_radius_m: FloatArray
    crown_tree: shapely.STRtree

    @property
    def address_count(self) -> int:
        """Number of addresses."""
        return len(self.address_x)

    def without_search(self) -> PlantIndex:
        """Return the rows and outlines alone, without trees, walls and edges."""
        no_tree, nothing = shapely.STRtree([]), np.zeros((0, 4))
        no_row = np.zeros(0, dtype=np.int64)

        def bare_areas(areas: Areas) -> Areas:
            return Areas(areas.polygon, no_tree, nothing, no_row)

        no_pieces = Pieces(nothing, no_row, nothing[:, 0], no_tree)
        return replace(
            self,
            pole_tree=no_tree,
            span_tree=no_tree,
            crown_tree=no_tree,
            walls=Walls(nothing, nothing[:, :2], no_row),
            roads=no_pieces,
            rail=no_pieces,
            power=no_pieces,
            existing_drops=no_pieces,
            water=bare_areas(self.water),
            sidewalks=bare_areas(self.sidewalks),
            driveways=bare_areas(self.driveways),
            pools=bare_areas(self.pools),
            buildings=bare_areas(self.buildings),
            parcels=bare_areas(self.parcels),
        )

    def with_outlines(self, rows: IntArray, outlines: ObjectArray) -> PlantIndex:
        """Return the same with the outlines of some buildings, which were put away."""
        polygon = self.buildings.polygon.copy()
        polygon[rows] = outlines
        return replace(self, buildings=replace(self.buildings, polygon=polygon))

    def targets(self, address: IntArray) -> ObjectArray:
        """Return what an address is attached to: its building, or its point."""
        points = shapely.points(self.address_x[address], self.address_y[address])
        targets: ObjectArray = np.asarray(points, dtype=object)
        building = self.address_building[address]
        has = building >= 0
        targets[has] = self.buildings.polygon[building[has]]
        return targets


def row_numbers(ids: pd.Series, index: pd.Index) -> IntArray:
    """Turn ids into row numbers of the layer they name.

    Parameters
    ----------
    ids : pandas.Series of str, shape (n,)
        Ids, null allowed.
    index : pandas.Index of str
        The layer's ids.

    Returns
    -------
    ndarray of int64, shape (n,)
        -1 where null or unknown.
    """
    return np.asarray(index.get_indexer(pd.Index(ids)), dtype=np.int64)


def build_index(layers: Layers, *, near_power_m: float, near_tree_m: float) -> PlantIndex:
    """Make checked layers ready for bulk questions.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    near_power_m, near_tree_m : float
        Distances in metres within which power and crowns are looked for.

    Returns
    -------
    PlantIndex
        Row numbers, coordinates and trees.
    """
    addresses, poles, spans = layers.addresses, layers.poles, layers.spans
    buildings = np.asarray(layers.buildings.geometry.values, dtype=object)
    ends = np.stack(
        [
            row_numbers(spans["from_pole_id"], poles.index),
            row_numbers(spans["to_pole_id"], poles.index),
        ],
        axis=1,
    )
    span_lines = np.asarray(spans.geometry.values, dtype=object)
    pole_points = np.asarray(poles.geometry.values, dtype=object)
    tree_x, tree_y = _xy(layers.trees)
    radius = layers.trees["crown_radius_m"].to_numpy(dtype=np.float64) + near_tree_m
    return PlantIndex(
        *_xy(addresses),
        row_numbers(addresses["parcel_id"], layers.parcels.index),
        row_numbers(addresses["building_id"], layers.buildings.index),
        addresses["ports_needed"].to_numpy(dtype=np.int64),
        *_xy(poles),
        shapely.STRtree(pole_points),
        np.flatnonzero(poles["ports_total"].to_numpy(dtype=np.int64) > 0).astype(np.int64),
        ends.astype(np.int64),
        spans["length_m"].to_numpy(dtype=np.float64),
        span_lines,
        shapely.STRtree(span_lines),
        build_walls(buildings),
        _pieces(layers.roads, layers.roads["width_m"].to_numpy(dtype=np.float64) / 2, 0.0),
        _pieces(layers.rail, layers.rail["width_m"].to_numpy(dtype=np.float64) / 2, 0.0),
        _pieces(layers.power, np.zeros(len(layers.power)), near_power_m),
        _pieces(layers.existing_drops, np.zeros(len(layers.existing_drops)), 0.0),
        _areas(layers.water),
        _areas(layers.sidewalks),
        _areas(layers.driveways),
        _areas(layers.pools),
        _areas(layers.buildings),
        _areas(layers.parcels),
        tree_x,
        tree_y,
        layers.trees["crown_radius_m"].to_numpy(dtype=np.float64),
        _box_tree(tree_x - radius, tree_y - radius, tree_x + radius, tree_y + radius),
    )


def _xy(frame: gpd.GeoDataFrame) -> tuple[FloatArray, FloatArray]:
    points = np.asarray(frame.geometry.values, dtype=object)
    return shapely.get_x(points), shapely.get_y(points)


def _areas(frame: gpd.GeoDataFrame) -> Areas:
    polygons = np.asarray(frame.geometry.values, dtype=object)
    edges, polygon = _edges(polygons)
    first = np.searchsorted(polygon, np.arange(len(polygons) + 1)).astype(np.int64)
    return Areas(polygons, shapely.STRtree(polygons), edges, first)


def _edges(geometry: ObjectArray) -> tuple[FloatArray, IntArray]:
    """Return the straight pieces of lines or rings, in order, and the row each belongs to."""
    coordinates, owner = shapely.get_coordinates(geometry, return_index=True)
    joins = owner[1:] == owner[:-1]
    several = np.flatnonzero(
        (shapely.get_type_id(geometry) > shapely.GeometryType.POLYGON)
        | (shapely.get_num_interior_rings(geometry) > 0)
    )
    if len(several):
        joins[_later_starts(geometry, several, owner) - 1] = False
    edges = np.concatenate([coordinates[:-1], coordinates[1:]], axis=1)[joins]
    return edges, owner[1:][joins].astype(np.int64)


def _later_starts(geometry: ObjectArray, several: IntArray, owner: IntArray) -> IntArray:
    """Return which coordinates begin a second or later ring or part of their row."""
    parts, row = shapely.get_parts(geometry[several], return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    is_line = shapely.get_type_id(parts) != shapely.GeometryType.POLYGON
    row = np.concatenate([row[is_line], row[part]])  # of one layer: all lines or all polygons
    size = np.concatenate(
        [shapely.get_num_coordinates(parts[is_line]), shapely.get_num_coordinates(rings)]
    )
    before = np.cumsum(size) - size
    is_later = np.zeros(len(row), dtype=bool)
    is_later[1:] = row[1:] == row[:-1]
    lead = np.maximum.accumulate(np.where(is_later, 0, np.arange(len(row))))
    begin = np.searchsorted(owner, several)[row] + before - before[lead]
    return np.asarray(begin[is_later], dtype=np.int64)


def _pieces(frame: gpd.GeoDataFrame, half_width_m: FloatArray, margin_m: float) -> Pieces:
    segment, feature = _edges(np.asarray(frame.geometry.values, dtype=object))
    half = half_width_m[feature]
    grow = half + margin_m
    low = np.minimum(segment[:, :2], segment[:, 2:])
    high = np.maximum(segment[:, :2], segment[:, 2:])
    tree = _box_tree(low[:, 0] - grow, low[:, 1] - grow, high[:, 0] + grow, high[:, 1] + grow)
    return Pieces(segment, feature, half, tree)


def _box_tree(
    low_x: FloatArray, low_y: FloatArray, high_x: FloatArray, high_y: FloatArray
) -> shapely.STRtree:
    """Build a tree over boxes; each is held as its diagonal, which takes a third of the memory."""
    corners = np.stack([low_x, low_y, high_x, high_y], axis=1)
    with np.errstate(invalid="ignore"):  # what is put away has no place here
        return shapely.STRtree(shapely.linestrings(corners.reshape(-1, 2, 2)))
