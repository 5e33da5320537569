"""A region of visits cut into areas that are put into days one after the other.

Enters: all visits of a plan.
Leaves: days in the order of work.
Does not do: route within an area; name days.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from geoplan.text_columns import IntArray
from geoplan.work.day_routing import Day, fits_a_day, solve_area
from geoplan.work.visits import Travel, Visits

AREA_VISITS = 48
"""Visits that are put into days together, at most, besides those left by the area before."""
SOLUTIONS = 1200
"""Solutions looked at in all, shared out over the areas."""
FEWEST_SOLUTIONS = 60
MOST_SOLUTIONS = 200
FULL = 0.8
"""A day filled less goes on to the next area."""


def solve_days(
    visits: Visits, travel: Travel, *, progress: Callable[[float], None] | None = None
) -> list[Day]:
    """Put all visits of a plan into crew days.

    Parameters
    ----------
    visits : Visits
        All visits.
    travel : Travel
        Ways, times and the longest day.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    list of Day
        Days in the order of work: along a space-filling curve through the region.

    Notes
    -----
    Visits are cut into areas of up to `AREA_VISITS` along a Hilbert curve. After each area the
    emptiest day of each size of crew, if it isn't `FULL`, goes on to the next area, so that a
    part-filled day is left at the end only. The work grows in proportion to the visits. A visit
    that doesn't fit in a day has one of its own.
    """
    rank = curve_rank(visits)
    fits = fits_a_day(visits, travel)
    order = np.argsort(rank, kind="stable")
    regular = order[fits[order]]
    parts = np.array_split(regular, -(-len(regular) // AREA_VISITS)) if len(regular) else []
    solutions = int(np.clip(SOLUTIONS // max(len(parts), 1), FEWEST_SOLUTIONS, MOST_SOLUTIONS))
    done: list[tuple[int, int, Day]] = []
    held: list[int] = []
    for number, part in enumerate(parts):
        chosen = np.append(np.array(held, dtype=np.int64), part)
        days = solve_area(visits, chosen, travel, solutions=solutions)
        held = []
        if number + 1 < len(parts):
            days, held = _hold_back(days, visits, travel)
        done += [(number, _least(day, rank), day) for day in days]
        if progress is not None:
            progress((number + 1) / len(parts))
    for visit in np.flatnonzero(~fits).tolist():
        day = Day(int(visits.crew_size[visit]), (visit,))
        done.append((_area_of(visit, rank, parts), int(rank[visit]), day))
    return [day for _, _, day in sorted(done, key=lambda one: one[:2])]


def curve_rank(visits: Visits) -> IntArray:
    """Return the place of each visit along a Hilbert curve through where they begin.

    Parameters
    ----------
    visits : Visits
        All visits.

    Returns
    -------
    ndarray of int64, shape (n,)
        A permutation; visits at one place keep their order.
    """
    import geopandas as gpd

    count = len(visits)
    rank = np.zeros(count, dtype=np.int64)
    if count == 0:
        return rank
    low, high = visits.begin_m.min(axis=0), visits.begin_m.max(axis=0)
    side = max(float((high - low).max()), 1.0)
    bounds = (float(low[0]), float(low[1]), float(low[0]) + side, float(low[1]) + side)
    points = gpd.GeoSeries(gpd.points_from_xy(visits.begin_m[:, 0], visits.begin_m[:, 1]))
    distance = points.hilbert_distance(total_bounds=bounds, level=16).to_numpy()
    rank[np.lexsort((np.arange(count), distance))] = np.arange(count)
    return rank


def _hold_back(days: list[Day], visits: Visits, travel: Travel) -> tuple[list[Day], list[int]]:
    """Take out the emptiest day of each size of crew, if it isn't full, for the next area."""
    stay_s = visits.stay_s(travel)
    filled = [float(stay_s[list(day.visits)].sum()) for day in days]
    out: set[int] = set()
    for size in sorted({day.crew_size for day in days}):
        own = [number for number, day in enumerate(days) if day.crew_size == size]
        emptiest = min(own, key=lambda number: (filled[number], number))
        if filled[emptiest] < FULL * travel.day_s:
            out.add(emptiest)
    held = sorted(visit for number in out for visit in days[number].visits)
    return [day for number, day in enumerate(days) if number not in out], held


def _least(day: Day, rank: IntArray) -> int:
    return int(rank[list(day.visits)].min())


def _area_of(visit: int, rank: IntArray, parts: list[IntArray]) -> int:
    """Return the area along the curve that a visit lies in, or before."""
    return sum(1 for part in parts if rank[part].max() < rank[visit])
