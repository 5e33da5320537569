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
import shapely

from geoplan.framing import declared
from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.tables import TABLES
from geoplan.text_columns import places, worded
from geoplan.work.free_places import Test, off_ground, off_layer
from geoplan.work.ground import Ground
from geoplan.work.house_walls import wall_feet
from geoplan.work.place_notes import DropEnds, Placed, build_notes
from geoplan.work.place_search import (
    KERB_SLACK_M,
    STREET_WITHIN_M,
    TURNS_DEG,
    Part,
    Search,
    Site,
    around,
    build_site,
    found,
    is_bucket_job,
)
from geoplan.work.reel_places import find_reels, walk_ends

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

__all__ = ["KERB_SLACK_M", "STREET_WITHIN_M", "Places", "build_places", "is_bucket_job"]

NEAR_TURNS = 3
"""So many of the first directions are tried for a place off other people's lots."""
ASIDE_TURNS = 7
"""So many are tried where a power line passes over the ground of the first ones."""
AWAY_SHARE = 0.5
"""Part of its way out by which a ladder beyond a street is farther from the carriageway than its
pole: within 60 degrees of straight away from it; our own default, no source."""
SHIFTS = (0.0, 0.25, -0.25, 0.5, -0.5, 1.0, -1.0)
"""Shifts along the strand tried for a ladder or bucket, as parts of their way off it."""


@dataclass(frozen=True)
class Places:
    """Places of all drops, and what was not found."""

    table: gpd.GeoDataFrame
    """As declared for ``work_places``."""
    without: dict[str, BoolArray]
    """Place to the drops that need it and for which none was found, shape (n,)."""


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
    crosses the street, on the side away from the carriageway where there is room, whosesoever lot
    that is. At the house it stands square to a wall, at a corner beside it. Neither
    ladder nor a reel beyond a street comes nearer to a carriageway than its pole or clamp: never
    between pole and street; and half the width of ladder or reel stays off every carriageway. A
    reel beyond a street stands away from the ladder. A drop over water or a roof has its
    reel at the house.
    No power line passes over a ladder's foot or a reel where another place was found, and a reel
    keeps so far from carriageways that nothing need be told of them. A bucket keeps away from
    water where it can. Ladders and buckets stand on the drop's own lot or
    on none, a reel off walks and driveways, where such a place was found.

    References
    ----------
    Sides: common practice, no source.
    """
    site = build_site(plan, ground)
    search = Search(plan, ground, rules)
    slope = np.tan(np.radians(plan.project.ladder.angle))
    feet = [
        _pole_ladders(site, search, site.hook_m / slope),
        _clamp_ladders(site, search, site.hook_m / slope),
        _buckets(site, search),
    ]
    stood = np.full_like(site.start, np.nan)
    for part in feet:
        stood[part.rows] = part.xy
    house = _house_ladders(site, search, site.attachment_m / slope)
    reels = find_reels(site, search, slope, walk_ends(plan), stood)
    parts = [*feet, house, *reels]
    table = _table(parts, plan, ground, site, rules)
    has = {name: np.zeros(len(site.start), dtype=bool) for name in _needs(site)}
    for part in parts:
        has[part.place][part.rows] = True
    return Places(table, {name: need & ~has[name] for name, need in _needs(site).items()})


def _needs(site: Site) -> dict[str, BoolArray]:
    every = np.ones(len(site.start), dtype=bool)
    return {
        "ladder": ~site.is_bucket,
        "bucket": site.is_bucket,
        "house_ladder": every,
        "reel": every,
    }


def _pole_ladders(site: Site, search: Search, out_m: FloatArray) -> Part:
    """Try the house's side first, or the side away from the house where a street lies between."""
    rows = np.flatnonzero(~site.has_clamp)
    first = np.where(site.crosses[:, None], -site.to_house, site.to_house)[rows]
    tried = around(site.start[rows], first, out_m[rows])
    base = np.select(
        [site.crosses[rows], site.has_street[rows]], ["pole_field", "pole_street"], "pole"
    )
    aside = np.char.add(base, "_aside")
    beyond = site.crosses & np.isfinite(site.kerb_m)
    away = search.away(np.where(beyond, site.kerb_m + AWAY_SHARE * out_m, np.nan))
    notes = np.stack(
        [
            np.where(away(rows, xy) & (abs(turn) < 60), base, aside)
            for turn, xy in zip(TURNS_DEG, tried, strict=True)
        ]
    )
    behind = (*search.needs, search.behind(site.kerb_m))
    wishes = ((search.off_lots,),)
    clear = ((search.off_lots, search.off_power),)
    every = np.arange(len(rows))

    def best(left: IntArray, needs: Sequence[Test]) -> Part:
        def some(left: IntArray, turns: slice, wishes: Sequence[Sequence[Test]]) -> Part:
            some_xy = [xy[left] for xy in tried[turns]]
            return found("ladder", rows[left], site, some_xy, notes[turns, left], needs, wishes)

        def but(left: IntArray, *parts: Part) -> IntArray:
            had = np.concatenate([part.rows for part in parts])
            return np.setdiff1d(left, np.searchsorted(rows, had))

        few, more = slice(NEAR_TURNS), slice(NEAR_TURNS, ASIDE_TURNS)
        own = some(left, few, wishes)
        free = some(left, few, clear)
        under = but(np.searchsorted(rows, own.rows), free)
        free = _joined(free, some(under, more, clear))
        own = some(but(under, free), few, wishes)
        rest = some(but(left, free, own), slice(None), ((search.off_power,), ()))
        return _joined(free, own, rest)

    off = best(every, (*behind, away))
    return _joined(off, best(np.setdiff1d(every, np.searchsorted(rows, off.rows)), behind))


def _joined(*parts: Part) -> Part:
    return Part(
        parts[0].place,
        np.concatenate([part.rows for part in parts]),
        np.concatenate([part.xy for part in parts]),
        np.concatenate([part.note for part in parts]),
        np.concatenate([part.way for part in parts]),
    )


def _clamp_ladders(site: Site, search: Search, out_m: FloatArray) -> Part:
    rows = np.flatnonzero(site.has_clamp & ~site.is_bucket)
    out = out_m[rows, None]
    tried = [site.start[rows] + out * (site.field + s * site.along)[rows] for s in SHIFTS]
    notes = np.select(
        [site.crosses[rows], site.has_street[rows]], ["clamp_field", "clamp_street"], "clamp"
    )
    wishes = ((search.off_lots, search.off_power), (search.off_lots,), (search.off_power,), ())
    return found("ladder", rows, site, tried, notes, search.needs, wishes)


def _buckets(site: Site, search: Search) -> Part:
    """Try the street side first: a truck seldom gets to the field side; away from water."""
    rules = search.rules
    rows = np.flatnonzero(site.is_bucket)
    out = rules.value("places.bucket_away")
    street = np.where(site.has_street[rows], -1.0, 1.0)[:, None]
    tried = [
        site.start[rows] + out * (side * street * site.field[rows] + shift * site.along[rows])
        for side in (1.0, -1.0)
        for shift in SHIFTS
    ]
    keep = rules.value("places.bucket_keep_off")
    dry = off_layer(search.plan.layers.water, rules.value("places.water_away"))
    notes = np.where(site.has_street[rows], "bucket_street", "bucket")
    needs = (off_ground(search.ground, keep, keep),)
    wishes = ((dry, search.off_lots), (dry,), ())
    return found("bucket", rows, site, tried, notes, needs, wishes)


def _house_ladders(site: Site, search: Search, out_m: FloatArray) -> Part:
    """Try the walls at the attachment; all around it where no building is known."""
    rows = np.arange(len(site.end))
    layers, drops = search.plan.layers, search.plan.drops
    own = places(drops["building_id"], layers.buildings.index)
    outlines = np.asarray([*layers.buildings.geometry.values, None], dtype=object)[own]
    walls = wall_feet(site.end, outlines, site.to_house, out_m)
    bare = np.where(walls.has_wall[:, None], np.nan, site.end)
    tried = [*walls.xy, *around(bare, -site.to_house, out_m)]
    plain = np.full(len(rows), "house")
    beside = np.where(walls.is_corner, "house_corner", "house")
    notes = np.stack([beside if n < len(walls.xy) else plain for n in range(len(tried))])
    facing = np.stack([*walls.facing, *[-site.to_house] * len(TURNS_DEG)])
    wishes = ((search.off_power,), ())
    return found("house_ladder", rows, site, tried, notes, search.needs, wishes, ways=facing)


def _table(parts: list[Part], plan: Plan, ground: Ground, site: Site, rules: CrewRules) -> Any:
    rows = np.concatenate([part.rows for part in parts])
    kinds = [part.place for part in parts]
    count = np.repeat(np.arange(len(parts)), [len(part.rows) for part in parts])
    xy = np.concatenate([part.xy for part in parts])
    placed = Placed(
        rows,
        np.array(kinds, dtype=object)[count],
        np.concatenate([part.note for part in parts]),
        xy,
        np.concatenate([part.way for part in parts]),
    )
    ends = DropEnds(site.start, site.end, site.has_clamp)
    frame = gpd.GeoDataFrame(
        {
            "address_id": plan.drops["address_id"].array.take(rows),
            "place": worded(count, kinds),
            "note": build_notes(placed, ends, plan, ground, rules),
        },
        geometry=shapely.points(xy),
        crs=plan.layers.crs.working_crs,
    )
    return declared(frame, TABLES["work_places"])
