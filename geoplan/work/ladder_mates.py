"""Drops over roads that hang from the strand spans that another drop's ladder goes on.

Enters: a plan, strand runs, what air spans are over.
Leaves: `LadderMates`; which of them are hung before which; what a run's ladder passes, in words.
Does not do: decide the order; count flaggers.

A ladder on a strand brings down what hangs on it: on the clamp's own span, and on each span that
the wire is led along by ladder.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.text_columns import joined, places, texts
from geoplan.work.clamp_spans import LIST_SPLIT
from geoplan.work.clauses import per_row
from geoplan.work.over_roads import Over, has_clamp
from geoplan.work.place_search import is_bucket_job
from geoplan.work.road_works import STOP, Roads
from geoplan.work.strand_run import StrandRuns

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

OVER = " over "
"""What parts addresses and road in `passed_below`."""
AT = ": "
"""What parts poles and addresses there."""


@dataclass(frozen=True)
class LadderMates:
    """Rows of a drop, another drop that hangs on a strand span of its ladder, and a road below."""

    drop: IntArray
    mate: IntArray
    """Row of the drop whose air span is over the road."""
    span: IntArray
    """Row of the strand span that it hangs on."""
    road: IntArray
    is_own: BoolArray
    """Whether it is the span of the drop's own clamp; else its strand run passes it."""

    def part(self, kept: BoolArray) -> LadderMates:
        """Return some of the rows."""
        return LadderMates(*(getattr(self, field.name)[kept] for field in fields(LadderMates)))


def below_ladders(plan: Plan, runs: StrandRuns, by_bucket: BoolArray, air: Over) -> LadderMates:
    """Find what hangs over roads from the strand spans that ladders go on.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of their wires along the strand.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket.
    air : Over
        Pairs of the air spans.

    Returns
    -------
    LadderMates
        Sorted by drop, span, mate and road. Of several strand spans between two poles a run may
        be on any: all are asked.
    """
    clamp = places(plan.drops["strand_span_id"], plan.layers.spans.index)
    drop, span = _ladder_spans(plan, runs, by_bucket, clamp)
    on = pd.DataFrame({"drop": drop, "span": span}).drop_duplicates()
    mates = pd.DataFrame({"mate": air.drop, "road": air.road, "span": clamp[air.drop]})
    met = on.merge(mates[mates["span"] >= 0], on="span")
    met = met[met["drop"] != met["mate"]].sort_values(["drop", "span", "mate", "road"])
    rows = {name: met[name].to_numpy(dtype=np.int64) for name in ("drop", "mate", "span", "road")}
    return LadderMates(**rows, is_own=rows["span"] == clamp[rows["drop"]])


def _ladder_spans(
    plan: Plan, runs: StrandRuns, by_bucket: BoolArray, clamp: IntArray
) -> tuple[IntArray, IntArray]:
    """Return drops and rows of the strand spans that their ladders go on."""
    own = np.flatnonzero(has_clamp(plan) & ~is_bucket_job(plan.drops))
    poles = plan.layers.poles.index
    ends = [places(plan.layers.spans[name], poles) for name in ("from_pole_id", "to_pole_id")]
    wide = len(poles)
    known = np.flatnonzero(np.minimum(*ends) >= 0)
    between = pd.DataFrame({"key": (np.minimum(*ends) * wide + np.maximum(*ends))[known]})
    between["span"] = known
    leg = np.flatnonzero((runs.from_pole >= 0) & ~by_bucket[runs.drop])
    low, high = (take(runs.from_pole, runs.to_pole)[leg] for take in (np.minimum, np.maximum))
    led = pd.DataFrame({"key": low * wide + high, "drop": runs.drop[leg]}).merge(between, on="key")
    first = np.flatnonzero((runs.from_pole < 0) & ~by_bucket[runs.drop])
    return (
        np.concatenate([own, runs.drop[first], led["drop"].to_numpy(dtype=np.int64)]),
        np.concatenate([clamp[own], clamp[runs.drop[first]], led["span"].to_numpy(dtype=np.int64)]),
    )


def pressed_by_ladder(mates: LadderMates, air: Over) -> tuple[Over, IntArray]:
    """Return roads over which the ladder at a clamp brings wires of others down, held by the crew.

    Parameters
    ----------
    mates : LadderMates
        What hangs on spans of ladders.
    air : Over
        Pairs of the air spans.

    Returns
    -------
    pressed : Over
        Pairs of a drop and a road below another drop of its clamp's span that the crew may hold
        itself; none that its own air span is over.
    mate : ndarray of int64
        Row of that other drop.

    Notes
    -----
    Busier roads, and those below spans that a run passes, are not held by one of the crew: there
    the drop is hung before the other one, see `hung_before`.
    """
    is_busy = np.isin(mates.mate, air.drop[air.way > STOP])
    kept = mates.part(mates.is_own & ~is_busy & ~_is_held(mates, air))
    rows = pd.DataFrame({"drop": kept.drop, "road": kept.road, "mate": kept.mate})
    rows = rows.sort_values(["drop", "road", "mate"]).drop_duplicates(["drop", "road"])
    drop, road, mate = (rows[name].to_numpy(dtype=np.int64) for name in ("drop", "road", "mate"))
    way, no_one = np.full(len(drop), STOP, dtype=np.int64), np.zeros(len(drop), dtype=bool)
    return Over(drop, road, way, no_one, np.full(len(drop), np.nan)), mate


def _is_held(mates: LadderMates, air: Over) -> BoolArray:
    """Tell at which rows the drop's own air span is over the road too, so that it is held."""
    wide = int(air.road.max(initial=0)) + 1
    return np.isin(mates.drop * wide + mates.road, air.drop * wide + air.road)


def flaggers_below(air: Over, aside: IntArray, each: int, roads: Roads) -> IntArray:
    """Count the flaggers that hold the roads below each drop while others bring it down.

    Parameters
    ----------
    air : Over
        Pairs of the air spans.
    aside : ndarray of int64, shape (n,)
        Approaches of side roads that are held for each drop, one person each.
    each : int
        Flaggers for a road.
    roads : Roads
        Roads as the rules see them.

    Returns
    -------
    ndarray of int64, shape (n,)
        0 for a drop over no road.
    """
    count = air.counted(roads, len(aside)) * each
    return np.where(count > 0, count + aside, 0).astype(np.int64)


def hung_before(mates: LadderMates, air: Over, below: IntArray) -> tuple[IntArray, IntArray]:
    """Say which drops are hung before which, as their ladder would bring these down over a road.

    Parameters
    ----------
    mates : LadderMates
        What hangs on spans of ladders.
    air : Over
        Pairs of the air spans.
    below : ndarray of int64, shape (n,)
        Flaggers that hold the roads below each drop.

    Returns
    -------
    first, then : ndarray of int64
        Rows of drops, each pair once, sorted by `first` and `then`. They may go round in rings.

    Notes
    -----
    All that hang from a span which the run passes are hung later. From the clamp's own span only
    those over a road too busy for a short stop, unless the flaggers of the drop itself hold that
    road and are as many; the others are held by a second person.
    """
    busy = air.drop[air.way > STOP]
    is_enough = _is_held(mates, air) & np.isin(mates.drop, busy)
    is_enough &= below[mates.mate] <= below[mates.drop]
    asked = mates.part(~mates.is_own | (np.isin(mates.mate, busy) & ~is_enough))
    pairs = np.unique(np.stack([asked.drop, asked.mate], axis=1), axis=0).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def passed_below(mates: LadderMates, plan: Plan, roads: Roads) -> Any:
    """Name the drops over roads on the spans that the ladder of each drop's strand run passes.

    Parameters
    ----------
    mates : LadderMates
        What hangs on spans of ladders.
    plan : Plan
        Its plan, n drops.
    roads : Roads
        Roads as the rules see them.

    Returns
    -------
    pandas array of str, shape (n,)
        'poles: addresses over road' for each span and road, split by `LIST_SPLIT`; null where
        there are none.
    """
    run = mates.part(~mates.is_own)
    rows = pd.DataFrame({"drop": run.drop, "span": run.span, "road": roads.name.take(run.road)})
    rows = rows.assign(mate=run.mate).drop_duplicates()
    keys = ["drop", "span", "road"]
    group = rows.groupby(keys, sort=True).ngroup().to_numpy()
    lead = rows.drop_duplicates(keys).sort_values(keys)
    mate = texts(plan.drops["address_id"]).take(rows["mate"].to_numpy(dtype=np.int64))
    named = per_row(group.astype(np.int64), mate, len(lead), ", ")
    ends = [
        texts(plan.layers.spans[name]).take(lead["span"].to_numpy(dtype=np.int64))
        for name in ("from_pole_id", "to_pole_id")
    ]
    words = joined(ends[0], " and ", ends[1], AT, named, OVER, texts(lead["road"]))
    return per_row(lead["drop"].to_numpy(dtype=np.int64), words, len(plan.drops), LIST_SPLIT)
