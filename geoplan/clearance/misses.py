"""By how much and where air spans fail for which no heights work.

Enters: air spans at their highest heights, points to keep clear, power above, load cases.
Leaves: `Misses`.
Does not do: choose heights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.clearance.hung import BoolArray
from geoplan.clearance.lengths import Figures, Hanging
from geoplan.clearance.places import Places, add_lack, lean_of, worst_by_air
from geoplan.clearance.required import Ceilings
from geoplan.clearance.yielding import shortened
from geoplan.mechanics import solve_catenary, solve_weather
from geoplan.project import Heights
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards

GIVE_STEPS = 5


@dataclass(frozen=True)
class Misses:
    """How air spans fail; arrays of shape (n,)."""

    length_m: FloatArray
    """The least that the wire can bear; a little over the chord where it can bear none."""
    miss_m: FloatArray
    """NaN where nothing but tension is in the way."""
    part: FloatArray
    crossing: IntArray
    by_tension: BoolArray
    """Whether the wire cannot bear its load at any sag, or only at more sag than is allowed."""


def find_misses(
    hanging: Hanging,
    least: FloatArray,
    least_sag: FloatArray,
    places: list[Places],
    ceilings: Ceilings,
    figures: Figures,
    standards: Standards,
    heights: Heights,
) -> Misses:
    """Find by how much and where air spans fail at the least sag.

    Parameters
    ----------
    hanging : Hanging
        n air spans at their highest heights.
    least, least_sag : ndarray of float64, shape (n,)
        Least unstressed length that the limits allow, infinite for none; least sag that a wire
        is taken to have; in metres.
    places : list of Places
        Points to keep clear.
    ceilings : Ceilings
        Power above.
    figures : Figures
        Of the standards.
    standards : Standards
        Wire and load cases for clearance.
    heights : Heights
        Margin.

    Returns
    -------
    Misses
        By air span.
    """
    span, rise = hanging.span_m, hanging.rise_m
    bearable = np.isfinite(least)
    length = np.where(bearable, least, np.hypot(span, rise) * 1.001)
    lean = lean_of(span, rise)
    lacks = [np.full(below.base_m.shape, -np.inf) for below in places]
    for number, case in enumerate(standards.clearance):
        chord = hanging.chord(number, lean)
        give = hanging.yielding.clearance_give_m_per_n[:, number]
        sag = _yielding_sag(span, chord.climb_m, length, give, (number, figures), standards)
        sag = np.maximum(sag, least_sag)
        for lack, below in zip(lacks, places, strict=True):
            add_lack(lack, below, chord, sag, (case.fraction, heights.clearance_margin))
    worst, part, crossing = worst_by_air(places, lacks, len(span))
    over = power_excess(hanging, ceilings, heights)
    excess = np.full(len(span), -np.inf)
    np.maximum.at(excess, ceilings.air, np.nan_to_num(over, nan=-np.inf))
    by_power = (worst <= 0) & (excess > 0)
    lead = np.flatnonzero((over > 0) & by_power[ceilings.air] & (over >= excess[ceilings.air]))
    part[ceilings.air[lead]] = ceilings.part[lead]
    crossing[ceilings.air[lead]] = ceilings.crossing[lead]
    by_tension = ~bearable | ((worst <= 0) & ~by_power)
    missed = np.where(by_power, excess, np.maximum(worst, 0.0))
    return Misses(length, np.where(by_tension, np.nan, missed), part, crossing, by_tension)


def power_excess(hanging: Hanging, ceilings: Ceilings, heights: Heights) -> FloatArray:
    """Return how far the chord is too high under each power line.

    Parameters
    ----------
    hanging : Hanging
        n air spans.
    ceilings : Ceilings
        Power above them, m lines.
    heights : Heights
        Margin.

    Returns
    -------
    ndarray of float64, shape (m,)
        In metres; NaN where the rules hold no figure.
    """
    chord = hanging.low_m[ceilings.air] + ceilings.part * hanging.rise_m[ceilings.air]
    return np.asarray(chord + ceilings.separation_m + heights.clearance_margin - ceilings.power_m)


def _yielding_sag(
    span: FloatArray,
    rise: FloatArray,
    length: FloatArray,
    give: FloatArray,
    numbered: tuple[int, Figures],
    standards: Standards,
) -> FloatArray:
    """Return the sag of a known length in a clearance case, the clamp giving way to its pull."""
    number, figures = numbered
    case = standards.clearance[number].case
    load, growth = figures.clearance[number].load_n_per_m, figures.clearance[number].growth
    is_still = not np.any(case.wind_pa)

    def sag_of(some: IntArray, moved: FloatArray) -> FloatArray:
        if is_still:
            hot = length[some] * growth
            return solve_catenary(moved, rise[some], hot, load, figures.stiffness_n).sag_m
        state = solve_weather(
            moved, rise[some], length[some], standards.stringing_c, standards.wire, case
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
