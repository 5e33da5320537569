"""Heights and sag of all air spans at once: the most sag that keeps every clearance.

Enters: air spans, their ends, points to keep clear, power above, wire and load cases.
Leaves: `Hung`: heights, unstressed length and sag, or the miss.
Does not do: weigh one air span against another.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from geoplan.clearance.demands import Demands
from geoplan.clearance.hung import BoolArray, Hung
from geoplan.clearance.required import YARD_STEP, Ceilings, Rows, build_ceilings, build_rows
from geoplan.clearance.shared_spans import MOST_GIVE_SHARE
from geoplan.clearance.supports import Ends, Supports, find_ends
from geoplan.clearance.yielding import Yielding, find_yielding, shortened
from geoplan.mechanics import (
    length_from_horizontal_tension,
    length_from_max_tension,
    length_from_sag,
    load_wire,
    solve_weather,
)
from geoplan.project import Heights, Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import ClearanceCase, Standards
from geoplan.verdicts import Forbidden

GUARD_M = 0.005
"""Kept beside the margin, for the parabola that stands in for the catenary between points."""
LEAST_BOW = 1e-6
"""With less, a place is at an end of the wire, where any sag hangs at the chord."""
GIVE_STEPS = 5
LEAST_SAG_SHARE = 4e-3
MOST_SAG_SHARE = 0.25
LEVELS = ((False, False), (True, False), (False, True), (True, True))
"""Whether hook and attachment are raised, in the order in which they are tried."""


@dataclass(frozen=True)
class Tried:
    """Outcome of one pair of heights, by air span."""

    length_m: FloatArray
    """Most unstressed length at the stringing temperature that keeps all clearances."""
    is_clear: BoolArray
    is_below_power: BoolArray


def choose_heights(
    air: AirSpans,
    crossings: Crossings,
    index: PlantIndex,
    supports: Supports,
    demands: Demands,
    standards: Standards,
    project: Project,
) -> Hung:
    """Choose hook and attachment heights and sag for n air spans.

    Parameters
    ----------
    air : AirSpans
        Candidate air spans.
    crossings : Crossings
        What they meet; ``air`` counts from 0.
    index : PlantIndex
        Rows of the layers.
    supports : Supports
        Heights that poles, strands and buildings allow.
    demands : Demands
        What has to be kept clear.
    standards : Standards
        Wire, load cases and limits.
    project : Project
        Settings.

    Returns
    -------
    Hung
        The first pair of heights that works, in the order of `LEVELS`, with the most sag that
        keeps every clearance in every load case with the margin, and never more than the set
        part of the span. Where none works, the highest pair with the miss.

    Notes
    -----
    At a place u along the span a wire of greatest sag D hangs 4 u (1 - u) D below its chord, and
    where it is inclined a little more toward the upper end (see `_lean`). What the catenary adds
    to that is within the guard for sags up to 6 % of 60 m; beyond, it is up to 20 mm at 10 %. So
    each point allows a sag in closed form, the least of them rules, and the catenary turns it
    into an unstressed length. The tension limits ask for a least unstressed length. Power above
    is compared with the chord, above which no wire can be.
    """
    heights = project.heights
    sink = heights.clamp_settlement
    ends = find_ends(air, index, supports, sink)
    lift = np.where(air.span >= 0, sink, 0.0)  # power is met by a clamp that has not sunk
    yielding = find_yielding(air, index, supports, project, standards)
    rows = build_rows(air, crossings, ends, demands, supports)
    ceilings = build_ceilings(air, crossings, ends, demands, supports)
    ceilings = replace(
        ceilings, power_m=ceilings.power_m - (lift[ceilings.air] * (1 - ceilings.part))
    )
    count = len(air)
    span = air.length_m
    result = _blank(ends, count)
    result["give_m_per_n"] = yielding.stringing_give_m_per_n
    least = np.zeros(count)
    open_rows = np.arange(count, dtype=np.int64)
    power_blocks = np.zeros(count, dtype=bool)
    for hook, attachment in LEVELS:
        if len(open_rows) == 0:
            break
        start = np.where(hook, ends.start_high_m, ends.start_usual_m)[open_rows]
        end = np.where(attachment, ends.end_high_m, ends.end_usual_m)[open_rows]
        low, high = ends.start_ground_m[open_rows] + start, ends.end_ground_m[open_rows] + end
        tried = try_heights(
            span[open_rows],
            low,
            high,
            _some_rows(rows, open_rows, count),
            _some_ceilings(ceilings, open_rows, count),
            standards,
            heights,
            yielding.take(open_rows),
        )
        least[open_rows] = np.maximum(
            least_length(span[open_rows], high - low, standards, yielding.take(open_rows)),
            _length_at_shift(
                span[open_rows],
                high - low,
                yielding.stringing_give_m_per_n[open_rows],
                heights.max_clamp_shift,
                standards,
            ),
        )
        enough = tried.length_m >= least[open_rows]
        clear = tried.is_clear & enough
        power_blocks[open_rows] |= clear & ~tried.is_below_power
        done = clear & tried.is_below_power
        for name, value in (
            ("start_m", start),
            ("end_m", end),
            ("length_m", np.where(done, tried.length_m, least[open_rows])),
        ):
            result[name][open_rows] = value
        result["hook_is_raised"][open_rows] = hook
        result["attachment_is_raised"][open_rows] = attachment
        open_rows = open_rows[~done]
    forbidden = np.zeros(count, dtype=np.int64)
    if len(open_rows):
        by_tension = _note_misses(
            result,
            open_rows,
            span,
            _some_rows(rows, open_rows, count),
            _some_ceilings(ceilings, open_rows, count),
            standards,
            heights,
            yielding.take(open_rows),
        )
        forbidden[open_rows] = np.where(
            power_blocks[open_rows],
            int(Forbidden.POWER),
            np.where(by_tension, int(Forbidden.TENSION), int(Forbidden.CLEARANCE)),
        )
    forbidden[~ends.has_room] |= int(Forbidden.POLE_SPACE)
    return Hung(**result, forbidden=forbidden)


def _blank(ends: Ends, count: int) -> dict[str, Any]:
    return {
        "start_ground_m": ends.start_ground_m,
        "end_ground_m": ends.end_ground_m,
        "start_m": np.zeros(count),
        "end_m": np.zeros(count),
        "hook_is_raised": np.zeros(count, dtype=bool),
        "attachment_is_raised": np.zeros(count, dtype=bool),
        "length_m": np.zeros(count),
        "miss_m": np.full(count, np.nan),
        "miss_part": np.full(count, np.nan),
        "miss_crossing": np.full(count, -1, dtype=np.int64),
        "height_is_assumed": ends.is_assumed,
        "ground_is_known": ends.ground_is_known,
        "give_m_per_n": np.zeros(count),
    }


def _some_rows(rows: Rows, some: IntArray, count: int) -> Rows:
    """Keep the points of some air spans, renumbered."""
    if len(some) == count:
        return rows
    place = np.full(count, -1, dtype=np.int64)
    place[some] = np.arange(len(some))
    keep = place[rows.air] >= 0
    air = place[rows.air[keep]]
    return Rows(
        air,
        rows.part[keep],
        rows.base_m[keep],
        rows.required_m[keep],
        rows.crossing[keep],
        np.searchsorted(air, np.arange(len(some) + 1)).astype(np.int64),
    )


def _some_ceilings(ceilings: Ceilings, some: IntArray, count: int) -> Ceilings:
    place = np.full(count, -1, dtype=np.int64)
    place[some] = np.arange(len(some))
    keep = place[ceilings.air] >= 0
    values = {field.name: getattr(ceilings, field.name)[keep] for field in fields(Ceilings)}
    values["air"] = place[values["air"]]
    return Ceilings(**values)


def try_heights(
    span: FloatArray,
    low: FloatArray,
    high: FloatArray,
    rows: Rows,
    ceilings: Ceilings,
    standards: Standards,
    heights: Heights,
    yielding: Yielding | None = None,
) -> Tried:
    """Try one pair of heights for each of n air spans.

    Parameters
    ----------
    span, low, high : ndarray of float64, shape (n,)
        Horizontal length, and elevation of start and end, in metres.
    rows : Rows
        Points to keep clear.
    ceilings : Ceilings
        Power above.
    standards : Standards
        Wire and load cases for clearance.
    heights : Heights
        Margin and most sag.
    yielding : Yielding, optional
        How span clamps give way; by default both ends are held still.

    Returns
    -------
    Tried
        The most length that keeps every clearance with the margin, and whether there is any.
    """
    rise = high - low
    bow = 4 * rows.part * (1 - rows.part)
    guard = np.where(bow > LEAST_BOW, GUARD_M, 0.0)
    between = (rows.crossing < 0) & (rows.part < 1.0)  # lowest between two points, by this much
    bow = bow + np.where(between, YARD_STEP**2, 0.0)
    lean = _lean(span, rise)[rows.air] * (2 * rows.part - 1)
    wire = standards.wire
    clear = np.ones(len(span), dtype=bool)
    most = _length_at_sag(
        span,
        rise,
        heights.max_sag_share * span,
        standards.entry.weight_n_per_m,
        None if yielding is None else yielding.stringing_give_m_per_n,
        standards,
    )
    for number, case in enumerate(standards.clearance):
        sunk = low if yielding is None else low - yielding.clearance_sink_m[:, number]
        chord = sunk[rows.air] + rows.part * (high - sunk)[rows.air]
        spare = (
            chord - rows.base_m - case.fraction * rows.required_m - heights.clearance_margin - guard
        )
        inner = bow > LEAST_BOW
        even = spare / np.where(inner, bow, 1.0)
        even = 2 * even / (1 + np.sqrt(np.maximum(1 + 4 * lean * even, 0.0)))
        allowed = np.where(inner, even, np.where(spare >= 0, np.inf, -np.inf))
        sag = np.minimum.reduceat(allowed, rows.first[:-1])
        clear &= sag >= LEAST_SAG_SHARE * span
        loads = load_wire(wire.weight_n_per_m, wire.diameter_m, case.case)
        length = _length_at_sag(
            span,
            high - sunk,
            np.clip(sag, LEAST_SAG_SHARE * span, MOST_SAG_SHARE * span),
            float(np.max(loads.vertical_n_per_m)),
            None if yielding is None else yielding.clearance_give_m_per_n[:, number],
            standards,
        )
        warmer = case.temperature_c - standards.stringing_c
        most = np.minimum(most, length / (1 + standards.entry.thermal_expansion_per_c * warmer))
    return Tried(most, clear, _is_below_power(low, rise, ceilings, heights, len(span)))


def _length_at_sag(
    span: FloatArray,
    rise: FloatArray,
    sag: FloatArray,
    weight: float,
    give: FloatArray | None,
    standards: Standards,
) -> FloatArray:
    """Return the unstressed length that hangs with a sag, the clamp giving way to its pull."""
    if give is not None:
        pull = weight * span * np.hypot(span, rise) / (8 * sag)
        span = shortened(span, pull, give)
    return np.asarray(length_from_sag(span, rise, sag, weight, standards.entry.stiffness_n))


def _is_below_power(
    low: FloatArray, rise: FloatArray, ceilings: Ceilings, heights: Heights, count: int
) -> BoolArray:
    below = np.ones(count, dtype=bool)
    over = _power_excess(low, rise, ceilings, heights) > 0
    below[ceilings.air[over]] = False
    return below


def _power_excess(
    low: FloatArray, rise: FloatArray, ceilings: Ceilings, heights: Heights
) -> FloatArray:
    """Return how far the chord is too high under each power line; NaN: no figure."""
    chord = low[ceilings.air] + ceilings.part * rise[ceilings.air]
    return np.asarray(chord + ceilings.separation_m + heights.clearance_margin - ceilings.power_m)


def least_length(
    span: FloatArray,
    rise: FloatArray,
    standards: Standards,
    yielding: Yielding | None = None,
) -> FloatArray:
    """Return the least unstressed length at the stringing temperature that the limits allow.

    Parameters
    ----------
    span, rise : ndarray of float64, shape (n,)
        Horizontal length and height difference of the ends, in metres.
    standards : Standards
        Wire, load cases for tension and their limits.
    yielding : Yielding, optional
        How span clamps give way; by default both ends are held still.

    Returns
    -------
    ndarray of float64, shape (n,)
        In metres; infinite where the wire's own load exceeds a limit whatever the sag.
    """
    wire = standards.wire
    least = np.zeros(len(span))
    for number, limit in enumerate(standards.tension):
        loads = load_wire(wire.weight_n_per_m, wire.diameter_m, limit.case)
        total = float(np.asarray(loads.total_n_per_m).max())
        bearable = limit.limit_n > 1.05 * total * (0.8 * span + np.abs(rise))
        length = np.full(len(span), np.inf)
        if bearable.any():
            moved = span
            if yielding is not None:
                pull = np.full(len(span), limit.limit_n)
                moved = shortened(span, pull, yielding.tension_give_m_per_n[:, number])
            length[bearable] = length_from_max_tension(
                moved[bearable], rise[bearable], limit.limit_n, total, wire.stiffness_n
            )
        warmer = limit.temperature_c - standards.stringing_c
        least = np.maximum(least, length / (1 + standards.entry.thermal_expansion_per_c * warmer))
    return least


def _length_at_shift(
    span: FloatArray, rise: FloatArray, give: FloatArray, shift_m: float, standards: Standards
) -> FloatArray:
    """Return the unstressed length at which the drop pulls its clamp as far as it may; 0: pole."""
    least = np.zeros(len(span))
    at = np.flatnonzero(give > 0)
    if len(at):
        shift = np.minimum(shift_m, MOST_GIVE_SHARE * span[at])
        least[at] = length_from_horizontal_tension(
            span[at] - shift,
            rise[at],
            shift / give[at],
            standards.entry.weight_n_per_m,
            standards.entry.stiffness_n,
        )
    return least


def _lean(span: FloatArray, rise: FloatArray) -> FloatArray:
    """Return how much, for each metre of sag, an inclined wire hangs lower near its upper end.

    At a place u the sag is 4 u (1 - u) D (1 + k D (2 u - 1)); this is k, 4 / 3 of slope over
    (1 + slope^2) span, the next term of the catenary after the parabola.
    """
    slope = rise / span
    return np.asarray(4 / 3 * slope / (1 + slope**2) / span)


def _yielding_sag(
    span: FloatArray,
    rise: FloatArray,
    length: FloatArray,
    give: FloatArray,
    standards: Standards,
    case: ClearanceCase,
) -> FloatArray:
    """Return the sag of a known length in a load case, the clamp giving way to its pull."""
    loads = load_wire(standards.wire.weight_n_per_m, standards.wire.diameter_m, case.case)
    load = float(np.max(loads.vertical_n_per_m))

    def sag_of(some: IntArray, moved: FloatArray) -> FloatArray:
        state = solve_weather(
            moved, rise[some], length[some], standards.stringing_c, standards.wire, case.case
        )
        return np.asarray(state.sag_m[:, 0])

    sag = sag_of(np.arange(len(span), dtype=np.int64), span)
    at = np.flatnonzero(give > 0).astype(np.int64)
    moved = span[at]
    for _ in range(GIVE_STEPS if len(at) else 0):
        pull = load * moved * np.hypot(moved, rise[at]) / (8 * sag[at])
        moved = (moved + shortened(span[at], pull, give[at])) / 2
        sag[at] = sag_of(at, moved)
    return sag


def _note_misses(
    result: dict[str, Any],
    some: IntArray,
    span: FloatArray,
    rows: Rows,
    ceilings: Ceilings,
    standards: Standards,
    heights: Heights,
    yielding: Yielding,
) -> BoolArray:
    """Work out by how much and where the highest heights fail at the least sag.

    Return where nothing but tension is in the way: the wire cannot bear its load at any sag, or
    only at more sag than is allowed.
    """
    low = (result["start_ground_m"] + result["start_m"])[some]
    rise = (result["end_ground_m"] + result["end_m"])[some] - low
    length = result["length_m"][some]
    bearable = np.isfinite(length)
    safe = np.where(bearable, length, np.hypot(span[some], rise) * 1.001)
    bow = 4 * rows.part * (1 - rows.part)
    guard = np.where(bow > LEAST_BOW, GUARD_M, 0.0)
    bow = bow + np.where((rows.crossing < 0) & (rows.part < 1.0), YARD_STEP**2, 0.0)
    lean = _lean(span[some], rise)[rows.air] * (2 * rows.part - 1)
    lack = np.full(len(rows.air), -np.inf)
    for number, case in enumerate(standards.clearance):
        sink = yielding.clearance_sink_m[:, number]
        give = yielding.clearance_give_m_per_n[:, number]
        sag = _yielding_sag(span[some], rise + sink, safe, give, standards, case)
        sag = np.maximum(sag, LEAST_SAG_SHARE * span[some])
        sunk = low - sink
        chord = sunk[rows.air] + rows.part * (rise + sink)[rows.air]
        need = rows.base_m + case.fraction * rows.required_m + heights.clearance_margin + guard
        lack = np.maximum(lack, need + bow * sag[rows.air] * (1 + lean * sag[rows.air]) - chord)
    worst = np.maximum.reduceat(lack, rows.first[:-1])
    order = np.lexsort((rows.part, -lack, rows.air))
    lead = order[rows.first[:-1]]
    part, crossing = rows.part[lead], rows.crossing[lead]
    over = _power_excess(low, rise, ceilings, heights)
    excess = np.full(len(some), -np.inf)
    np.maximum.at(excess, ceilings.air, np.nan_to_num(over, nan=-np.inf))
    by_power = (worst <= 0) & (excess > 0)
    for row in np.flatnonzero(over > 0):
        if by_power[ceilings.air[row]] and over[row] >= excess[ceilings.air[row]]:
            part[ceilings.air[row]] = ceilings.part[row]
            crossing[ceilings.air[row]] = ceilings.crossing[row]
    by_tension = ~bearable | ((worst <= 0) & ~by_power)
    missed = np.where(by_power, excess, np.maximum(worst, 0.0))
    result["miss_m"][some] = np.where(by_tension, np.nan, missed)
    result["miss_part"][some] = part
    result["miss_crossing"][some] = crossing
    result["length_m"][some] = safe
    return np.asarray(by_tension)
