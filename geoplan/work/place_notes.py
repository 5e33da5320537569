"""What is said of each place of ladder, reel and bucket: the side, whose lot, what else is there.

Enters: places found, ends of the air spans, the plan.
Leaves: one note for each place.
Does not do: choose places.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import assembled, joined, places, texts, worded
from geoplan.work.clamp_spans import far_poles
from geoplan.work.clauses import in_words, per_row
from geoplan.work.drop_case import WINDS
from geoplan.work.ground import Ground
from geoplan.work.lot_names import lots_with_names

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SAME_PLACE_M = 0.3
"""Clamps or attachments nearer than this to each other count as at one place."""

LASH_POLE = "; lash it first"
LASH_STRAND = "; lash it first"
NOTES = {
    "pole": "at the pole, on its {side} side, the house's side" + LASH_POLE,
    "pole_aside": "at the pole, on its {side} side, where the ground is free" + LASH_POLE,
    "pole_street": "at the pole, on its {side} side, the house's side, never in the street"
    + LASH_POLE,
    "pole_street_aside": "at the pole, on its {side} side, where the ground is free, never in the "
    "street" + LASH_POLE,
    "pole_field": "at the pole, on its {side} side, the field side away from the road, never in "
    "the street" + LASH_POLE,
    "pole_field_aside": "at the pole, on its {side} side, turned to free ground off the road, "
    "never in the street" + LASH_POLE,
    "clamp": "below the clamp, on the strand's {side} side, the house's side" + LASH_STRAND,
    "clamp_street": "below the clamp, on the strand's {side} side, the house's side, never in the "
    "street" + LASH_STRAND,
    "clamp_field": "below the clamp, on the strand's {side} side, the field side away from the "
    "house, never in the street" + LASH_STRAND,
    "house": "at the attachment; secure it first",
    "house_corner": "at the attachment, beside the corner, square to the {side} wall with both "
    "rails on it; secure it first",
    "reel_house": "near the house",
    "reel_walk": "on the house side of the walk, so that people can pass",
    "reel_below": "on the house side of the strand; leave room for people to pass",
    "reel_field": "on the field side, to the {side} of the clamp; secured and braked",
    "reel_pole": "to the {side} of the pole, off the road; secured and braked",
    "bucket": "at the clamp, on the strand's {side} side; see first how a truck gets there",
    "bucket_street": "at the clamp, on the strand's {side} side, off the carriageway; where it "
    "can't stand there, set up traffic control for that first",
}
"""What is said of each place; ``{side}`` is the compass word from pole or clamp to it, or of the
way that the wall faces."""
NOTE_KEYS = tuple(NOTES)
GUARD = "; guard "
"""Before the walks and driveways at a place."""


@dataclass(frozen=True)
class Placed:
    """Places found, m of them."""

    rows: IntArray
    """Row of the drop, shape (m,)."""
    place: npt.NDArray[np.object_]
    """ladder, reel, bucket or house_ladder, shape (m,)."""
    note: IntArray
    """Number of the note in `NOTE_KEYS`, shape (m,)."""
    xy: FloatArray
    """Working coordinates, m, shape (m, 2)."""
    way: FloatArray
    """Vector whose compass word is told as the side, shape (m, 2)."""


@dataclass(frozen=True)
class DropEnds:
    """Ends of the air spans of n drops."""

    start: FloatArray
    """Pole or clamp, m, shape (n, 2)."""
    end: FloatArray
    """Premises attachment, m, shape (n, 2)."""
    has_clamp: BoolArray
    """Shape (n,)."""


def build_notes(
    placed: Placed, ends: DropEnds, plan: Plan, ground: Ground, rules: CrewRules
) -> Any:
    """Write the notes of places.

    Parameters
    ----------
    placed : Placed
        m places.
    ends : DropEnds
        Of the n drops of the plan.
    plan : Plan
        A finished plan.
    ground : Ground
        Where walks, driveways and carriageways are.
    rules : CrewRules
        How near a carriageway or water is told.

    Returns
    -------
    pandas array of str, shape (m,)
        Compass side by grid north, from pole or clamp to the place, or that the wall faces;
        which walks and driveways it is on or at the edge of; how far from a carriageway and from
        water where these are near; whose lot; the pole on which the clamp's span ends; another drop
        at the place.
    """
    return joined(
        _sided(placed.note, placed.way),
        _walks(placed, plan, rules),
        _kerbs(placed.xy, plan, ground, rules.value("places.kerb_told")),
        _banks(placed, plan, rules.value("places.water_away")),
        _other_lots(placed, plan, rules.value("places.bucket_keep_off")),
        _span_ends(placed, ends, plan),
        _neighbours(placed, ends, plan),
    )


def _sided(note: IntArray, off: FloatArray) -> Any:
    """Write the notes with the compass word of the way from pole or clamp."""
    wind = np.rint(np.degrees(np.arctan2(off[:, 1], off[:, 0])) / 45.0).astype(np.int64) % 8
    words = [text.format(side=side) for text in NOTES.values() for side in WINDS]
    return worded(note * len(WINDS) + wind, words)


def _walks(placed: Placed, plan: Plan, rules: CrewRules) -> Any:
    """Name the walks and driveways nearer than half the width of what stands there."""
    half, bucket = (rules.value(f"places.{x}") for x in ("kerb_keep_off", "bucket_keep_off"))
    within = np.where(placed.place == "bucket", bucket, half)
    points, rows, names = shapely.points(placed.xy), [], []
    for kind, layer in (("walk ", plan.layers.sidewalks), ("driveway ", plan.layers.driveways)):
        shapes = np.asarray(layer.geometry.values, dtype=object)
        near = shapely.STRtree(shapes).query(points, predicate="dwithin", distance=within)
        point, row = near[:, np.lexsort(near[::-1])]
        rows.append(point)
        names.append(pd.Series(joined(kind, texts(layer.index).take(row))))
    told = pd.Series(per_row(np.concatenate(rows), pd.concat(names), len(points), " and "))
    at = np.flatnonzero(told.notna())
    return _beside(len(points), at, joined(GUARD, told.array.take(at)))


def _kerbs(xy: FloatArray, plan: Plan, ground: Ground, within_m: float) -> Any:
    """Tell how far the nearest carriageway is, where it is near."""
    roads = plan.layers.roads
    road, edge = ground.nearest_road(xy[:, 0], xy[:, 1], within_m)
    at = np.flatnonzero(road >= 0)
    name = texts(roads["name"].fillna(pd.Series(roads.index, index=roads.index)))
    words = joined(
        "; ",
        in_words(edge[at], "length", plan.project.units),
        " from the carriageway of ",
        name.take(road[at]),
    )
    return _beside(len(xy), at, words)


def _banks(placed: Placed, plan: Plan, within_m: float) -> Any:
    """Tell how far water is from a bucket, where it is near."""
    water, bucket = plan.layers.water, np.flatnonzero(placed.place == "bucket")
    shapes = np.asarray(water.geometry.values, dtype=object)
    points = shapely.points(placed.xy[bucket])
    (point, near), away = shapely.STRtree(shapes).query_nearest(
        points, max_distance=within_m, return_distance=True, all_matches=False
    )
    name = texts(water["name"].fillna(pd.Series(water.index, index=water.index))).take(near)
    words = joined(
        "; ", in_words(away, "length", plan.project.units), " from ", name, ": keep off its bank"
    )
    return _beside(len(placed.rows), bucket[point], words)


def _span_ends(placed: Placed, ends: DropEnds, plan: Plan) -> Any:
    """Name the pole on which the clamp's span ends, and the clamp's way from it."""
    drops, layers, rows = plan.drops, plan.layers, placed.rows
    at = np.flatnonzero(ends.has_clamp[rows] & np.isin(placed.place, ("ladder", "bucket")))
    far, pole = far_poles(drops, layers.spans, layers.poles)
    far = far.take(rows[at])
    far_ends = np.asarray(layers.poles.geometry.values, dtype=object)[pole[rows[at]]]
    left = shapely.distance(shapely.points(ends.start[rows[at]]), shapely.force_2d(far_ends))
    words = joined(
        "; toward pole ", far, ", ", in_words(left, "length", plan.project.units), " short of it"
    )
    return _beside(len(rows), at, words)


def _neighbours(placed: Placed, ends: DropEnds, plan: Plan) -> Any:
    """Name another drop whose clamp or attachment is at the same place."""
    ids, rows = texts(plan.drops["address_id"]), placed.rows
    clamp = np.where(ends.has_clamp[:, None], ends.start, np.nan)
    found = []
    for xy, names, words in (
        (clamp, ("ladder", "bucket"), "has its clamp at the same place: set both side by side"),
        (ends.end, ("house_ladder",), "is attached at the same place: set both side by side"),
    ):
        other = _same_place(xy)
        at = np.flatnonzero(np.isin(placed.place, names) & (other[rows] >= 0))
        found.append((at, joined("; ", ids.take(other[rows[at]]), " ", words)))
    at = np.concatenate([where for where, _ in found])
    plain = np.setdiff1d(np.arange(len(rows)), at)
    return assembled(len(rows), [*found, (plain, worded(np.zeros(len(plain)), ("",)))])


def _same_place(xy: FloatArray) -> IntArray:
    """Return the first other row at each row's place; -1 without one."""
    points = shapely.points(xy)
    tree = shapely.STRtree(points)
    has = np.flatnonzero(np.isfinite(xy).all(axis=1))
    row, near = tree.query(points[has], predicate="dwithin", distance=SAME_PLACE_M)
    row = has[row]
    keep = row != near
    other = np.full(len(xy), len(xy), dtype=np.int64)
    np.minimum.at(other, row[keep], near[keep])
    return np.where(other < len(xy), other, -1)


def _beside(count: int, at: IntArray, words: Any) -> Any:
    """Put words in their rows; empty elsewhere."""
    plain = np.setdiff1d(np.arange(count), at)
    return assembled(count, [(at, words), (plain, worded(np.zeros(len(plain)), ("",)))])


def _other_lots(placed: Placed, plan: Plan, bucket_m: float) -> Any:
    """Name the lots at each place, if they aren't that of the drop; empty where none is known.

    A bucket truck takes up ground around its middle, so all lots within `bucket_m` are named.
    """
    parcels = plan.layers.parcels
    own = places(plan.drops["parcel_id"], parcels.index)[placed.rows]
    tree = shapely.STRtree(np.asarray(parcels.geometry.values, dtype=object))
    points, is_bucket = shapely.points(placed.xy), placed.place == "bucket"
    point, lot = tree.query(points, predicate="intersects")
    at_home = own < 0
    at_home[point[lot == own[point]]] = True
    wide, near = tree.query(
        points, predicate="dwithin", distance=np.where(is_bucket, bucket_m, 0.0)
    )
    keep = is_bucket[wide] & (own[wide] >= 0) & (near != own[wide])
    other = np.full(len(points), len(parcels), dtype=np.int64)
    np.minimum.at(other, point, lot)
    plain = np.flatnonzero(~at_home & ~is_bucket & (other < len(parcels)))
    told = pd.DataFrame(
        {
            "point": np.concatenate([plain, wide[keep]]),
            "lot": np.concatenate([other[plain], near[keep]]),
        }
    ).sort_values(["point", "lot"])
    rows, lots = (told[name].to_numpy(dtype=np.int64) for name in ("point", "lot"))
    each = lots_with_names(plan.layers, lots)
    names = pd.Series(per_row(rows, each, len(points), " and "))
    has = np.flatnonzero(names.notna())
    several = np.bincount(rows, minlength=len(points))[has] > 1
    words = joined(
        worded(several, ("; on lot ", "; on lots ")), names.array.take(has), ": ask there first"
    )
    return _beside(len(points), has, words)
