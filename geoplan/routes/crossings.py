"""What air spans cross or come near, in plan.

Enters: air spans and indexed layers.
Leaves: `Crossings`, one row per air span and feature met.
Does not do: heights; prices; words.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.routes.air_spans import AirSpans
from geoplan.routes.index import Areas, Pieces, PlantIndex
from geoplan.routes.segments import (
    FloatArray,
    IntArray,
    crossing_parameters,
    may_be_within,
    merge_intervals,
    point_distance,
    polygon_intervals,
    segment_distance,
    strip_interval,
)
from geoplan.tables import CrossingKind

KINDS = tuple(CrossingKind)
KIND_CODE = {kind: number for number, kind in enumerate(KINDS)}
KIND_LAYER = {
    CrossingKind.ROAD: "roads",
    CrossingKind.RAIL: "rail",
    CrossingKind.WATER: "water",
    CrossingKind.POWER: "power",
    CrossingKind.TREE: "trees",
    CrossingKind.ROOF: "buildings",
    CrossingKind.DRIVEWAY: "driveways",
    CrossingKind.SIDEWALK: "sidewalks",
    CrossingKind.POOL: "pools",
    CrossingKind.LOT: "parcels",
    CrossingKind.EXISTING_DROP: "existing_drops",
}
"""Layer that each kind of crossing counts its features in; planned drops count addresses."""

AT_POLE_M = 2.0
"""Power on the source pole, or along the strand over a clamp, is not met within this distance."""
ON_POLE_M = 1.0
"""Power that passes the source pole within this distance is taken to be on it."""
ALONG_STRAND = 0.17
"""Sine of the angle up to which a line runs along a strand, some 10 degrees."""
DROP_END_M = 0.5
"""Drops that share a pole or a house are not said to cross this close to either end."""
TOUCH_M = 1e-6


@dataclass(frozen=True)
class Crossings:
    """What air spans meet, one row per meeting; ``air`` is the row of the air span."""

    air: IntArray
    kind: IntArray
    feature: IntArray
    is_near_miss: npt.NDArray[np.bool_]
    is_overhang: npt.NDArray[np.bool_]
    """Over a carriageway without crossing its centre-line."""
    at_m: FloatArray
    start_m: FloatArray
    end_m: FloatArray
    distance_m: FloatArray
    angle_deg: FloatArray

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.air)

    def take(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Crossings:
        """Return some rows."""
        return Crossings(*(getattr(self, field.name)[rows] for field in fields(self)))

    def moved(self, by: int) -> Crossings:
        """Return the rows with their air spans renumbered by an offset."""
        rest = [getattr(self, field.name) for field in fields(self)[1:]]
        return Crossings(self.air + by, *rest)

    def over_streets(self, count: int) -> npt.NDArray[np.bool_]:
        """Tell which of `count` air spans cross a road's centre-line."""
        road = (self.kind == KIND_CODE[CrossingKind.ROAD]) & ~self.is_overhang
        over = np.zeros(count, dtype=bool)
        over[self.air[road]] = True
        return over

    @staticmethod
    def joined(parts: list[Crossings]) -> Crossings:
        """Return the rows of several tables, in order."""
        return Crossings(
            *(
                np.concatenate([getattr(part, field.name) for part in parts])
                for field in fields(Crossings)
            )
        )


def find_crossings(
    air: AirSpans,
    index: PlantIndex,
    *,
    near_power_m: float,
    near_pool_m: float,
    near_tree_m: float,
    min_lot_overlap_m: float,
) -> Crossings:
    """Find all that air spans cross or come near.

    Parameters
    ----------
    air : AirSpans
        Candidate air spans, n rows.
    index : PlantIndex
        Indexed layers.
    near_power_m, near_pool_m, near_tree_m : float
        Distances in metres within which a near-miss is reported.
    min_lot_overlap_m : float
        Shorter passages over a third party's lot are ignored.

    Returns
    -------
    Crossings
        Sorted by air span, kind, start and feature. Distances are along the air span from its
        source. A road's interval spans its carriageway; ``angle_deg`` is NaN where no
        centre-line or track is crossed.
    """
    segment = air.segment
    lines = _Lines(segment, air.length_m, shapely.linestrings(segment.reshape(-1, 2, 2)))
    own = index.address_parcel[air.address]
    parts = [
        *_strips(lines, index.roads, CrossingKind.ROAD),
        *_strips(lines, index.rail, CrossingKind.RAIL),
        *_areas(lines, index.water, CrossingKind.WATER),
        *_areas(lines, index.sidewalks, CrossingKind.SIDEWALK),
        *_areas(lines, index.driveways, CrossingKind.DRIVEWAY),
        *_areas(lines, index.buildings, CrossingKind.ROOF, own=air.building),
        *_areas(lines, index.parcels, CrossingKind.LOT, own=own, least_m=min_lot_overlap_m),
        *_pools(lines, index.pools, near_pool_m),
        *_power(lines, index.power, near_power_m, _strand_ways(air, index)),
        *_trees(lines, index, near_tree_m),
        *_drops(lines, index.existing_drops),
    ]
    return sorted_crossings(Crossings.joined(parts))


def find_near_buildings(
    air: AirSpans, crossings: Crossings, index: PlantIndex, near_m: float
) -> Crossings:
    """Find buildings that air spans pass close by and don't cross, for planned ones only.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    crossings : Crossings
        What they cross.
    index : PlantIndex
        Indexed layers.
    near_m : float
        Distance in plan within which a building is near, in metres.

    Returns
    -------
    Crossings
        Near misses of kind roof, sorted by air span and building: ``at_m`` is where the building
        is nearest, from ``start_m`` to ``end_m`` it is near. The building attached to is not
        among them. Nothing is charged for them.
    """
    segment, length = air.segment, air.length_m
    line = np.asarray(shapely.linestrings(segment.reshape(-1, 2, 2)), dtype=object)
    row, feature = index.buildings.tree.query(line, predicate="dwithin", distance=near_m)
    over = crossings.kind == KIND_CODE[CrossingKind.ROOF]
    most = len(index.buildings.polygon)
    crossed = crossings.air[over] * most + crossings.feature[over]
    other = (air.building[row] != feature) & ~np.isin(row * most + feature, crossed)
    row, feature = row[other], feature[other]
    order = np.lexsort((feature, row))
    row, feature = row[order], feature[order]
    outline = index.buildings.polygon[feature]
    nearest = shapely.get_point(shapely.shortest_line(line[row], outline), 0)
    close = shapely.intersection(line[row], shapely.buffer(outline, near_m))
    places, of = shapely.get_coordinates(close, return_index=True)
    along = shapely.line_locate_point(line[row][of], shapely.points(places))
    at = shapely.line_locate_point(line[row], nearest)
    start, end = at.copy(), at.copy()
    np.minimum.at(start, of, along)
    np.maximum.at(end, of, along)
    return _rows(
        CrossingKind.ROOF,
        row,
        feature,
        (at, start, np.minimum(end, length[row])),
        distance_m=shapely.distance(line[row], outline),
        near=np.ones(len(row), dtype=bool),
    )


class _Lines(NamedTuple):
    """Air spans as straight lines."""

    segment: FloatArray
    length_m: FloatArray
    line: npt.NDArray[np.object_]


def sorted_crossings(crossings: Crossings) -> Crossings:
    """Sort by air span, kind, start and feature.

    Parameters
    ----------
    crossings : Crossings
        Rows in any order.

    Returns
    -------
    Crossings
        The same rows in their one order.
    """
    key = crossings.air * len(KINDS) + crossings.kind
    order = np.argsort(key, kind="stable")
    key = key[order]
    same = np.zeros(len(key) + 1, dtype=bool)
    same[1:-1] = key[1:] == key[:-1]
    several = same[:-1] | same[1:]
    rows = order[several]
    among = np.lexsort((crossings.feature[rows], crossings.start_m[rows], key[several]))
    order[several] = rows[among]
    return crossings.take(order.astype(np.int64))


def _rows(
    kind: CrossingKind,
    air: IntArray,
    feature: IntArray,
    interval_m: tuple[FloatArray, FloatArray, FloatArray],
    *,
    distance_m: FloatArray | None = None,
    angle_deg: FloatArray | None = None,
    near: npt.NDArray[np.bool_] | None = None,
    overhang: npt.NDArray[np.bool_] | None = None,
) -> Crossings:
    count = len(air)
    at, start, end = interval_m
    return Crossings(
        np.asarray(air, dtype=np.int64),
        np.full(count, KIND_CODE[kind], dtype=np.int64),
        np.asarray(feature, dtype=np.int64),
        np.zeros(count, dtype=bool) if near is None else near,
        np.zeros(count, dtype=bool) if overhang is None else overhang,
        at,
        start,
        end,
        np.zeros(count) if distance_m is None else distance_m,
        np.full(count, np.nan) if angle_deg is None else angle_deg,
    )


def _strips(lines: _Lines, pieces: Pieces, kind: CrossingKind) -> Iterator[Crossings]:
    """Roads and tracks: the interval over their width, and where their axis is crossed."""
    row, piece = pieces.tree.query(lines.line)
    first, axis = lines.segment[row], pieces.segment[piece]
    inside, start, end = strip_interval(first, axis, pieces.half_width_m[piece])
    row, piece, start, end = row[inside], piece[inside], start[inside], end[inside]
    first, axis = first[inside], axis[inside]
    meets, u, angle = crossing_parameters(first, axis)
    order, group = merge_intervals((row, pieces.feature[piece]), start, end)
    count = int(group[-1]) + 1 if len(group) else 0
    lead = np.searchsorted(group, np.arange(count))
    row, feature = row[order][lead], pieces.feature[piece][order][lead]
    first_start = start[order][lead]
    last_end, at = np.zeros(count), np.full(count, np.inf)
    np.maximum.at(last_end, group, end[order])
    np.minimum.at(at, group, np.where(meets, u, np.inf)[order])
    crossed = np.isfinite(at)
    square = np.full(count, -np.inf)
    same = meets[order] & (u[order] <= at[group] + 1e-9)
    np.maximum.at(square, group, np.where(same, angle[order], -np.inf))
    length = lines.length_m[row]
    middle = np.where(crossed, at, (first_start + last_end) / 2)
    yield _rows(
        kind,
        row,
        feature,
        (middle * length, first_start * length, last_end * length),
        angle_deg=np.where(crossed, square, np.nan),
        overhang=~crossed,
    )


def _areas(
    lines: _Lines,
    areas: Areas,
    kind: CrossingKind,
    *,
    own: IntArray | None = None,
    least_m: float = TOUCH_M,
) -> Iterator[Crossings]:
    """Polygons: one row per passage that is long enough."""
    predicate = "intersects" if areas.is_intricate else None
    row, feature = areas.tree.query(lines.line, predicate=predicate)
    if own is not None:
        other = own[row] != feature
        row, feature = row[other], feature[other]
    pair, start, end = polygon_intervals(lines.segment[row], areas.edges, areas.first, feature)
    row, feature = row[pair], feature[pair]
    length = lines.length_m[row]
    start, end = start * length, end * length
    long = end - start >= max(least_m, TOUCH_M)
    row, feature, start, end = row[long], feature[long], start[long], end[long]
    yield _rows(kind, row, feature, ((start + end) / 2, start, end))


def _pools(lines: _Lines, pools: Areas, near_m: float) -> Iterator[Crossings]:
    yield from _areas(lines, pools, CrossingKind.POOL)
    row, feature = pools.tree.query(lines.line, predicate="dwithin", distance=near_m)
    distance = shapely.distance(lines.line[row], pools.polygon[feature])
    near = distance > 0
    row, feature, distance = row[near], feature[near], distance[near]
    closest = shapely.get_point(shapely.shortest_line(lines.line[row], pools.polygon[feature]), 0)
    start = lines.segment[row]
    at = np.hypot(shapely.get_x(closest) - start[:, 0], shapely.get_y(closest) - start[:, 1])
    yield _rows(
        CrossingKind.POOL,
        row,
        feature,
        (at, at, at),
        distance_m=distance,
        near=np.ones(len(row), dtype=bool),
    )


def _strand_ways(air: AirSpans, index: PlantIndex) -> FloatArray:
    """Return the way along the strand that each clamp sits on, of length 1; NaN for a pole."""
    way = np.full((len(air), 2), np.nan)
    clamp = np.flatnonzero(air.span >= 0)
    ends = index.span_ends[air.span[clamp]]
    way[clamp, 0] = index.pole_x[ends[:, 1]] - index.pole_x[ends[:, 0]]
    way[clamp, 1] = index.pole_y[ends[:, 1]] - index.pole_y[ends[:, 0]]
    return np.asarray(way / np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None])


def _follows(strand: FloatArray, second: FloatArray) -> npt.NDArray[np.bool_]:
    """Tell which pieces run along the strand of a clamp, and of a pole all."""
    way = second[:, 2:] - second[:, :2]
    aside = np.abs(strand[:, 0] * way[:, 1] - strand[:, 1] * way[:, 0])
    return np.asarray(
        np.isnan(strand[:, 0]) | (aside <= ALONG_STRAND * np.hypot(way[:, 0], way[:, 1]))
    )


def _power(lines: _Lines, power: Pieces, near_m: float, strand: FloatArray) -> Iterator[Crossings]:
    """Power: crossings, and near-misses away from a pole that both share.

    A line on the source pole is close by nature there; separation at the pole is a matter of
    heights. The same holds for a line that runs along the strand over a clamp; one that goes
    another way over the clamp counts from the clamp on. A shared line counts as met only beyond
    `AT_POLE_M`, and as near only if it is near the half of the air span toward the house; its
    distance is then the least beyond `AT_POLE_M`. A line that bends and is crossed twice gives a
    row each time.
    """
    row, piece = power.tree.query(lines.line)
    close = may_be_within(lines.segment[row], power.segment[piece], max(near_m, ON_POLE_M))
    row, piece = row[close], piece[close]
    first, second = lines.segment[row], power.segment[piece]
    feature = power.feature[piece]
    at_source, _ = point_distance(first[:, 0], first[:, 1], second)
    at_source = np.where(_follows(strand[row], second), at_source, np.inf)
    key = row * max(int(power.feature.max(initial=0)) + 1, 1) + feature
    unique, group = np.unique(key, return_inverse=True)
    nearest_source = np.full(len(unique), np.inf)
    np.minimum.at(nearest_source, group, at_source)
    shared = nearest_source[group] <= ON_POLE_M
    length = np.maximum(lines.length_m[row], 1e-9)
    skip = np.where(shared, np.minimum(AT_POLE_M / length, 1.0), 0.0)
    meets, u, angle = crossing_parameters(first, second)
    crosses = meets & (u >= skip)
    half = _without_start(first, np.where(shared, 0.5, 0.0))
    rest = np.flatnonzero(~crosses)
    rest = rest[may_be_within(half[rest], second[rest], near_m)]
    rest = rest[segment_distance(half[rest], second[rest])[0] <= near_m]
    near = np.zeros(len(row), dtype=bool)
    near[rest] = True
    distance, place = np.full(len(row), np.inf), u.copy()
    beyond = _without_start(first[rest], np.minimum(skip[rest], 0.5))
    distance[rest], v = segment_distance(beyond, second[rest])
    place[rest] = np.minimum(skip[rest], 0.5) * (1.0 - v) + v
    hit = np.flatnonzero(crosses | near)
    order = hit[np.lexsort((place[hit], np.where(crosses, 0.0, distance)[hit], group[hit]))]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = group[order][1:] != group[order][:-1]
    apart = np.diff(place[order] * length[order], prepend=-np.inf) > TOUCH_M
    pick = order[lead | (crosses[order] & apart)]
    at = place[pick] * lines.length_m[row[pick]]
    yield _rows(
        CrossingKind.POWER,
        row[pick],
        feature[pick],
        (at, at, at),
        distance_m=np.where(crosses, 0.0, distance)[pick],
        angle_deg=np.where(crosses, angle, np.nan)[pick],
        near=~crosses[pick],
    )


def _without_start(segment: FloatArray, part: FloatArray) -> FloatArray:
    """Return segments from a part of their length on."""
    rest = segment.copy()
    rest[:, :2] += part[:, None] * (segment[:, 2:] - segment[:, :2])
    return rest


def _trees(lines: _Lines, index: PlantIndex, near_m: float) -> Iterator[Crossings]:
    row, tree = index.crown_tree.query(lines.line)
    distance, u = point_distance(index.tree_x[tree], index.tree_y[tree], lines.segment[row])
    radius = index.crown_radius_m[tree]
    hit = distance < radius + near_m
    row, tree, distance, u, radius = row[hit], tree[hit], distance[hit], u[hit], radius[hit]
    length = lines.length_m[row]
    at = u * length
    inside = distance < radius
    half = np.sqrt(np.maximum(radius**2 - distance**2, 0.0))
    yield _rows(
        CrossingKind.TREE,
        row,
        tree,
        (
            at,
            np.where(inside, np.maximum(at - half, 0.0), at),
            np.where(inside, np.minimum(at + half, length), at),
        ),
        distance_m=np.where(inside, 0.0, distance - radius),
        near=~inside,
    )


def _drops(lines: _Lines, drops: Pieces) -> Iterator[Crossings]:
    row, piece = drops.tree.query(lines.line)
    meets, u, angle = crossing_parameters(lines.segment[row], drops.segment[piece])
    length = lines.length_m[row]
    at = u * length
    hit = np.flatnonzero(meets & (at >= DROP_END_M) & (at <= length - DROP_END_M))
    order = hit[np.lexsort((at[hit], drops.feature[piece[hit]], row[hit]))]
    key = np.stack([row[order], drops.feature[piece[order]]], axis=1)
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (key[1:] != key[:-1]).any(axis=1)
    pick = order[lead]
    yield _rows(
        CrossingKind.EXISTING_DROP,
        row[pick],
        drops.feature[piece[pick]],
        (at[pick], at[pick], at[pick]),
        angle_deg=angle[pick],
    )
