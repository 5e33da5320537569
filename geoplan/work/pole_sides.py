"""On which side of a pole a ladder stands: off all carriageways, in the widest gap between lines.

Enters: poles, carriageways, the strands that hang on them, power.
Leaves: `PoleSides`: for each pole the compass side, the foot, the lines to the left and right.
Does not do: look at lots; judge the distance from power.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import places
from geoplan.work.ground import Ground
from geoplan.work.place_search import KERB_SLACK_M, STREET_WITHIN_M
from geoplan.work.power_around import NEAR_M
from geoplan.work.strand_run import strand_heights

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SIDES = (
    "east", "east-north-east", "north-east", "north-north-east",
    "north", "north-north-west", "north-west", "west-north-west",
    "west", "west-south-west", "south-west", "south-south-west",
    "south", "south-south-east", "south-east", "east-south-east",
)  # fmt: skip
"""Sides of a pole, counter-clockwise; those between the eight winds only where these are tight."""

NO_MATTER, NO_GROUND = -1, -2
"""Instead of a side: neither road nor line is near; no ground off the carriageways was found."""

STRAND_DEG = 30.0
"""A ladder nearer than this to the way of a strand would lean into it; common practice, no
source."""
TIGHT_DEG = 15.0
"""A ladder nearer than this to the way of a line stands below it; our own default, no source."""
WIDE_DEG = 90.0
"""Lines farther round than this from the ladder are as good as behind the pole; our own default,
no source."""
ALIKE_DEG = 10.0
"""Gaps that differ by less are alike, and the side farther from the road is taken; our own
default, no source."""


@dataclass(frozen=True)
class PoleSides:
    """Sides of k poles."""

    side: IntArray
    """Place in `SIDES`; `NO_MATTER` or `NO_GROUND`."""
    foot: FloatArray
    """Where the ladder's foot is, m, shape (k, 2); the pole itself without a side."""
    left: IntArray
    """Row of the first line counter-clockwise from the ladder, less than `WIDE_DEG` off; -1."""
    right: IntArray
    """The same clockwise."""

    def take(self, rows: IntArray) -> PoleSides:
        """Return some poles."""
        return PoleSides(self.side[rows], self.foot[rows], self.left[rows], self.right[rows])


@dataclass(frozen=True)
class _Gaps:
    """Nearest lines around each pole and side, shape (k, 16)."""

    gap_deg: FloatArray
    """Angle to the nearest line; infinite without one."""
    left: IntArray
    right: IntArray


def find_sides(plan: Plan, pole: IntArray, ground: Ground, rules: CrewRules) -> PoleSides:
    """Choose the side of each pole on which a ladder stands.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    pole : ndarray of int64, shape (k,)
        Rows of poles.
    ground : Ground
        Carriageways, buildings, tracks, water.
    rules : CrewRules
        ``places.keep_off``, ``places.kerb_keep_off`` and ``places.kerb_lane``.

    Returns
    -------
    PoleSides
        The foot is out by the strand's height over the tangent of ``[ladder] angle``, to one of
        the sides, on ground that the rules let a ladder stand on. Of these first those no
        nearer to any carriageway than the pole, beyond the distance at which a lane is closed, and
        not in line with a strand; then those only off the strands; then any. Among them first
        those at least `TIGHT_DEG` from the lines within `NEAR_M` of the pole, where they leave
        it; the eight winds before the sides between them; then the one with the widest angle to
        those lines; of alike ones that farthest from a carriageway.

    References
    ----------
    Common practice, no source.
    """
    spot, toward, foot = _feet(plan, pole)
    x_m, y_m = foot.reshape(-1, 2).T
    keep_off, kerb, lane = (
        rules.value(f"places.{name}") for name in ("keep_off", "kerb_keep_off", "kerb_lane")
    )
    edge = ground.nearest_road(x_m, y_m, STREET_WITHIN_M)[1].reshape(foot.shape[:2])
    own = ground.nearest_road(spot[:, 0], spot[:, 1], STREET_WITHIN_M)[1]
    is_free = ground.is_free(x_m, y_m, keep_off).reshape(edge.shape) & (edge >= kerb)
    gaps = _gaps(plan, pole, toward)
    is_off = _off_strands(plan, pole, toward)
    is_behind = (edge >= own[:, None] - KERB_SLACK_M) & (edge >= lane)
    grade = np.select([is_free & is_off & is_behind, is_free & is_off, is_free], [0, 1, 2], 3)
    wide = np.rint(np.minimum(gaps.gap_deg, WIDE_DEG) / ALIKE_DEG)
    is_between = np.broadcast_to(np.arange(len(SIDES)) % 2 == 1, edge.shape)
    is_tight = gaps.gap_deg < TIGHT_DEG
    rank = np.lexsort((-gaps.gap_deg, -edge, -wide, is_between, is_tight, grade), axis=1)
    best = rank[:, 0]
    every = np.arange(len(pole))
    matters = np.isfinite(own) | np.isfinite(gaps.gap_deg).any(axis=1)
    side = np.select([~matters, grade[every, best] == 3], [NO_MATTER, NO_GROUND], best)
    has = side >= 0
    return PoleSides(
        side.astype(np.int64),
        np.where(has[:, None], foot[every, best], spot),
        np.where(has, gaps.left[every, best], -1),
        np.where(has, gaps.right[every, best], -1),
    )


def _feet(plan: Plan, pole: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return poles, shape (k, 2), unit vectors of the sides, (16, 2), and feet, (k, 16, 2)."""
    poles, project = plan.layers.poles, plan.project
    spot = shapely.get_coordinates(np.asarray(poles.geometry.values, dtype=object)[pole])
    angle = np.radians(np.arange(len(SIDES)) * 360.0 / len(SIDES))
    toward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    high_m = strand_heights(poles, project.heights.strand_height)[pole]
    out_m = high_m / np.tan(np.radians(project.ladder.angle))
    return spot, toward, spot[:, None] + out_m[:, None, None] * toward


def _turn_deg(way: FloatArray, toward: FloatArray) -> FloatArray:
    """Return the angles from sides to ways, shape (m, 16), counter-clockwise, -180 to 180."""
    off = np.degrees(np.arctan2(way[:, 1], way[:, 0]))[:, None]
    off = off - np.degrees(np.arctan2(toward[:, 1], toward[:, 0]))
    return np.asarray((off + 180.0) % 360.0 - 180.0)


def _off_strands(plan: Plan, pole: IntArray, toward: FloatArray) -> BoolArray:
    """Tell which sides of each pole are in line with no strand, shape (k, 16)."""
    spans, poles = plan.layers.spans, plan.layers.poles
    first, last = (places(spans[name], poles.index) for name in ("from_pole_id", "to_pole_id"))
    has = np.flatnonzero((first >= 0) & (last >= 0))
    own, other = np.append(first[has], last[has]), np.append(last[has], first[has])
    row = np.full(len(poles), -1, dtype=np.int64)
    row[pole] = np.arange(len(pole))
    own, other = own[row[own] >= 0], other[row[own] >= 0]
    points = shapely.get_coordinates(poles.geometry.values)
    is_in_line = np.abs(_turn_deg(points[other] - points[own], toward)) < STRAND_DEG
    off = np.ones((len(pole), len(toward)), dtype=bool)
    np.logical_and.at(off, row[own], ~is_in_line)
    return off


def _gaps(plan: Plan, pole: IntArray, toward: FloatArray) -> _Gaps:
    """Find the lines next to each side of each pole."""
    at, line, way = lines_leaving(plan, pole)
    turn = _turn_deg(way, toward)
    gap = np.full((len(pole), len(toward)), np.inf)
    np.minimum.at(gap, at, np.abs(turn))
    return _Gaps(gap, _next(at, line, turn, len(pole)), _next(at, line, -turn, len(pole)))


def _next(at: IntArray, line: IntArray, turn: FloatArray, count: int) -> IntArray:
    """Return the first line round from each side, less than `WIDE_DEG` off; -1 without one."""
    found = np.full((count, turn.shape[1]), -1, dtype=np.int64)
    for side in range(turn.shape[1]):
        rows = np.flatnonzero((turn[:, side] >= 0) & (turn[:, side] < WIDE_DEG))
        rows = rows[np.lexsort((line[rows], turn[rows, side], at[rows]))[::-1]]
        found[at[rows], side] = line[rows]  # of several the last one written stays: the nearest
    return found


def lines_leaving(plan: Plan, pole: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Return where lines near poles leave them.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    pole : ndarray of int64, shape (k,)
        Rows of poles.

    Returns
    -------
    at, line : ndarray of int64, shape (m,)
        Place in `pole` and row of the line; a line that passes is there for both its ways.
    way : ndarray of float64, shape (m, 2)
        From the pole to where the line is `NEAR_M` away; to its end where it ends before, m.
    """
    points = np.asarray(plan.layers.poles.geometry.values, dtype=object)[pole]
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    at, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=NEAR_M)
    xy, pair = shapely.get_coordinates(lines[line], return_index=True)
    xy = xy - shapely.get_coordinates(points)[at[pair]]
    joins = pair[1:] == pair[:-1]
    begin, way, owner = xy[:-1][joins], np.diff(xy, axis=0)[joins], pair[1:][joins]
    square = np.maximum((way**2).sum(axis=1), 1e-18)
    half = (begin * way).sum(axis=1) / square
    root = half**2 - ((begin**2).sum(axis=1) - NEAR_M**2) / square
    found, who = [], []
    for sign in (-1.0, 1.0):
        part = -half + sign * np.sqrt(np.maximum(root, 0.0))
        is_met = (root >= 0.0) & (part >= 0.0) & (part <= 1.0)
        found.append((begin + part[:, None] * way)[is_met])
        who.append(owner[is_met])
    off_m = np.hypot(*xy.T)
    order = np.lexsort((off_m, pair))
    farthest = order[np.append(pair[order][1:] != pair[order][:-1], True)] if len(pair) else order
    inside = farthest[~np.isin(pair[farthest], np.concatenate(who)) & (off_m[farthest] > 0.0)]
    found.append(xy[inside])
    who.append(pair[inside])
    pairs, ways = np.concatenate(who), np.concatenate(found)
    order = np.lexsort((ways[:, 1], ways[:, 0], line[pairs], at[pairs]))
    pairs = pairs[order]
    return at[pairs].astype(np.int64), line[pairs].astype(np.int64), ways[order]
