"""Where the bucket truck stands along strand runs that no ladder may work: its side, its lane.

Enters: strand runs, which of them are worked from a bucket, carriageways, roads as rules see them.
Leaves: `Trucks`: roads in whose lanes it stands, with its traffic class; its places in words.
Does not do: know slopes, ditches, fences or parked cars; the crew does.
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
from geoplan.text_columns import joined, texts, worded
from geoplan.work.clauses import per_row
from geoplan.work.drop_case import WINDS
from geoplan.work.ground import Ground
from geoplan.work.over_roads import Over, first_of
from geoplan.work.place_search import STREET_WITHIN_M
from geoplan.work.road_works import Roads, has_room
from geoplan.work.run_lots import SHARES
from geoplan.work.strand_run import LIST_SPLIT, RoadsBelow, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


CLOSES = ", which it closes"
"""Said of a carriageway too narrow for anybody to pass the truck."""
NO_ROAD = "no road beside the run, see first how it gets there"
"""Said where no carriageway is near."""


@dataclass(frozen=True)
class Trucks:
    """Bucket trucks along the runs of n drops."""

    lanes: Over
    """Pairs of a drop and a road in whose lane its truck stands, each once; no length over it."""
    words: Any
    """Sides of the strand and roads, split by ``LIST_SPLIT``; null for runs without a bucket."""


def place_trucks(
    plan: Plan,
    runs: StrandRuns,
    by_bucket: BoolArray,
    below: RoadsBelow,
    ground: Ground,
    roads: Roads,
    rules: CrewRules,
) -> Trucks:
    """Say on which side of the strand the truck stands, and in which lanes.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket.
    below : RoadsBelow
        Carriageways that runs hang over: traffic is held on these anyway.
    ground : Ground
        Carriageways.
    roads : Roads
        Roads as the rules see them.
    rules : CrewRules
        Room that the truck takes.

    Returns
    -------
    Trucks
        A truck in a lane takes at least what holds traffic for longer than a moment. Lanes are
        those of roads that the run doesn't hang over anyway.

    Notes
    -----
    Several places along each leg are looked at, and every street there is told: the truck stands
    toward the nearest carriageway within `STREET_WITHIN_M`, ``places.bucket_away`` from the
    strand. Nearer to that carriageway than ``places.bucket_keep_off`` it stands in the lane. Of a
    leg that hangs over a road the places beside that road are reached from it. A street that the
    truck stands off is told where it stands in no lane along the leg. Common practice, no source.
    """
    leg = np.repeat(np.flatnonzero(by_bucket[runs.drop]), len(SHARES))
    part = np.tile(SHARES, len(leg) // len(SHARES))[:, None]
    spot = runs.segment[leg][:, :2] * (1 - part) + runs.segment[leg][:, 2:] * part
    drop = runs.drop[leg]
    road, edge = _beside(spot, ground)
    room = rules.value("places.bucket_away") + rules.value("places.bucket_keep_off")
    in_lane = (road >= 0) & (edge < room)
    is_narrow = ~has_room(road, roads, rules)
    shapes = np.asarray([*plan.layers.roads.geometry.values, None], dtype=object)[road]
    nearest = shapely.get_point(shapely.shortest_line(shapes, shapely.points(spot)), 0)
    has = np.flatnonzero(road >= 0)
    way = np.zeros_like(spot)
    way[has] = shapely.get_coordinates(nearest[has]) - spot[has]
    wind = np.rint(np.degrees(np.arctan2(way[:, 1], way[:, 0])) / 45.0).astype(np.int64) % 8
    beside = joined(
        "on the strand's ",
        worded(wind, WINDS),
        worded(in_lane, (" side, off the carriageway of ", " side, in the lane of ")),
        roads.name.take(road, allow_fill=True),
        worded(in_lane & is_narrow, ("", CLOSES)),
    )
    under = pd.Series(
        joined("below the strand, in the closed lane of ", roads.name.take(road, allow_fill=True))
    )
    words = pd.Series(beside).where(edge > 0, under).where(road >= 0, NO_ROAD)
    told = pd.DataFrame(
        {
            "leg": leg, "road": road, "drop": drop, "words": words.to_numpy(dtype=object),
            "rank": np.select([edge <= 0, in_lane, road >= 0], [0, 1, 2], default=3),
        }
    )  # fmt: skip
    told = told[_is_told(told)].drop_duplicates(["leg", "road", "rank"])  # its first side
    told = _by_stretch(told, runs, texts(plan.layers.poles.index))
    count = len(roads.way)
    is_new = ~np.isin(drop * count + road, below.drop * count + below.road)
    pairs = np.unique(np.stack([drop, road], axis=1)[in_lane & is_new], axis=0).reshape(-1, 2)
    owner, lane = pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)
    return Trucks(
        Over(
            owner,
            lane,
            np.maximum(roads.way, roads.way_held)[lane].astype(np.int64),
            np.zeros(len(lane), dtype=bool),
            np.full(len(lane), np.nan),
        ),
        per_row(
            told["drop"].to_numpy(dtype=np.int64), texts(told["words"]), runs.count, LIST_SPLIT
        ),
    )


def _by_stretch(told: pd.DataFrame, runs: StrandRuns, poles: Any) -> pd.DataFrame:
    """Put legs in a row with the same words together; tell from where to where, if others differ.

    Places below the strand are told by the road they are over.
    """
    told = told.drop_duplicates(["drop", "leg", "words"])
    told = told.sort_values(["drop", "words", "leg"], kind="stable")
    same = told[["drop", "words"]].eq(told[["drop", "words"]].shift()).all(axis=1)
    goes_on = same & (told["leg"].eq(told["leg"].shift() + 1) | told["rank"].eq(0))
    stretch = (~goes_on).cumsum().to_numpy()
    last = told["leg"].groupby(stretch).max().to_numpy(dtype=np.int64)
    told = told[~goes_on.to_numpy(dtype=bool)].assign(last=last)
    begin, end = (
        pd.Series(poles.take(pole, allow_fill=True), index=told.index).fillna("the clamp")
        for pole in (runs.from_pole[told["leg"]], runs.to_pole[told["last"]])
    )
    is_named = told["rank"].ne(0) & (told.groupby("drop")["words"].transform("size") > 1)
    named = begin + " to " + end + ": " + told["words"].astype("str")
    told = told.assign(words=told["words"].where(~is_named, named))
    return told.sort_values(["drop", "leg", "rank"], kind="stable")


def _is_told(told: pd.DataFrame) -> BoolArray:
    """Tell which places along legs are told: over a road, in a lane, by none; off it if all are."""
    of_road = told.groupby(["leg", "road"])["rank"].transform("min")
    of_leg = told.groupby("leg")["rank"].transform("min")
    rank = told["rank"]
    return np.asarray((rank == of_road) & ((rank != 2) | (rank == of_leg)), dtype=bool)


def _beside(xy: FloatArray, ground: Ground) -> tuple[IntArray, FloatArray]:
    """Return the road nearest to each place and how far its carriageway is; -1 without one."""
    point, road, edge = ground.roads_near(xy[:, 0], xy[:, 1], STREET_WITHIN_M)
    first = first_of(point, np.lexsort((road, edge, point)), len(xy))
    return np.append(road, -1)[first], np.append(edge, np.inf)[first]
