"""The search for route candidates of a group of addresses.

Enters: indexed layers, runs along the strand, prices, settings, rows of addresses.
Leaves: `Found`: air spans, their crossings and verdicts, and all routes over them.
Does not do: the choice between addresses.

Routes are looked for from the plainest to the most involved: from poles, to other walls, from
span clamps a step apart, then from clamps shifted by less and less, and to other walls again. A
route is worked out only where wire and hardware alone cost less than the best route known for the
same address and terminal; what it meets can only add to that. So among poles, walls and the grid
of clamps nothing cheaper is left out; shifted clamps start from the best of the grid and may miss
a gap that is narrower than the step.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.candidates import (
    BoolArray,
    Found,
    PairRules,
    Routes,
    best_per_pair,
    joined_prices,
    leads,
)
from geoplan.choice.cost import (
    AirPrice,
    FeaturePrices,
    price_air_spans,
    raising_cents,
    route_cents,
)
from geoplan.clearance.demands import Demands
from geoplan.clearance.heights import choose_heights
from geoplan.clearance.hung import Hung
from geoplan.clearance.supports import Supports
from geoplan.project import Project
from geoplan.routes.air_spans import ADDRESS_POINT, WALL_CORNER, WALL_FACE, AirSpans
from geoplan.routes.crossings import Crossings, find_crossings
from geoplan.routes.graph import Reach
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray, expand
from geoplan.routes.walls import WallPoints, nearest_wall_points, other_wall_points
from geoplan.standards import Standards

NEVER = np.iinfo(np.int64).max
OTHER_WALLS = 3
OTHER_WALLS_APART_M = 1.0
REFINEMENTS = 4


@dataclass(frozen=True)
class Plant:
    """What all groups of addresses share."""

    index: PlantIndex
    reach: Reach
    rules: PairRules
    prices: FeaturePrices
    supports: Supports
    demands: Demands
    standards: Standards


class _Search:
    """One group of addresses; grows as rounds add air spans and routes."""

    def __init__(self, plant: Plant, project: Project) -> None:
        self.plant, self.project = plant, project
        self.index, self.reach, self.rules = plant.index, plant.reach, plant.rules
        self.hung: list[Hung] = []
        self.air: list[AirSpans] = []
        self.crossings: list[Crossings] = []
        self.price: list[AirPrice] = []
        self.routes: list[Routes] = []
        self.count = 0
        self.poles = len(plant.index.pole_x)
        self.best_key = np.zeros(0, dtype=np.int64)
        self.best_cents = np.zeros(0, dtype=np.int64)

    # -- building -------------------------------------------------------------------------

    def attach(self, air: AirSpans) -> AirSpans:
        """Give sources their nearest attachment; drop those too long or without one."""
        building = self.index.address_building[air.address]
        with_wall = np.flatnonzero(building >= 0)
        plain = np.flatnonzero(building < 0)
        points = nearest_wall_points(
            self.index.walls, building[with_wall], air.sx[with_wall], air.sy[with_wall]
        )
        walled = _with_points(air.take(with_wall), building[with_wall], points)
        bare = air.take(plain)
        bare = _replace(
            bare,
            ex=self.index.address_x[bare.address],
            ey=self.index.address_y[bare.address],
            building=np.full(len(bare), -1, dtype=np.int64),
            basis=np.full(len(bare), ADDRESS_POINT, dtype=np.int64),
            wall_angle_deg=np.full(len(bare), np.nan),
        )
        both = AirSpans.joined([walled, bare])
        rows = np.concatenate([with_wall[points.pair], plain])
        return self.short_enough(both.take(np.argsort(rows, kind="stable").astype(np.int64)))

    def short_enough(self, air: AirSpans) -> AirSpans:
        """Keep air spans within the limit."""
        length = air.length_m
        return air.take((length > 1e-3) & (length <= self.plant.standards.max_air_span_m))

    def from_poles(self, address: IntArray, pole: IntArray) -> AirSpans:
        """Make air spans that leave from poles."""
        none = np.full(len(address), -1, dtype=np.int64)
        empty = np.full(len(address), np.nan)
        return self.attach(
            AirSpans(
                address,
                pole,
                none,
                empty,
                self.index.pole_x[pole],
                self.index.pole_y[pole],
                empty,
                empty,
                none,
                none,
                empty,
            )
        )

    def from_clamps(self, address: IntArray, span: IntArray, at_m: FloatArray) -> AirSpans:
        """Make air spans that leave from span clamps."""
        ends = self.index.span_ends[span]
        share = at_m / self.index.span_length_m[span]
        x0, y0 = self.index.pole_x[ends[:, 0]], self.index.pole_y[ends[:, 0]]
        x1, y1 = self.index.pole_x[ends[:, 1]], self.index.pole_y[ends[:, 1]]
        none = np.full(len(address), -1, dtype=np.int64)
        empty = np.full(len(address), np.nan)
        return self.attach(
            AirSpans(
                address,
                none,
                span,
                at_m,
                x0 + share * (x1 - x0),
                y0 + share * (y1 - y0),
                empty,
                empty,
                none,
                none,
                empty,
            )
        )

    def ways(self, air: AirSpans) -> Routes:
        """Join air spans with every run that leads to them; wire and hardware priced."""
        parts = []
        clamp = air.span >= 0
        pole = np.flatnonzero(~clamp)
        parts.append(self._join(air, pole, air.pole[pole], np.zeros(len(pole))))
        at = np.flatnonzero(clamp)
        for end in (0, 1):
            access = self.index.span_ends[air.span[at], end]
            near = air.clamp_from_m[at]
            side = near if end == 0 else self.index.span_length_m[air.span[at]] - near
            parts.append(self._join(air, at, access, side))
        return Routes.joined(parts)

    def _join(self, air: AirSpans, rows: IntArray, access: IntArray, side: FloatArray) -> Routes:
        low = np.searchsorted(self.reach.pole, access)
        high = np.searchsorted(self.reach.pole, access, "right")
        source, rank = expand((high - low).astype(np.int64))
        label = (low[source] + rank).astype(np.int64)
        row = rows[source]
        address, terminal = air.address[row], self.reach.terminal[label]
        run = self.reach.run_m[label] + side[source]
        length = air.length_m[row]
        limits = self.project.limits
        back = (air.span[row] >= 0) & (air.span[row] == self.reach.span[label])
        keep = (
            (run <= limits.max_strand_run)
            & (run + length <= self.plant.standards.max_route_m)
            & ~back
            & self.rules.allowed(address, terminal, self.poles)
        )
        row, label, run, length = row[keep], label[keep], run[keep], length[keep]
        cents = route_cents(
            length, run, self.reach.spans_passed[label], air.span[row] >= 0, self.project
        )
        return Routes(
            address[keep],
            terminal[keep],
            row,
            label,
            side[source][keep],
            cents,
            np.zeros(len(row), dtype=np.int64),
        )

    # -- judging --------------------------------------------------------------------------

    def can_win(self, routes: Routes) -> BoolArray:
        """Tell which routes are, before what they meet, cheaper than the best known."""
        key = routes.address * self.poles + routes.terminal
        if len(self.best_key) == 0:
            return np.ones(len(routes), dtype=bool)
        at = np.minimum(np.searchsorted(self.best_key, key), len(self.best_key) - 1)
        known = self.best_key[at] == key
        return np.asarray(~known | (routes.cents < self.best_cents[at]))

    def add(self, air: AirSpans, *, prune: bool) -> IntArray:
        """Judge air spans and keep them with their routes; return the rows they got."""
        routes = self.ways(air)
        if prune:
            routes = routes.take(self.can_win(routes))
        used, place = np.unique(routes.air, return_inverse=True)
        air = air.take(used.astype(np.int64))
        limits = self.project.limits
        crossings = find_crossings(
            air,
            self.index,
            near_power_m=limits.near_power,
            near_pool_m=limits.near_pool,
            near_tree_m=limits.near_tree,
            min_lot_overlap_m=limits.min_lot_overlap,
        )
        price = price_air_spans(air, crossings, self.plant.prices, self.project)
        hung = choose_heights(
            air,
            crossings,
            self.index,
            self.plant.supports,
            self.plant.demands,
            self.plant.standards,
            self.project,
        )
        price = AirPrice(
            price.cents
            + raising_cents(hung.hook_is_raised, hung.attachment_is_raised, self.project),
            price.forbidden | hung.forbidden,
        )
        routes = Routes(
            routes.address,
            routes.terminal,
            place.astype(np.int64) + self.count,
            routes.reach,
            routes.side_m,
            routes.cents + price.cents[place],
            price.forbidden[place],
        )
        self.air.append(air)
        self.hung.append(hung.moved(sum(len(part) for part in self.crossings)))
        self.crossings.append(crossings.moved(self.count))
        self.price.append(price)
        self.routes.append(routes)
        rows = np.arange(self.count, self.count + len(air), dtype=np.int64)
        self.count += len(air)
        self._note_best(routes)
        return rows

    def _note_best(self, routes: Routes) -> None:
        free = routes.forbidden == 0
        key = np.concatenate([self.best_key, (routes.address * self.poles + routes.terminal)[free]])
        price = np.concatenate([self.best_cents, routes.cents[free]])
        order = np.lexsort((price, key))
        key, price = key[order], price[order]
        lead = leads(key)
        self.best_key, self.best_cents = key[lead], price[lead]

    def found(self) -> Found:
        """Return all that was gathered."""
        return Found(
            AirSpans.joined(self.air),
            Crossings.joined(self.crossings),
            joined_prices(self.price),
            Hung.joined(self.hung),
            Routes.joined(self.routes),
        )

    # -- rounds ---------------------------------------------------------------------------

    def direct(self, addresses: IntArray) -> None:
        """Go from every pole in reach to the nearest wall: round 1."""
        targets = self.index.targets(addresses)
        limit = self.plant.standards.max_air_span_m
        row, pole = self.index.pole_tree.query(targets, predicate="dwithin", distance=limit)
        reached = _is_member(self.reach.pole, pole, self.poles)
        self.add(self.from_poles(addresses[row[reached]], pole[reached]), prune=False)

    def other_walls(self, rows: IntArray) -> None:
        """Go to other walls, where the nearest wall meets something: rounds 2 and 5."""
        air, price = AirSpans.joined(self.air), joined_prices(self.price)
        meets = (price.cents[rows] > 0) | (price.forbidden[rows] > 0)
        rows = rows[meets & (air.building[rows] >= 0)]
        if len(rows) == 0:
            return
        air = air.take(rows)
        points = other_wall_points(
            self.index.walls,
            air.building,
            air.sx,
            air.sy,
            most=OTHER_WALLS,
            apart_m=OTHER_WALLS_APART_M,
        )
        self.add(self.short_enough(_with_points(air, air.building, points)), prune=True)

    def best_clamps(self) -> IntArray:
        """Return the air spans of the best clamp of each address and terminal."""
        air, routes = AirSpans.joined(self.air), Routes.joined(self.routes)
        clamped = np.flatnonzero(air.span[routes.air] >= 0)
        routes = routes.take(clamped)
        return np.unique(routes.air[best_per_pair(routes, air, self.poles)])

    def clamps(self, addresses: IntArray) -> None:
        """Go from places along every strand span near by: round 3."""
        if len(self.index.span_length_m) == 0:
            return
        targets = self.index.targets(addresses)
        limits = self.project.limits
        row, span = self.index.span_tree.query(
            targets, predicate="dwithin", distance=self.plant.standards.max_air_span_m
        )
        ends = self.index.span_ends[span]
        reached = _is_member(self.reach.pole, ends[:, 0], self.poles) | _is_member(
            self.reach.pole, ends[:, 1], self.poles
        )
        address, span = addresses[row[reached]], span[reached].astype(np.int64)
        low, high = self.clamp_limits(span)
        room = high > low
        address, span, low, high = address[room], span[room], low[room], high[room]
        steps = np.maximum(np.ceil((high - low) / limits.clamp_step), 1).astype(np.int64)
        pair, rank = expand(steps + 1)
        at = low[pair] + (high - low)[pair] * rank / steps[pair]
        self.add(self.from_clamps(address[pair], span[pair], at), prune=True)

    def clamp_limits(self, span: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return the least and greatest place of a clamp on spans, from their first pole."""
        limits = self.project.limits
        carries = np.zeros(self.poles, dtype=bool)
        carries[self.index.terminal_pole] = True
        ends = carries[self.index.span_ends[span]]
        gap = np.where(ends, limits.min_clamp_to_terminal, limits.min_clamp_to_pole)
        return gap[:, 0], self.index.span_length_m[span] - gap[:, 1]

    def refine(self) -> None:
        """Shift the best clamp of each address and terminal by ever smaller steps: round 4."""
        for halving in range(1, REFINEMENTS + 1):
            chosen = self.best_clamps()
            if len(chosen) == 0:
                return
            air = AirSpans.joined(self.air)
            address, span = air.address[chosen], air.span[chosen]
            low, high = self.clamp_limits(span)
            step = self.project.limits.clamp_step / 2**halving
            at = np.concatenate([air.clamp_from_m[chosen] - step, air.clamp_from_m[chosen] + step])
            address, span = np.tile(address, 2), np.tile(span, 2)
            within = (at >= np.tile(low, 2)) & (at <= np.tile(high, 2))
            self.add(self.from_clamps(address[within], span[within], at[within]), prune=True)


def search_routes(plant: Plant, project: Project, addresses: IntArray) -> Found:
    """Find all routes worth comparing for a group of addresses.

    Parameters
    ----------
    plant : Plant
        Indexed layers, runs along the strand, rules, prices, heights and standards.
    project : Project
        Settings.
    addresses : ndarray of int64, shape (n,)
        Rows of the addresses; their results don't depend on who else is in the group.

    Returns
    -------
    Found
        Air spans with crossings, heights and sag, and routes; forbidden ones too, with their
        reasons.
    """
    search = _Search(plant, project)
    search.direct(addresses)
    search.other_walls(np.arange(search.count, dtype=np.int64))
    search.clamps(addresses)
    search.refine()
    search.other_walls(search.best_clamps())
    return search.found()


def _replace(air: AirSpans, **columns: npt.NDArray[np.float64] | IntArray) -> AirSpans:
    values = {field.name: getattr(air, field.name) for field in fields(AirSpans)}
    return AirSpans(**{**values, **columns})


def _with_points(air: AirSpans, building: IntArray, points: WallPoints) -> AirSpans:
    return _replace(
        air.take(points.pair),
        ex=points.x,
        ey=points.y,
        building=building[points.pair],
        basis=np.where(points.is_corner, WALL_CORNER, WALL_FACE).astype(np.int64),
        wall_angle_deg=points.angle_deg,
    )


def _is_member(members: IntArray, values: IntArray, size: int) -> BoolArray:
    flags = np.zeros(size, dtype=bool)
    flags[members] = True
    return np.asarray(flags[values])
