"""Drops over roads hung after those whose ladder goes on the strand span that they hang on.

Enters: days with their visits; jobs and the order in which the plan hangs them.
Leaves: days in an order that keeps to it, and the drops for which it could not be kept.
Does not do: say which drops wait for which; put visits into days.

A ladder on a strand brings down what hangs on it. Once the wire over a road is up, each ladder on
that span, at a clamp or along a run, needs flaggers on that road; hung last, it needs none.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from geoplan.text_columns import IntArray, places, texts
from geoplan.work.clamp_spans import LIST_SPLIT
from geoplan.work.clauses import per_row
from geoplan.work.day_routing import Day
from geoplan.work.hang_waits import in_order
from geoplan.work.visits import Sites, Travel, Visits


def keep_order(days: list[Day], visits: Visits, sites: Sites, travel: Travel) -> list[Day]:
    """Put visits after those with drops that are to be hung before, and days too.

    Parameters
    ----------
    days : list of Day
        Days in the order of work.
    visits : Visits
        All visits.
    sites : Sites
        All drops.
    travel : Travel
        Ways, times and the longest day.

    Returns
    -------
    list of Day
        The same visits in the same days. Those that a visit waits for go before it where the day
        stays within its length, and days that a day waits for before it unless they wait for it
        too; all else keeps its order.
    """
    waits = _waits(visits, sites)
    if not len(waits):
        return days
    day_of = np.zeros(len(visits), dtype=np.int64)
    for number, day in enumerate(days):
        day_of[list(day.visits)] = number
    within: dict[int, list[tuple[int, int]]] = {}
    between: list[tuple[int, int]] = []
    for first, then in waits.tolist():
        held, late = int(day_of[first]), int(day_of[then])
        if held == late:
            within.setdefault(late, []).append((first, then))
        else:
            between.append((held, late))
    days = list(days)
    for number, own in within.items():
        day = replace(days[number], visits=tuple(in_order(list(days[number].visits), own)))
        if _length_s(day, visits, travel) <= travel.day_s:
            days[number] = day
    return [days[number] for number in in_order(list(range(len(days))), between)]


def _waits(visits: Visits, sites: Sites) -> IntArray:
    """Return pairs of visits: one with drops to be hung before, one with drops that wait."""
    visit = np.empty(len(visits.site), dtype=np.int64)
    visit[visits.site] = np.repeat(np.arange(len(visits)), np.diff(visits.first))
    pairs = visit[sites.waits]
    return np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)


def _length_s(day: Day, visits: Visits, travel: Travel) -> float:
    """Return how long a day is with its visits in the order given, none of them turned."""
    order = list(day.visits)
    way = float(travel.depot_way_m(*visits.begin_m[order[:1]].T)[0])
    way += float(travel.depot_way_m(*visits.end_m[order[-1:]].T)[0])
    for one, then in pairwise(order):
        step = visits.begin_m[then] - visits.end_m[one]
        way += float(travel.way_m(step[:1], step[1:])[0])
    return float(visits.stay_s(travel)[order].sum()) + way / travel.speed_m_per_s


def waiting(jobs: pd.DataFrame) -> IntArray:
    """Return the pairs of drops of which one is hung before the other.

    Parameters
    ----------
    jobs : pandas.DataFrame
        Columns as declared for ``jobs``, n rows.

    Returns
    -------
    ndarray of int64, shape (k, 2)
        Rows of `jobs`; they may go round in rings.
    """
    told = jobs["span_drops_first"].str.split(LIST_SPLIT).explode().dropna()
    late = jobs.index.get_indexer(told.index).astype(np.int64)
    return np.stack([places(texts(told), jobs["address_id"]), late], axis=1).reshape(-1, 2)


def out_of_order(jobs: pd.DataFrame, site: IntArray) -> tuple[Any, IntArray]:
    """Find the drops whose order the plan could not keep.

    Parameters
    ----------
    jobs : pandas.DataFrame
        Columns as declared for ``jobs``, n rows.
    site : ndarray of int64, shape (n,)
        Rows of `jobs` in the order of work.

    Returns
    -------
    names : pandas array of str, shape (n,)
        For a drop over a road: those that hang after it though a ladder of theirs goes on its
        span. For these: the drop over the road. Split by `LIST_SPLIT`, null where the order is
        kept.
    flaggers : ndarray of int64, shape (n,)
        Flaggers on the roads below the wires up already, while a ladder is on the span: for each
        road those of the drop over it that takes most. 0 where the order is kept.
    """
    early, late = waiting(jobs).T
    place = np.empty(len(jobs), dtype=np.int64)
    place[site] = np.arange(len(site))
    is_turned = place[early] > place[late]
    late, early = late[is_turned], early[is_turned]
    row, other = np.concatenate([late, early]), np.concatenate([early, late])
    order = np.lexsort((other, row))
    ids = texts(jobs["address_id"]).take(other[order])
    names = per_row(row[order], ids, len(jobs), LIST_SPLIT)
    held = pd.DataFrame(
        {
            "row": early,
            "road": texts(jobs["road_id"]).take(late),
            "flaggers": jobs["flaggers_below"].to_numpy(dtype=np.int64)[late],
        }
    )
    by_road = held.groupby(["row", "road"], dropna=False)["flaggers"].max()
    each = np.zeros(len(jobs), dtype=np.int64)
    rows = by_road.index.get_level_values("row").to_numpy(dtype=np.int64)
    np.add.at(each, rows, by_road.to_numpy(dtype=np.int64))
    return names, each
