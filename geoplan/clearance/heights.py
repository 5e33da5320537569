"""Heights and sag of all air spans at once: the most sag that keeps every clearance.

Enters: air spans, their ends, points to keep clear, power above, wire and load cases.
Leaves: `Hung`: heights, unstressed length and sag, or the miss.
Does not do: weigh one air span against another.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from geoplan.clearance.demands import Demands
from geoplan.clearance.hung import BoolArray, Hung
from geoplan.clearance.lengths import (
    Figures,
    Hanging,
    find_figures,
    held_still,
    least_length_held,
    most_length,
)
from geoplan.clearance.misses import find_misses, power_excess
from geoplan.clearance.places import Places, allowed_sag, lean_of, least_by_air, least_spare
from geoplan.clearance.required import Ceilings, Rows, build_ceilings, build_places
from geoplan.clearance.supports import Ends, Supports, find_ends
from geoplan.clearance.yielding import Yielding, find_yielding
from geoplan.project import Heights, Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards
from geoplan.verdicts import Forbidden

LEAST_SAG_SHARE = 4e-3
ROUNDING_M = 1e-9
"""Heights that differ by less are not told apart when a level is skipped."""
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
    where it is inclined a little more toward the upper end (see `lean_of`). What the catenary adds
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
    places = build_places(air, crossings, ends, demands, supports)
    ceilings = build_ceilings(air, crossings, ends, demands, supports)
    ceilings = replace(
        ceilings, power_m=ceilings.power_m - (lift[ceilings.air] * (1 - ceilings.part))
    )
    count, span = len(air), air.length_m
    figures = find_figures(standards)
    chosen = _Chosen(ends, yielding)
    open_, hopeful = np.arange(count, dtype=np.int64), np.ones(count, dtype=bool)
    for number, (hook, attachment) in enumerate(LEVELS):
        if number == 1:
            highest = _highest(ends, yielding, open_, span)
            under = _some_places(places, open_, count)
            hopeful[open_] = _is_hopeful(highest, under, figures, heights)
        hoped = open_[hopeful[open_]]
        rows = hoped[_differs(ends, hoped, hook=hook, attachment=attachment)]
        if len(rows) == 0:
            continue
        start = (ends.start_high_m if hook else ends.start_usual_m)[rows]
        end = (ends.end_high_m if attachment else ends.end_usual_m)[rows]
        hanging = Hanging(
            span[rows],
            ends.start_ground_m[rows] + start,
            ends.end_ground_m[rows] + end,
            yielding if len(rows) == count else yielding.take(rows),
        )
        sags = _allowed_sags(hanging, _some_places(places, rows, count), figures, heights)
        clear = np.flatnonzero(_is_clear(sags, hanging.span_m))
        kept = hanging.take(clear)
        share = heights.max_sag_share
        length = most_length(kept, sags[:, clear], figures, share, LEAST_SAG_SHARE)
        enough = length >= least_length_held(kept, figures, heights.max_clamp_shift)
        clear, length = clear[enough], length[enough]
        below = _is_below_power(hanging, _some_ceilings(ceilings, rows, count), heights)
        chosen.power_blocks[rows[clear]] |= ~below[clear]
        done, length = clear[below[clear]], length[below[clear]]
        chosen.note(rows[done], start[done], end[done], length)
        chosen.hook_is_raised[rows[done]] = hook
        chosen.attachment_is_raised[rows[done]] = attachment
        open_ = open_[chosen.is_open[open_]]
    if len(open_):
        _note_misses(chosen, open_, ends, places, ceilings, span, figures, standards, heights)
    chosen.forbidden[~ends.has_room] |= int(Forbidden.POLE_SPACE)
    return chosen.hung(ends, yielding)


def _differs(ends: Ends, rows: IntArray, *, hook: bool, attachment: bool) -> BoolArray:
    """Tell where a level is not one that was tried before under another name."""
    differs = np.ones(len(rows), dtype=bool)
    if hook:
        differs &= ends.start_high_m[rows] != ends.start_usual_m[rows]
    if attachment:
        differs &= ends.end_high_m[rows] != ends.end_usual_m[rows]
    return differs


def _highest(ends: Ends, yielding: Yielding, rows: IntArray, span: FloatArray) -> Hanging:
    """Return some air spans at their highest heights."""
    return Hanging(
        span[rows],
        (ends.start_ground_m + ends.start_high_m)[rows],
        (ends.end_ground_m + ends.end_high_m)[rows],
        yielding.take(rows),
    )


def _is_hopeful(
    highest: Hanging, places: list[Places], figures: Figures, heights: Heights
) -> BoolArray:
    """Tell where the highest chord is above all that is asked for; a lower one never is else."""
    count = len(highest.span_m)
    hopeful = np.ones(count, dtype=bool)
    level = np.zeros(count)
    for number, case in enumerate(figures.clearance):
        chord = highest.chord(number, level)
        for part in places:
            spare = least_spare(part, chord, case.fraction, heights.clearance_margin)
            hopeful[part.air[spare < -ROUNDING_M]] = False
    return hopeful


class _Chosen:
    """What is chosen, by air span; the highest heights until lower ones are found to do."""

    def __init__(self, ends: Ends, yielding: Yielding) -> None:
        count = len(ends.start_high_m)
        self.yielding = yielding
        self.start_m, self.end_m = ends.start_high_m.copy(), ends.end_high_m.copy()
        self.hook_is_raised = np.ones(count, dtype=bool)
        self.attachment_is_raised = np.ones(count, dtype=bool)
        self.length_m = np.zeros(count)
        self.is_open = np.ones(count, dtype=bool)
        self.power_blocks = np.zeros(count, dtype=bool)
        self.forbidden = np.zeros(count, dtype=np.int64)
        self.miss_m, self.miss_part = np.full(count, np.nan), np.full(count, np.nan)
        self.miss_crossing = np.full(count, -1, dtype=np.int64)

    def note(self, rows: IntArray, start: FloatArray, end: FloatArray, length: FloatArray) -> None:
        """Note heights that work."""
        self.start_m[rows], self.end_m[rows], self.length_m[rows] = start, end, length
        self.is_open[rows] = False

    def hung(self, ends: Ends, yielding: Yielding) -> Hung:
        """Return the outcome."""
        return Hung(
            ends.start_ground_m,
            ends.end_ground_m,
            self.start_m,
            self.end_m,
            self.hook_is_raised,
            self.attachment_is_raised,
            self.length_m,
            self.forbidden,
            self.miss_m,
            self.miss_part,
            self.miss_crossing,
            ends.is_assumed,
            ends.ground_is_known,
            yielding.stringing_give_m_per_n,
        )


def _note_misses(
    chosen: _Chosen,
    rows: IntArray,
    ends: Ends,
    places: list[Places],
    ceilings: Ceilings,
    span: FloatArray,
    figures: Figures,
    standards: Standards,
    heights: Heights,
) -> None:
    """Note by how much and where air spans fail whose highest heights don't do."""
    count = len(span)
    hanging = _highest(ends, chosen.yielding, rows, span)
    misses = find_misses(
        hanging,
        least_length_held(hanging, figures, heights.max_clamp_shift),
        LEAST_SAG_SHARE * hanging.span_m,
        _some_places(places, rows, count),
        _some_ceilings(ceilings, rows, count),
        figures,
        standards,
        heights,
    )
    chosen.length_m[rows] = misses.length_m
    chosen.miss_m[rows], chosen.miss_part[rows] = misses.miss_m, misses.part
    chosen.miss_crossing[rows] = misses.crossing
    chosen.forbidden[rows] = np.where(
        chosen.power_blocks[rows],
        int(Forbidden.POWER),
        np.where(misses.by_tension, int(Forbidden.TENSION), int(Forbidden.CLEARANCE)),
    )


def _some_places(places: list[Places], some: IntArray, count: int) -> list[Places]:
    return [part.of(some, count) for part in places]


def _some_ceilings(ceilings: Ceilings, some: IntArray, count: int) -> Ceilings:
    """Keep the power above some air spans, renumbered."""
    if len(some) == count or len(ceilings.air) == 0:
        return ceilings
    place = np.full(count, -1, dtype=np.int64)
    place[some] = np.arange(len(some))
    keep = np.flatnonzero(place[ceilings.air] >= 0)
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
) -> Tried:
    """Try one pair of heights for each of n air spans whose ends are held still.

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

    Returns
    -------
    Tried
        The most length that keeps every clearance with the margin, and whether there is any.
    """
    places = Places(
        rows.air, rows.part[None], rows.base_m[None], rows.required_m[None], rows.crossing
    )
    figures = find_figures(standards)
    hanging = Hanging(span, low, high, held_still(len(span), standards))
    sags = _allowed_sags(hanging, [places], figures, heights)
    length = most_length(hanging, sags, figures, heights.max_sag_share, LEAST_SAG_SHARE)
    below = _is_below_power(hanging, ceilings, heights)
    return Tried(length, _is_clear(sags, span), below)


def _allowed_sags(
    hanging: Hanging, places: list[Places], figures: Figures, heights: Heights
) -> FloatArray:
    """Return the most sag that clearances allow, by case (rows) and air span."""
    count = len(hanging.span_m)
    lean = lean_of(hanging.span_m, hanging.rise_m)
    sags = np.full((len(figures.clearance), count), np.inf)
    for number, case in enumerate(figures.clearance):
        chord = hanging.chord(number, lean)
        for part in places:
            sag = allowed_sag(part, chord, case.fraction, heights.clearance_margin)
            np.minimum(sags[number], least_by_air(part, sag, count), out=sags[number])
    return sags


def _is_clear(sags: FloatArray, span: FloatArray) -> BoolArray:
    """Tell which air spans keep every clearance at some sag that a wire can have."""
    return np.asarray((sags >= LEAST_SAG_SHARE * span).all(axis=0))


def _is_below_power(hanging: Hanging, ceilings: Ceilings, heights: Heights) -> BoolArray:
    below = np.ones(len(hanging.span_m), dtype=bool)
    over = power_excess(hanging, ceilings, heights) > 0
    below[ceilings.air[over]] = False
    return below


def least_length(span: FloatArray, rise: FloatArray, standards: Standards) -> FloatArray:
    """Return the least unstressed length at the stringing temperature that the limits allow.

    Parameters
    ----------
    span, rise : ndarray of float64, shape (n,)
        Horizontal length and height difference of the ends, which are held still, in metres.
    standards : Standards
        Wire, load cases for tension and their limits.

    Returns
    -------
    ndarray of float64, shape (n,)
        In metres; infinite where the wire's own load exceeds a limit whatever the sag.
    """
    hanging = Hanging(span, np.zeros(len(span)), rise, held_still(len(span), standards))
    return least_length_held(hanging, find_figures(standards), 0.0)
