"""Where the reel goes for each drop.

Enters: sites of drops, where ladders and buckets stand, crew rules.
Leaves: places of reels.
Does not do: look at plantings, fences or parked cars; the crew does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.work.free_places import apart_from, off_walks
from geoplan.work.place_search import TURNS_DEG, Part, Search, Site, around, found, turned

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

REEL_TURNS_DEG = (60.0, -60.0, 90.0, -90.0, 30.0, -30.0, 0.0, 120.0, -120.0, 150.0, -150.0, 180.0)
"""The same for a reel beside a ladder: to its side, so that the wire runs off past nobody."""


def walk_ends(plan: Plan) -> FloatArray:
    """Return where the first walk that each drop passes over ends; NaN without one."""
    crossings = plan.crossings
    kept = crossings[crossings["crossing_kind"] == "sidewalk"]
    end = np.full(len(plan.drops), np.inf)
    drop = pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(kept["address_id"]))
    np.minimum.at(end, drop, kept["end_m"].to_numpy(dtype=np.float64))
    return np.where(np.isfinite(end), end, np.nan)


def find_reels(
    site: Site,
    search: Search,
    slope: float,
    walk_end_m: FloatArray,
    stood: FloatArray,
) -> list[Part]:
    """Place reels by kind of job, each clear of ladder or bucket and of what is in the way."""
    rules = search.rules
    away_m, apart_m = rules.value("places.reel_away"), rules.value("places.reel_from_ladder")
    bucket = rules.value("places.bucket_away") + rules.value("places.bucket_keep_off")
    foot = np.where(site.is_bucket, bucket, site.hook_m / slope)
    house_foot = site.attachment_m / slope
    at_house = ~site.crosses & (~site.has_clamp | site.house_reel)
    below = np.flatnonzero(site.has_clamp & ~site.crosses & ~site.house_reel)
    behind = np.fmax(walk_end_m, foot)
    length = np.hypot(*(site.end - site.start).T)
    spots = [np.minimum(behind + share * away_m, length) for share in (1.0, 0.6, 1.5, 2.0)]
    has_walk = ~np.isnan(walk_end_m)
    off_walk = off_walks(search.ground)
    off_road = search.off_road
    wishes = (
        (off_walk, off_road, search.off_power),
        (off_road, search.off_power),
        (off_walk, off_road),
        (off_road,),
        (search.off_power,),
        (),
    )

    def house(rows: IntArray) -> Part:
        tried = around(site.end[rows], -site.to_house[rows], (house_foot + away_m)[rows])
        return found("reel", rows, site, tried, np.array("reel_house"), search.needs, wishes)

    def beyond(rows: IntArray, way: FloatArray, note: str) -> Part:
        needs = (*search.needs, search.behind(site.kerb_m), apart_from(stood, apart_m))
        tried = [
            xy
            for out_m in (foot + apart_m, foot + away_m)
            for xy in around(site.start[rows], way[rows], out_m[rows], REEL_TURNS_DEG)
        ]
        return found("reel", rows, site, tried, np.array(note), needs, wishes)

    def under(rows: IntArray, note: str) -> Part:
        tried = [
            site.start[rows] + spot[rows, None] * turned(site.to_house[rows], turn)
            for turn in TURNS_DEG[:5]
            for spot in spots
        ]
        at_house = site.end[rows] - (house_foot + away_m)[rows, None] * site.to_house[rows]
        notes = np.array([note] * len(tried) + ["reel_house"])[:, None]
        return found("reel", rows, site, [*tried, at_house], notes, search.needs, wishes)

    return [
        beyond(np.flatnonzero(~site.has_clamp & site.crosses), -site.to_house, "reel_pole"),
        house(np.flatnonzero(at_house)),
        beyond(np.flatnonzero(site.has_clamp & site.crosses), site.field, "reel_field"),
        under(below[has_walk[below]], "reel_walk"),
        under(below[~has_walk[below]], "reel_below"),
    ]
