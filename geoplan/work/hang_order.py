"""Drops over busy roads hung after those whose ladder goes on the same strand span.

Enters: days with their visits; jobs and the order in which the plan hangs them.
Leaves: days in an order that keeps to it, and the drops for which it could not be kept.
Does not do: say which drops hang last; put visits into days.

A ladder on a strand brings down what hangs on it. Once the wire over a busy road is up, each
ladder on that span needs flaggers on that road; hung last, it needs none.
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
from geoplan.work.visits import Sites, Travel, Visits


def keep_order(days: list[Day], visits: Visits, sites: Sites, travel: Travel) -> list[Day]:
    """Put visits after those of their strand span that are to be hung before, and days too.

    Parameters
    ----------
    days : list of Day
        Days in the order of work.
    visits : Visits
        All visits: a strand span that doesn't fit in a day is in more than one.
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
    before: dict[int, set[int]] = {}
    within: dict[int, dict[int, set[int]]] = {}
    for first, then in waits.tolist():
        held, late = int(day_of[first]), int(day_of[then])
        if held == late:
            within.setdefault(late, {}).setdefault(then, set()).add(first)
        else:
            before.setdefault(late, set()).add(held)
    days = list(days)
    for number, own in within.items():
        day = replace(days[number], visits=tuple(_stable(list(days[number].visits), own)))
        if _length_s(day, visits, travel) <= travel.day_s:
            days[number] = day
    return [days[number] for number in _stable(list(range(len(days))), before)]


def _waits(visits: Visits, sites: Sites) -> IntArray:
    """Return pairs of visits: one with drops to be hung before, one with drops that hang last."""
    visit = np.repeat(np.arange(len(visits)), np.diff(visits.first))
    held = pd.DataFrame(
        {
            "span": sites.span[visits.site],
            "visit": visit,
            "late": sites.hangs_last[visits.site],
        }
    )
    held = held[held["span"] >= 0].drop_duplicates()
    both = held[~held["late"]].merge(held[held["late"]], on="span", suffixes=("", "_late"))
    both = both.loc[both["visit"] != both["visit_late"], ["visit", "visit_late"]]
    return both.drop_duplicates().sort_values(["visit", "visit_late"]).to_numpy(dtype=np.int64)


def _stable(order: list[int], before: dict[int, set[int]]) -> list[int]:
    """Put before each those it waits for, else leave the order; a ring is cut where it is met."""
    place = {one: number for number, one in enumerate(order)}
    done: dict[int, None] = {}
    begun: set[int] = set()
    for first in order:
        left = [first]
        while left:
            one = left[-1]
            begun.add(one)
            needed = before.get(one, set()) - begun
            if needed:
                left.append(min(needed, key=place.__getitem__))
            else:
                done[left.pop()] = None
    return list(done)


def _length_s(day: Day, visits: Visits, travel: Travel) -> float:
    """Return how long a day is with its visits in the order given, none of them turned."""
    order = list(day.visits)
    way = float(travel.depot_way_m(*visits.begin_m[order[:1]].T)[0])
    way += float(travel.depot_way_m(*visits.end_m[order[-1:]].T)[0])
    for one, then in pairwise(order):
        step = visits.begin_m[then] - visits.end_m[one]
        way += float(travel.way_m(step[:1], step[1:])[0])
    return float(visits.stay_s(travel)[order].sum()) + way / travel.speed_m_per_s


def out_of_order(jobs: pd.DataFrame, site: IntArray) -> tuple[Any, IntArray]:
    """Find the drops whose order on a strand span the plan could not keep.

    Parameters
    ----------
    jobs : pandas.DataFrame
        Columns as declared for ``jobs``, n rows.
    site : ndarray of int64, shape (n,)
        Rows of `jobs` in the order of work.

    Returns
    -------
    names : pandas array of str, shape (n,)
        For a drop over a busy road: those that hang after it though a ladder of theirs goes on
        its span. For these: the drop over the busy road. Split by `LIST_SPLIT`, null where the
        order is kept.
    flaggers : ndarray of int64, shape (n,)
        Flaggers on the roads below the wires up already, while a ladder is on the span: for each
        road those of the drop over it that takes most. 0 where the order is kept.
    """
    told = jobs["span_drops_first"].str.split(LIST_SPLIT).explode().dropna()
    late = jobs.index.get_indexer(told.index).astype(np.int64)
    early = places(texts(told), jobs["address_id"])
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
            "flaggers": jobs["flaggers"].to_numpy(dtype=np.int64)[late],
        }
    )
    by_road = held.groupby(["row", "road"], dropna=False)["flaggers"].max()
    each = np.zeros(len(jobs), dtype=np.int64)
    rows = by_road.index.get_level_values("row").to_numpy(dtype=np.int64)
    np.add.at(each, rows, by_road.to_numpy(dtype=np.int64))
    return names, each
