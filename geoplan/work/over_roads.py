"""Pairs of a drop and a road that its wire is over, by air span or by strand run.

Enters: what planned drops cross, carriageways below strand runs, roads as crew rules see them.
Leaves: the least traffic class of each pair, and whether one person may do it.
Does not do: look at roads beside the work.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import places
from geoplan.work.hand_pull import clears_by_hand
from geoplan.work.road_works import FLAGGERS, STOP, Roads
from geoplan.work.strand_run import RoadsBelow

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Over:
    """Pairs of a drop and a road that its wire is over."""

    drop: IntArray
    road: IntArray
    way: IntArray
    """Least traffic class by which it may be done."""
    is_for_one: BoolArray
    over_m: FloatArray
    """Length of the strand run over the carriageway; NaN for air spans."""

    def part(self, kept: BoolArray) -> Over:
        """Return some of the pairs."""
        return Over(*(getattr(self, field.name)[kept] for field in fields(Over)))

    def lead(self, roads: Roads, count: int) -> IntArray:
        """Return the pair by which each drop is asked for most; -1 where it is over no road."""
        fastest = -roads.speed_m_per_s[self.road]
        order = np.lexsort((self.road, fastest, self.is_for_one, -self.way, self.drop))
        return first_of(self.drop, order, count)

    def flagged(self, roads: Roads, count: int) -> IntArray:
        """Count the roads that flaggers hold for each drop; those of one name are one."""
        return self.part(self.way == FLAGGERS).counted(roads, count)

    def counted(self, roads: Roads, count: int) -> IntArray:
        """Count the roads of each drop; those of one name are one."""
        name, _ = pd.factorize(pd.Series(roads.name))
        pairs = np.unique(np.stack([self.drop, name[self.road]], axis=1), axis=0)
        return np.bincount(pairs.reshape(-1, 2)[:, 0], minlength=count).astype(np.int64)

    def held(self, count: int) -> BoolArray:
        """Tell over which drops a second person of the crew holds traffic."""
        rows = (self.way == STOP) & ~self.is_for_one
        return np.isin(np.arange(count), self.drop[rows])


def both(first: Over, second: Over) -> Over:
    """Return the pairs of two, in order."""
    return Over(
        *(
            np.concatenate([getattr(part, field.name) for part in (first, second)])
            for field in fields(Over)
        )
    )


def by_flaggers_there(air: Over, others: Over) -> tuple[Over, BoolArray]:
    """Have flaggers hold what a second person would hold, on jobs that take flaggers anyway.

    Parameters
    ----------
    air, others : Over
        Pairs of the air spans; pairs for which flaggers come besides.

    Returns
    -------
    air : Over
        Its short stops on these jobs are ``flaggers``, and not for one person.
    is_changed : ndarray of bool
        Which pairs of `air` were short stops.
    """
    taken = np.isin(air.drop, others.drop[others.way == FLAGGERS]) & (air.way == STOP)
    way = np.where(taken, FLAGGERS, air.way).astype(np.int64)
    return replace(air, way=way, is_for_one=air.is_for_one & ~taken), taken


def drop_rows(ids: Any, plan: Plan) -> IntArray:
    """Return the rows of drops by address."""
    return np.asarray(pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(ids)), dtype=np.int64)


def has_clamp(plan: Plan) -> BoolArray:
    """Tell which drops leave from a span clamp."""
    return np.asarray(plan.drops["strand_span_id"].notna(), dtype=bool)


def over_by_air(plan: Plan, roads: Roads, rules: CrewRules) -> Over:
    """Return pairs of drop and road whose carriageway its air span is over, each once."""
    crossings = plan.crossings
    rows = crossings[(crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]]
    drop = drop_rows(rows["address_id"], plan)
    road = places(rows["feature_id"], plan.layers.roads.index)
    pairs = np.unique(np.stack([drop, road], axis=1), axis=0).reshape(-1, 2)
    drop, road = pairs[:, 0], pairs[:, 1]
    is_clamp = has_clamp(plan)[drop]
    lasts = is_clamp | ~_clears_by_hand(plan, drop)
    is_long = lasts & (roads.vehicles[road] > rules.value("hold.clamp_vehicles"))
    way = np.where(is_long, np.maximum(roads.way, roads.way_held)[road], roads.way[road])
    for_one = roads.is_for_one[road] & ~is_clamp
    return Over(drop, road, way.astype(np.int64), for_one, np.full(len(drop), np.nan))


def _clears_by_hand(plan: Plan, drop: IntArray) -> BoolArray:
    """Tell which wires clear all roads below them while a hand alone holds them."""
    crossings = plan.crossings
    rows = crossings[(crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]]
    known = rows["clearance_basis"] == "computed"
    margin = rows["margin_m"].where(known, -np.inf).to_numpy(dtype=np.float64)
    least = np.full(len(plan.drops), np.inf)
    np.minimum.at(least, drop_rows(rows["address_id"], plan), margin)
    pull = plan.drops["stringing_tension_n"].to_numpy(dtype=np.float64)[drop]
    return clears_by_hand(pull, least[drop])


def over_by_run(below: RoadsBelow, roads: Roads, rules: CrewRules) -> Over:
    """Return pairs of drop and road whose carriageway its strand run is over."""
    road, over_m = below.road, below.over_m
    is_long = over_m > rules.value("run.longest_stop")
    way = np.where(is_long, np.maximum(roads.way, roads.way_held)[road], roads.way[road])
    return Over(below.drop, road, way.astype(np.int64), np.zeros(len(road), dtype=bool), over_m)


def first_of(drop: IntArray, order: IntArray, count: int) -> IntArray:
    """Return the first pair of each drop in an order by drop; -1 without one."""
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = drop[order][1:] != drop[order][:-1]
    first = np.full(count, -1, dtype=np.int64)
    first[drop[order][lead]] = order[lead]
    return first
