"""Where each address belongs: its lot and its building.

Enters: addresses, parcels and buildings, each indexed by its id, in working coordinates, metres.
Leaves: two columns for the addresses, ``parcel_id`` and ``building_id``; null where none fits.
Does not do: report addresses without a lot or building (see `check_topology`).
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

SHED_BELOW_M2 = 25.0
"""A building smaller than this may be a shed or a garage. Common practice, no source."""
HOUSE_FROM_M2 = 40.0
"""A building from this size on may be a house. Common practice, no source."""
MAX_DISTANCE_OFF_LOT_M = 15.0
"""Farthest building of an address that is on no lot. Common practice, no source."""
BLOCK = 100_000
"""Addresses searched at once, which bounds the memory."""
ROUNDING_M = 1e-3
"""Slack of the search box, so that rounding loses no building at the very limit."""

NONE = -1


@dataclass(frozen=True)
class _Houses:
    """Buildings to search, and pairs of building and lot that its inner point is on."""

    tree: shapely.STRtree
    area_m2: FloatArray
    lot_pairs: IntArray


def locate_addresses(
    addresses: gpd.GeoDataFrame,
    parcels: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame,
    *,
    max_building_distance_m: float,
) -> tuple[pd.Series, pd.Series]:
    """Find the lot and the building of each address.

    Parameters
    ----------
    addresses : GeoDataFrame
        Points indexed by ``address_id``; metres.
    parcels : GeoDataFrame
        Polygons indexed by ``parcel_id``.
    buildings : GeoDataFrame
        Polygons indexed by ``building_id``; may be empty.
    max_building_distance_m : float
        Farthest building of the same lot, m, >= 0.

    Returns
    -------
    parcel_id : Series of str
        By address: the lot that holds or touches it, the smallest (then the smaller id) where
        several do; else the lot of its building; null where there is none.
    building_id : Series of str
        By address: see Notes; null where there is none.

    Raises
    ------
    ValueError
        If the distance is negative or not a number.

    Notes
    -----
    The building is the one that holds or touches the address (house-sized before shed-sized,
    then the smallest, then the smaller id). Else, with a lot: the nearest building within the
    distance whose representative point lies on that lot; if that one is smaller than
    `SHED_BELOW_M2`, the nearest of at least `HOUSE_FROM_M2` there, where there is one. Else,
    without a lot: the nearest within `MAX_DISTANCE_OFF_LOT_M` and the distance. Equal distances
    go to the smaller id. The order of rows has no effect. Cost O(n log n), and linear in the
    number of buildings near each address.
    """
    if not max_building_distance_m >= 0.0:
        message = f"max_building_distance_m is {max_building_distance_m}, must be 0 or more"
        raise ValueError(message)
    parcels, buildings = parcels.sort_index(), buildings.sort_index()
    points = addresses.geometry.to_numpy()
    lots, houses = parcels.geometry.to_numpy(), buildings.geometry.to_numpy()
    house_tree = shapely.STRtree(houses)
    lot_area, house_area = shapely.area(lots), shapely.area(houses)

    parcel = _smallest_around(points, lots, lot_area)
    is_shed = house_area < SHED_BELOW_M2
    building = _smallest_around(points, houses, house_area, last=is_shed)
    lot_pairs = find_around(shapely.point_on_surface(houses), lots)
    searched = _Houses(house_tree, house_area, lot_pairs)

    for block in _blocks(np.flatnonzero((building == NONE) & (parcel != NONE))):
        building[block] = _nearest_on_lot(
            points[block], parcel[block], searched, max_building_distance_m
        )
    reach = min(MAX_DISTANCE_OFF_LOT_M, max_building_distance_m)
    for block in _blocks(np.flatnonzero((building == NONE) & (parcel == NONE))):
        row, house = house_tree.query(points[block], predicate="dwithin", distance=reach)
        away = shapely.distance(points[block][row], houses[house])
        building[block] = _first(len(block), row, house, (away,))

    home_lot = _first(len(houses), lot_pairs[0], lot_pairs[1], (lot_area[lot_pairs[1]],))
    is_off = (parcel == NONE) & (building != NONE)
    parcel[is_off] = home_lot[building[is_off]]
    return (
        _named(parcel, parcels.index, addresses.index, "parcel_id"),
        _named(building, buildings.index, addresses.index, "building_id"),
    )


def find_around(points: ObjectArray, polygons: ObjectArray) -> IntArray:
    """Return which polygons hold or touch which points.

    Parameters
    ----------
    points : ndarray of points, shape (n,)
        Metres.
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
    polygon, point = shapely.STRtree(points).query(polygons, predicate="intersects")
    order = np.lexsort((polygon, point))
    return np.stack([point[order], polygon[order]])


def _blocks(rows: IntArray) -> list[IntArray]:
    return [rows[start : start + BLOCK] for start in range(0, len(rows), BLOCK)]


def _first(size: int, row: IntArray, match: IntArray, keys: tuple[FloatArray, ...]) -> IntArray:
    """Return for each row its match with the least keys, then the least position."""
    order = np.lexsort((match, *reversed(keys), row))
    found, first = np.unique(row[order], return_index=True)
    best = np.full(size, NONE, dtype=np.intp)
    best[found] = match[order][first]
    return best


def _smallest_around(
    points: ObjectArray,
    polygons: ObjectArray,
    area_m2: FloatArray,
    *,
    last: BoolArray | None = None,
) -> IntArray:
    """Return the smallest polygon around each point; those marked `last` come last."""
    row, match = find_around(points, polygons)
    late = np.zeros(len(area_m2)) if last is None else last.astype(np.float64)
    return _first(len(points), row, match, (late[match], area_m2[match]))


def _nearest_on_lot(
    points: ObjectArray,
    parcel: IntArray,
    houses: _Houses,
    max_distance_m: float,
) -> IntArray:
    """Return the nearest building on the lot of each point, a house before a shed."""
    x, y = shapely.get_x(points), shapely.get_y(points)
    reach = max_distance_m + ROUNDING_M
    around = shapely.box(x - reach, y - reach, x + reach, y + reach)
    row, house = houses.tree.query(around)
    is_same = _is_on_lot(house, parcel[row], houses)
    row, house = row[is_same], house[is_same]
    away = shapely.distance(points[row], houses.tree.geometries[house])
    is_near = away <= max_distance_m
    row, house, away = row[is_near], house[is_near], away[is_near]
    nearest = _first(len(points), row, house, (away,))
    is_big = houses.area_m2[house] >= HOUSE_FROM_M2
    big = _first(len(points), row[is_big], house[is_big], (away[is_big],))
    is_shed = np.zeros(len(points), dtype=bool)
    found = nearest != NONE
    is_shed[found] = houses.area_m2[nearest[found]] < SHED_BELOW_M2
    return np.where(is_shed & (big != NONE), big, nearest)


def _is_on_lot(house: IntArray, lot: IntArray, houses: _Houses) -> BoolArray:
    """Return whether each house is on the lot paired with it."""
    lot_pairs, size = houses.lot_pairs, len(houses.area_m2)
    any_lot = np.full(size, NONE, dtype=np.intp)
    any_lot[lot_pairs[0]] = lot_pairs[1]
    is_same: BoolArray = any_lot[house] == lot
    has_several = np.bincount(lot_pairs[0], minlength=size) > 1
    unsure = np.flatnonzero(~is_same & has_several[house])
    if len(unsure):
        lots = int(max(lot_pairs[1].max(), lot.max())) + 1
        keys = lot_pairs[0] * lots + lot_pairs[1]
        is_same[unsure] = np.isin(house[unsure] * lots + lot[unsure], keys)
    return is_same


def _named(match: IntArray, ids: pd.Index, index: pd.Index, name: str) -> pd.Series:
    """Turn positions into ids, `NONE` into null."""
    named = np.full(len(match), np.nan, dtype=object)
    found = match != NONE
    named[found] = ids.to_numpy(dtype=object)[match[found]]
    return pd.Series(named, index=index, name=name, dtype="str")
