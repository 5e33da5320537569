"""Air spans that could be built: from poles and span clamps to walls.

Enters: indexed layers, runs along the strand, settings, rows of addresses.
Leaves: `AirSpans` within the limits, and the routes that lead over them.
Does not do: price what they meet; choose.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import numpy.typing as npt

from geoplan.candidates import BoolArray, Routes
from geoplan.choice.cost import route_cents
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import ADDRESS_POINT, WALL_CORNER, WALL_FACE, AirSpans
from geoplan.routes.segments import FloatArray, IntArray, expand
from geoplan.routes.walls import WallPoints, nearest_wall_points, other_wall_points

OTHER_WALLS = 3
OTHER_WALLS_APART_M = 1.0


class AirSources:
    """Lays air spans from poles and span clamps of one plant."""

    def __init__(self, plant: Plant, project: Project) -> None:
        self.plant, self.project = plant, project
        self.index, self.reach = plant.index, plant.reach
        self._is_reached = np.zeros(plant.poles, dtype=bool)
        self._is_reached[plant.reach.pole] = True
        self._carries = np.zeros(plant.poles, dtype=bool)
        self._carries[plant.index.terminal_pole] = True

    # -- who is near ------------------------------------------------------------------------

    def poles_near(self, addresses: IntArray) -> tuple[IntArray, IntArray]:
        """Return pairs of address and pole within one air span that a terminal reaches."""
        row, pole = self.index.pole_tree.query(
            self.index.targets(addresses),
            predicate="dwithin",
            distance=self.plant.standards.max_air_span_m,
        )
        keep = self._is_reached[pole]
        return addresses[row[keep]], pole[keep].astype(np.int64)

    def spans_near(self, addresses: IntArray) -> tuple[IntArray, IntArray]:
        """Return pairs of address and strand span within one air span, with room for a clamp."""
        if len(self.index.span_length_m) == 0:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        row, span = self.index.span_tree.query(
            self.index.targets(addresses),
            predicate="dwithin",
            distance=self.plant.standards.max_air_span_m,
        )
        span = span.astype(np.int64)
        low, high = self.clamp_limits(span)
        keep = self._is_reached[self.index.span_ends[span]].any(axis=1) & (high > low)
        return addresses[row[keep]], span[keep]

    # -- from where -------------------------------------------------------------------------

    def from_poles(self, address: IntArray, pole: IntArray) -> AirSpans:
        """Lay air spans from poles to the nearest wall."""
        none = np.full(len(address), -1, dtype=np.int64)
        x, y = self.index.pole_x[pole], self.index.pole_y[pole]
        return self._attach(address, pole, none, np.full(len(address), np.nan), x, y)

    def from_clamps(self, address: IntArray, span: IntArray, at_m: FloatArray) -> AirSpans:
        """Lay air spans from span clamps to the nearest wall."""
        x, y = self.clamp_point(span, at_m)
        none = np.full(len(address), -1, dtype=np.int64)
        return self._attach(address, none, span, at_m, x, y)

    def clamp_point(self, span: IntArray, at_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return where clamps are in plan."""
        ends = self.index.span_ends[span]
        share = at_m / self.index.span_length_m[span]
        x0, y0 = self.index.pole_x[ends[:, 0]], self.index.pole_y[ends[:, 0]]
        x1, y1 = self.index.pole_x[ends[:, 1]], self.index.pole_y[ends[:, 1]]
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)

    def clamp_limits(self, span: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return the least and greatest place of a clamp on spans, from their first pole."""
        limits = self.project.limits
        ends = self._carries[self.index.span_ends[span]]
        gap = np.where(ends, limits.min_clamp_to_terminal, limits.min_clamp_to_pole)
        return gap[:, 0], self.index.span_length_m[span] - gap[:, 1]

    def clamp_places(self, span: IntArray) -> tuple[IntArray, FloatArray]:
        """Return places a step apart along spans: the row of `span`, and the place in metres."""
        low, high = self.clamp_limits(span)
        steps = np.maximum(np.ceil((high - low) / self.project.limits.clamp_step), 1)
        row, rank = expand(steps.astype(np.int64) + 1)
        return row, low[row] + (high - low)[row] * rank / steps[row]

    def to_other_walls(self, air: AirSpans) -> AirSpans:
        """Lay air spans from the same sources to other walls than the nearest."""
        air = air.take(air.building >= 0)
        points = other_wall_points(
            self.index.walls,
            air.building,
            air.sx,
            air.sy,
            most=OTHER_WALLS,
            apart_m=OTHER_WALLS_APART_M,
        )
        return self.short_enough(_with_points(air, air.building, points))

    def _attach(
        self,
        address: IntArray,
        pole: IntArray,
        span: IntArray,
        at_m: FloatArray,
        x: FloatArray,
        y: FloatArray,
    ) -> AirSpans:
        """Give sources their nearest attachment; drop those too long or without one."""
        count = len(address)
        building = self.index.address_building[address]
        with_wall = np.flatnonzero(building >= 0)
        points = nearest_wall_points(
            self.index.walls, building[with_wall], x[with_wall], y[with_wall]
        )
        ex, ey = self.index.address_x[address], self.index.address_y[address]
        basis = np.full(count, ADDRESS_POINT, dtype=np.int64)
        angle = np.full(count, np.nan)
        row = with_wall[points.pair]
        ex[row], ey[row], angle[row] = points.x, points.y, points.angle_deg
        basis[row] = np.where(points.is_corner, WALL_CORNER, WALL_FACE)
        met = building < 0
        met[row] = True
        air = AirSpans(address, pole, span, at_m, x, y, ex, ey, building, basis, angle)
        return self.short_enough(air if met.all() else air.take(met))

    def short_enough(self, air: AirSpans) -> AirSpans:
        """Keep air spans within the limit."""
        length = air.length_m
        keep = (length > 1e-3) & (length <= self.plant.standards.max_air_span_m)
        return air if keep.all() else air.take(keep)

    # -- by which run -----------------------------------------------------------------------

    def ways(self, air: AirSpans) -> Routes:
        """Join air spans with every run that leads to them; wire and hardware priced."""
        clamp = air.span >= 0
        pole = np.flatnonzero(~clamp)
        parts = [self._join(air, pole, air.pole[pole], np.zeros(len(pole)))]
        at = np.flatnonzero(clamp)
        for end in (0, 1) if len(at) else ():
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
            & self.plant.rules.allowed(address, terminal, self.plant.poles)
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


def _with_points(air: AirSpans, building: IntArray, points: WallPoints) -> AirSpans:
    kept = air.take(points.pair)
    values: dict[str, npt.NDArray[np.float64] | IntArray | BoolArray] = {
        field.name: getattr(kept, field.name) for field in fields(AirSpans)
    }
    values |= {
        "ex": points.x,
        "ey": points.y,
        "building": building[points.pair],
        "basis": np.where(points.is_corner, WALL_CORNER, WALL_FACE).astype(np.int64),
        "wall_angle_deg": points.angle_deg,
    }
    return AirSpans(**values)  # type: ignore[arg-type]
