"""Layers joined and checked area by area, their outlines fetched from a shelf a part at a time.

Enters: checked layers, those with many shapes without them, and shelves that hold these.
Leaves: addresses with lot and building, findings and rows set aside, as from the whole at once.
Does not do: read files; decide what is wrong (`check_topology`, `check_overlap`, `locate` do).

An address depends on the buildings within its reach and on the lots that these stand on; a pole,
on the outlines around it; an outline, on those that meet it. So an area needs no more than that.
Only the nearest lot or building of all is looked for farther off, group of shapes by group, as
long as a group may hold a nearer one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.check_links import LINK_CHECKS
from geoplan.layers.check_overlap import (
    find_same_outlines,
    have_shared_key,
    meeting_outlines,
    shared_areas,
    tell_overlaps,
    with_copies,
    within_reason,
)
from geoplan.layers.check_topology import (
    LOCAL_CHECKS,
    OVERLAPS,
    POINT_CHECKS,
    nearest_shapes,
    rows_outside_parcels,
    tell_outside_parcels,
    tell_same_outline,
    tell_without_building,
)
from geoplan.layers.locate import MAX_DISTANCE_OFF_LOT_M, locate_in_town
from geoplan.layers.shelf import DiskShelf, with_shapes
from geoplan.layers.split_points import Nearby, rows_by_area, split_points
from geoplan.layers.town import Town

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]
Frames = dict[str, gpd.GeoDataFrame]
Shelves = dict[str, DiskShelf]

AREA = 50_000
"""Points or outlines looked at together; no say in the result."""
GROUP = 20_000
"""Shapes among which the nearest is looked for; no say in the result."""
ROUNDING_M = 1.0
"""Added to each reach, so that no rounding matters."""


@dataclass
class Joined:
    """Layers after joining."""

    frames: Frames
    shelves: Shelves
    findings: list[pd.DataFrame] = field(default_factory=list)
    set_aside: list[pd.DataFrame] = field(default_factory=list)


def join_by_area(
    frames: Frames,
    spans: gpd.GeoDataFrame,
    shelves: Shelves,
    *,
    max_building_distance_m: float,
    area: int = AREA,
) -> Joined:
    """Locate addresses and check what lies where, area by area.

    Parameters
    ----------
    frames : dict of str to GeoDataFrame
        All layers by name, sorted by id, working coordinates; those on shelves without shapes.
    spans : GeoDataFrame
        Strand spans.
    shelves : dict of str to DiskShelf
        At least those of ``parcels`` and ``buildings``.
    max_building_distance_m : float
        As for `geoplan.layers.locate.locate_addresses`.
    area : int
        Points or outlines looked at together.

    Returns
    -------
    Joined
        Layers, findings and rows set aside equal those from the whole region at once.
    """
    joined = Joined(dict(frames), dict(shelves))
    _drop_copies(joined)
    reach_m = max(max_building_distance_m, MAX_DISTANCE_OFF_LOT_M) + ROUNDING_M
    _locate(joined, max_building_distance_m, reach_m, area)
    town = Town({**joined.frames, "spans": spans})
    joined.findings += [check(town) for check in (*POINT_CHECKS, *LINK_CHECKS)]
    for layer in OVERLAPS:
        joined.findings.append(_overlaps(joined, layer, area))
    return joined


def _drop_copies(joined: Joined) -> None:
    """Set aside buildings that have the outline of another one."""
    frame, shelf = joined.frames["buildings"], joined.shelves["buildings"]
    first, is_copy = same_outlines(shelf)
    if not is_copy.any():
        return
    names, copies = frame.index.to_numpy(dtype=object), np.flatnonzero(is_copy)
    told = tell_same_outline(names[copies], names[first[copies]], shelf.take(copies))
    joined.set_aside.append(told)
    kept = np.flatnonzero(~is_copy)
    joined.frames["buildings"] = frame.iloc[kept]
    joined.shelves["buildings"] = shelf.keep(kept)


def same_outlines(shelf: DiskShelf) -> tuple[IntArray, BoolArray]:
    """Return the first of those with the same outline, and whether that is another one.

    Parameters
    ----------
    shelf : DiskShelf
        Outlines of n rows.

    Returns
    -------
    first : ndarray of int64, shape (n,)
        Row of the first one with that outline.
    is_copy : ndarray of bool, shape (n,)
        Whether that is another row.
    """
    first = np.arange(len(shelf), dtype=np.int64)
    alike = np.flatnonzero(have_shared_key(shelf.bounds))
    # those of the same bounds stay together
    order = alike[np.lexsort((alike, *shelf.bounds[alike].T))]
    is_new = np.ones(len(order), dtype=bool)
    is_new[1:] = (shelf.bounds[order[1:]] != shelf.bounds[order[:-1]]).any(axis=1)
    part = np.maximum.accumulate(np.where(is_new, np.arange(len(order)), 0)) // AREA
    for at in rows_by_area(part):
        rows = order[at]
        row, _ = find_same_outlines(shelf.take(rows))
        first[rows] = rows[row]
    return first, first != np.arange(len(shelf))


def _locate(joined: Joined, max_building_distance_m: float, reach_m: float, area: int) -> None:
    """Give addresses their lots and buildings; check points with the outlines around them."""
    addresses, poles = joined.frames["addresses"], joined.frames["poles"]
    x, y = (
        np.concatenate([getattr(frame.geometry, axis).to_numpy() for frame in (addresses, poles)])
        for axis in "xy"
    )
    boxes = np.stack([x, y, x, y], axis=1)
    nothing = np.zeros(0, dtype=np.int64)
    parts, outside, bare = [], [nothing], [nothing]
    for points in rows_by_area(split_points(x, y, area)):
        cut = np.searchsorted(points, len(addresses))
        mine, near = points[:cut], joined.shelves["buildings"].bounds
        buildings = Nearby(boxes[points], reach_m).rows(near)
        around = np.concatenate([boxes[points], near[buildings]])
        parcels = Nearby(around, ROUNDING_M).rows(joined.shelves["parcels"].bounds)
        town = Town(
            {
                "addresses": addresses.iloc[mine],
                "poles": poles.iloc[points[cut:] - len(addresses)],
                "buildings": _part(joined, "buildings", buildings),
                "parcels": _part(joined, "parcels", parcels),
            }
        )
        parcel, building = locate_in_town(town, max_building_distance_m=max_building_distance_m)
        parts.append(pd.concat([parcel, building], axis=1))
        joined.findings += [check(town) for check in LOCAL_CHECKS]
        outside.append(mine[rows_outside_parcels(town)])
        bare.append(mine[building.isna().to_numpy()])
    columns = ["parcel_id", "building_id"]
    located = pd.concat(parts) if parts else pd.DataFrame(columns=columns)
    located = located.reindex(addresses.index)
    names = [column for column in addresses.columns if column != "geometry"]
    with_both = addresses.assign(
        parcel_id=located["parcel_id"].astype("str"),
        building_id=located["building_id"].astype("str"),
    )
    joined.frames["addresses"] = with_both[[*names, *located.columns, "geometry"]]
    _tell_far(joined, np.concatenate(outside), np.concatenate(bare))


def _part(joined: Joined, layer: str, rows: IntArray) -> gpd.GeoDataFrame:
    return with_shapes(joined.frames[layer], joined.shelves[layer], rows)


def _tell_far(joined: Joined, outside: IntArray, bare: IntArray) -> None:
    """Tell of addresses without a lot or a building, and how far the nearest is."""
    addresses = joined.frames["addresses"]
    ids, points = addresses.index.to_numpy(dtype=object), addresses.geometry.to_numpy()
    parcels, buildings = joined.shelves["parcels"], joined.shelves["buildings"]
    names = joined.frames["parcels"].index.to_numpy(dtype=object)
    nearest = nearest_on_shelf(points[outside], parcels)
    joined.findings.append(tell_outside_parcels(ids[outside], names, *nearest))
    if len(buildings):
        _, away = nearest_on_shelf(points[bare], buildings)
        joined.findings.append(tell_without_building(ids[bare], away))


def nearest_on_shelf(
    points: ObjectArray, shelf: DiskShelf, size: int = AREA
) -> tuple[IntArray, FloatArray]:
    """Find the nearest shape of each point, the first of several, however far.

    Parameters
    ----------
    points : ndarray of points, shape (n,)
        Metres; best in an order in which near ones stand together.
    shelf : DiskShelf
        Shapes.
    size : int
        Points looked at together; no say in the result.

    Returns
    -------
    nearest : ndarray of int64, shape (n,)
        Row of the shape; -1 where there is none at all.
    away : ndarray of float64, shape (n,)
        Metres; infinite where there is none.
    """
    found = _Nearest(points, shelf, [np.sort(rows) for rows in shelf.groups(GROUP)])
    if not found.groups:
        return found.nearest, found.away
    boxes = np.stack([_box_around(shelf.bounds[rows]) for rows in found.groups])
    for start in range(0, len(points), size):
        at = np.arange(start, min(start + size, len(points)))
        gap = _gaps(points[at], boxes)
        own = gap.argmin(axis=1)
        for number in np.unique(own).tolist():
            found.ask(number, at[own == number])
        for number in range(len(boxes)):
            found.ask(number, at[(own != number) & (gap[:, number] <= found.away[at])])
    return found.nearest, found.away


class _Nearest:
    """The nearest shape of each point so far."""

    def __init__(self, points: ObjectArray, shelf: DiskShelf, groups: list[IntArray]) -> None:
        self.points, self.shelf, self.groups = points, shelf, groups
        self.nearest = np.full(len(points), -1, dtype=np.int64)
        self.away = np.full(len(points), np.inf)

    def ask(self, number: int, at: IntArray) -> None:
        """Look for nearer shapes of some points in a group."""
        if not len(at):
            return
        rows = self.groups[number]
        match, away = nearest_shapes(self.points[at], shapely.STRtree(self.shelf.take(rows)))
        is_same = (away == self.away[at]) & (rows[match] < self.nearest[at])
        is_better = (away < self.away[at]) | is_same
        at, match, away = at[is_better], match[is_better], away[is_better]
        self.nearest[at], self.away[at] = rows[match], away


def _box_around(bounds: FloatArray) -> FloatArray:
    return np.concatenate([bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)])


def _gaps(points: ObjectArray, boxes: FloatArray) -> FloatArray:
    """Return no more than the distance of each point to what is in each box."""
    place = shapely.get_coordinates(points)[:, None, :]
    beside = np.maximum(np.maximum(boxes[:, :2] - place, place - boxes[:, 2:]), 0.0)
    gap: FloatArray = np.hypot(beside[..., 0], beside[..., 1]) * (1.0 - 1e-12)
    return gap


def _overlaps(joined: Joined, layer: str, area: int) -> pd.DataFrame:
    """Find outlines of a layer that overlap."""
    shelf = joined.shelves[layer]
    ids = joined.frames[layer].index.to_numpy(dtype=object)
    first, is_copy = same_outlines(shelf)
    pairs, sizes = [np.zeros((0, 2), dtype=np.intp)], [np.zeros(0, dtype=np.intp)]
    middle = (shelf.bounds[:, :2] + shelf.bounds[:, 2:]) / 2.0
    for owned in rows_by_area(split_points(middle[:, 0], middle[:, 1], area)):
        rows = Nearby(shelf.bounds[owned], ROUNDING_M).rows(shelf.bounds)
        shapes = shelf.take(rows)
        pair, vertices = meeting_outlines(shapes, shapely.STRtree(shapes), is_copy[rows])
        pair = rows[pair]
        is_mine = np.isin(pair[:, 0], owned)
        pairs.append(pair[is_mine])
        sizes.append(vertices[is_mine])
    pair, skipped = within_reason(np.concatenate(pairs), np.concatenate(sizes))
    pair = with_copies(pair, first, is_copy)
    shared = [np.zeros((2, 0))]
    for start in range(0, len(pair), area):
        some = pair[start : start + area]
        one, other = shelf.take(some[:, 0]), shelf.take(some[:, 1])
        shared.append(shared_areas(one, other, is_copy[some[:, 0]]))
    severity, remedy = OVERLAPS[layer]
    whole = np.concatenate(shared, axis=1)
    return tell_overlaps(layer, ids, pair, whole, skipped, severity, remedy)
