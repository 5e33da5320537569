"""Several drops on one strand span: each pulls the clamps of all.

Enters: clamps with their strand spans, drops of known sag or length.
Leaves: the air span of each drop when all of them hang.
Does not do: heights; single clamps, which `clamps` solves in full.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.mechanics import length_from_sag, solve_catenary
from geoplan.routes.segments import FloatArray, IntArray, expand

SWEEPS = 6
MOST_GIVE_SHARE = 0.3
"""A clamp is not taken to come nearer to the house than this part of its air span."""
HALVINGS = 18


@dataclass(frozen=True)
class SharedSpans:
    """Clamps that share their strand span with others, and how they move each other."""

    row: IntArray
    """Rows of the clamps, those of one strand span next to each other."""
    rank: IntArray
    """Number of each within its strand span."""
    first: IntArray
    second: IntArray
    """Pairs of clamps of one strand span, as places in `row`; each both ways."""
    bend_m: FloatArray
    """Shift of the first for a pull of the second: times pull over strand tension; signed."""
    own_bend_m: FloatArray
    lowering: FloatArray
    """How far the first sinks for each metre that the second sinks under its own drop."""


def find_shared_spans(
    span: IntArray, place_m: FloatArray, length_m: FloatArray, across: FloatArray
) -> SharedSpans:
    """Find clamps that share a strand span.

    Parameters
    ----------
    span : ndarray of int64, shape (n,)
        Strand span of each clamp.
    place_m, length_m : ndarray of float64, shape (n,)
        Place along the strand span, and its length, in metres.
    across : ndarray of float64, shape (n,)
        Sine of the angle between air span and strand, signed by the side of the house.

    Returns
    -------
    SharedSpans
        Empty where every clamp has its span to itself.

    Notes
    -----
    A taut string: a pull T square to it at x moves the place y <= x by T y (L - x) / (L H).
    """
    order = np.lexsort((np.arange(len(span)), place_m, span))
    _, counts = np.unique(span[order], return_counts=True)
    group, rank = expand(counts.astype(np.int64))
    many = counts[group] > 1
    row, rank, group = order[many].astype(np.int64), rank[many], group[many]
    size = counts[group] if len(group) else np.zeros(0, dtype=np.int64)
    first, offset = expand(size)
    start = np.arange(len(row)) - rank
    second = start[first] + offset
    a, b = row[first], row[second]
    low, high = np.minimum(place_m[a], place_m[b]), np.maximum(place_m[a], place_m[b])
    free = low * (length_m[a] - high) / length_m[a]
    bend = free * across[a] * across[b]
    own_free = place_m[b] * (length_m[b] - place_m[b]) / length_m[b]
    other = first != second
    own = np.zeros(len(row))
    own[first[~other]] = bend[~other]
    lowering = free / np.maximum(own_free, 1e-9)
    return SharedSpans(row, rank, first[other], second[other], bend[other], own, lowering[other])


def sink_by_others(shared: SharedSpans, alone_sink_m: FloatArray) -> FloatArray:
    """Return how much lower each clamp hangs for the other drops of its strand span.

    Parameters
    ----------
    shared : SharedSpans
        Clamps that share spans.
    alone_sink_m : ndarray of float64, shape (n,)
        How far each of all clamps sinks under its own drop, in metres.

    Returns
    -------
    ndarray of float64, shape (n,)
        In metres, never negative.
    """
    others = np.zeros(len(alone_sink_m))
    sink = np.maximum(alone_sink_m[shared.row], 0.0)
    others[shared.row] = np.bincount(
        shared.first, weights=shared.lowering * sink[shared.second], minlength=len(shared.row)
    )
    return others


def spans_at_sag(
    shared: SharedSpans,
    far_m: FloatArray,
    rise_m: FloatArray,
    sag_m: FloatArray,
    weight_n_per_m: float,
    stiffness_n: float,
    strand_n: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Find air spans and lengths of drops that all hang with given sags.

    Parameters
    ----------
    shared : SharedSpans
        Clamps that share spans, m of them; the other arrays are of shape (m,).
    far_m, rise_m, sag_m : ndarray of float64
        Air span before any drop pulls, height difference, sag wanted, in metres.
    weight_n_per_m, stiffness_n : float
        Of the wire.
    strand_n : ndarray of float64
        Horizontal tension of the strand.

    Returns
    -------
    air_span_m, length_m : ndarray of float64
        Air spans with all drops up, and unstressed lengths.
    """
    span = far_m.copy()
    for _ in range(SWEEPS):
        pull = weight_n_per_m * span * np.hypot(span, rise_m) / (8 * sag_m)
        span = _kept(far_m, _shift(shared, pull, strand_n) + shared.own_bend_m * pull / strand_n)
    return span, np.asarray(length_from_sag(span, rise_m, sag_m, weight_n_per_m, stiffness_n))


def spans_at_length(
    shared: SharedSpans,
    far_m: FloatArray,
    rise_m: FloatArray,
    length_m: FloatArray,
    weight_n_per_m: float,
    stiffness_n: float,
    strand_n: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Find air spans and tensions of drops of given unstressed lengths.

    Parameters
    ----------
    shared : SharedSpans
        Clamps that share spans, m of them; the other arrays are of shape (m,).
    far_m, rise_m, length_m : ndarray of float64
        Air span before any drop pulls, height difference, unstressed length, in metres.
    weight_n_per_m, stiffness_n : float
        Of the wire, with any ice.
    strand_n : ndarray of float64
        Horizontal tension of the strand.

    Returns
    -------
    air_span_m, tension_max_n : ndarray of float64
        With all drops up.

    Notes
    -----
    Drop by drop (Gauss-Seidel), each by bisection for its own span with the others' pulls held;
    a fixed number of sweeps, so that no span has a say in another's last digit.
    """
    span = np.maximum((1 - MOST_GIVE_SHARE) * far_m, np.minimum(far_m, length_m * 0.999))
    pull = np.zeros(len(span))
    ranks = [np.flatnonzero(shared.rank == k) for k in range(int(shared.rank.max(initial=-1)) + 1)]
    for _ in range(SWEEPS):
        for rows in ranks:
            target = far_m[rows] - _shift(shared, pull, strand_n)[rows]
            give = shared.own_bend_m[rows] / strand_n[rows]
            low, high = 0.5 * target, target.copy()
            for _ in range(HALVINGS):
                middle = (low + high) / 2
                force = _pull(middle, rise_m[rows], length_m[rows], weight_n_per_m, stiffness_n)
                is_short = middle + give * force < target
                low, high = np.where(is_short, middle, low), np.where(is_short, high, middle)
            span[rows] = (low + high) / 2
            pull[rows] = (target - span[rows]) / np.maximum(give, 1e-12)
    state = solve_catenary(span, rise_m, length_m, weight_n_per_m, stiffness_n)
    return span, np.asarray(state.tension_max_n)


def _pull(
    span: FloatArray, rise: FloatArray, length: FloatArray, weight: float, stiffness: float
) -> FloatArray:
    state = solve_catenary(np.maximum(span, 1e-3), rise, length, weight, stiffness)
    return np.asarray(state.horizontal_tension_n)


def _shift(shared: SharedSpans, pull: FloatArray, strand_n: FloatArray) -> FloatArray:
    """Return how much nearer to its house each clamp comes for the pulls of the others."""
    moved = shared.bend_m * pull[shared.second] / strand_n[shared.first]
    return np.bincount(shared.first, weights=moved, minlength=len(shared.row)).astype(np.float64)


def _kept(far: FloatArray, shift: FloatArray) -> FloatArray:
    return far - np.clip(shift, -MOST_GIVE_SHARE * far, MOST_GIVE_SHARE * far)
