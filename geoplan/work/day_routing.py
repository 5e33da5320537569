"""Visits of one area put into crew days, and each day into its best order.

Enters: visits of an area, few enough to be searched well.
Leaves: days, each with the size of its crew and its visits in order.
Does not do: cut a region into areas; name days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geoplan.text_columns import BoolArray, IntArray
from geoplan.work.visits import Travel, Visits

TICKS_PER_S = 10
"""The routing library counts in whole numbers: tenths of a second, rounded against us."""


@dataclass(frozen=True)
class Day:
    """One day of one crew."""

    crew_size: int
    visits: tuple[int, ...]
    """Numbers of visits in their order."""


@dataclass(frozen=True)
class _Problem:
    """An area in whole ticks; node 0 is where days begin and end, node ``i + 1`` is visit ``i``."""

    drive: IntArray
    stay: IntArray
    crew_size: IntArray
    day: int

    def load(self, visits: list[int]) -> int:
        """Return the length of a day."""
        nodes = [0, *(visit + 1 for visit in visits), 0]
        driven = self.drive[nodes[:-1], nodes[1:]].sum()
        return int(driven) + int(self.stay[visits].sum())


def fits_a_day(visits: Visits, travel: Travel) -> BoolArray:
    """Tell which visits fit in a day by themselves, with room for the rounding to ticks.

    Parameters
    ----------
    visits : Visits
        All visits.
    travel : Travel
        Ways, times and the longest day.

    Returns
    -------
    ndarray of bool, shape (n,)
        False: the visit has to have a day of its own.
    """
    roundings_s = 3.0 / TICKS_PER_S
    room_s = int(travel.day_s * TICKS_PER_S) / TICKS_PER_S
    return np.asarray(visits.alone_s(travel) + roundings_s <= room_s, dtype=np.bool_)


def solve_area(visits: Visits, chosen: IntArray, travel: Travel, *, solutions: int) -> list[Day]:
    """Put visits into days at the least time that people spend in days and on the road.

    Parameters
    ----------
    visits : Visits
        All visits.
    chosen : ndarray of int64
        Those of this area, in an order in which neighbours are near each other; each fits in
        a day by itself, see `fits_a_day`.
    travel : Travel
        Ways, times and the longest day.
    solutions : int
        Solutions after which the search ends; no clock is read, so that the same area always
        gives the same days.

    Returns
    -------
    list of Day
        In the order of their first visit in `chosen`. Crews are as large as a visit in the day
        needs; a larger crew also takes visits that need fewer people.

    Notes
    -----
    Least is the sum over days of crew size times (length of a full day + time driven): a person's
    day counts as much as driving all day. The routing library of OR-Tools searches from days
    filled in the order of `chosen`, by guided local search, in whole tenths of a second rounded
    so that no day gets too long.
    """
    problem = _problem(visits, chosen, travel)
    start = _in_order(problem)
    days = _search(problem, start, solutions) if len(chosen) > 1 else start
    days.sort(key=lambda day: min(day.visits))
    return [Day(day.crew_size, tuple(int(chosen[i]) for i in day.visits)) for day in days]


def _problem(visits: Visits, chosen: IntArray, travel: Travel) -> _Problem:
    begin, end = visits.begin_m[chosen], visits.end_m[chosen]
    count = len(chosen)
    way = np.zeros((count + 1, count + 1))
    way[1:, 1:] = travel.way_m(
        end[:, None, 0] - begin[None, :, 0], end[:, None, 1] - begin[None, :, 1]
    )
    way[0, 1:] = travel.depot_way_m(begin[:, 0], begin[:, 1])
    way[1:, 0] = travel.depot_way_m(end[:, 0], end[:, 1])
    np.fill_diagonal(way, 0.0)
    drive = np.ceil(way / travel.speed_m_per_s * TICKS_PER_S).astype(np.int64)
    stay = np.ceil(visits.stay_s(travel)[chosen] * TICKS_PER_S).astype(np.int64)
    return _Problem(drive, stay, visits.crew_size[chosen], int(travel.day_s * TICKS_PER_S))


def _in_order(problem: _Problem) -> list[Day]:
    """Fill days in order, for each size of crew by itself."""
    days: list[Day] = []
    for size in np.unique(problem.crew_size).tolist():
        held: list[int] = []
        for visit in np.flatnonzero(problem.crew_size == size).tolist():
            if held and problem.load([*held, visit]) > problem.day:
                days.append(Day(size, tuple(held)))
                held = []
            held.append(visit)
        days.append(Day(size, tuple(held)))
    return days


def _search(problem: _Problem, start: list[Day], solutions: int) -> list[Day]:
    """Improve days by guided local search."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    sizes = [day.crew_size for day in start]
    manager = pywrapcp.RoutingIndexManager(len(problem.stay) + 1, len(sizes), 0)
    model = pywrapcp.RoutingModel(manager)
    _limit_days(model, problem)
    for size in set(sizes):
        cost = model.RegisterTransitMatrix((problem.drive * size).tolist())
        for vehicle in (number for number, own in enumerate(sizes) if own == size):
            model.SetArcCostEvaluatorOfVehicle(cost, vehicle)
            model.SetFixedCostOfVehicle(problem.day * size, vehicle)
    for visit, needed in enumerate(problem.crew_size.tolist()):
        crew = model.VehicleVar(manager.NodeToIndex(visit + 1))
        crew.RemoveValues([number for number, size in enumerate(sizes) if size < needed])
    wanted = pywrapcp.DefaultRoutingSearchParameters()
    metaheuristics = routing_enums_pb2.LocalSearchMetaheuristic
    wanted.local_search_metaheuristic = metaheuristics.GUIDED_LOCAL_SEARCH
    wanted.solution_limit = solutions
    model.CloseModelWithParameters(wanted)
    routes = [[visit + 1 for visit in day.visits] for day in start]
    first = model.ReadAssignmentFromRoutes(routes, True)
    found = model.SolveFromAssignmentWithParameters(first, wanted)
    if found is None:
        message = f"the routing library refused its own start of {len(start)} days"
        raise ArithmeticError(message)
    return _read_days(model, manager, found, problem)


def _limit_days(model: Any, problem: _Problem) -> None:
    total = problem.drive + np.append(0, problem.stay)[:, None]
    time = model.RegisterTransitMatrix(total.tolist())
    model.AddDimension(time, 0, problem.day, True, "time")


def _read_days(model: Any, manager: Any, found: Any, problem: _Problem) -> list[Day]:
    """Read the days found, each with no more people than a visit in it needs."""
    days = []
    for vehicle in range(model.vehicles()):
        visits: list[int] = []
        at = found.Value(model.NextVar(model.Start(vehicle)))
        while not model.IsEnd(at):
            visits.append(manager.IndexToNode(at) - 1)
            at = found.Value(model.NextVar(at))
        if visits:
            days.append(Day(int(problem.crew_size[visits].max()), tuple(visits)))
    return days


def best_directions(day: Day, visits: Visits, travel: Travel) -> list[bool]:
    """Tell which visits of a day to go through from their end, so that least is driven.

    Parameters
    ----------
    day : Day
        A day; the order of its visits stays.
    visits : Visits
        All visits.
    travel : Travel
        Ways.

    Returns
    -------
    list of bool
        True: from the last drop to the first. Never more driven than with False throughout.
        A visit that goes one way only is never turned.
    """
    ends = np.stack([visits.begin_m[list(day.visits)], visits.end_m[list(day.visits)]], axis=1)
    barred = np.zeros((len(ends), 2))
    barred[visits.is_one_way[list(day.visits)], 1] = np.inf
    out = travel.depot_way_m(ends[0, :, 0], ends[0, :, 1]) + barred[0]
    cost = out  # by direction: the way until the visit at hand is entered
    back = np.zeros((len(ends), 2), dtype=np.int64)
    for place in range(1, len(ends)):
        leave, enter = ends[place - 1, ::-1], ends[place]
        way = travel.way_m(
            enter[None, :, 0] - leave[:, None, 0], enter[None, :, 1] - leave[:, None, 1]
        )
        total = cost[:, None] + way + barred[place]
        back[place] = np.argmin(total, axis=0)
        cost = total.min(axis=0)
    last = ends[-1, ::-1]
    turned = [int(np.argmin(cost + travel.depot_way_m(last[:, 0], last[:, 1])))]
    for place in range(len(ends) - 1, 0, -1):
        turned.append(int(back[place, turned[-1]]))
    return [direction == 1 for direction in reversed(turned)]
