"""Drops that share one set-up of traffic control, joined into visits.

Enters: place, work and traffic set-up of each drop.
Leaves: `Visits`: what a crew does in one go, with its time and where it begins and ends.
Does not do: put visits into days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.text_columns import FloatArray, IntArray


@dataclass(frozen=True)
class Travel:
    """How ways and times are worked out; straight lines, lengthened."""

    speed_m_per_s: float
    detour: float
    depot_m: tuple[float, float] | None
    day_s: float
    """Longest day."""

    def way_m(self, dx_m: FloatArray, dy_m: FloatArray) -> FloatArray:
        """Return the way driven between points that lie so far apart."""
        return np.asarray(np.hypot(dx_m, dy_m) * self.detour, dtype=np.float64)

    def depot_way_m(self, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        """Return the way between depot and points; 0 without a depot."""
        if self.depot_m is None:
            return np.zeros(len(x_m))
        return self.way_m(x_m - self.depot_m[0], y_m - self.depot_m[1])


@dataclass(frozen=True)
class Sites:
    """Drops as columns, in any order that doesn't depend on how they came."""

    x_m: FloatArray
    y_m: FloatArray
    work_s: FloatArray
    setup_s: FloatArray
    crew_size: IntArray
    road: IntArray
    """Number of the road whose traffic is controlled; -1: the set-up can't be shared."""
    along_m: FloatArray
    """Place along that road."""


@dataclass(frozen=True)
class Visits:
    """Visits as columns; ``site[first[i]:first[i + 1]]`` are the drops of visit ``i``."""

    site: IntArray
    first: IntArray
    work_s: FloatArray
    setup_s: FloatArray
    inside_m: FloatArray
    """Way from the first drop to the last."""
    crew_size: IntArray
    begin_m: FloatArray
    """x, y of the first drop."""
    end_m: FloatArray
    """x, y of the last drop."""

    def __len__(self) -> int:
        """Count visits."""
        return len(self.work_s)

    def stay_s(self, travel: Travel) -> FloatArray:
        """Return the time from arrival to leaving."""
        return self.work_s + self.setup_s + self.inside_m / travel.speed_m_per_s

    def alone_s(self, travel: Travel) -> FloatArray:
        """Return the length of a day that holds this visit only."""
        way = travel.depot_way_m(self.begin_m[:, 0], self.begin_m[:, 1])
        way = way + travel.depot_way_m(self.end_m[:, 0], self.end_m[:, 1])
        return self.stay_s(travel) + way / travel.speed_m_per_s


def build_visits(sites: Sites, travel: Travel, *, reach_m: float) -> Visits:
    """Join drops of one road that need traffic control into visits under one set-up.

    Parameters
    ----------
    sites : Sites
        Drops; one has a set-up to share if `setup_s` is above 0 and `road` is 0 or more.
    travel : Travel
        Ways, times and the longest day.
    reach_m : float
        Farthest apart along the road that drops of one visit lie, m.

    Returns
    -------
    Visits
        All drops, each in one visit, in the order of the first drop of each visit. A visit
        takes the longest set-up of its drops, and fits in a day by itself unless it is a single
        drop.

    Notes
    -----
    Drops for crews of one size are joined: a second person for the whole work of a drop costs
    more than a set-up saves. Drops of a road are taken along it, and a new visit begins where
    the reach or the day is used up, which gives the fewest visits among those that keep the
    order along the road. O(n log n); only drops that share a set-up are looked at one by one.
    """
    shares = (sites.road >= 0) & (sites.setup_s > 0)
    order = np.lexsort((np.arange(len(shares)), sites.along_m, sites.crew_size, sites.road, shares))
    alone = int(np.count_nonzero(~shares))
    begins = np.ones(len(order), dtype=bool)
    begins[alone:] = _breaks(sites, order[alone:], travel, reach_m)
    return _as_visits(sites, order.astype(np.int64), begins, travel)


def _breaks(sites: Sites, order: IntArray, travel: Travel, reach_m: float) -> list[bool]:
    """Tell at which drops along the roads a new visit begins."""
    x, y, along = (values[order] for values in (sites.x_m, sites.y_m, sites.along_m))
    leg_s = np.zeros(len(order))
    leg_s[1:] = travel.way_m(np.diff(x), np.diff(y)) / travel.speed_m_per_s
    depot_s = travel.depot_way_m(x, y) / travel.speed_m_per_s
    breaks: list[bool] = []
    held = (-1, 0)
    start, setup, spent, out = 0.0, 0.0, 0.0, 0.0
    for at, road, size, own_setup, work, leg, depot in zip(
        along.tolist(),
        sites.road[order].tolist(),
        sites.crew_size[order].tolist(),
        sites.setup_s[order].tolist(),
        sites.work_s[order].tolist(),
        leg_s.tolist(),
        depot_s.tolist(),
        strict=True,
    ):
        longest = max(setup, own_setup)
        total = out + longest + spent + leg + work + depot
        is_new = (road, size) != held or at - start > reach_m or total > travel.day_s
        breaks.append(is_new)
        if is_new:
            held, start, setup, spent, out = (road, size), at, own_setup, work, depot
        else:
            setup, spent = longest, spent + leg + work
    return breaks


def _as_visits(sites: Sites, order: IntArray, begins: np.ndarray, travel: Travel) -> Visits:
    """Sum up the drops of each visit, and sort visits by their least drop."""
    first = np.flatnonzero(begins)
    count = np.diff(np.append(first, len(order)))
    if len(order):
        rank = np.argsort(np.minimum.reduceat(order, first), kind="stable")
        steps = np.arange(len(order)) - np.repeat(np.cumsum(count[rank]) - count[rank], count[rank])
        order = order[np.repeat(first[rank], count[rank]) + steps]
        count = count[rank]
    first = np.append(0, np.cumsum(count)).astype(np.int64)
    x, y = sites.x_m[order], sites.y_m[order]
    leg = np.append(travel.way_m(np.diff(x), np.diff(y)), 0.0)
    last = first[1:] - 1
    leg[last] = 0.0
    head = first[:-1]
    some = len(order) > 0
    return Visits(
        site=order,
        first=first,
        work_s=np.add.reduceat(sites.work_s[order], head) if some else np.zeros(0),
        setup_s=np.maximum.reduceat(sites.setup_s[order], head) if some else np.zeros(0),
        inside_m=np.add.reduceat(leg, head) if some else np.zeros(0),
        crew_size=np.maximum.reduceat(sites.crew_size[order], head)
        if some
        else np.zeros(0, dtype=np.int64),
        begin_m=np.column_stack([x[head], y[head]]),
        end_m=np.column_stack([x[last], y[last]]),
    )
