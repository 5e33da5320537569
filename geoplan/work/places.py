"""Where ladder, reel and bucket go for each drop, clear of roads, buildings, tracks and water.

Enters: planned drops, their air spans, the ground, crew rules.
Leaves: the rows of ``work_places``; drops for which no place was found.
Does not do: look at plantings, fences, slopes or parked cars; the crew does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.framing import declared
from geoplan.model import Layers, Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.tables import TABLES
from geoplan.text_columns import places, worded
from geoplan.work.ground import Ground
from geoplan.work.place_notes import NOTE_KEYS, DropEnds, Placed, build_notes
from geoplan.work.road_works import is_over_street

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

TURNS_DEG = (0.0, 30.0, -30.0, 60.0, -60.0, 90.0, -90.0, 120.0, -120.0, 150.0, -150.0, 180.0)
"""Directions tried around a support, off the first choice, in their order."""
SHIFTS = (0.0, 0.25, -0.25, 0.5, -0.5, 1.0, -1.0)
"""Shifts along the strand tried for a ladder or bucket, as parts of their way off it."""

STREET_WITHIN_M = 15.0
"""A carriageway nearer than this makes its side of a pole or clamp the street side; common
practice, no source."""
KERB_SLACK_M = 0.3
"""How much nearer than its pole a place along the kerb may come to a carriageway."""


@dataclass(frozen=True)
class Places:
    """Places of all drops, and what was not found."""

    table: gpd.GeoDataFrame
    """As declared for ``work_places``."""
    without: dict[str, BoolArray]
    """Place to the drops that need it and for which none was found, shape (n,)."""


@dataclass(frozen=True)
class _Site:
    """Drops as arrays: ends of their air spans, directions, kind of job."""

    start: FloatArray
    end: FloatArray
    to_house: FloatArray
    """Unit vector from the start to the end."""
    along: FloatArray
    """Unit vector along the strand; zero without a clamp."""
    field: FloatArray
    """Unit vector square to the strand, away from the street; zero without a clamp."""
    has_clamp: BoolArray
    crosses: BoolArray
    is_bucket: BoolArray
    hook_m: FloatArray
    attachment_m: FloatArray
    kerb_m: FloatArray
    """Way from pole or clamp to the nearest carriageway; infinite beyond `STREET_WITHIN_M`."""

    @property
    def has_street(self) -> BoolArray:
        """Whether a carriageway is near enough for a street side, or is crossed."""
        return np.asarray(self.crosses | np.isfinite(self.kerb_m), dtype=bool)


def is_bucket_job(drops: pd.DataFrame) -> BoolArray:
    """Tell which drops hang from a strand that no ladder may lean on.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``, n rows.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for span clamps whose strand is not known to bear a ladder.
    """
    ladder = drops["strand_ladder"]
    return np.asarray(drops["strand_span_id"].notna() & ~(ladder == "allowed"), dtype=bool)


def build_places(plan: Plan, rules: CrewRules, ground: Ground) -> Places:
    """Find places for ladder, reel and bucket of each drop.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rules : CrewRules
        Distances to keep.
    ground : Ground
        Where nobody may stand.

    Returns
    -------
    Places
        Points in working coordinates. A place for which no clear point was found has no row.

    Notes
    -----
    A ladder's foot is out by its height over the tangent of ``[ladder] angle``. At a clamp the
    field side is the house's side, or the other one where the drop crosses the street; only that
    side is tried. At a pole the ladder goes toward the house, or away from it where the drop
    crosses the street. Neither ladder nor a reel beyond a street comes nearer to a carriageway
    than its pole or clamp: never between pole and street. A reel goes on a walk or driveway only
    where no other place was found. A note tells the compass side, places on a walk or driveway,
    on a lot that isn't the address's, other drops at the same place, and the pole on which the
    clamp's span ends.

    References
    ----------
    Sides: common practice, no source.
    """
    site = _site(plan, ground)
    slope = np.tan(np.radians(plan.project.ladder.angle))
    keep = rules.value("places.keep_off")
    parts = [
        *_pole_ladders(site, ground, site.hook_m / slope, keep),
        _clamp_ladders(site, ground, site.hook_m / slope, keep),
        _buckets(site, ground, rules),
        _house_ladders(site, ground, site.attachment_m / slope, keep, plan),
        *_reels(site, ground, rules, slope, _walk_ends(plan)),
    ]
    table = _table(parts, plan, ground, site)
    has = {name: np.zeros(len(site.start), dtype=bool) for name in _needs(site)}
    for part in parts:
        has[part.place][part.rows] = True
    return Places(table, {name: need & ~has[name] for name, need in _needs(site).items()})


@dataclass(frozen=True)
class _Part:
    """Places of one kind found for some drops."""

    place: str
    rows: IntArray
    xy: FloatArray
    note: IntArray
    """Number of its note, by row."""


def _needs(site: _Site) -> dict[str, BoolArray]:
    every = np.ones(len(site.start), dtype=bool)
    return {
        "ladder": ~site.is_bucket,
        "bucket": site.is_bucket,
        "house_ladder": every,
        "reel": every,
    }


def _site(plan: Plan, ground: Ground) -> _Site:
    drops, layers = plan.drops, plan.layers
    ends = shapely.get_coordinates(plan.air_spans.geometry.values).reshape(-1, 2, 2)
    start, end = ends[:, 0], ends[:, 1]
    to_house = _unit(end - start)
    span = places(drops["strand_span_id"], layers.spans.index)
    has_clamp = span >= 0
    crosses = np.where(
        has_clamp,
        drops["is_street_crossing"].to_numpy(dtype=bool),
        is_over_street(drops, plan.crossings),
    )
    along = np.zeros_like(start)
    along[has_clamp] = _unit(_span_vectors(layers, span[has_clamp]))
    square = np.stack([-along[:, 1], along[:, 0]], axis=1)
    is_left = (square * to_house).sum(axis=1) >= 0
    house_side = np.where(is_left[:, None], square, -square)
    return _Site(
        start,
        end,
        to_house,
        along,
        np.where(crosses[:, None], -house_side, house_side),
        has_clamp,
        crosses,
        is_bucket_job(drops),
        drops["hook_height_m"].to_numpy(dtype=np.float64),
        drops["attachment_height_m"].to_numpy(dtype=np.float64),
        ground.nearest_road(start[:, 0], start[:, 1], STREET_WITHIN_M)[1],
    )


def _span_vectors(layers: Layers, span: IntArray) -> FloatArray:
    lines = np.asarray(layers.spans.geometry.values, dtype=object)[span]
    first, last = shapely.get_point(lines, 0), shapely.get_point(lines, -1)
    return np.asarray(shapely.get_coordinates(last) - shapely.get_coordinates(first))


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.hypot(*vectors.T), 1e-9)[:, None])


def _turned(vectors: FloatArray, angle_deg: float) -> FloatArray:
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(vectors @ np.array([[cosine, sine], [-sine, cosine]]))


def _first_free(
    candidates: Sequence[FloatArray],
    ground: Ground,
    keep_off_m: float,
    kerb_m: FloatArray,
    *,
    off_walks: bool,
) -> tuple[FloatArray, IntArray]:
    """Take each row's first candidate that is free, off walks if that can be; -1 where none is.

    `kerb_m` is the least way to a carriageway, by row; NaN: no matter.
    """
    count = len(candidates[0])
    chosen = np.full((count, 2), np.nan)
    number = np.full(count, -1, dtype=np.int64)
    for is_strict in (True, False) if off_walks else (False,):
        for rank, points in enumerate(candidates):
            left = np.flatnonzero(number < 0)
            if len(left) == 0:
                break
            took = left[ground.is_free(points[left, 0], points[left, 1], keep_off_m)]
            bound = took[np.isfinite(kerb_m[took])]
            _, edge = ground.nearest_road(points[bound, 0], points[bound, 1], STREET_WITHIN_M)
            took = np.setdiff1d(took, bound[edge < kerb_m[bound]])
            if is_strict:
                took = took[ground.is_off_walks(points[took, 0], points[took, 1])]
            chosen[took], number[took] = points[took], rank
    return chosen, number


def _found(
    place: str,
    rows: IntArray,
    candidates: Sequence[FloatArray],
    ground: Ground,
    keep_off_m: float,
    notes: npt.NDArray[np.str_],
    kerb_m: FloatArray | None = None,
) -> _Part:
    """Find places for some drops; `notes` are those of each candidate (first axis) and drop."""
    least = np.full(len(rows), np.nan) if kerb_m is None else kerb_m[rows] - KERB_SLACK_M
    xy, number = _first_free(candidates, ground, keep_off_m, least, off_walks=place == "reel")
    got = np.flatnonzero(number >= 0)
    chosen = np.broadcast_to(notes, (len(candidates), len(rows)))[number[got], got]
    note = np.array([NOTE_KEYS.index(str(name)) for name in chosen], dtype=np.int64)
    return _Part(place, rows[got], xy[got], note)


def _around(centre: FloatArray, direction: FloatArray, out_m: FloatArray) -> list[FloatArray]:
    return [centre + out_m[:, None] * _turned(direction, turn) for turn in TURNS_DEG]


def _pole_ladders(site: _Site, ground: Ground, out_m: FloatArray, keep_off_m: float) -> list[_Part]:
    """Try the house's side first, or the side away from the house where a street lies between."""
    rows = np.flatnonzero(~site.has_clamp)
    first = np.where(site.crosses[:, None], -site.to_house, site.to_house)[rows]
    tried = _around(site.start[rows], first, out_m[rows])
    base = np.select(
        [site.crosses[rows], site.has_street[rows]], ["pole_field", "pole_street"], "pole"
    )
    aside = np.char.add(base, "_aside")
    notes = np.stack([base if abs(turn) < 60 else aside for turn in TURNS_DEG])
    return [_found("ladder", rows, tried, ground, keep_off_m, notes, site.kerb_m)]


def _clamp_ladders(site: _Site, ground: Ground, out_m: FloatArray, keep_off_m: float) -> _Part:
    rows = np.flatnonzero(site.has_clamp & ~site.is_bucket)
    out = out_m[rows, None]
    tried = [site.start[rows] + out * (site.field + s * site.along)[rows] for s in SHIFTS]
    notes = np.select(
        [site.crosses[rows], site.has_street[rows]], ["clamp_field", "clamp_street"], "clamp"
    )
    return _found("ladder", rows, tried, ground, keep_off_m, notes)


def _buckets(site: _Site, ground: Ground, rules: CrewRules) -> _Part:
    """Try the street side first: a truck seldom gets to the field side."""
    rows = np.flatnonzero(site.is_bucket)
    out = rules.value("places.bucket_away")
    tried = [
        site.start[rows] + out * (side * site.field + shift * site.along)[rows]
        for side in (-1.0, 1.0)
        for shift in SHIFTS
    ]
    keep = rules.value("places.bucket_keep_off")
    notes = np.where(site.has_street[rows], "bucket_street", "bucket")
    return _found("bucket", rows, tried, ground, keep, notes)


def _house_ladders(
    site: _Site, ground: Ground, out_m: FloatArray, keep_off_m: float, plan: Plan
) -> _Part:
    """Try first what is farthest from the own building: square off the wall."""
    rows = np.arange(len(site.end))
    tried = np.stack(_around(site.end, -site.to_house, out_m))
    own = places(plan.drops["building_id"], plan.layers.buildings.index)
    outlines = np.asarray([*plan.layers.buildings.geometry.values, None], dtype=object)
    shapes = outlines[own]
    off = shapely.distance(shapely.points(tried), shapes[None, :])
    order = np.argsort(-np.round(np.nan_to_num(off), 3), axis=0, kind="stable")
    ranked = np.take_along_axis(tried, order[:, :, None], axis=0)
    return _found("house_ladder", rows, list(ranked), ground, keep_off_m, np.array("house"))


def _walk_ends(plan: Plan) -> FloatArray:
    """Return where the first walk that each drop passes over ends; NaN without one."""
    crossings = plan.crossings
    kept = crossings[crossings["crossing_kind"] == "sidewalk"]
    end = np.full(len(plan.drops), np.inf)
    drop = pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(kept["address_id"]))
    np.minimum.at(end, drop, kept["end_m"].to_numpy(dtype=np.float64))
    return np.where(np.isfinite(end), end, np.nan)


def _reels(
    site: _Site, ground: Ground, rules: CrewRules, slope: float, walk_end_m: FloatArray
) -> list[_Part]:
    """Place reels by kind of job, each clear of ladder or bucket and of what is in the way."""
    away_m, keep_off_m = rules.value("places.reel_away"), rules.value("places.keep_off")
    bucket = rules.value("places.bucket_away") + rules.value("places.bucket_keep_off")
    foot = np.where(site.is_bucket, bucket, site.hook_m / slope)
    house_foot = site.attachment_m / slope
    at_pole = np.flatnonzero(~site.has_clamp & site.crosses)
    near_house = np.flatnonzero(~site.has_clamp & ~site.crosses)
    over = np.flatnonzero(site.has_clamp & site.crosses)
    below = np.flatnonzero(site.has_clamp & ~site.crosses)
    behind = np.fmax(walk_end_m, foot)
    length = np.hypot(*(site.end - site.start).T)
    spots = [np.minimum(behind + share * away_m, length) for share in (1.0, 0.6, 1.5, 2.0)]
    has_walk = ~np.isnan(walk_end_m)

    def ring(
        rows: IntArray, centre: FloatArray, way: FloatArray, out_m: FloatArray, note: str
    ) -> _Part:
        tried = _around(centre[rows], way[rows], out_m[rows])
        kerb = None if note == "reel_house" else site.kerb_m
        return _found("reel", rows, tried, ground, keep_off_m, np.array(note), kerb)

    def under(rows: IntArray, note: str) -> _Part:
        tried = [
            site.start[rows] + spot[rows, None] * _turned(site.to_house[rows], turn)
            for turn in TURNS_DEG[:5]
            for spot in spots
        ]
        return _found("reel", rows, tried, ground, keep_off_m, np.array(note))

    return [
        ring(at_pole, site.start, -site.to_house, foot + 0.5 * away_m, "reel_pole"),
        ring(near_house, site.end, -site.to_house, house_foot + away_m, "reel_house"),
        ring(over, site.start, site.field, foot + away_m, "reel_field"),
        under(below[has_walk[below]], "reel_walk"),
        under(below[~has_walk[below]], "reel_below"),
    ]


def _table(parts: list[_Part], plan: Plan, ground: Ground, site: _Site) -> Any:
    rows = np.concatenate([part.rows for part in parts])
    kinds = [part.place for part in parts]
    count = np.repeat(np.arange(len(parts)), [len(part.rows) for part in parts])
    xy = np.concatenate([part.xy for part in parts])
    placed = Placed(
        rows, np.array(kinds, dtype=object)[count], np.concatenate([p.note for p in parts]), xy
    )
    ends = DropEnds(site.start, site.end, site.has_clamp)
    frame = gpd.GeoDataFrame(
        {
            "address_id": plan.drops["address_id"].array.take(rows),
            "place": worded(count, kinds),
            "note": build_notes(placed, ends, plan, ground),
        },
        geometry=shapely.points(xy),
        crs=plan.layers.crs.working_crs,
    )
    return declared(frame, TABLES["work_places"])
