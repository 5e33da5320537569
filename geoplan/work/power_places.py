"""Power over or close to single places of work, so that the step that sets them can tell it.

Enters: planned drops, places of work, judged pairs of a drop and power.
Leaves: for each drop the lines by place, in words.
Does not do: judge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.text_columns import joined, places, texts, worded
from geoplan.work.clauses import per_row
from geoplan.work.free_places import OVERHEAD_M
from geoplan.work.places import is_bucket_job
from geoplan.work.power_around import AROUND_M, NEAR_M, at_house, house_words
from geoplan.work.power_pairs import (
    ARM_REACH_M,
    BESIDE,
    BUCKET,
    HOOK,
    HOUSE,
    HOUSE_LADDER,
    LADDER,
    ON_POLE,
    RUN,
    RUN_BUCKET,
    RUN_POLE,
    TERMINAL,
    TERMINAL_SIDE,
    Near,
)
from geoplan.work.power_words import Telling, distances, line_above, where_it_is
from geoplan.work.powers import Powers
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

OVER = ("ladder", "reel", "bucket")
"""Places of ``work_places`` over which lines are looked for in plan."""


BY_RUN_M = 12.0
"""Power that lands on the house within this of the attachment is told with the ladder and the run
there: about as far as these go along the wall, and some way more; our own default, no source."""


@dataclass(frozen=True)
class Way:
    """How the wire goes on from the two ends of the air span, n drops."""

    runs: StrandRuns
    """Along the strand."""
    building_run_m: FloatArray
    """Along the wall, m."""


@dataclass(frozen=True)
class Judged:
    """Pairs of a drop and power, judged."""

    near: Near
    asked_m: FloatArray
    """Distances to keep, m; NaN: the rules have none."""
    is_short: BoolArray
    """Whether the distance is not kept, or not known."""
    is_close: BoolArray
    """Whether it is short, or kept only by somebody who doesn't reach out."""

    def of(self, *reasons: int) -> IntArray:
        """Return the rows of close pairs of some reasons."""
        return np.flatnonzero(self.is_close & np.isin(self.near.reason, reasons))


@dataclass(frozen=True)
class _Part:
    """Power at one place: rows of drops and power, and what is said behind the name."""

    place: str
    drop: IntArray
    power: IntArray
    words: Any = ""


def power_places(
    plan: Plan, judged: Judged, telling: Telling, work_places: gpd.GeoDataFrame | None, way: Way
) -> Any:
    """Name the power over or close to each place of work.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    judged : Judged
        m pairs of a drop and power.
    telling : Telling
        Names and units.
    work_places : geopandas.GeoDataFrame or None
        Columns as declared for ``work_places``; None: no ladder, reel or bucket is looked over.
    way : Way
        Runs along strand and wall.

    Returns
    -------
    pandas array of str, shape (n,)
        ``place: id``, each pair once, split by ``LIST_SPLIT``; null without one. Places are
        ``ladder``, ``reel`` and ``bucket`` (what passes over them, from ladder's foot to its head
        and along the way up of the boom; for ladder and bucket what is at hook or clamp too, and
        what is within `NEAR_M` in plan of the pole that the hook goes on), ``hook`` (what is close
        to hook or clamp; of what is close to anything of the drop, what is within `NEAR_M` of it;
        drops to buildings about its pole), ``wire`` (what it goes up beside, with the distance),
        ``run`` (along the strand, with where it is), ``passed`` (close to poles that the run
        passes, and drops to buildings there, with the pole), ``terminal``, ``terminal_ladder``
        (this, and lines within `NEAR_M` in plan of its pole, whatever their height), ``hook_over``
        and ``terminal_over`` (what passes over these, at any height), ``house_ladder`` (with how
        far above the attachment), ``wall`` (what lands on the drop's building or passes it within
        `AROUND_M` of the attachment, and how far off), ``house`` (what of it within `BY_RUN_M`),
        ``house_run`` (what of it is no farther than the building run is long), and ``short`` (all
        whose distance is not kept, or not known).
    """
    near, powers = judged.near, telling.powers
    terminal = places(plan.drops["terminal_id"], plan.layers.poles.index)
    parts = [
        *_overhead(plan, work_places),
        _pairs("ladder", near, judged.of(LADDER)),
        *_at_support(plan, judged, powers),
        _over_start(plan),
        _beside_wire(judged, telling),
        _along_run(judged, telling),
        _at_passed(plan, judged, telling, way.runs),
        *(_pairs(place, near, _at_terminal(judged, terminal)) for place in AT_TERMINAL),
        *_about_terminal(plan, terminal),
        _at_house(plan, powers, near, telling),
        *_on_wall(plan, powers, telling, way.building_run_m),
        _pairs("short", near, np.flatnonzero(judged.is_short)),
    ]
    names = list(dict.fromkeys(part.place for part in parts))
    columns = [
        pd.DataFrame(
            {
                "place": np.full(len(part.drop), names.index(part.place), dtype=np.int64),
                "drop": part.drop,
                "power": part.power,
                "words": texts(pd.Series(part.words, index=range(len(part.drop)), dtype="str")),
            }
        )
        for part in parts
    ]
    table = pd.concat(columns, ignore_index=True)
    table = table.drop_duplicates(["drop", "place", "power"])
    table = table.sort_values(["drop", "place", "power"], kind="stable")
    drop, place, power = (
        table[name].to_numpy(dtype=np.int64) for name in ("drop", "place", "power")
    )
    words = joined(worded(place, names), ": ", powers.names.take(power), texts(table["words"]))
    return per_row(drop, words, len(plan.drops), LIST_SPLIT)


def _pairs(place: str, near: Near, rows: IntArray, words: Any = "") -> _Part:
    return _Part(place, near.drop[rows], near.power[rows], words)


def _nearest_first(near: Near, rows: IntArray) -> IntArray:
    """Order pairs by their distance; what is not known counts as none."""
    order = np.argsort(np.nan_to_num(near.gap_m[rows], nan=-1.0), kind="stable")
    return np.asarray(rows[order])


def _beside_wire(judged: Judged, telling: Telling) -> _Part:
    """Tell how near the wire comes to the lines that it goes up beside, and what is asked."""
    near = judged.near
    rows = _nearest_first(near, np.flatnonzero(near.reason == BESIDE))
    words = joined(", ", distances(near, rows, judged.asked_m, telling))
    return _pairs("wire", near, rows, words)


def _along_run(judged: Judged, telling: Telling) -> _Part:
    """Tell where along the strand run lines cross it, or come closer than is asked."""
    near = judged.near
    is_met = np.isin(near.reason, (RUN, RUN_BUCKET)) & (near.is_across | judged.is_short)
    rows = _nearest_first(near, np.flatnonzero(is_met))
    rows = rows[np.argsort(near.reason[rows] == RUN_BUCKET, kind="stable")]  # where it is, first
    return _pairs("run", near, rows, where_it_is(near, rows, telling))


def _at_terminal(judged: Judged, terminal: IntArray) -> IntArray:
    """Return the pairs close to the hands that connect."""
    near = judged.near
    reach_m = OVERHEAD_M + ARM_REACH_M
    rows = judged.of(*AT_POLE)
    is_there = near.pole[rows] == terminal[near.drop[rows]]
    return np.asarray(rows[is_there & ~(near.at_m[rows] > reach_m)])


def _at_passed(plan: Plan, judged: Judged, telling: Telling, runs: StrandRuns) -> _Part:
    """Find what is close at poles that runs pass, and the drops to buildings that come to them."""
    near, drops, poles = judged.near, plan.drops, plan.layers.poles
    is_hook = drops["strand_span_id"].isna().to_numpy(dtype=bool)
    access = np.where(is_hook, places(drops["access_pole_id"], poles.index), -1)
    terminal = places(drops["terminal_id"], poles.index)
    own, pole = runs.pole_drop, runs.pole
    is_passed = (pole != terminal[own]) & (pole != access[own])
    own, pole = own[is_passed], pole[is_passed]
    at, line = _about(plan, pole)
    service = telling.powers.is_service[line]
    at, line = at[service], line[service]
    close = judged.of(RUN_POLE, RUN, RUN_BUCKET)
    reach_m = OVERHEAD_M + ARM_REACH_M
    close = close[(near.pole[close] >= 0) & ~(near.at_m[close] > reach_m)]
    passed = pd.MultiIndex.from_arrays([own, pole])
    pairs = pd.MultiIndex.from_arrays([near.drop[close], near.pole[close]])
    close = close[pairs.isin(passed)]
    where = np.concatenate([pole[at], near.pole[close]])
    return _Part(
        "passed",
        np.concatenate([own[at], near.drop[close]]),
        np.concatenate([line, near.power[close]]),
        joined(", ", telling.pole_ids.take(where)),
    )


AT_TERMINAL = ("terminal", "terminal_ladder")
AT_POLE = (RUN_POLE, TERMINAL, TERMINAL_SIDE, RUN, RUN_BUCKET)
"""Reasons that tell of a pole of the strand, and of the strand by it."""


def _at_support(plan: Plan, judged: Judged, powers: Powers) -> list[_Part]:
    """Find what is at hook or clamp, and over whoever goes up to it."""
    near, drops = judged.near, plan.drops
    is_hook = drops["strand_span_id"].isna().to_numpy(dtype=bool)
    access = places(drops["access_pole_id"], plan.layers.poles.index)
    at = np.where(is_hook, access, -1)
    pair = near.drop * len(powers.voltage_v) + near.power
    is_told = np.isin(pair, pair[judged.is_close]) & (near.gap_m <= NEAR_M)
    is_there = ~(near.at_m > OVERHEAD_M + ARM_REACH_M)
    by_pole = np.isin(near.reason, AT_POLE) & (near.pole == at[near.drop]) & (near.pole >= 0)
    is_close = judged.is_close & is_there & (by_pole | (near.reason == BESIDE))
    own = np.isin(near.reason, (HOOK, ON_POLE, BUCKET))
    rows = np.flatnonzero(is_close | (own & (judged.is_close | is_told)))
    drop, line = _about_poles(plan, at)
    service = powers.is_service[line]
    parts = [_pairs("hook", near, rows), _Part("hook", drop[service], line[service])]
    by_bucket = is_bucket_job(drops)
    for place, goes_up in (("ladder", ~by_bucket), ("bucket", by_bucket)):
        some = goes_up[drop]
        parts.append(_pairs(place, near, rows[goes_up[near.drop[rows]]]))
        parts.append(_Part(place, drop[some], line[some]))
    return parts


def _about_poles(plan: Plan, pole: IntArray) -> tuple[IntArray, IntArray]:
    """Pair drops with the lines within `NEAR_M` in plan of a pole of each; -1: of none."""
    rows = np.flatnonzero(pole >= 0)
    at, line = _about(plan, pole[rows])
    return rows[at], line


def _about(plan: Plan, pole: IntArray) -> tuple[IntArray, IntArray]:
    """Pair places in `pole` with the lines within `NEAR_M` of that pole in plan."""
    points = np.asarray(plan.layers.poles.geometry.values, dtype=object)[pole]
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    at, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=NEAR_M)
    return at.astype(np.int64), line.astype(np.int64)


def _over_start(plan: Plan) -> _Part:
    """Find the lines that pass over hook or clamp, at any height."""
    starts = shapely.get_point(np.asarray(plan.air_spans.geometry.values, dtype=object), 0)
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    drop, line = shapely.STRtree(lines).query(starts, predicate="dwithin", distance=OVERHEAD_M)
    return _Part("hook_over", drop.astype(np.int64), line.astype(np.int64))


def _about_terminal(plan: Plan, terminal: IntArray) -> list[_Part]:
    """Find lines near the terminal's pole in plan: beside it, over it, and all of them."""
    drop, line = _about_poles(plan, terminal)
    poles = np.asarray(plan.layers.poles.geometry.values, dtype=object)[terminal[drop]]
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)[line]
    is_off = shapely.distance(poles, lines) > OVERHEAD_M
    return [
        _Part("terminal", drop[is_off], line[is_off]),
        _Part("terminal_over", drop[~is_off], line[~is_off]),
        _Part("terminal_ladder", drop, line),
    ]


def _at_house(plan: Plan, powers: Powers, near: Near, telling: Telling) -> _Part:
    """Tell which lines are close to the attachment, and how far above it."""
    rows = np.flatnonzero(np.isin(near.reason, (HOUSE, HOUSE_LADDER)))
    attachment = plan.drops["attachment_height_m"].to_numpy(dtype=np.float64)[near.drop[rows]]
    above: FloatArray = powers.height_m[near.power[rows]] - attachment
    return _pairs("house_ladder", near, rows, line_above(above, telling))


def _overhead(plan: Plan, work_places: gpd.GeoDataFrame | None) -> list[_Part]:
    """Find the lines that pass over a ladder from foot to head, a reel, or a boom's way up."""
    if work_places is None:
        return []
    starts = shapely.get_coordinates(plan.air_spans.geometry.values).reshape(-1, 2, 2)[:, 0]
    tree = shapely.STRtree(np.asarray(plan.layers.power.geometry.values, dtype=object))
    index = pd.Index(plan.drops["address_id"])
    found = []
    for place in OVER:
        rows = work_places[work_places["place"] == place]
        drop = index.get_indexer(pd.Index(rows["address_id"])).astype(np.int64)
        spots = np.asarray(rows.geometry.values, dtype=object)
        if place != "reel":
            ends = [shapely.get_coordinates(spots), starts[drop]]
            spots = shapely.linestrings(np.stack(ends, axis=1).reshape(-1, 2, 2))
        spot, line = tree.query(spots, predicate="dwithin", distance=OVERHEAD_M)
        found.append(_Part(place, drop[spot], line.astype(np.int64)))
    return found


def _on_wall(
    plan: Plan, powers: Powers, telling: Telling, building_run_m: FloatArray
) -> list[_Part]:
    """Find the lines that are at the building, and those of them near ladder and building run."""
    wires = np.asarray(plan.air_spans.geometry.values, dtype=object)
    ends = shapely.force_2d(shapely.get_point(wires, -1))
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    drop, line = shapely.STRtree(lines).query(ends, predicate="dwithin", distance=AROUND_M)
    met = at_house(plan, powers, drop, line)
    rows = np.flatnonzero(met.is_met)
    drop, line = drop[rows].astype(np.int64), line[rows].astype(np.int64)
    words = house_words(met.take(rows), telling.units)
    off_m = met.off_m[rows]
    near, by = np.flatnonzero(off_m <= BY_RUN_M), np.flatnonzero(off_m <= building_run_m[drop])
    return [
        _Part("wall", drop, line, words),
        _Part("house", drop[near], line[near], words.take(near)),
        _Part("house_run", drop[by], line[by], words.take(by)),
    ]
