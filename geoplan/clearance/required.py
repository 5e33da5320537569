"""What has to be kept clear, point by point along air spans.

Enters: air spans, what they meet, rules.
Leaves: `Rows`, or `Places` in columns: points with the ground or roof below and the clearance
required there.
Does not do: know how high the wire is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from geoplan.clearance.demands import BoolArray, Demands
from geoplan.clearance.places import BLOCK_COLUMNS, YARD_STEP, Places
from geoplan.clearance.supports import Ends
from geoplan.layers.terrain import sample_elevation
from geoplan.model import Terrain
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import KIND_CODE, TOUCH_M, Crossings
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.tables import CrossingKind

YARD_PLACES = np.linspace(YARD_STEP, 1.0, 20)
PLACES_PER_CROSSING = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
BELOW = {
    CrossingKind.ROAD: "road",
    CrossingKind.SIDEWALK: "walk",
    CrossingKind.DRIVEWAY: "driveway",
    CrossingKind.ROOF: "roof",
    CrossingKind.RAIL: "rail",
    CrossingKind.WATER: "water",
    CrossingKind.POOL: "pool",
}


class OnGround(Protocol):
    """What stands on a ground that may be known from a raster."""

    @property
    def terrain(self) -> Terrain | None:
        """The raster, or None: straight between the grounds of both ends."""
        ...


@dataclass(frozen=True)
class Rows:
    """Points along air spans, sorted by air span."""

    air: IntArray
    part: FloatArray
    """Place along the air span, 0 to 1."""
    base_m: FloatArray
    """Elevation of what lies below."""
    required_m: FloatArray
    crossing: IntArray
    """Row of the crossing; -1 for the yard."""
    first: IntArray
    """``first[k]:first[k + 1]`` are the rows of air span k."""


@dataclass(frozen=True)
class Ceilings:
    """Power above air spans, and plant crossed on the level."""

    air: IntArray
    part: FloatArray
    power_m: FloatArray
    """Elevation of the power above."""
    separation_m: FloatArray
    """NaN: not covered by the rules."""
    crossing: IntArray
    is_assumed: BoolArray


def build_rows(
    air: AirSpans,
    crossings: Crossings,
    ends: Ends,
    demands: Demands,
    supports: OnGround,
    yard_places: FloatArray = YARD_PLACES,
    places_per_crossing: FloatArray = PLACES_PER_CROSSING,
) -> Rows:
    """Lay out every point at which a clearance has to hold.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    crossings : Crossings
        What they meet; ``air`` counts from 0.
    ends : Ends
        Their ends.
    demands : Demands
        What the features ask for.
    supports : OnGround
        Holds the terrain raster, where there is one.
    yard_places : ndarray of float64, shape (k,)
        Places over the yard as parts of the air span, 0 to 1.
    places_per_crossing : ndarray of float64, shape (m,)
        Places over each thing passed over as parts of its width, 0 to 1, the middle among them.

    Returns
    -------
    Rows
        Points over the yard of each air span, and over each thing passed over. A thing for
        which the rules hold no figure gives no row; `uncovered` finds those.
    """
    count, width = len(air), len(yard_places)
    over = _lay_over(air, crossings, ends, demands, places_per_crossing)
    each = over.part.shape[1]
    place = np.argsort(over.part, axis=1, kind="stable")
    order = np.argsort(over.air, kind="stable")
    over_rows = np.bincount(over.air, minlength=count) * each
    first = np.zeros(count + 1, dtype=np.int64)
    np.cumsum(over_rows + width, out=first[1:])
    yard = (first[:-1, None] + np.arange(width)).ravel()
    before = np.arange(len(order)) * each + (over.air[order] + 1) * width
    passed = (before[:, None] + np.arange(each)).ravel()
    chosen = (order[:, None], place[order])

    def laid(over_yard: FloatArray | float, over_things: FloatArray) -> FloatArray:
        """Return values of the yard's points and of the things' in the rows' order."""
        values = np.empty(int(first[-1]))
        values[yard] = over_yard
        values[passed] = over_things.ravel()
        return values

    air_rows = np.repeat(np.arange(count, dtype=np.int64), over_rows + width)
    parts = laid(np.tile(yard_places, count), over.part[chosen])
    crossing = np.full(len(air_rows), -1, dtype=np.int64)
    crossing[passed] = np.repeat(over.crossing[order], each)
    return Rows(
        air_rows,
        parts,
        ground_at(air, ends, supports, air_rows, parts) + laid(0.0, over.lift_m[chosen]),
        laid(demands.yard_m, over.required_m[chosen]),
        crossing,
        first,
    )


class _Over(NamedTuple):
    """Things passed over that ask for a clearance, and j places over each."""

    crossing: IntArray
    air: IntArray
    part: FloatArray
    """Shape (m, j), as the others."""
    lift_m: FloatArray
    """Of the surface above the ground."""
    required_m: FloatArray


def _lay_over(
    air: AirSpans, crossings: Crossings, ends: Ends, demands: Demands, places: FloatArray
) -> _Over:
    """Lay out the places over each thing passed over."""
    required = _required(crossings, ends, demands)
    over = np.flatnonzero(_is_below(crossings) & np.isfinite(required))
    required = required[over]
    start, end = crossings.start_m[over], crossings.end_m[over]
    rows = crossings.air[over]
    dx, dy = air.ex[rows] - air.sx[rows], air.ey[rows] - air.sy[rows]
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    shares = _shares(crossings, over, places, demands)
    at = start[:, None] + (end - start)[:, None] * shares
    part: FloatArray = np.minimum(np.maximum(at / length[:, None], 0.0), 1.0)
    flat = np.repeat(required, shares.shape[1])
    asked = _graded(flat, crossings, over, at, shares, demands).reshape(part.shape)
    lift = _above_ground(crossings, over, shares, demands)
    return _Over(over.astype(np.int64), rows, part, lift, asked)


def build_places(
    air: AirSpans, crossings: Crossings, ends: Ends, demands: Demands, supports: OnGround
) -> list[Places]:
    """Lay out the points of `build_rows` in columns.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    crossings : Crossings
        What they meet; ``air`` counts from 0.
    ends : Ends
        Their ends.
    demands : Demands
        What the features ask for.
    supports : OnGround
        Holds the terrain raster, where there is one.

    Returns
    -------
    list of Places
        The yard of each air span, then each thing passed over.
    """
    over = _lay_over(air, crossings, ends, demands, PLACES_PER_CROSSING)
    rows, yard = np.arange(len(air), dtype=np.int64), YARD_PLACES[:, None]
    part = np.ascontiguousarray(over.part.T)
    ground = ground_at(air, ends, supports, over.air, part)
    return [
        Places(
            rows,
            yard,
            ground_at(air, ends, supports, rows, yard),
            np.full((1, 1), demands.yard_m),
            np.full(len(air), -1, dtype=np.int64),
        ),
        Places(over.air, part, ground + over.lift_m.T, over.required_m.T.copy(), over.crossing),
    ]


def ground_at(
    air: AirSpans, ends: Ends, supports: OnGround, rows: IntArray, part: FloatArray
) -> FloatArray:
    """Return the elevation of the ground at places along air spans.

    Parameters
    ----------
    air : AirSpans
        Air spans.
    ends : Ends
        Their ends.
    supports : OnGround
        Holds the terrain raster, where there is one.
    rows : ndarray of int64, shape (m,)
        Air span of each place.
    part : ndarray of float64, shape (m,) or (k, m) or (k, 1)
        Place, 0 to 1.

    Returns
    -------
    ndarray of float64, shape (m,) or (k, m)
        From the raster where it has data, else straight between the grounds of both ends.
    """
    straight = ends.start_ground_m[rows] + part * (ends.end_ground_m - ends.start_ground_m)[rows]
    if supports.terrain is None:
        return np.asarray(straight)
    if part.ndim == 2 and len(rows) > BLOCK_COLUMNS:
        for start in range(0, len(rows), BLOCK_COLUMNS):
            some = slice(start, start + BLOCK_COLUMNS)
            places = part if part.shape[1] == 1 else part[:, some]
            straight[:, some] = ground_at(air, ends, supports, rows[some], places)
        return np.asarray(straight)
    x = air.sx[rows] + part * (air.ex - air.sx)[rows]
    y = air.sy[rows] + part * (air.ey - air.sy)[rows]
    sampled = sample_elevation(supports.terrain, x, y)
    return np.where(ends.ground_is_known[rows] & np.isfinite(sampled), sampled, straight)


def build_ceilings(
    air: AirSpans, crossings: Crossings, ends: Ends, demands: Demands, supports: OnGround
) -> Ceilings:
    """Lay out the power that air spans pass under, or beside within the separation.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    crossings : Crossings
        What they meet.
    ends : Ends
        Their ends.
    demands : Demands
        What power asks for.
    supports : OnGround
        Holds the terrain raster.

    Returns
    -------
    Ceilings
        One row per power line crossed, or passed nearer in plan than the separation.
    """
    power = np.flatnonzero(crossings.kind == KIND_CODE[CrossingKind.POWER])
    feature = crossings.feature[power]
    separation = demands.power_separation_m[feature]
    close = ~crossings.is_near_miss[power] | ~(crossings.distance_m[power] >= separation)
    power, feature, separation = power[close], feature[close], separation[close]
    row = crossings.air[power]
    part = np.clip(crossings.at_m[power] / np.maximum(air.length_m[row], 1e-9), 0.0, 1.0)
    ground = ground_at(air, ends, supports, row, part)
    return Ceilings(
        row,
        part,
        ground + demands.power_height_m[feature],
        separation,
        power,
        demands.power_is_assumed[feature],
    )


def uncovered(crossings: Crossings, ends: Ends, demands: Demands) -> IntArray:
    """Find crossings for which the rules hold no figure.

    Parameters
    ----------
    crossings : Crossings
        What air spans meet.
    ends : Ends
        Their ends.
    demands : Demands
        What the features ask for.

    Returns
    -------
    ndarray of int64
        Rows of `crossings`.
    """
    below = _is_below(crossings) & np.isnan(_required(crossings, ends, demands))
    power = crossings.kind == KIND_CODE[CrossingKind.POWER]
    lacking = np.zeros(len(crossings), dtype=bool)
    feature = crossings.feature[power]
    lacking[power] = np.isnan(demands.power_separation_m[feature] + demands.power_height_m[feature])
    return np.flatnonzero(below | lacking).astype(np.int64)


def rule_keys(crossings: Crossings, ends: Ends, demands: Demands) -> npt.NDArray[np.object_]:
    """Return the key of the rule behind each crossing.

    Parameters
    ----------
    crossings : Crossings
        What air spans meet.
    ends : Ends
        Their ends.
    demands : Demands
        What the features ask for.

    Returns
    -------
    ndarray of object
        Keys such as ``clearance.road.local``; None where no rule applies.
    """
    keys = np.full(len(crossings), None, dtype=object)
    for kind, name in BELOW.items():
        rows = np.flatnonzero(crossings.kind == KIND_CODE[kind])
        if kind is CrossingKind.ROAD:
            keys[rows] = demands.road_key[crossings.feature[rows]]
        elif kind is CrossingKind.ROOF:
            keys[rows] = demands.roof_key[crossings.feature[rows]]
        elif kind is CrossingKind.DRIVEWAY:
            reduced = _driveway_is_reduced(crossings, ends, demands)[rows]
            keys[rows] = np.where(
                reduced, "clearance.driveway.reduced", "clearance.driveway.residential"
            )
        else:
            keys[rows] = f"clearance.{name}.any"
    return keys


def _is_below(crossings: Crossings) -> BoolArray:
    codes = [KIND_CODE[kind] for kind in BELOW]
    return np.asarray(np.isin(crossings.kind, codes) & ~crossings.is_near_miss)


def _driveway_is_reduced(crossings: Crossings, ends: Ends, demands: Demands) -> BoolArray:
    """Tell where the house cannot be attached as high as the full driveway figure."""
    driveway = crossings.kind == KIND_CODE[CrossingKind.DRIVEWAY]
    return np.asarray(driveway & (ends.end_high_m[crossings.air] < demands.driveway_m))


def _required(crossings: Crossings, ends: Ends, demands: Demands) -> FloatArray:
    required = np.full(len(crossings), np.nan)
    fixed = {
        CrossingKind.SIDEWALK: demands.walk_m,
        CrossingKind.DRIVEWAY: demands.driveway_m,
        CrossingKind.RAIL: demands.rail_m,
        CrossingKind.POOL: demands.pool_m,
    }
    for kind, value in fixed.items():
        required[crossings.kind == KIND_CODE[kind]] = value
    required[_driveway_is_reduced(crossings, ends, demands)] = demands.driveway_reduced_m
    for kind, values in ((CrossingKind.ROAD, demands.road_m), (CrossingKind.ROOF, demands.roof_m)):
        rows = crossings.kind == KIND_CODE[kind]
        required[rows] = values[crossings.feature[rows]]
    return required


def _shares(
    crossings: Crossings, over: IntArray, places: FloatArray, demands: Demands
) -> FloatArray:
    """Return the places over each thing; with grading also where the strip at each kerb ends.

    What is asked rises in a straight line up to there, so that no place between asks for more
    than its neighbours do.
    """
    shares = np.tile(places, (len(over), 1))
    grading = demands.rules.kerb_grading()
    if grading is None:
        return shares
    width = (crossings.end_m - crossings.start_m)[over] * _squareness(crossings, over)
    strip = np.minimum(grading.strip_width.value_si / np.maximum(width, 1e-9), 0.5)
    return np.concatenate([shares, np.stack([strip, 1.0 - strip], axis=1)], axis=1)


def _squareness(crossings: Crossings, over: IntArray) -> FloatArray:
    """Return how much of a way along the air span leads away from the kerb; 1 if unknown."""
    return np.asarray(np.sin(np.radians(np.nan_to_num(crossings.angle_deg[over], nan=90.0))))


def _above_ground(
    crossings: Crossings, over: IntArray, shares: FloatArray, demands: Demands
) -> FloatArray:
    """Height of the surface passed over above the ground: crown of a road, top of a roof."""
    lift = np.zeros(shares.shape)
    road = crossings.kind[over] == KIND_CODE[CrossingKind.ROAD]
    lift[road] = demands.half_crown_m * (1.0 - np.abs(2 * shares[road] - 1.0))
    roof = crossings.kind[over] == KIND_CODE[CrossingKind.ROOF]
    lift[roof] = demands.roof_top_m[crossings.feature[over[roof]]][:, None]
    return lift


def _graded(
    asked: FloatArray,
    crossings: Crossings,
    over: IntArray,
    places: FloatArray,
    shares: FloatArray,
    demands: Demands,
) -> FloatArray:
    """Grade road clearance toward the kerb where the rule set has that.

    Where the air span begins over the carriageway, there is no kerb at its beginning.
    """
    grading = demands.rules.kerb_grading()
    if grading is None:
        return asked
    road = np.repeat(crossings.kind[over] == KIND_CODE[CrossingKind.ROAD], places.shape[1])
    start = crossings.start_m[over]
    start = np.where(start > TOUCH_M, start, -np.inf)[:, None]
    near = np.minimum(places - start, crossings.end_m[over][:, None] - places)
    from_kerb = np.maximum(near * _squareness(crossings, over)[:, None], 0.0).ravel()
    middle = (shares == 0.5).ravel()
    return np.where(road & ~middle, grading.required_m(from_kerb, asked), asked)
