"""Pairs of a drop and a road on which traffic is controlled for it, by what asks for it.

Enters: a plan, places of the work, strand runs, roads as crew rules see them.
Leaves: `TrafficPairs`.
Does not do: write words; count people.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.aloft import places_aloft
from geoplan.work.ground import Ground
from geoplan.work.kerb_lanes import KerbLanes, find_kerb_lanes, standing
from geoplan.work.ladder_mates import LadderMates, below_ladders, pressed_by_ladder
from geoplan.work.last_ladders import LastLadders, last_ladders
from geoplan.work.over_roads import (
    Over,
    both,
    by_flaggers_there,
    over_by_air,
    over_by_run,
)
from geoplan.work.road_works import FLAGGERS, Roads
from geoplan.work.run_trucks import Trucks, place_trucks
from geoplan.work.strand_run import RoadsBelow, StrandRuns

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class TrafficPairs:
    """What is done on which road for each drop."""

    by_air: Over
    """Air spans as they would be done by themselves."""
    air: Over
    """The same, held by flaggers where these come to the job anyway."""
    shared: BoolArray
    """Which pairs of `air` that changed."""
    mates: LadderMates
    """What hangs over roads from the spans of its ladder."""
    pressed: Over
    """Roads over which the ladder brings wires of other drops down."""
    mate: IntArray
    """Row of such a drop, by pair of `pressed`."""
    kerb: KerbLanes
    run: Over
    """Carriageways below strand runs."""
    trucks: Trucks
    last: LastLadders
    """Ladders at the terminals of runs."""

    @property
    def held(self) -> Over:
        """Return pairs of wires over a road while they are raised or a ladder is on."""
        return both(self.air, self.pressed)

    @property
    def first(self) -> Over:
        """Return pairs on which traffic is controlled before the strand run."""
        return both(self.held, self.kerb.lanes)

    @property
    def along(self) -> Over:
        """Return pairs on which it is controlled for the strand run."""
        return both(self.run, self.trucks.lanes)


def find_pairs(
    plan: Plan,
    rules: CrewRules,
    ground: Ground,
    work_places: gpd.GeoDataFrame,
    runs: StrandRuns,
    below: RoadsBelow,
    by_bucket: BoolArray,
    roads: Roads,
) -> TrafficPairs:
    """Find all roads on which traffic is controlled for each drop.

    Parameters
    ----------
    plan, rules, ground, work_places, runs, below, by_bucket
        As in `geoplan.work.traffic.build_traffic`.
    roads : Roads
        Roads as the rules see them.

    Returns
    -------
    TrafficPairs
        Flaggers that come for the run or for a lane at the kerb hold the road below the air span
        too, and the roads below wires that the ladder brings down.
    """
    run = over_by_run(below, roads, rules)
    trucks = place_trucks(plan, runs, by_bucket, below, ground, roads, rules)
    along = both(run, trucks.lanes)
    last = last_ladders(plan, runs, by_bucket, ground, rules)
    by_air = over_by_air(plan, roads, rules)
    mates = below_ladders(plan, runs, by_bucket, by_air)
    by_ladder, mate = pressed_by_ladder(mates, by_air)
    held = both(both(by_air, by_ladder), along)
    feet, aloft = standing(plan, work_places, last), places_aloft(plan, runs, by_bucket)
    kerb = find_kerb_lanes(ground, feet, aloft, held.part(held.way == FLAGGERS), roads, rules)
    others = both(along, kerb.lanes)
    air, shared = by_flaggers_there(by_air, others)
    pressed, _ = by_flaggers_there(by_ladder, both(others, air))
    return TrafficPairs(by_air, air, shared, mates, pressed, mate, kerb, run, trucks, last)
