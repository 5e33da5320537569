"""What a route must cost at least, before anything it meets is looked at.

Enters: air sources, prices.
Leaves: lower bounds in whole cents, by air span, by address and strand span, by pair.
Does not do: price what routes meet, which can only add to these bounds.
"""

from __future__ import annotations

import numpy as np
import shapely

from geoplan.air_sources import AirSources
from geoplan.candidates import leads
from geoplan.choice.cost import CENTS, cents
from geoplan.plant import cheapest_run
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.segments import FloatArray, IntArray, expand, polygon_intervals

NEVER = int(np.iinfo(np.int64).max)
GUARD_CENTS = 1
"""Taken off bounds, for a price is rounded once and a bound is not."""
WELL_INSIDE = 1e-6
"""A crossing nearer to an end of a piece than this part of it does not count for a bound."""


class LowerBounds:
    """Bounds for one plant."""

    def __init__(self, sources: AirSources, addresses: IntArray) -> None:
        plant, project = sources.plant, sources.project
        self.sources, self.index = sources, plant.index
        self.run_cents = cheapest_run(plant, project)
        self.air_cents = project.costs.air_span_per_m * CENTS
        self.strand_cents = project.costs.strand_run_per_m * CENTS
        self.fixed_cents = int(cents(project.costs.direct))
        self.clamp_cents = int(cents(project.costs.span_clamp))
        self.streets = Streets(sources, addresses)

    def of_air(self, air: AirSpans, *, to_any_wall: bool) -> IntArray:
        """Return the least that any route over each air span costs; NEVER without a run.

        Those to the nearest wall can stand for all walls of the building.
        """
        clamp = np.flatnonzero(air.span >= 0)
        run = self.run_cents[air.pole]
        span = air.span[clamp]
        ends, at = self.index.span_ends[span], air.clamp_from_m[clamp]
        run[clamp] = self.clamp_cents + np.minimum(
            self.run_cents[ends[:, 0]] + self.strand_cents * at,
            self.run_cents[ends[:, 1]] + self.strand_cents * (self.index.span_length_m[span] - at),
        )
        wire = self._whole(run + self.air_cents * air.length_m)
        segment = air.segment[:, None, :]
        to = self._corners(air.address) if to_any_wall else segment[:, :, 2:]
        street = self.streets.between(air.address, segment[:, :, :2], to)
        return np.where(wire < NEVER, wire + street, NEVER)

    def of_spans(self, address: IntArray, span: IntArray) -> IntArray:
        """Return the least that any route from a clamp on each span costs its address."""
        ends = self.index.span_ends[span]
        least = [self.run_cents[ends[:, end]] + self._along(address, span, end) for end in (0, 1)]
        wire = self._whole(np.minimum(*least) + self.clamp_cents)
        return np.where(wire < NEVER, wire + self._street(address, span), NEVER)

    def by_pair(self, addresses: IntArray) -> tuple[IntArray, IntArray, IntArray]:
        """Return pairs of address and terminal with a bound each, sorted by both.

        Parameters
        ----------
        addresses : ndarray of int64, shape (n,)
            Rows of addresses.

        Returns
        -------
        address, terminal, cents : ndarray of int64
            A pair that is missing has no route.
        """
        sources, poles = self.sources, self.sources.plant.poles
        air = sources.from_poles(*sources.poles_near(addresses))
        direct = sources.ways(air)
        street = self.streets.between(
            air.address, air.segment[:, None, :2], self._corners(air.address)
        )
        address, terminal = [direct.address], [direct.terminal]
        price = [direct.cents + street[direct.air]]
        reach, costs = sources.reach, sources.project.costs
        near, span = sources.spans_near(addresses)
        street = self._street(near, span)
        for end in (0, 1) if len(span) else ():
            access = self.index.span_ends[span, end]
            low = np.searchsorted(reach.pole, access)
            high = np.searchsorted(reach.pole, access, "right")
            row, rank = expand((high - low).astype(np.int64))
            label = low[row] + rank
            run = CENTS * (
                costs.strand_run_per_m * reach.run_m[label]
                + costs.pole_passed * reach.spans_passed[label]
            )
            who, to = near[row], reach.terminal[label]
            keep = (span[row] != reach.span[label]) & sources.plant.rules.allowed(who, to, poles)
            along = self._along(near, span, end)[row]
            address.append(who[keep])
            terminal.append(to[keep])
            wire = self._whole(run + along + self.clamp_cents)
            price.append((wire + street[row])[keep])
        all_address, all_terminal = np.concatenate(address), np.concatenate(terminal)
        all_cents = np.concatenate(price)
        order = np.lexsort((all_cents, all_terminal, all_address))
        pick = order[leads((all_address * poles + all_terminal)[order])]
        return all_address[pick], all_terminal[pick], all_cents[pick]

    def _street(self, address: IntArray, span: IntArray) -> IntArray:
        """Price the street that lies between all of a span and all of a building."""
        index = self.index
        ends = index.span_ends[span]
        sources = np.stack([index.pole_x[ends], index.pole_y[ends]], axis=2)
        return self.streets.between(address, sources, self._corners(address))

    def _corners(self, address: IntArray) -> FloatArray:
        """Return the corners of a square around what each address is attached to."""
        x, y, radius = self._circle(address)
        return np.stack(
            [np.stack([x + i * radius, y + j * radius], axis=1) for i in (-1, 1) for j in (-1, 1)],
            axis=1,
        )

    def _along(self, address: IntArray, span: IntArray, end: int) -> FloatArray:
        """Bound wire from one end of spans along the strand to a clamp and on to the building.

        The building is taken as the circle around its box. From a clamp s from that end the wire
        costs at least ``c_s s + c_a (hypot(h, s - f) - r)``, with f the foot of the circle's
        centre on the span and h its distance; that is least where the wire leaves the strand at
        an angle whose cosine is c_s / c_a, or at the limit.
        """
        index = self.index
        a, b = index.span_ends[span, end], index.span_ends[span, 1 - end]
        length = index.span_length_m[span]
        ux, uy = (
            (index.pole_x[b] - index.pole_x[a]) / length,
            (index.pole_y[b] - index.pole_y[a]) / length,
        )
        x, y, radius = self._circle(address)
        dx, dy = x - index.pole_x[a], y - index.pole_y[a]
        foot, height = dx * ux + dy * uy, np.abs(dx * uy - dy * ux)
        low, high = self.sources.clamp_limits(span)
        if end == 1:
            low, high = length - high, length - low
        if self.strand_cents >= self.air_cents:
            best = low
        else:
            cosine = self.strand_cents / self.air_cents
            best = np.clip(foot - height * cosine / np.sqrt(1 - cosine**2), low, high)
        inside = np.hypot(height, best - foot) < radius
        entry = foot - np.sqrt(np.maximum(radius**2 - height**2, 0.0))
        best = np.where(inside, np.clip(entry, low, best), best)
        wire = np.hypot(height, best - foot) - radius
        return np.asarray(self.strand_cents * best + self.air_cents * np.maximum(wire, 0.0))

    def _circle(self, address: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return a circle that holds what each address is attached to."""
        x, y = self.index.address_x[address], self.index.address_y[address]
        radius = np.zeros(len(address))
        building = self.index.address_building[address]
        has = np.flatnonzero(building >= 0)
        box = shapely.bounds(self.index.buildings.polygon[building[has]])
        x[has], y[has] = (box[:, 0] + box[:, 2]) / 2, (box[:, 1] + box[:, 3]) / 2
        radius[has] = np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]) / 2
        return x, y, radius

    def _whole(self, price: FloatArray) -> IntArray:
        reached = np.isfinite(price)
        whole = np.floor(np.where(reached, price, 0.0)).astype(np.int64)
        return np.where(reached, whole + self.fixed_cents - GUARD_CENTS, NEVER)


class Streets:
    """Straight pieces of road near each address, and what crossing one costs at least."""

    def __init__(self, sources: AirSources, addresses: IntArray) -> None:
        index, roads = sources.index, sources.index.roads
        reach = sources.plant.standards.max_air_span_m
        box = shapely.bounds(index.targets(addresses)) + np.array([-reach, -reach, reach, reach])
        row, piece = roads.tree.query(shapely.box(*box.T))
        order = np.lexsort((piece, addresses[row]))
        address = addresses[row[order]]
        self.segment = roads.segment[piece[order]]
        self.cents = sources.plant.prices.road[roads.feature[piece[order]]]
        self.address = address

    def between(self, address: IntArray, start: FloatArray, end: FloatArray) -> IntArray:
        """Return the dearest crossing of one piece that no line can avoid.

        Parameters
        ----------
        address : ndarray of int64, shape (n,)
            Rows of addresses.
        start, end : ndarray of float64, shapes (n, s, 2) and (n, e, 2)
            Corners of two convex areas in metres.

        Returns
        -------
        ndarray of int64, shape (n,)
            In cents; 0 where there may be none. A piece that every line between corners crosses
            is crossed by every line between the areas: both lie wholly on its two sides, and
            where lines between convex areas meet its line is convex too.
        """
        first = np.searchsorted(self.address, address)
        last = np.searchsorted(self.address, address, "right")
        row, rank = expand((last - first).astype(np.int64))
        piece = first[row] + rank
        ax, ay, bx, by = (self.segment[piece, column, None] for column in range(4))
        dx, dy = bx - ax, by - ay
        from_x, from_y = start[row, :, 0] - ax, start[row, :, 1] - ay
        to_x, to_y = end[row, :, 0] - ax, end[row, :, 1] - ay
        side_from, side_to = dx * from_y - dy * from_x, dx * to_y - dy * to_x
        apart = ((side_from > 0).all(axis=1) & (side_to < 0).all(axis=1)) | (
            (side_from < 0).all(axis=1) & (side_to > 0).all(axis=1)
        )
        at = np.flatnonzero(apart)
        along_from = (from_x * dx + from_y * dy)[at, :, None]
        along_to = (to_x * dx + to_y * dy)[at, None, :]
        part = side_from[at, :, None] / (side_from[at, :, None] - side_to[at, None, :])
        meets = along_from + part * (along_to - along_from)
        length = (dx**2 + dy**2)[at, 0, None, None]
        inside = ((meets > WELL_INSIDE * length) & (meets < (1 - WELL_INSIDE) * length)).all(
            axis=(1, 2)
        )
        most = np.zeros(len(address), dtype=np.int64)
        np.maximum.at(most, row[at[inside]], self.cents[piece[at[inside]]])
        return most


def lot_bound(air: AirSpans, sources: AirSources) -> IntArray:
    """Price the third party's lot that an air span enters as it leaves its own.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    sources : AirSources
        Of their plant.

    Returns
    -------
    ndarray of int64, shape (n,)
        In cents; 0 where none is found. Only a short piece beyond the own lot is looked at; a lot
        that it enters for long enough is entered by the whole air span.
    """
    price = np.zeros(len(air), dtype=np.int64)
    fee = int(cents(sources.project.costs.third_party_lot))
    parcels = sources.index.parcels
    own = sources.index.address_parcel[air.address]
    rows = np.flatnonzero(own >= 0)
    if fee == 0 or len(rows) == 0:
        return price
    segment, length = air.segment, air.length_m
    row, start, end = polygon_intervals(segment[rows], parcels.edges, parcels.first, own[rows])
    row = rows[row]
    probe = sources.project.limits.min_lot_overlap * 1.1 + 0.05
    leaves = (end > 1 - 1e-9) & (start * length[row] > probe)
    row, start = row[leaves], start[leaves]
    far = start - probe / length[row]
    x, y = segment[row, 0], segment[row, 1]
    dx, dy = segment[row, 2] - x, segment[row, 3] - y
    piece = np.stack([x + far * dx, y + far * dy, x + start * dx, y + start * dy], axis=1)
    at, lot = parcels.tree.query(shapely.points(piece[:, 0], piece[:, 1]))
    other = lot != own[row[at]]
    at, lot = at[other], lot[other]
    hit, begin, stop = polygon_intervals(piece[at], parcels.edges, parcels.first, lot)
    long = (stop - begin) * probe >= max(sources.project.limits.min_lot_overlap, 1e-6) * 1.001
    price[row[at[hit[long]]]] = fee
    return price
