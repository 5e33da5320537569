"""Places along air spans at which a clearance has to hold, in columns, and the sag they allow.

Enters: places with the ground or roof below, the clearance required there, heights of the wire.
Leaves: `Places`; the most sag that each column allows; what a sag lacks.
Does not do: lay the places out; the catenary.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from geoplan.routes.segments import FloatArray, IntArray

YARD_STEP = 0.05
GUARD_M = 0.005
"""Kept beside the margin, for the parabola that stands in for the catenary between points."""
LEAST_BOW = 1e-6
"""With less, a place is at an end of the wire, where any sag hangs at the chord."""
BLOCK_COLUMNS = 2048
"""Columns worked on at once, so that they stay in the processor's cache."""


@dataclass(frozen=True)
class Places:
    """Places along air spans: a column of k for each of m yards or things passed over."""

    air: IntArray
    """Air span of each column, shape (m,)."""
    part: FloatArray
    """Place along the air span, 0 to 1; shape (k, m), or (k, 1) where all columns share it."""
    base_m: FloatArray
    """Elevation of what lies below, shape (k, m)."""
    required_m: FloatArray
    """Shape (k, m) or (1, 1)."""
    crossing: IntArray
    """Row of the crossing, shape (m,); -1 for the yard."""

    def __len__(self) -> int:
        """Count the columns."""
        return len(self.air)

    def take(self, columns: IntArray | slice, air: IntArray) -> Places:
        """Return some columns, with other numbers for their air spans."""
        return Places(
            air,
            _columns(self.part, columns, len(self)),
            self.base_m[:, columns],
            _columns(self.required_m, columns, len(self)),
            self.crossing[columns],
        )

    def of(self, some: IntArray, count: int) -> Places:
        """Return the columns of some of `count` air spans, renumbered in their order."""
        if len(some) == count:
            return self
        place = np.full(count, -1, dtype=np.int64)
        place[some] = np.arange(len(some))
        air = place[self.air]
        keep = np.flatnonzero(air >= 0)
        return self.take(keep, air[keep])

    def blocks(self) -> Iterator[tuple[slice, Places]]:
        """Cut the columns into blocks."""
        for start in range(0, len(self), BLOCK_COLUMNS):
            rows = slice(start, start + BLOCK_COLUMNS)
            yield rows, self.take(rows, self.air[rows])


def _columns(values: FloatArray, columns: IntArray | slice, count: int) -> FloatArray:
    return values if values.shape[1] != count else values[:, columns]


class Chord(NamedTuple):
    """Chords of n wires in one load case; arrays of shape (n,)."""

    low_m: FloatArray
    """Elevation of the start, sunk as the case has it."""
    climb_m: FloatArray
    """Elevation of the end less that."""
    lean: FloatArray
    """See `lean_of`."""


def lean_of(span: FloatArray, rise: FloatArray) -> FloatArray:
    """Return how much, for each metre of sag, an inclined wire hangs lower near its upper end.

    Parameters
    ----------
    span, rise : ndarray of float64, shape (n,)
        Horizontal length and height difference of the ends, in metres.

    Returns
    -------
    ndarray of float64, shape (n,)
        Per metre.

    Notes
    -----
    At a place u the sag is 4 u (1 - u) D (1 + k D (2 u - 1)); this is k, 4 / 3 of slope over
    (1 + slope^2) span, the next term of the catenary after the parabola.
    """
    slope = rise / span
    return np.asarray(4 / 3 * slope / (1 + slope**2) / span)


def _bow(places: Places) -> tuple[FloatArray, FloatArray]:
    """Return how far wires hang at places for each metre of sag, and the guard there.

    A yard's places stand for those between, over which the wire is lower by a little.
    """
    bow = 4 * places.part * (1 - places.part)
    guard = np.where(bow > LEAST_BOW, GUARD_M, 0.0)
    kind = places.crossing if len(places) == places.part.shape[1] else places.crossing[:1]
    between = np.where((places.part < 1.0) & (kind < 0), YARD_STEP**2, 0.0)
    return bow + between, guard


def allowed_sag(places: Places, chord: Chord, fraction: float, margin_m: float) -> FloatArray:
    """Return the most sag that each column of places allows.

    Parameters
    ----------
    places : Places
        m columns.
    chord : Chord
        Of the air spans that they number.
    fraction : float
        Part of the required clearance that the load case asks for.
    margin_m : float
        Kept beside it.

    Returns
    -------
    ndarray of float64, shape (m,)
        In metres; below zero where the chord itself is too low, infinite where any sag will do.
    """
    most = np.empty(len(places))
    for rows, block in places.blocks():
        bow, guard = _bow(block)
        spare = _spare(block, guard, chord, fraction, margin_m)
        inner = bow > LEAST_BOW
        even = spare / np.where(inner, bow, 1.0)
        root = (4 * chord.lean[block.air]) * (2 * block.part - 1)
        root *= even
        root += 1
        root = np.sqrt(np.maximum(root, 0.0, out=root), out=root)
        root += 1
        even *= 2
        even /= root
        outer = np.flatnonzero(~inner.all(axis=1))  # any sag hangs at the chord there
        if len(outer):
            held = np.where(spare[outer] >= 0, np.inf, -np.inf)
            even[outer] = np.where(inner[outer], even[outer], held)
        most[rows] = even.min(axis=0)
    return most


def _spare(
    block: Places, guard: FloatArray, chord: Chord, fraction: float, margin_m: float
) -> FloatArray:
    """Return how far the chord is above what each place asks for."""
    low, climb = chord.low_m[block.air], chord.climb_m[block.air]
    spare = low + block.part * climb
    spare -= block.base_m
    spare -= fraction * block.required_m
    spare -= margin_m
    spare -= guard
    return spare


def least_spare(places: Places, chord: Chord, fraction: float, margin_m: float) -> FloatArray:
    """Return how far the chord is above what each column of places asks for at least.

    Parameters
    ----------
    places : Places
        m columns.
    chord, fraction, margin_m : Chord, float, float
        As for `allowed_sag`.

    Returns
    -------
    ndarray of float64, shape (m,)
        In metres; where it is below zero, no sag of this chord or a lower one will do.
    """
    least = np.empty(len(places))
    for rows, block in places.blocks():
        _, guard = _bow(block)
        least[rows] = _spare(block, guard, chord, fraction, margin_m).min(axis=0)
    return least


def least_by_air(places: Places, values: FloatArray, count: int) -> FloatArray:
    """Return the least value of each air span's columns; infinite without any.

    Parameters
    ----------
    places : Places
        m columns.
    values : ndarray of float64, shape (m,)
        One for each.
    count : int
        Number of air spans, n.

    Returns
    -------
    ndarray of float64, shape (n,)
        NaN where one of the values is.
    """
    least = np.full(count, np.inf)
    np.minimum.at(least, places.air, values)
    return least


def add_lack(
    lack: FloatArray, places: Places, chord: Chord, sag: FloatArray, asked: tuple[float, float]
) -> None:
    """Raise the lack at places to what wires of known sag lack there.

    Parameters
    ----------
    lack : ndarray of float64, shape (k, m)
        Worst so far, in metres; changed in place.
    places : Places
        m columns.
    chord : Chord
        Of the n air spans that they number.
    sag : ndarray of float64, shape (n,)
        In metres.
    asked : tuple of float
        Part of the required clearance that the load case asks for, and margin in metres.
    """
    fraction, margin_m = asked
    for rows, block in places.blocks():
        bow, guard = _bow(block)
        hung = sag[block.air]
        need = block.base_m + fraction * block.required_m + margin_m + guard
        lean = chord.lean[block.air] * (2 * block.part - 1)
        need += bow * hung * (1 + lean * hung)
        need -= chord.low_m[block.air] + block.part * chord.climb_m[block.air]
        np.maximum(lack[:, rows], need, out=lack[:, rows])


class Worst(NamedTuple):
    """Where air spans lack most; arrays of shape (n,)."""

    lack_m: FloatArray
    part: FloatArray
    crossing: IntArray


def worst_by_air(parts: list[Places], lacks: list[FloatArray], count: int) -> Worst:
    """Find the place of each air span that lacks most; of equal ones the first along it.

    Parameters
    ----------
    parts : list of Places
        Columns of the same n air spans.
    lacks : list of ndarray of float64, shape (k, m)
        What they lack, in metres.
    count : int
        Number of air spans, n.

    Returns
    -------
    Worst
        Of places equally far along, that of the first crossing.
    """
    columns = [lack.max(axis=0) for lack in lacks]
    worst = np.full(count, -np.inf)
    for places, column in zip(parts, columns, strict=True):
        np.maximum.at(worst, places.air, column)
    firsts = []
    part = np.full(count, np.inf)
    for places, lack, column in zip(parts, lacks, columns, strict=True):
        first = np.where(lack == column, places.part, np.inf).min(axis=0)
        first[column < worst[places.air]] = np.inf
        np.minimum.at(part, places.air, first)
        firsts.append(first)
    crossing = np.full(count, np.iinfo(np.int64).max)
    for places, first in zip(parts, firsts, strict=True):
        at = first == part[places.air]
        np.minimum.at(crossing, places.air[at], places.crossing[at])
    return Worst(worst, part, crossing)
