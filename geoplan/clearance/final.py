"""Planned air spans worked out in full: the catenary, the strand that gives way, every margin.

Enters: chosen air spans, how they were hung, what they meet, rules and wire.
Leaves: `Final`: sags, tensions, margins with place, case and rule; clamps in all their states.
Does not do: choose; an air span that fails here goes back to the choice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoplan.clearance.clamps import Clamps, find_clamps, settle_clamps
from geoplan.clearance.demands import Demands
from geoplan.clearance.heights import LEAST_SAG_SHARE
from geoplan.clearance.hung import Hung
from geoplan.clearance.required import OnGround, Rows, build_ceilings, build_rows
from geoplan.clearance.shared_spans import MOST_GIVE_SHARE
from geoplan.clearance.supports import Ends, Supports
from geoplan.mechanics import (
    LoadCase,
    WeatherState,
    length_at_temperature,
    load_wire,
    sag_at,
    solve_catenary,
    solve_weather,
)
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import ClearanceCase, Standards

BoolArray = npt.NDArray[np.bool_]

TOLERANCE_M = 0.002
CLOSE_YARD_PLACES = np.linspace(0.025, 1.0, 40)
"""Close enough together that between two of them no yard is nearer by more than the tolerance."""
TUNINGS = 8
GIVE_STEPS = 30


@dataclass(frozen=True)
class Final:
    """Planned air spans, one row each; heights in metres above the ground of each end."""

    start_m: FloatArray
    end_m: FloatArray
    start_z_m: FloatArray
    end_z_m: FloatArray
    span_m: FloatArray
    length_m: FloatArray
    """Unstressed, at the stringing temperature."""
    arc_m: FloatArray
    """Stretched length at stringing."""
    sag_m: FloatArray
    tension_n: FloatArray
    """Greatest tension at stringing."""
    sag_worst_m: FloatArray
    sag_worst_case: IntArray
    tension_worst_n: FloatArray
    tension_limit_n: FloatArray
    tension_case: IntArray
    swing_worst_m: FloatArray
    margin_m: FloatArray
    """Least of available less required clearance; NaN: nothing to compare."""
    required_m: FloatArray
    available_m: FloatArray
    margin_part: FloatArray
    margin_case: IntArray
    margin_crossing: IntArray
    """Row of the crossing that governs; -1: the yard."""
    clamps: Clamps
    crossing_required_m: FloatArray
    """By row of the crossings handed in; NaN where nothing was computed."""
    crossing_available_m: FloatArray
    crossing_margin_m: FloatArray
    crossing_case: IntArray
    """Load case of that margin; -1: wire against plant at the stringing temperature or none."""

    def fails(self, margin_m: float) -> BoolArray:
        """Tell which air spans miss the margin asked for, or a tension limit."""
        low = self.margin_m < margin_m - TOLERANCE_M
        tight = self.tension_worst_n > self.tension_limit_n * 1.0005
        return np.asarray(low | tight)


def finish(
    air: AirSpans,
    crossings: Crossings,
    hung: Hung,
    ends: Ends,
    index: PlantIndex,
    supports: Supports,
    demands: Demands,
    standards: Standards,
    project: Project,
    sag_m: FloatArray | None = None,
    *,
    with_ladder: bool = True,
) -> Final:
    """Work out n planned air spans in full.

    Parameters
    ----------
    air : AirSpans
        Planned air spans.
    crossings : Crossings
        What they meet; ``air`` counts from 0.
    hung : Hung
        Their heights and unstressed length.
    ends : Ends
        Their ends, as `hung` was worked out with.
    index : PlantIndex
        Rows of the layers.
    supports : Supports
        Heights of the plant.
    demands : Demands
        What has to be kept clear.
    standards : Standards
        Wire, strands, load cases and limits.
    project : Project
        Settings.
    sag_m : ndarray of float64, shape (n,), optional
        Sag wanted at stringing of drops from span clamps; by default that of fixed supports.
    with_ladder : bool
        Whether to work out the ladder's states too.

    Returns
    -------
    Final
        Arrays of shape (n,), and by crossing.

    Notes
    -----
    Clearances are those of the elastic catenary in each clearance case, and as strung, for drops
    that share a strand span can hang lower then; a span clamp is where
    the strand, the drop and that case's ice and temperature leave it. Places along the air span
    are kept as parts of it when the clamp moves. In the tension cases too the clamp is where
    strand and drop leave it.
    """
    rows = build_rows(air, crossings, ends, demands, supports, CLOSE_YARD_PLACES)
    wire = standards.wire
    end_z = hung.end_ground_m + hung.end_m
    low = hung.start_ground_m + hung.start_m
    span = air.length_m
    stringing = LoadCase(temperature_c=standards.stringing_c)
    if sag_m is None:
        sag_m = fixed_sag(air, hung, standards)
    clamps = find_clamps(
        air, index, supports, ends, end_z, sag_m, project, standards, with_ladder=with_ladder
    )
    length = hung.length_m.copy()
    length[clamps.row] = clamps.length_m
    start_z = low.copy()
    start_z[clamps.row] = clamps.start_z_m
    spans = span.copy()
    spans[clamps.row] = clamps.air_span_m
    rise = end_z - start_z
    now = solve_weather(spans, rise, length, standards.stringing_c, wire, stringing)
    margins = Margins(rows, len(air), len(crossings))
    sags = []
    for number, case in enumerate(standards.clearance):
        case_low, case_span = start_z.copy(), spans.copy()
        moved = settle_clamps(clamps, case, standards)
        case_low[clamps.row], case_span[clamps.row] = moved.start_z_m, moved.air_span_m
        sags.append(margins.add(number, case, case_low, end_z, case_span, length, standards))
    sags.append(
        margins.add(
            len(standards.clearance), standards.stringing, start_z, end_z, spans, length, standards
        )
    )
    sag = np.stack(sags, axis=1)
    tension = [
        solve_weather(spans, rise, length, standards.stringing_c, wire, limit.case)
        for limit in standards.tension
    ]
    pulls = [state.tension_max_n[:, 0].copy() for state in tension]
    for pull, limit in zip(pulls, standards.tension, strict=True):
        pull[clamps.row] = settle_clamps(clamps, limit, standards).drop_tension_n
    worst = np.stack(pulls, axis=1)
    limits = np.array([limit.limit_n for limit in standards.tension])
    tightest = np.argmax(worst / limits, axis=1)
    each = np.arange(len(air))
    add_power_margins(
        air, crossings, ends, demands, supports, margins, start_z, rise, length, spans, standards
    )
    return Final(
        start_z - hung.start_ground_m,
        hung.end_m,
        start_z,
        end_z,
        spans,
        length,
        now.length_m[:, 0],
        now.sag_m[:, 0],
        now.tension_max_n[:, 0],
        sag.max(axis=1),
        np.argmax(sag, axis=1).astype(np.int64),
        worst[each, tightest],
        limits[tightest],
        tightest.astype(np.int64),
        np.max([state.swing_m[:, 0] for state in tension], axis=0),
        margins.least_m,
        margins.required_m,
        margins.available_m,
        margins.part,
        margins.case,
        margins.crossing,
        clamps,
        margins.crossing_required_m,
        margins.crossing_available_m,
        margins.crossing_margin_m,
        margins.crossing_case,
    )


def fixed_sag(air: AirSpans, hung: Hung, standards: Standards) -> FloatArray:
    """Return the sags at stringing, clamps where the drop's pull takes them.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    hung : Hung
        Their heights and unstressed length.
    standards : Standards
        Wire and stringing temperature.

    Returns
    -------
    ndarray of float64, shape (n,)
        Sag in metres.
    """
    rise = hung.end_ground_m + hung.end_m - hung.start_ground_m - hung.start_m
    case = LoadCase(temperature_c=standards.stringing_c)
    wire = standards.wire

    def solve(span: FloatArray, rows: IntArray) -> WeatherState:
        return solve_weather(
            span, rise[rows], hung.length_m[rows], standards.stringing_c, wire, case
        )

    everything = np.arange(len(air), dtype=np.int64)
    sag = np.asarray(solve(air.length_m, everything).sag_m[:, 0]) if len(air) else np.zeros(0)
    rows = np.flatnonzero(hung.give_m_per_n > 0).astype(np.int64)
    if len(rows) == 0:
        return sag
    far = air.length_m[rows]
    near = (1 - MOST_GIVE_SHARE) * far
    low, high = near.copy(), far.copy()
    for _ in range(GIVE_STEPS):
        middle = (low + high) / 2
        pull = solve(middle, rows).horizontal_tension_n[:, 0]
        is_loose = middle < far - pull * hung.give_m_per_n[rows]
        low, high = np.where(is_loose, middle, low), np.where(is_loose, high, middle)
    sag[rows] = solve((low + high) / 2, rows).sag_m[:, 0]
    return sag


def tune_sags(
    air: AirSpans,
    crossings: Crossings,
    hung: Hung,
    ends: Ends,
    index: PlantIndex,
    supports: Supports,
    demands: Demands,
    standards: Standards,
    project: Project,
    sag_m: FloatArray | None = None,
) -> FloatArray:
    """Find sags that keep every clearance where the strand gives way under the drop.

    Parameters
    ----------
    air, crossings, hung, ends, index, supports, demands, standards, project
        As in `finish`.
    sag_m : ndarray of float64, shape (n,), optional
        Sags to begin with; by default those of fixed supports.

    Returns
    -------
    ndarray of float64, shape (n,)
        Sag wanted at stringing. Where a margin is missed, the sag is lessened by what is missing
        there, up to `TUNINGS` times; what still fails is told by `Final.fails`.
    """
    sag = fixed_sag(air, hung, standards) if sag_m is None else sag_m.copy()
    target = project.heights.clearance_margin
    todo = np.flatnonzero(air.span >= 0).astype(np.int64)
    for _ in range(TUNINGS):
        if len(todo) == 0:
            break
        place = np.full(len(air), -1, dtype=np.int64)
        place[todo] = np.arange(len(todo))
        met = crossings.take(place[crossings.air] >= 0)
        met = replace(met, air=place[met.air])
        final = finish(
            air.take(todo),
            met,
            hung.take(todo),
            ends.take(todo),
            index,
            supports,
            demands,
            standards,
            project,
            sag[todo],
            with_ladder=False,
        )
        short = target - final.margin_m
        bow = np.maximum(4 * final.margin_part * (1 - final.margin_part), 0.05)
        bad = (short > TOLERANCE_M / 2) & (final.margin_case >= 0)
        least = np.maximum(LEAST_SAG_SHARE * air.length_m[todo], sag[todo] / 2)
        less = sag[todo] - 1.1 * short / bow - TOLERANCE_M
        sag[todo[bad]] = np.maximum(less, least)[bad]
        todo = todo[np.isin(air.span[todo], air.span[todo[bad]])]
    return sag


class Margins:
    """Least margins so far, by air span and by crossing."""

    def __init__(self, rows: Rows, count: int, crossings: int) -> None:
        self.rows = rows
        self.least_m = np.full(count, np.inf)
        self.required_m = np.full(count, np.nan)
        self.available_m = np.full(count, np.nan)
        self.part = np.full(count, np.nan)
        self.case = np.full(count, -1, dtype=np.int64)
        self.crossing = np.full(count, -1, dtype=np.int64)
        self.crossing_margin_m = np.full(crossings, np.nan)
        self.crossing_required_m = np.full(crossings, np.nan)
        self.crossing_available_m = np.full(crossings, np.nan)
        self.crossing_case = np.full(crossings, -1, dtype=np.int64)
        self.crossing_part = np.full(crossings, np.nan)

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
        width = int(np.diff(rows.first).max(initial=1))
        parts = np.zeros((len(span), width))
        column = np.arange(len(rows.air)) - rows.first[rows.air]
        parts[rows.air, column] = rows.part
        depth = sag_at(state, parts * span[:, None])[rows.air, column]
        wire_z = low[rows.air] + rows.part * rise[rows.air] - depth
        available = wire_z - rows.base_m
        required = case.fraction * rows.required_m
        self._keep(number, available - required, required, available)
        return np.asarray(state.sag_m)

    def _keep(
        self, number: int, margin: FloatArray, required: FloatArray, available: FloatArray
    ) -> None:
        rows = self.rows
        order = np.lexsort((rows.part, rows.crossing, margin, rows.air))
        lead = order[rows.first[:-1]]
        better = margin[lead] < self.least_m
        pick = lead[better]
        for name, values in (
            ("least_m", margin),
            ("required_m", required),
            ("available_m", available),
            ("part", rows.part),
            ("crossing", rows.crossing),
        ):
            getattr(self, name)[better] = values[pick]
        self.case[better] = number
        on = np.flatnonzero(rows.crossing >= 0)
        order = on[np.lexsort((rows.part[on], margin[on], rows.crossing[on]))]
        crossing, first = np.unique(rows.crossing[order], return_index=True)
        pick = order[first]
        old = self.crossing_margin_m[crossing]
        less = ~(old <= margin[pick])
        crossing, pick = crossing[less], pick[less]
        self.crossing_margin_m[crossing] = margin[pick]
        self.crossing_required_m[crossing] = required[pick]
        self.crossing_available_m[crossing] = available[pick]
        self.crossing_case[crossing] = number
        self.crossing_part[crossing] = rows.part[pick]


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
        margins.available_m[who] = available[row]
        margins.part[who], margins.crossing[who] = ceilings.part[row], ceilings.crossing[row]
