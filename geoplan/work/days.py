"""Drops grouped into crew days and put in order.

Enters: a plan and the table of jobs.
Leaves: the tables ``crew_days`` and ``crew_stops``, jobs with their day, figures.
Does not do: follow roads; give days a date, or crews a name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.errors import ProjectFileError
from geoplan.framing import declared
from geoplan.store_settings import LONGEST_DAY_S
from geoplan.tables import TABLES
from geoplan.text_columns import FloatArray, IntArray, texts
from geoplan.work.day_areas import solve_days
from geoplan.work.day_routing import Day, best_directions
from geoplan.work.hang_order import keep_order, out_of_order, waiting
from geoplan.work.hang_waits import without_rings
from geoplan.work.reel_filling import least_reels
from geoplan.work.visits import Sites, Travel, Visits, build_visits, setups

if TYPE_CHECKING:
    from geoplan.model import Layers, Plan
    from geoplan.store_settings import Days as DaySettings

DRIVE_BASIS = "straight line times detour; roads are not followed"
AIM = (
    "least sum over days of crew size times (length of a day + time driven), with stops of one "
    "road under one traffic set-up; area by area, not proved least"
)
LAST_DIGITS_S = 1e-6
SWITCHED_OFF = "not scheduled: [days] schedule is false"


@dataclass(frozen=True)
class Days:
    """Crew days of a plan."""

    jobs: gpd.GeoDataFrame
    """As given, with ``crew_day_id``, ``span_drops_turned`` and the flaggers these ask for."""
    crew_days: pd.DataFrame
    crew_stops: gpd.GeoDataFrame
    figures: dict[str, Any]


def schedule_days(plan: Plan, jobs: gpd.GeoDataFrame) -> Days:
    """Group drops into crew days, and put each day in order.

    Parameters
    ----------
    plan : Plan
        A finished plan, for its roads and settings.
    jobs : GeoDataFrame
        The table ``jobs``, in the working CRS; the order of its rows has no effect.

    Returns
    -------
    Days
        Every drop is on one day, and no day is longer than `[days] length` unless it holds a
        single drop that is (flag ``is_over_length``). Days are numbered in the order of work.
        With `[days] schedule` false there are no days.

    Raises
    ------
    ProjectFileError
        As `refuse_far_depot`.

    Notes
    -----
    Two-person drops go to two-person crews; one-person drops to either. Drops that hang on one
    strand span, and drops of one road that need traffic control, are joined into visits
    (`geoplan.work.visits`), visits are put into days area by area (`geoplan.work.day_areas`).
    A drop over a road is hung after those whose ladder goes on its strand span, as
    `geoplan.work.ladder_mates` has it; where that can't be, flaggers are counted for these
    (`geoplan.work.hang_order`).
    """
    settings: DaySettings = plan.project.days
    jobs = jobs.sort_values("address_id", kind="stable", ignore_index=True)
    if not settings.schedule:
        return _nothing(jobs, {"scheduled": False, "note": SWITCHED_OFF})
    travel = travel_of(settings, plan.layers)
    sites, roads = _sites(jobs, plan, settings)
    refuse_far_depot(travel, sites.x_m, sites.y_m)
    visits = build_visits(sites, travel, reach_m=settings.setup_reach)
    days = keep_order(solve_days(visits, travel), visits, sites, travel)
    if not days:
        return _nothing(jobs, {"scheduled": True, "crew_days": 0})
    turned = [way for day in days for way in best_directions(day, visits, travel)]
    stops = _stops(days, turned, visits, sites, travel)
    names = _names(days)
    turned_round, more = out_of_order(jobs, stops["site"].to_numpy(dtype=np.int64))
    jobs = jobs.assign(span_drops_turned=turned_round, flaggers=jobs["flaggers"] + more)
    stops["crew_day_id"] = names[stops["day"].to_numpy()]
    stops["address_id"] = jobs["address_id"].to_numpy()[stops["site"]]
    road = np.where(stops["setup_s"] > 0, sites.road[stops["site"]], -1)
    stops["setup_road_id"] = texts(roads).take(road, allow_fill=True)
    placed = gpd.GeoDataFrame(
        stops, geometry=jobs.geometry.to_numpy()[stops["site"]], crs=jobs.crs, copy=False
    )
    crew_days = _day_table(days, stops, sites, travel).assign(
        crew_day_id=names, flaggers=_most_flaggers(jobs, stops)
    )
    day_of = np.empty(len(jobs), dtype=object)
    day_of[stops["site"]] = stops["crew_day_id"].to_numpy()
    return Days(
        jobs=jobs.assign(crew_day_id=texts(day_of)),
        crew_days=declared(crew_days, TABLES["crew_days"]),
        crew_stops=declared(placed, TABLES["crew_stops"]),
        figures={"crew_days": _figures(crew_days, stops, sites, jobs, settings)},
    )


def travel_of(settings: DaySettings, layers: Layers) -> Travel:
    """Return how ways and times are worked out.

    Parameters
    ----------
    settings : Days
        The section [days].
    layers : Layers
        For the CRS: the depot is given in the project's, the work is done in metres.

    Returns
    -------
    Travel
        Speed, detour, depot in working coordinates, length of a day.
    """
    depot = settings.depot
    if depot is not None:
        depot = (depot[0] * layers.crs.unit_to_metre, depot[1] * layers.crs.unit_to_metre)
    return Travel(settings.speed, settings.detour, depot, settings.length)


def refuse_far_depot(travel: Travel, x_m: FloatArray, y_m: FloatArray) -> None:
    """Refuse a depot from which no place is reached within 24 hours: its coordinates are wrong.

    Parameters
    ----------
    travel : Travel
        Depot, speed and detour.
    x_m, y_m : ndarray of float64, shape (n,)
        Drops or addresses in working coordinates.

    Raises
    ------
    ProjectFileError
        If it is that far from all of them.
    """
    way_m = travel.depot_way_m(x_m, y_m)
    if len(way_m) == 0 or way_m.min() <= LONGEST_DAY_S * travel.speed_m_per_s:
        return
    straight_km = way_m.min() / travel.detour / 1000
    problem = f"lies {straight_km:.0f} km from the nearest address, more than 24 hours away"
    remedy = "Give x and y in the project CRS, in its unit, or leave it out"
    where = "project, key days.depot"
    raise ProjectFileError(where, problem, remedy)


def _sites(jobs: gpd.GeoDataFrame, plan: Plan, settings: DaySettings) -> tuple[Sites, pd.Series]:
    """Take what the schedule needs out of the jobs; the second part are the ids of the roads."""
    roads = plan.layers.roads
    held_by = pd.Series(plan.drops["strand_span_id"].array, index=plan.drops["address_id"].array)
    span, _ = pd.factorize(held_by.reindex(jobs["address_id"]).to_numpy(dtype=object), sort=False)
    points = jobs.geometry.to_numpy()
    setup_s = jobs["traffic_class"].map(settings.setup).to_numpy(dtype=np.float64)
    work_s = jobs["work_s"].to_numpy(dtype=np.float64)
    if not (np.isfinite(setup_s).all() and np.isfinite(work_s).all()):
        message = "jobs without a known traffic class or time on site cannot be scheduled"
        raise ValueError(message)
    road = roads.index.get_indexer(jobs["road_id"]).astype(np.int64)
    along_m = np.zeros(len(jobs))
    on = np.flatnonzero(road >= 0)
    along_m[on] = shapely.line_locate_point(roads.geometry.to_numpy()[road[on]], points[on])
    waits, below = waiting(jobs), jobs["flaggers_below"].to_numpy(dtype=np.int64)
    sites = Sites(
        x_m=shapely.get_x(points),
        y_m=shapely.get_y(points),
        work_s=work_s,
        setup_s=setup_s,
        crew_size=jobs["crew_size"].to_numpy(dtype=np.int64),
        road=road,
        along_m=along_m,
        span=span.astype(np.int64),
        waits=waits[without_rings(waits, below[waits[:, 1]], len(jobs))],
    )
    return sites, pd.Series(roads.index, dtype="str")


def _stops(
    days: list[Day], turned: list[bool], visits: Visits, sites: Sites, travel: Travel
) -> pd.DataFrame:
    """Lay out the stops of all days, in order, with their times."""
    day, site, visit = _sequence(days, turned, visits)
    setup = setups(visit, sites.road[site], sites.setup_s[site])
    x, y = sites.x_m[site], sites.y_m[site]
    leads = np.append(True, day[1:] != day[:-1])
    drive_m = np.append(0.0, travel.way_m(np.diff(x), np.diff(y)))
    drive_m[leads] = travel.depot_way_m(x[leads], y[leads])
    drive_s = drive_m / travel.speed_m_per_s
    work_s = sites.work_s[site]
    frame = pd.DataFrame(
        {
            "day": day,
            "site": site,
            "drive_m": drive_m,
            "drive_s": drive_s,
            "setup_s": setup,
            "work_s": work_s,
        }
    )
    by_day = frame.groupby("day", sort=False)
    frame["stop"] = by_day.cumcount() + 1
    until = pd.Series(drive_s + setup + work_s).groupby(day, sort=False).cumsum()
    frame["arrive_s"] = np.maximum(until - work_s - setup, 0.0)
    return frame


def _sequence(
    days: list[Day], turned: list[bool], visits: Visits
) -> tuple[IntArray, IntArray, IntArray]:
    """Return day, drop and number of the visit of each stop in order."""
    number = np.array([visit for day in days for visit in day.visits], dtype=np.int64)
    count = np.diff(visits.first)[number]
    start = np.cumsum(count) - count
    step = np.arange(int(count.sum())) - np.repeat(start, count)
    back = np.repeat(count, count) - 1 - step
    step = np.where(np.repeat(turned, count), back, step)
    site = visits.site[np.repeat(visits.first[number], count) + step]
    day_of = np.repeat(np.arange(len(days)), [len(day.visits) for day in days])
    return np.repeat(day_of, count), site, np.repeat(np.arange(len(number)), count)


def _names(days: list[Day]) -> Any:
    """Name days by number and crew, so that they sort in the order of work."""
    width = max(3, len(str(len(days))))
    return np.array(
        [f"D{number:0{width}d}-{day.crew_size}p" for number, day in enumerate(days, start=1)],
        dtype=object,
    )


def _day_table(days: list[Day], stops: pd.DataFrame, sites: Sites, travel: Travel) -> pd.DataFrame:
    """Sum up each day."""
    by_day = stops.groupby("day", sort=False)
    frame = by_day[["work_s", "setup_s", "drive_s", "drive_m"]].sum()
    last = by_day["site"].last().to_numpy()
    return_m = travel.depot_way_m(sites.x_m[last], sites.y_m[last])
    frame["return_s"] = return_m / travel.speed_m_per_s
    frame["drive_m"] += return_m
    frame["drive_s"] += frame["return_s"]
    frame["total_s"] = frame["work_s"] + frame["setup_s"] + frame["drive_s"]
    frame["drops"] = by_day.size()
    frame["crew_size"] = [day.crew_size for day in days]
    frame["is_over_length"] = frame["total_s"] > travel.day_s + LAST_DIGITS_S
    roads = stops[["day", "setup_road_id"]].dropna().drop_duplicates()
    frame["setup_roads"] = roads.groupby("day")["setup_road_id"].agg(";".join)
    return frame


def _most_flaggers(jobs: pd.DataFrame, stops: pd.DataFrame) -> IntArray:
    """Return the most flaggers that a drop of each day takes."""
    taken = pd.Series(jobs["flaggers"].to_numpy(dtype=np.int64)[stops["site"]])
    return taken.groupby(stops["day"].to_numpy(), sort=False).max().to_numpy(dtype=np.int64)


def least_people_days(work_s: FloatArray, crew_size: IntArray, day_s: float) -> int:
    """Return a number of people-days that no schedule can go below.

    Parameters
    ----------
    work_s : ndarray of float64, shape (n,)
        Time on site.
    crew_size : ndarray of int64, shape (n,)
        People needed.
    day_s : float
        Length of a day.

    Returns
    -------
    int
        People times days.

    Notes
    -----
    Work for k people or more needs so many days of k people or more as it fills, packed as
    closely as could be (`geoplan.work.reel_filling.least_reels`, days for reels); driving and
    set-up are left out. Work longer than a day counts as one day, as it gets one of its own.
    """
    held = np.clip(np.floor(np.minimum(work_s, day_s)), 1, None).astype(np.int64)
    steps = range(1, int(crew_size.max(initial=0)) + 1)
    day = max(int(np.ceil(day_s)), 1)
    return sum(least_reels(held[crew_size >= size], day) for size in steps)


def _figures(
    crew_days: pd.DataFrame,
    stops: pd.DataFrame,
    sites: Sites,
    jobs: pd.DataFrame,
    settings: DaySettings,
) -> dict[str, Any]:
    """Sum up the schedule, with the bound that it stands against."""
    over = crew_days["is_over_length"].to_numpy(dtype=bool)
    return {
        "scheduled": True,
        "crew_days": len(crew_days),
        "people_days": int(crew_days["crew_size"].sum()),
        "people_days_bound": least_people_days(sites.work_s, sites.crew_size, settings.length),
        "drive_m": float(crew_days["drive_m"].sum()),
        "drive_basis": DRIVE_BASIS,
        "starts_at": "first stop" if settings.depot is None else "depot",
        "traffic_setups": int((stops["setup_s"] > 0).sum()),
        "drops_under_traffic_setup": int((sites.setup_s > 0).sum()),
        "drops_hung_out_of_order": int(jobs["span_drops_turned"].notna().sum()),
        "days_over_length": crew_days["crew_day_id"].to_numpy()[over].tolist(),
        "aim": AIM,
    }


def _nothing(jobs: gpd.GeoDataFrame, figures: dict[str, Any]) -> Days:
    """Return no days; every drop is unscheduled."""
    stops = gpd.GeoDataFrame(
        {name: [] for name in TABLES["crew_stops"].column_names}, geometry=[], crs=jobs.crs
    )
    days = pd.DataFrame({name: [] for name in TABLES["crew_days"].column_names})
    return Days(
        jobs=jobs.assign(crew_day_id=texts(np.full(len(jobs), None, dtype=object))),
        crew_days=declared(days, TABLES["crew_days"]),
        crew_stops=declared(stops, TABLES["crew_stops"]),
        figures={"crew_days": figures},
    )
