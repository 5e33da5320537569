"""Drops that hang on one strand span or share one set-up of traffic control, joined into visits.

Enters: place, work, strand span and traffic set-up of each drop.
Leaves: `Visits`: what a crew does in one go, with its time and where it begins and ends.
Does not do: put visits into days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.text_columns import BoolArray, FloatArray, IntArray
from geoplan.work.hang_waits import in_order, levels


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
    span: IntArray
    """Number of the strand span that the drop's clamp sits on; -1: none."""
    waits: IntArray
    """Pairs of drops, shape (k, 2), without rings: a ladder of the first would bring down the wire
    of the second, which is therefore hung after it."""


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
    is_one_way: BoolArray
    """Whether some of its drops wait for others of them: not to be turned round."""

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
    """Join drops of one strand span, and drops of one road that need traffic control, into visits.

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
        takes the longest set-up of its drops on each road, and fits in a day by itself unless it
        is a single drop.

    Notes
    -----
    Drops of a strand span are pulled on by each other, so that sags can be compared only with all
    hung: they are one visit, whatever crews they need, as long as it fits in a day. Otherwise
    drops for crews of one size are joined: a second person for the whole work of a drop costs
    more than a set-up saves. A span on which drops wait for others and that doesn't fit in a day
    is parted into visits that share no set-up with others, so that one of them can be put after
    the other. Drops of a road are taken along it, and a new visit begins where the reach or the
    day is used up. Within a visit, drops that others wait for go before these. A visit that drops
    of a span make too long for a day after all is parted again. O(n log n); only drops that share
    a span or a set-up are looked at one by one.
    """
    member, block = _blocks(sites, travel)
    whole = _as_sites(sites, member, block, travel)
    shares = (whole.road >= 0) & (whole.setup_s > 0)
    order = np.lexsort((member[block], whole.along_m, whole.crew_size, whole.road, shares))
    alone = int(np.count_nonzero(~shares))
    begins = np.ones(len(order), dtype=bool)
    begins[alone:] = _breaks(whole, order[alone:], travel, reach_m)
    size = np.diff(np.append(block, len(member)))[order]
    start = np.cumsum(size) - size
    inner = np.arange(len(member)) - np.repeat(start, size)
    site = member[np.repeat(block[order], size) + inner]
    visits = _as_visits(sites, site, _marked(start[begins], len(site)), travel)
    is_long = np.zeros(len(site), dtype=bool)
    is_long[visits.site] = np.repeat(visits.alone_s(travel) > travel.day_s, np.diff(visits.first))
    begins |= is_long[member[block[order]]]
    return _as_visits(sites, site, _marked(start[begins], len(site)), travel)


def _marked(rows: IntArray, count: int) -> BoolArray:
    marks = np.zeros(count, dtype=bool)
    marks[rows] = True
    return marks


def _blocks(sites: Sites, travel: Travel) -> tuple[IntArray, IntArray]:
    """Put drops of a strand span next to each other; return them, and where each block begins."""
    count = len(sites.span)
    own = np.arange(count, dtype=np.int64)
    key = np.where(sites.span >= 0, sites.span, sites.span.max(initial=0) + 1 + own)
    level = levels(_on_span(sites), count)
    member = np.lexsort((own, sites.along_m, level, key)).astype(np.int64)
    begins = np.ones(count, dtype=bool)
    begins[1:] = key[member][1:] != key[member][:-1]
    x, y = sites.x_m[member], sites.y_m[member]
    leg_s = np.append(0.0, travel.way_m(np.diff(x), np.diff(y)))[:count] / travel.speed_m_per_s
    depot_s = travel.depot_way_m(x, y) / travel.speed_m_per_s
    stay_s = (sites.work_s + sites.setup_s)[member]
    spent = out = 0.0
    for at in np.flatnonzero(~begins).tolist():
        if begins[at - 1]:
            spent, out = float(stay_s[at - 1]), float(depot_s[at - 1])
        spent += float(leg_s[at] + stay_s[at])
        if out + spent + depot_s[at] > travel.day_s:
            begins[at] = True
    return member, np.flatnonzero(begins).astype(np.int64)


def _on_span(sites: Sites) -> IntArray:
    """Return the pairs of drops of one strand span that wait for each other."""
    span = sites.span[sites.waits]
    kept = (span[:, 0] == span[:, 1]) & (span[:, 0] >= 0)
    return np.asarray(sites.waits[kept], dtype=np.int64)


def _as_sites(sites: Sites, member: IntArray, block: IntArray, travel: Travel) -> Sites:
    """Sum up blocks; one with set-ups on several roads shares none of them with others."""
    if not len(block):
        return sites
    size = np.diff(np.append(block, len(member)))
    x, y = sites.x_m[member], sites.y_m[member]
    leg_s = np.append(0.0, travel.way_m(np.diff(x), np.diff(y))) / travel.speed_m_per_s
    leg_s[block] = 0.0
    setup, road = sites.setup_s[member], sites.road[member]
    named = np.where(setup > 0, road, np.iinfo(np.int64).max)
    low = np.minimum.reduceat(named, block)
    high = np.maximum.reduceat(np.where(setup > 0, road, -2), block)
    is_one = (low == high) & (low >= 0)
    lead = member[block].copy()
    held = np.flatnonzero(np.repeat(is_one, size) & (setup > 0))[::-1]
    lead[np.repeat(np.arange(len(block)), size)[held]] = member[held]
    span = sites.span[member[block]]
    is_parted = np.isin(span, span[1:][(span[1:] == span[:-1]) & (span[1:] >= 0)])
    is_alone = is_parted & np.isin(span, sites.span[_on_span(sites)])
    return Sites(
        x_m=sites.x_m[lead],
        y_m=sites.y_m[lead],
        work_s=np.add.reduceat(sites.work_s[member] + leg_s, block),
        setup_s=np.add.reduceat(setups(np.repeat(np.arange(len(block)), size), road, setup), block),
        crew_size=np.maximum.reduceat(sites.crew_size[member], block),
        road=np.where((is_one | (size == 1)) & ~is_alone, sites.road[lead], -1),
        along_m=sites.along_m[lead],
        span=span,
        waits=np.empty((0, 2), dtype=np.int64),
    )


def setups(group: IntArray, road: IntArray, setup_s: FloatArray) -> FloatArray:
    """Return the set-up time that falls on each drop where groups share one for each road.

    Parameters
    ----------
    group : ndarray of int64, shape (n,)
        Number of each drop's group; drops in the order in which they are built.
    road : ndarray of int64, shape (n,)
        As in `Sites`.
    setup_s : ndarray of float64, shape (n,)
        Set-up time of each drop by itself.

    Returns
    -------
    ndarray of float64, shape (n,)
        The longest set-up of a group's drops on a road is at the first of them, 0 at the others.
        A set-up that can't be shared is at its own drop.
    """
    order = np.lexsort((np.arange(len(group)), road, group))
    shares = (road >= 0) & (setup_s > 0)
    told = np.where(shares, 0.0, setup_s)
    order = order[shares[order]]
    if not len(order):
        return told
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (group[order][1:] != group[order][:-1]) | (road[order][1:] != road[order][:-1])
    first = np.flatnonzero(lead)
    told[order[first]] = np.maximum.reduceat(setup_s[order], first)
    return told


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


def _as_visits(sites: Sites, order: IntArray, begins: BoolArray, travel: Travel) -> Visits:
    """Sum up the drops of each visit, and sort visits by their least drop."""
    first = np.flatnonzero(begins)
    count = np.diff(np.append(first, len(order)))
    if len(order):
        rank = np.argsort(np.minimum.reduceat(order, first), kind="stable")
        steps = np.arange(len(order)) - np.repeat(np.cumsum(count[rank]) - count[rank], count[rank])
        order = order[np.repeat(first[rank], count[rank]) + steps]
        count = count[rank]
    first = np.append(0, np.cumsum(count)).astype(np.int64)
    order, is_one_way = _waited_for(sites, order, first)
    x, y = sites.x_m[order], sites.y_m[order]
    leg = np.append(travel.way_m(np.diff(x), np.diff(y)), 0.0)
    last = first[1:] - 1
    leg[last] = 0.0
    head = first[:-1]
    some = len(order) > 0
    visit = np.repeat(np.arange(len(count)), count)
    setup = setups(visit, sites.road[order], sites.setup_s[order])
    return Visits(
        site=order,
        first=first,
        work_s=np.add.reduceat(sites.work_s[order], head) if some else np.zeros(0),
        setup_s=np.add.reduceat(setup, head) if some else np.zeros(0),
        inside_m=np.add.reduceat(leg, head) if some else np.zeros(0),
        crew_size=np.maximum.reduceat(sites.crew_size[order], head)
        if some
        else np.zeros(0, dtype=np.int64),
        begin_m=np.column_stack([x[head], y[head]]),
        end_m=np.column_stack([x[last], y[last]]),
        is_one_way=is_one_way,
    )


def _waited_for(sites: Sites, order: IntArray, first: IntArray) -> tuple[IntArray, BoolArray]:
    """Put drops of a visit before those of it that wait for them; tell where there are any."""
    visit = np.empty(len(order), dtype=np.int64)
    visit[order] = np.repeat(np.arange(len(first) - 1), np.diff(first))
    of_pair = visit[sites.waits]
    inner = np.flatnonzero(of_pair[:, 0] == of_pair[:, 1])
    waits: dict[int, list[tuple[int, int]]] = {}
    for number, pair in zip(of_pair[inner, 0].tolist(), sites.waits[inner].tolist(), strict=True):
        waits.setdefault(number, []).append((pair[0], pair[1]))
    order = order.copy()
    for number, pairs in waits.items():
        part = slice(first[number], first[number + 1])
        order[part] = in_order(order[part].tolist(), pairs)
    return order, np.isin(np.arange(len(first) - 1), list(waits))
