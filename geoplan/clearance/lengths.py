"""Unstressed lengths that clearances and tension limits allow a wire between two heights.

Enters: air spans at known heights, the sag that clearances allow, load cases, limits.
Leaves: `Hanging` and `Figures`; the most and the least unstressed length.
Does not do: choose heights; look at places.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from geoplan.clearance.places import Chord
from geoplan.clearance.shared_spans import MOST_GIVE_SHARE
from geoplan.clearance.yielding import Yielding, shortened
from geoplan.mechanics import (
    LoadCase,
    length_from_horizontal_tension,
    length_from_max_tension,
    length_from_sag,
    load_wire,
)
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards

MOST_SAG_SHARE = 0.25


class Hanging(NamedTuple):
    """Wires between two heights; arrays with n rows."""

    span_m: FloatArray
    low_m: FloatArray
    """Elevation of the start, before any load sinks it."""
    high_m: FloatArray
    yielding: Yielding

    @property
    def rise_m(self) -> FloatArray:
        """Elevation of the end less that of the start."""
        return self.high_m - self.low_m

    def take(self, rows: IntArray) -> Hanging:
        """Return some rows."""
        return Hanging(
            self.span_m[rows], self.low_m[rows], self.high_m[rows], self.yielding.take(rows)
        )

    def chord(self, case: int, lean: FloatArray) -> Chord:
        """Return the chords in a clearance case."""
        sunk = self.low_m - self.yielding.clearance_sink_m[:, case]
        return Chord(sunk, self.high_m - sunk, lean)


class ClearanceFigures(NamedTuple):
    """What a clearance case comes to for the wire."""

    fraction: float
    load_n_per_m: float
    growth: float
    """Unstressed length in the case over that at stringing."""


class TensionFigures(NamedTuple):
    """What a tension case comes to for the wire."""

    limit_n: float
    load_n_per_m: float
    growth: float


class Figures(NamedTuple):
    """What the load cases come to for the wire, worked out once."""

    weight_n_per_m: float
    stiffness_n: float
    clearance: tuple[ClearanceFigures, ...]
    tension: tuple[TensionFigures, ...]


def find_figures(standards: Standards) -> Figures:
    """Work out what the load cases come to for the wire.

    Parameters
    ----------
    standards : Standards
        Wire and load cases.

    Returns
    -------
    Figures
        In the order of the cases.
    """
    entry = standards.entry

    def growth(temperature_c: float) -> float:
        warmer = temperature_c - standards.stringing_c
        return 1 + entry.thermal_expansion_per_c * warmer

    weight, width = entry.weight_n_per_m, entry.width_m
    clearance = tuple(
        ClearanceFigures(
            case.fraction, _loads(weight, width, case.case)[0], growth(case.temperature_c)
        )
        for case in standards.clearance
    )
    tension = tuple(
        TensionFigures(
            limit.limit_n, _loads(weight, width, limit.case)[1], growth(limit.temperature_c)
        )
        for limit in standards.tension
    )
    return Figures(weight, entry.stiffness_n, clearance, tension)


@lru_cache(maxsize=64)
def _loads(weight_n_per_m: float, width_m: float, case: LoadCase) -> tuple[float, float]:
    """Return the vertical and the total load of the wire in a load case."""
    loads = load_wire(weight_n_per_m, width_m, case)
    return float(loads.vertical_n_per_m), float(loads.total_n_per_m)


def held_still(count: int, standards: Standards) -> Yielding:
    """Return the yielding of ends that don't.

    Parameters
    ----------
    count : int
        Number of air spans, n.
    standards : Standards
        Load cases.

    Returns
    -------
    Yielding
        All 0, n rows.
    """
    clear = np.zeros((count, len(standards.clearance)))
    return Yielding(clear, clear, np.zeros((count, len(standards.tension))), np.zeros(count))


def most_length(
    hanging: Hanging, sags: FloatArray, figures: Figures, most_share: float, least_share: float
) -> FloatArray:
    """Return the most unstressed length that keeps clearances and the set part of the span.

    Parameters
    ----------
    hanging : Hanging
        n air spans.
    sags : ndarray of float64, shape (c, n)
        Most sag that clearances allow, by clearance case, in metres.
    figures : Figures
        Of the standards.
    most_share, least_share : float
        Most sag as strung, and least sag in a clearance case, as parts of the span.

    Returns
    -------
    ndarray of float64, shape (n,)
        At the stringing temperature, in metres.
    """
    span, yielding = hanging.span_m, hanging.yielding
    strung = (
        span,
        hanging.rise_m,
        most_share * span,
        figures.weight_n_per_m,
        yielding.stringing_give_m_per_n,
    )
    cases = [
        (
            span,
            hanging.high_m - (hanging.low_m - yielding.clearance_sink_m[:, number]),
            np.minimum(np.maximum(sags[number], least_share * span), MOST_SAG_SHARE * span),
            case.load_n_per_m,
            yielding.clearance_give_m_per_n[:, number],
        )
        for number, case in enumerate(figures.clearance)
    ]
    lengths = _lengths_at_sag([strung, *cases], figures.stiffness_n)
    most: FloatArray = lengths[0]
    for case, length in zip(figures.clearance, lengths[1:], strict=True):
        most = np.minimum(most, length / case.growth)
    return most


_AtSag = tuple[FloatArray, FloatArray, FloatArray, float, FloatArray]


def _lengths_at_sag(cases: list[_AtSag], stiffness_n: float) -> FloatArray:
    """Return by case the unstressed lengths that hang with a sag, the clamps giving way.

    A case is span, rise, sag, weight and give.
    """
    count = len(cases[0][0])
    spans = []
    for span, rise, sag, weight, give in cases:
        pull = weight * span * np.sqrt(span * span + rise * rise) / (8 * sag)
        spans.append(shortened(span, pull, give))
    length = length_from_sag(
        np.concatenate(spans),
        np.concatenate([case[1] for case in cases]),
        np.concatenate([case[2] for case in cases]),
        np.repeat([case[3] for case in cases], count),
        np.full(count * len(cases), stiffness_n),
    )
    by_case: FloatArray = np.reshape(length, (len(cases), count))
    return by_case


def least_length_held(hanging: Hanging, figures: Figures, shift_m: float) -> FloatArray:
    """Return the least unstressed length that tension limits and the clamp's shift allow.

    Parameters
    ----------
    hanging : Hanging
        n air spans.
    figures : Figures
        Of the standards.
    shift_m : float
        How far the drop may pull its clamp, in metres.

    Returns
    -------
    ndarray of float64, shape (n,)
        At the stringing temperature, in metres; infinite where the wire's own load exceeds a
        limit whatever the sag.
    """
    return np.maximum(
        _length_at_limits(hanging, figures), _length_at_shift(hanging, figures, shift_m)
    )


def _length_at_limits(hanging: Hanging, figures: Figures) -> FloatArray:
    """Return the least unstressed length at which no load case exceeds its tension limit."""
    span, rise = hanging.span_m, hanging.rise_m
    least = np.zeros(len(span))
    rows, moved, limits, loads = [], [], [], []
    for number, case in enumerate(figures.tension):
        bearable = case.limit_n > 1.05 * case.load_n_per_m * (0.8 * span + np.abs(rise))
        least[~bearable] = np.inf
        rows.append(np.flatnonzero(bearable))
        pull = np.full(len(rows[-1]), case.limit_n)
        give = hanging.yielding.tension_give_m_per_n[rows[-1], number]
        moved.append(shortened(span[rows[-1]], pull, give))
        limits.append(pull)
        loads.append(np.full(len(pull), case.load_n_per_m))
    if not rows:
        return least
    length = length_from_max_tension(
        np.concatenate(moved),
        rise[np.concatenate(rows)],
        np.concatenate(limits),
        np.concatenate(loads),
        np.full(sum(len(some) for some in rows), figures.stiffness_n),
    )
    ends = np.cumsum([len(some) for some in rows])[:-1]
    for case, some, part in zip(figures.tension, rows, np.split(length, ends), strict=True):
        least[some] = np.maximum(least[some], part / case.growth)
    return least


def _length_at_shift(hanging: Hanging, figures: Figures, shift_m: float) -> FloatArray:
    """Return the unstressed length at which the drop pulls its clamp as far as it may; 0: pole."""
    span, give = hanging.span_m, hanging.yielding.stringing_give_m_per_n
    least = np.zeros(len(span))
    at = np.flatnonzero(give > 0)
    if len(at):
        shift = np.minimum(shift_m, MOST_GIVE_SHARE * span[at])
        least[at] = length_from_horizontal_tension(
            span[at] - shift,
            hanging.rise_m[at],
            shift / give[at],
            figures.weight_n_per_m,
            figures.stiffness_n,
        )
    return least
