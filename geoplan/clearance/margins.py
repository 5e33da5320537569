"""Least margins of air spans and of what they meet, load case by load case.

Enters: points to keep clear, wires in a load case, power above.
Leaves: `Margins`: the least margin with its place, case and crossing.
Does not do: say where the ends are in a load case; `final` does.
"""

from __future__ import annotations

import numpy as np

from geoplan.clearance.demands import Demands
from geoplan.clearance.required import OnGround, Rows, build_ceilings
from geoplan.clearance.supports import Ends
from geoplan.mechanics import length_at_temperature, load_wire, sag_at, solve_catenary
from geoplan.mechanics.catenary import bend_bounds
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import ClearanceCase, Standards

SAFE_M = 1e-6
"""Kept between bounds, far above any rounding, so that no place is passed over for it."""


class Margins:
    """Least margins so far, by air span and by crossing."""

    def __init__(self, rows: Rows, count: int, crossings: int) -> None:
        self.rows = rows
        self.least_m = np.full(count, np.inf)
        self.required_m = np.full(count, np.nan)
        self.available_m = np.full(count, np.nan)
        self.base_m = np.full(count, np.nan)
        self.part = np.full(count, np.nan)
        self.case = np.full(count, -1, dtype=np.int64)
        self.crossing = np.full(count, -1, dtype=np.int64)
        self.crossing_margin_m = np.full(crossings, np.nan)
        self.crossing_required_m = np.full(crossings, np.nan)
        self.crossing_available_m = np.full(crossings, np.nan)
        self.crossing_case = np.full(crossings, -1, dtype=np.int64)
        self.crossing_part = np.full(crossings, np.nan)
        self._bow = rows.part * (1.0 - rows.part)
        new = np.ones(len(rows.air), dtype=bool)
        new[1:] = (np.diff(rows.air) != 0) | (np.diff(rows.crossing) != 0)
        self._first_of_run = np.flatnonzero(new)
        self._run_size = np.diff(np.append(self._first_of_run, len(new)))

    def add(
        self,
        number: int,
        case: ClearanceCase,
        low: FloatArray,
        high: FloatArray,
        span: FloatArray,
        length: FloatArray,
        standards: Standards,
    ) -> FloatArray:
        """Compare one load case at every point.

        Parameters
        ----------
        number : int
            Number of the case, noted where it governs.
        case : ClearanceCase
            The case.
        low, high : ndarray of float64, shape (n,)
            Elevation of start and end in that case, in metres.
        span, length : ndarray of float64, shape (n,)
            Horizontal length, and unstressed length at the stringing temperature, in metres.
        standards : Standards
            Wire and stringing temperature.

        Returns
        -------
        ndarray of float64, shape (n,)
            Sags in metres.
        """
        wire, rows = standards.wire, self.rows
        loads = load_wire(wire.weight_n_per_m, wire.diameter_m, case.case)
        warmer = case.temperature_c - standards.stringing_c
        grown = length_at_temperature(length, wire.expansion_per_c, warmer)
        rise = high - low
        state = solve_catenary(span, rise, grown, loads.vertical_n_per_m, wire.stiffness_n)
        if len(rows.air):
            chord = low[rows.air] + rows.part * rise[rows.air]
            spare = chord - rows.base_m - case.fraction * rows.required_m
            some = self._may_be_least(spare, *bend_bounds(state))
            air, part = rows.air[some], rows.part[some]
            inside = part < 1.0
            depth = sag_at(state.take(air), (part * span[air])[:, None])[:, 0]
            wire_z = np.where(inside, chord[some] - depth, high[air])
            available = wire_z - rows.base_m[some]
            required = case.fraction * rows.required_m[some]
            self._keep(number, some, available - required, required, available)
        return np.asarray(state.sag_m)

    def _may_be_least(self, spare: FloatArray, least: FloatArray, most: FloatArray) -> IntArray:
        """Return the rows that may have the least margin of a crossing or an air span yet.

        `spare` is the margin of the chord. The wire hangs below it by no less than bow * least
        and no more than bow * most, so a row that by the most is above another by the least, or
        above what is known already, can't be the least.
        """
        rows = self.rows
        lowest = spare - self._bow * most[rows.air] - SAFE_M
        highest = spare - self._bow * least[rows.air] + SAFE_M
        of_run = np.minimum.reduceat(highest, self._first_of_run)
        air, crossing = rows.air[self._first_of_run], rows.crossing[self._first_of_run]
        of_air = np.full(len(least), np.inf)
        np.minimum.at(of_air, air, of_run)
        of_air = np.minimum(of_air, self.least_m)
        known = np.full(len(crossing), np.inf)
        on = crossing >= 0
        known[on] = self.crossing_margin_m[crossing[on]]
        limit = np.where(on, np.fmin(of_run, known), of_air[air])
        return np.flatnonzero(~(lowest > np.repeat(limit, self._run_size))).astype(np.int64)

    def _keep(
        self,
        number: int,
        some: IntArray,
        margin: FloatArray,
        required: FloatArray,
        available: FloatArray,
    ) -> None:
        rows = self.rows
        air, part, crossing = rows.air[some], rows.part[some], rows.crossing[some]
        order = np.lexsort((part, crossing, margin, air))
        lead = order[np.flatnonzero(np.diff(air[order], prepend=-1))]
        lead = lead[margin[lead] < self.least_m[air[lead]]]
        who = air[lead]
        self.least_m[who] = margin[lead]
        self.required_m[who] = required[lead]
        self.available_m[who] = available[lead]
        self.base_m[who] = self.rows.base_m[some[lead]]
        self.part[who] = part[lead]
        self.crossing[who] = crossing[lead]
        self.case[who] = number
        on = np.flatnonzero(crossing >= 0)
        order = on[np.lexsort((part[on], margin[on], crossing[on]))]
        pick = order[np.flatnonzero(np.diff(crossing[order], prepend=-1))]
        old = self.crossing_margin_m[crossing[pick]]
        pick = pick[~(old <= margin[pick])]
        which = crossing[pick]
        self.crossing_margin_m[which] = margin[pick]
        self.crossing_required_m[which] = required[pick]
        self.crossing_available_m[which] = available[pick]
        self.crossing_case[which] = number
        self.crossing_part[which] = part[pick]


def add_power_margins(
    air: AirSpans,
    crossings: Crossings,
    ends: Ends,
    demands: Demands,
    supports: OnGround,
    margins: Margins,
    low: FloatArray,
    rise: FloatArray,
    length: FloatArray,
    span: FloatArray,
    standards: Standards,
) -> None:
    """Compare with power above: the wire at its highest, cold and bare.

    Parameters
    ----------
    air, crossings, ends, demands, supports
        As in `finish`.
    margins : Margins
        Takes what is found.
    low, rise, length, span : ndarray of float64, shape (n,)
        Elevation of the start, rise to the end, unstressed length at the stringing temperature
        and horizontal length, in metres.
    standards : Standards
        Wire, stringing temperature and the coldest load case.
    """
    ceilings = build_ceilings(air, crossings, ends, demands, supports)
    if len(ceilings.air) == 0:
        return
    coldest = min([standards.stringing_c, *(t.temperature_c for t in standards.tension)])
    wire = standards.wire
    shorter = length_at_temperature(length, wire.expansion_per_c, coldest - standards.stringing_c)[
        ceilings.air
    ]
    state = solve_catenary(
        span[ceilings.air], rise[ceilings.air], shorter, wire.weight_n_per_m, wire.stiffness_n
    )
    depth = sag_at(state, (ceilings.part * span[ceilings.air])[:, None])[:, 0]
    wire_z = low[ceilings.air] + ceilings.part * rise[ceilings.air] - depth
    available = ceilings.power_m - wire_z
    margin = available - ceilings.separation_m
    margins.crossing_required_m[ceilings.crossing] = ceilings.separation_m
    margins.crossing_available_m[ceilings.crossing] = available
    margins.crossing_margin_m[ceilings.crossing] = margin
    margins.crossing_part[ceilings.crossing] = ceilings.part
    worse = np.flatnonzero(margin < margins.least_m[ceilings.air])
    for row in worse[np.argsort(-margin[worse], kind="stable")].tolist():
        who = ceilings.air[row]
        margins.least_m[who], margins.case[who] = margin[row], -1
        margins.required_m[who] = ceilings.separation_m[row]
        margins.available_m[who], margins.base_m[who] = available[row], np.nan
        margins.part[who], margins.crossing[who] = ceilings.part[row], ceilings.crossing[row]
