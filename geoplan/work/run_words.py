"""What is said of strand runs and span clamps over roads: how they are done, why not alone.

Enters: rows of roads and drops, roads as crew rules see them.
Leaves: columns of text.
Does not do: decide anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, texts, worded
from geoplan.units import ReportUnits, say
from geoplan.work.clauses import in_words, per_row
from geoplan.work.over_roads import Over
from geoplan.work.road_works import STOP, Roads, has_room
from geoplan.work.traffic_words import described

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def roads_under_runs(
    drop: IntArray,
    road: IntArray,
    way: IntArray,
    over_m: FloatArray,
    roads: Roads,
    rules: CrewRules,
    count: int,
    units: ReportUnits,
) -> Any:
    """Say over which carriageways strand runs lead, and how that is done; null for others."""
    most = say(rules.value("run.longest_stop"), "length", units)
    long = over_m > rules.value("run.longest_stop")
    is_never = rules.value("run.longest_stop") == 0
    longer = f"longer than the {most} that are led in a short stop"
    why = "tied from a bucket in the lane" if is_never else longer
    held = worded(long, ("", f", {why}"))
    does = worded(
        way - STOP,
        ("short stop", "flaggers", "lane closure", "only with the owner's permit and a crew"),
    )
    words = joined(
        "strand run over ",
        in_words(over_m, "length", units),
        " of ",
        described(road, roads, units),
        held,
        ": ",
        does,
        " (by the limits of a crossing: there are none for a run)",
    )
    return per_row(drop, words, count)


def lanes_taken(lanes: Over, roads: Roads, rules: CrewRules, count: int, units: ReportUnits) -> Any:
    """Say in which lanes the truck stands, and what that takes; null for others."""
    narrow = ~has_room(lanes.road, roads, rules)
    does = worded(
        lanes.way - STOP,
        ("short stop", "flaggers", "lane closure", "only with the owner's permit and a crew"),
    )
    words = joined(
        worded(narrow, ("truck for the strand run in the lane of ", "truck for the run closes ")),
        described(lanes.road, roads, units),
        ": ",
        does,
    )
    return per_row(lanes.drop, words, count)


def runs_not_for_one(
    drop: IntArray,
    road: IntArray,
    over_m: FloatArray,
    roads: Roads,
    count: int,
    units: ReportUnits,
) -> Any:
    """Say over which carriageways strand runs lead, which nobody does alone; null for others."""
    words = joined(
        "strand run over ",
        in_words(over_m, "length", units),
        " of the carriageway of ",
        roads.name.take(road),
    )
    told = pd.Series(per_row(drop, words, count, " and "))
    why = ": nobody ties a wire over a road alone"
    return texts((told + why).where(told.notna(), None))


def mates_below(pressed: Over, roads: Roads, count: int, units: ReportUnits) -> Any:
    """Say over which roads a ladder brings wires of others down, and how these are held."""
    does = worded(
        pressed.way - STOP,
        ("short stop as long as the ladder is on", "held by the flaggers of this job"),
    )
    words = joined(
        "a ladder on the strand brings wires of other drops down over ",
        described(pressed.road, roads, units),
        ": ",
        does,
    )
    return per_row(pressed.drop, words, count)


def clamps_not_for_one(drop: IntArray, road: IntArray, roads: Roads, count: int) -> Any:
    """Say over which roads drops hang from a clamp, which nobody does alone; null for others."""
    words = joined(
        "over ",
        roads.name.take(road),
        " from a span clamp: not alone, the wire hangs lower while somebody is up at the strand",
    )
    return per_row(drop, words, count)
