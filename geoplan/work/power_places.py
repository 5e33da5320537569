"""Power over or close to single places of work, so that the step that sets them can tell it.

Enters: planned drops, places of work, power, judged pairs of a drop and power.
Leaves: for each drop the lines by place, in words.
Does not do: judge; look at what is told of the wire and of the run as a whole.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.text_columns import joined, places, worded
from geoplan.work.clauses import in_words, per_row
from geoplan.work.free_places import OVERHEAD_M
from geoplan.work.power_around import AROUND_M, NEAR_M, land_on_house
from geoplan.work.power_pairs import HOUSE, HOUSE_LADDER, RUN_POLE, TERMINAL, Near
from geoplan.work.powers import Powers
from geoplan.work.strand_run import LIST_SPLIT

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

AT_HOUSE, AT_TERMINAL, ON_WALL = "house_ladder", "terminal", "wall"
"""Places that are told besides those of ``work_places``."""
OVER = ("ladder", "reel", "bucket")
"""Places of ``work_places`` over which lines are looked for in plan."""


def power_places(
    plan: Plan,
    powers: Powers,
    near: Near,
    is_close: BoolArray,
    work_places: gpd.GeoDataFrame | None,
) -> Any:
    """Name the power over or close to each place of work.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    powers : Powers
        Of its layers.
    near : Near
        m pairs of a drop and power.
    is_close : ndarray of bool, shape (m,)
        Pairs whose distance is not kept, not known, or kept only by somebody who doesn't reach out.
    work_places : geopandas.GeoDataFrame or None
        Columns as declared for ``work_places``; None: no ladder, reel or bucket is looked at.

    Returns
    -------
    pandas array of str, shape (n,)
        ``place: id``, each pair once, split by ``LIST_SPLIT``; null without one. ``wall`` are the
        lines that land on the drop's building within `AROUND_M` of the attachment. At the house how
        far the line is above the attachment follows, where that is known and above it. At the
        terminal lines beside its pole, within `NEAR_M` in plan, are told whatever their height.
    """
    at_house = np.flatnonzero(np.isin(near.reason, (HOUSE, HOUSE_LADDER)))
    terminal = places(plan.drops["terminal_id"], plan.layers.poles.index)
    at_terminal = np.flatnonzero(
        is_close
        & np.isin(near.reason, (RUN_POLE, TERMINAL))
        & (near.pole == terminal[near.drop])
        & (near.power < powers.lines)
    )
    beside, line = _beside_terminal(plan, terminal)
    rows = [
        *_overhead(plan, work_places),
        (ON_WALL, *_on_wall(plan, powers)),
        (AT_HOUSE, near.drop[at_house], near.power[at_house]),
        (
            AT_TERMINAL,
            np.concatenate([near.drop[at_terminal], beside]),
            np.concatenate([near.power[at_terminal], line]),
        ),
    ]
    drop = np.concatenate([part[1] for part in rows])
    power = np.concatenate([part[2] for part in rows])
    place = np.repeat(np.arange(len(rows)), [len(part[1]) for part in rows])
    once = np.unique(np.stack([drop, place, power], axis=1), axis=0).reshape(-1, 3)
    drop, place, power = once.T.astype(np.int64)
    words = joined(
        worded(place, [part[0] for part in rows]),
        ": ",
        powers.names.take(power),
        _above(plan, powers, drop, power, place == len(rows) - 2),
    )
    return per_row(drop, words, len(plan.drops), LIST_SPLIT)


def _overhead(
    plan: Plan, work_places: gpd.GeoDataFrame | None
) -> list[tuple[str, IntArray, IntArray]]:
    """Find the lines that pass over a ladder's foot, a reel or a bucket truck."""
    if work_places is None:
        return []
    tree = shapely.STRtree(np.asarray(plan.layers.power.geometry.values, dtype=object))
    index = pd.Index(plan.drops["address_id"])
    found = []
    for place in OVER:
        rows = work_places[work_places["place"] == place]
        drop = index.get_indexer(pd.Index(rows["address_id"])).astype(np.int64)
        spot, line = tree.query(
            np.asarray(rows.geometry.values, dtype=object),
            predicate="dwithin",
            distance=OVERHEAD_M,
        )
        found.append((place, drop[spot], line.astype(np.int64)))
    return found


def _on_wall(plan: Plan, powers: Powers) -> tuple[IntArray, IntArray]:
    """Find the lines that land on the building near the attachment."""
    wires = np.asarray(plan.air_spans.geometry.values, dtype=object)
    ends = shapely.force_2d(shapely.get_point(wires, -1))
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    drop, line = shapely.STRtree(lines).query(ends, predicate="dwithin", distance=AROUND_M)
    lands = land_on_house(plan, powers, drop, line)
    return drop[lands].astype(np.int64), line[lands].astype(np.int64)


def _beside_terminal(plan: Plan, terminal: IntArray) -> tuple[IntArray, IntArray]:
    """Find lines near the terminal's pole in plan that don't come to it."""
    rows = np.flatnonzero(terminal >= 0)
    poles = np.asarray(plan.layers.poles.geometry.values, dtype=object)[terminal[rows]]
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    at, line = shapely.STRtree(lines).query(poles, predicate="dwithin", distance=NEAR_M)
    off = shapely.distance(poles[at], lines[line]) > OVERHEAD_M
    return rows[at[off]], line[off].astype(np.int64)


def _above(plan: Plan, powers: Powers, drop: IntArray, power: IntArray, is_house: BoolArray) -> Any:
    """Say how far lines at the house are above the attachment; empty elsewhere."""
    attachment = plan.drops["attachment_height_m"].to_numpy(dtype=np.float64)[drop]
    above: FloatArray = powers.height_m[power] - attachment
    is_told = is_house & (above > 0)
    words = pd.Series(joined(", ", in_words(above, "length", plan.project.units), " above it"))
    return words.where(is_told, "").array
