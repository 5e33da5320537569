"""Several drops on one strand span: each pulls the clamps of all.

Enters: clamps with their strand spans, drops of known sag or length.
Leaves: the air span of each drop when all of them hang.
Does not do: heights; single clamps, which `clamps` solves in full.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.mechanics import length_from_sag, solve_catenary
from geoplan.mechanics.element import first_pull, span_pull
from geoplan.routes.segments import FloatArray, IntArray, expand

SWEEPS = 12
"""Each lessens the error some twentyfold; a clamp near `MOST_GIVE_SHARE` takes more."""
LEAST_SPAN_SHARE = 0.5
"""Nor, worked out in full, nearer than this part of it leaves."""
NEWTON_STEPS = 40
_FAST_N = 1e30
"""Holds an air span at its least."""
STEP_DONE = 1e-9
"""Newton's step squares the error: the next would be far below the last digit."""
MOST_GIVE_SHARE = 0.3
"""A clamp is not taken to come nearer to the house than this part of its air span."""


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

    def repeated(self, times: int, count: int) -> SharedSpans:
        """Return the same strand spans several times over, as for several load cases.

        Parameters
        ----------
        times : int
            How many times.
        count : int
            Number of all clamps, by which rows are counted on each time.

        Returns
        -------
        SharedSpans
            One after the other.
        """
        again = np.repeat(np.arange(times), len(self.row))
        pairs = np.repeat(np.arange(times), len(self.first)) * len(self.row)
        return SharedSpans(
            np.tile(self.row, times) + again * count,
            np.tile(self.rank, times),
            np.tile(self.first, times) + pairs,
            np.tile(self.second, times) + pairs,
            np.tile(self.bend_m, times),
            np.tile(self.own_bend_m, times),
            np.tile(self.lowering, times),
        )


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
    weight, stiffness = np.full(len(span), weight_n_per_m), np.full(len(span), stiffness_n)
    pull = weight * span * np.hypot(span, rise_m) / (8 * sag_m)
    for _ in range(SWEEPS):
        span = _kept(far_m, _shift(shared, pull, strand_n) + shared.own_bend_m * pull / strand_n)
        length = np.asarray(length_from_sag(span, rise_m, sag_m, weight, stiffness))
        pull, _ = span_pull(span, rise_m, length, weight, stiffness)
    return span, length


def spans_at_length(
    shared: SharedSpans,
    far_m: FloatArray,
    rise_m: FloatArray,
    length_m: FloatArray,
    weight_n_per_m: float | FloatArray,
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
    weight_n_per_m : float or ndarray of float64
        Of the wire, with any ice.
    stiffness_n : float
        Of the wire.
    strand_n : ndarray of float64
        Horizontal tension of the strand.

    Returns
    -------
    air_span_m, tension_max_n : ndarray of float64
        With all drops up.

    Raises
    ------
    ArithmeticError
        If some strand span has not come to rest after `NEWTON_STEPS` steps.

    Notes
    -----
    Newton's method for all drops of a strand span together, from a parabola; each strand span
    stops by itself, so that none has a say in another's last digit. The pulls are at rest where
    their energy is least, and that is convex, so there is one answer.
    """
    drops = _Drops(
        far_m,
        rise_m,
        length_m,
        np.broadcast_to(np.asarray(weight_n_per_m, dtype=np.float64), far_m.shape),
        np.full(len(far_m), stiffness_n),
        strand_n,
    )
    span = _first_spans(shared, drops)
    open_ = np.ones(len(span), dtype=bool)
    blocks = list(_blocks(shared))
    for _ in range(NEWTON_STEPS):
        if not open_.any():
            break
        _step(shared, blocks, drops, span, open_)
    else:
        if open_.any():
            message = f"{int(open_.sum())} drops that share strand spans have not come to rest"
            raise ArithmeticError(message)
    state = solve_catenary(span, rise_m, length_m, weight_n_per_m, stiffness_n)
    return span, np.asarray(state.tension_max_n)


def span_at_length(
    far_m: FloatArray,
    rise_m: FloatArray,
    length_m: FloatArray,
    weight_n_per_m: float,
    stiffness_n: float,
    give_m_per_n: FloatArray,
) -> FloatArray:
    """Find the air spans of drops by themselves, of given unstressed lengths.

    Parameters
    ----------
    far_m, rise_m, length_m : ndarray of float64, shape (n,)
        Air span before the drop pulls, height difference, unstressed length, in metres.
    weight_n_per_m, stiffness_n : float
        Of the wire.
    give_m_per_n : ndarray of float64, shape (n,)
        How much nearer to the house the clamp comes for each newton; above zero.

    Returns
    -------
    ndarray of float64, shape (n,)
        Air spans with the drop up, no less than 1 - `MOST_GIVE_SHARE` of what they were.

    Notes
    -----
    Newton's method from a parabola; each row stops by itself.
    """
    weight = np.full(len(far_m), weight_n_per_m)
    stiffness = np.full(len(far_m), stiffness_n)
    floor = (1.0 - MOST_GIVE_SHARE) * far_m
    pull = first_pull(far_m, rise_m, length_m, weight, stiffness, give_m_per_n)
    span = np.maximum(far_m - give_m_per_n * pull, floor)
    at = np.arange(len(far_m))
    for _ in range(NEWTON_STEPS):
        if len(at) == 0:
            return span
        here, give = span[at], give_m_per_n[at]
        pull, slope = span_pull(here, rise_m[at], length_m[at], weight[at], stiffness[at])
        new = here - (here - far_m[at] + give * pull) / (1.0 + give * slope)
        span[at] = np.maximum(new, floor[at])
        at = at[np.abs(span[at] - here) > STEP_DONE * far_m[at]]
    message = f"{len(at)} drops have not come to rest"
    raise ArithmeticError(message)


@dataclass(frozen=True)
class _Drops:
    """Drops of known unstressed length; columns of one length."""

    far_m: FloatArray
    rise_m: FloatArray
    length_m: FloatArray
    weight_n_per_m: FloatArray
    stiffness_n: FloatArray
    strand_n: FloatArray

    def pull(self, span: FloatArray, rows: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return pull and its slope at air spans."""
        return span_pull(
            span[rows],
            self.rise_m[rows],
            self.length_m[rows],
            self.weight_n_per_m[rows],
            self.stiffness_n[rows],
        )


@dataclass(frozen=True)
class _Block:
    """Strand spans with the same number of clamps: rows (g, k) and bends (g, k, k)."""

    rows: IntArray
    bend_m: FloatArray


def _blocks(shared: SharedSpans) -> Iterator[_Block]:
    """Gather strand spans by how many clamps they have."""
    start = np.flatnonzero(shared.rank == 0)
    size = np.diff(np.append(start, len(shared.rank)))
    group = np.repeat(np.arange(len(start)), size)
    place = np.zeros(len(start), dtype=np.int64)
    for k in np.unique(size).tolist():
        some = np.flatnonzero(size == k)
        place[some] = np.arange(len(some))
        rows = start[some][:, None] + np.arange(k)
        bend = np.zeros((len(some), k, k))
        bend[:, np.arange(k), np.arange(k)] = shared.own_bend_m[rows]
        pairs = np.flatnonzero(size[group[shared.first]] == k)
        a, b = shared.first[pairs], shared.second[pairs]
        bend[place[group[a]], shared.rank[a], shared.rank[b]] = shared.bend_m[pairs]
        yield _Block(rows, bend)


def _first_spans(shared: SharedSpans, drops: _Drops) -> FloatArray:
    """Estimate air spans by parabolas, each with the others' pulls once."""
    own = shared.own_bend_m / drops.strand_n
    pull = np.zeros(len(own))
    target = drops.far_m
    for _ in range(2):
        shift = _shift(shared, pull, drops.strand_n)
        target = np.maximum(drops.far_m - shift, LEAST_SPAN_SHARE * drops.far_m)
        pull = first_pull(
            target, drops.rise_m, drops.length_m, drops.weight_n_per_m, drops.stiffness_n, own
        )
    return np.maximum(target - own * pull, LEAST_SPAN_SHARE * drops.far_m)


def _step(
    shared: SharedSpans,
    blocks: list[_Block],
    drops: _Drops,
    span: FloatArray,
    open_: npt.NDArray[np.bool_],
) -> None:
    """Take one step in the strand spans that are open, and close those that have come to rest.

    With T the strand's tension, B its bends, p the pulls and f by how much spans and shifts
    exceed the whole: (T / p' + B) dp = -T f, and each air span changes by dp / p'. One that is
    at its least, and would be shorter, stays.
    """
    rows = np.flatnonzero(open_).astype(np.int64)
    pull, slope = np.zeros(len(span)), np.ones(len(span))
    pull[rows], slope[rows] = drops.pull(span, rows)
    others = _shift(shared, pull, drops.strand_n)
    excess = span - drops.far_m + others + shared.own_bend_m * pull / drops.strand_n
    for block in blocks:
        some = np.flatnonzero(open_[block.rows[:, 0]])
        if len(some) == 0:
            continue
        at, matrix = block.rows[some], block.bend_m[some]
        strand, floor = drops.strand_n[at], LEAST_SPAN_SHARE * drops.far_m[at]
        stays = (span[at] <= floor) & (excess[at] >= 0)
        diagonal = np.arange(at.shape[1])
        matrix[:, diagonal, diagonal] += np.where(stays, _FAST_N, strand / slope[at])
        change = _solved(matrix, np.where(stays, 0.0, -strand * excess[at])) / slope[at]
        new = np.where(stays, floor, np.maximum(span[at] + change, floor))
        moved = np.abs(new - span[at]) > STEP_DONE * drops.far_m[at]
        span[at] = new
        open_[at] = np.repeat(moved.any(axis=1), at.shape[1]).reshape(at.shape)


def _solved(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve small symmetric positive systems (g, k, k), each by itself; both are overwritten."""
    size = right.shape[1]
    for i in range(size):
        factor = matrix[:, i + 1 :, i] / matrix[:, i, i, None]
        matrix[:, i + 1 :, i:] -= factor[:, :, None] * matrix[:, None, i, i:]
        right[:, i + 1 :] -= factor * right[:, i, None]
    for i in reversed(range(size)):
        right[:, i] /= matrix[:, i, i]
        right[:, :i] -= matrix[:, :i, i] * right[:, i, None]
    return right


def _shift(shared: SharedSpans, pull: FloatArray, strand_n: FloatArray) -> FloatArray:
    """Return how much nearer to its house each clamp comes for the pulls of the others."""
    moved = shared.bend_m * pull[shared.second] / strand_n[shared.first]
    return np.bincount(shared.first, weights=moved, minlength=len(shared.row)).astype(np.float64)


def _kept(far: FloatArray, shift: FloatArray) -> FloatArray:
    return far - np.clip(shift, -MOST_GIVE_SHARE * far, MOST_GIVE_SHARE * far)
