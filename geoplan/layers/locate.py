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

from geoplan.layers.town import Town, pairs_around

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
    """Buildings to search, and lots."""

    tree: shapely.STRtree
    area_m2: FloatArray
    lots: ObjectArray

    def lot_pairs(self, house: IntArray) -> IntArray:
        """Return pairs of house and lot that its inner point is on, of some houses only."""
        wanted = np.unique(house)
        row, lot = find_around(shapely.point_on_surface(self.shapes[wanted]), self.lots)
        return np.stack([wanted[row], lot])

    @property
    def shapes(self) -> ObjectArray:
        """All buildings."""
        shapes: ObjectArray = self.tree.geometries
        return shapes


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
    layers = {
        "addresses": addresses,
        "parcels": parcels.sort_index(),
        "buildings": buildings.sort_index(),
    }
    return locate_in_town(Town(layers), max_building_distance_m=max_building_distance_m)


def locate_in_town(town: Town, *, max_building_distance_m: float) -> tuple[pd.Series, pd.Series]:
    """Find the lot and the building of each address of a town.

    Parameters
    ----------
    town : Town
        Parcels and buildings sorted by id.
    max_building_distance_m : float
        As for `locate_addresses`, m, >= 0.

    Returns
    -------
    parcel_id, building_id : Series of str
        As from `locate_addresses`.
    """
    points, lots, houses = (town.shapes(name) for name in ("addresses", "parcels", "buildings"))
    house_tree = town.tree("buildings")
    lot_area, house_area = shapely.area(lots), shapely.area(houses)

    parcel = _smallest_around(len(points), town.around("addresses", "parcels"), lot_area)
    is_shed = house_area < SHED_BELOW_M2
    around = town.around("addresses", "buildings")
    building = _smallest_around(len(points), around, house_area, last=is_shed)
    searched = _Houses(house_tree, house_area, lots)

    for block in _blocks(np.flatnonzero((building == NONE) & (parcel != NONE))):
        building[block] = _nearest_on_lot(
            points[block], parcel[block], searched, max_building_distance_m
        )
    reach = min(MAX_DISTANCE_OFF_LOT_M, max_building_distance_m)
    for block in _blocks(np.flatnonzero((building == NONE) & (parcel == NONE))):
        row, house = house_tree.query(points[block], predicate="dwithin", distance=reach)
        away = shapely.distance(points[block][row], houses[house])
        building[block] = _first(len(block), row, house, (away,))

    is_off = (parcel == NONE) & (building != NONE)
    if is_off.any():
        house, lot = searched.lot_pairs(building[is_off])
        home_lot = _first(len(houses), house, lot, (lot_area[lot],))
        parcel[is_off] = home_lot[building[is_off]]
    return (
        _named(parcel, town["parcels"].index, town["addresses"].index, "parcel_id"),
        _named(building, town["buildings"].index, town["addresses"].index, "building_id"),
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
        Rows of points and of polygons, by pair, sorted.
    """
    return pairs_around(shapely.STRtree(points), polygons)


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
    size: int,
    around: IntArray,
    area_m2: FloatArray,
    *,
    last: BoolArray | None = None,
) -> IntArray:
    """Return the smallest polygon around each point; those marked `last` come last."""
    row, match = around
    if (row[1:] > row[:-1]).all():  # sorted by row: no choice to be made
        best = np.full(size, NONE, dtype=np.intp)
        best[row] = match
        return best
    late = np.zeros(len(area_m2)) if last is None else last.astype(np.float64)
    return _first(size, row, match, (late[match], area_m2[match]))


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
    away = shapely.distance(points[row], houses.shapes[house])
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
    lot_pairs, size = houses.lot_pairs(house), len(houses.area_m2)
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
    texts = ids.astype("str").array.take(match, allow_fill=True)
    return pd.Series(texts, index=index, name=name, dtype="str")
