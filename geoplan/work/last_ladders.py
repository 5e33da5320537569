"""Where the last ladder of a strand run stands: at the terminal's pole, on its best side.

Enters: planned drops, their runs, the ground about the poles, power.
Leaves: the foot of that ladder by drop, and words on it.
Does not do: look at lots there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import assembled, joined, places, texts, worded
from geoplan.work.clauses import chained, in_words
from geoplan.work.ground import Ground
from geoplan.work.pole_sides import NO_GROUND, SIDES, PoleSides, find_sides
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BETWEEN = "between "
"""How words on a ladder begin to tell the lines to its left and right."""
NO_PLACE = "place NOT WORKED OUT, no free ground off the carriageways found: none on a carriageway"
"""Words on a ladder for which no side was found."""


@dataclass(frozen=True)
class LastLadders:
    """Ladders at the terminals of runs that no bucket works, k of them."""

    drop: IntArray
    pole: IntArray
    """Row of the terminal's pole."""
    foot: FloatArray
    """Shape (k, 2), m; the pole itself where no side was chosen."""
    sides: PoleSides
    """Sides that were chosen."""


def last_ladders(
    plan: Plan, runs: StrandRuns, by_bucket: BoolArray, ground: Ground, rules: CrewRules
) -> LastLadders:
    """Put the last ladder of each run on the side of its pole that `find_sides` chooses.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket: no ladder.
    ground : Ground
        Carriageways, buildings, tracks, water.
    rules : CrewRules
        As in `find_sides`.

    Returns
    -------
    LastLadders
        Drops of one terminal have their ladder at one place.
    """
    drop = np.unique(runs.drop[~by_bucket[runs.drop]])
    pole = places(plan.drops["terminal_id"], plan.layers.poles.index)[drop]
    each, own = np.unique(pole, return_inverse=True)
    sides = find_sides(plan, each, ground, rules).take(own)
    return LastLadders(drop.astype(np.int64), pole, sides.foot, sides)


def last_ladder_words(plan: Plan, last: LastLadders, ground: Ground, rules: CrewRules) -> Any:
    """Tell where each of those ladders stands.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    last : LastLadders
        Ladders, k of them.
    ground : Ground
        Carriageways.
    rules : CrewRules
        ``places.kerb_told``.

    Returns
    -------
    pandas array of str, shape (n,)
        Parts split by ``LIST_SPLIT``: the compass side, `BETWEEN` with the lines to the left and
        right, and how far the nearest carriageway is where that is near; `NO_PLACE` alone where no
        ground was found. Null without such a ladder, or where neither a road nor a line is near.
    """
    sides, roads = last.sides, plan.layers.roads
    lines, named = texts(plan.layers.power.index), roads["name"]
    has, none = np.flatnonzero(sides.side >= 0), np.flatnonzero(sides.side == NO_GROUND)
    two = np.flatnonzero((sides.left >= 0) & (sides.right >= 0) & (sides.left != sides.right))
    both = np.sort(np.stack([sides.left[two], sides.right[two]]), axis=0)
    within_m = rules.value("places.kerb_told")
    road, edge_m = ground.nearest_road(last.foot[:, 0], last.foot[:, 1], within_m)
    by = np.flatnonzero((road >= 0) & (sides.side >= 0))
    kerb = joined(
        in_words(edge_m[by], "length", plan.project.units),
        " from the carriageway of ",
        texts(named.fillna(pd.Series(roads.index, index=roads.index))).take(road[by]),
    )
    words = chained(
        len(last.drop),
        [
            (has, joined("on its ", worded(sides.side[has], SIDES), " side")),
            (by, kerb),
            (two, joined(BETWEEN, lines.take(both[0]), " and ", lines.take(both[1]))),
            (none, worded(np.zeros(len(none)), (NO_PLACE,))),
        ],
        LIST_SPLIT,
    )
    return assembled(len(plan.drops), [(last.drop, words)])
