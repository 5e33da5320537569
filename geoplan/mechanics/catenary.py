"""Solve wires hung between two supports as exact elastic catenaries.

*Enters*: spans, rises, unstressed lengths, weights and stiffnesses, as arrays.
*Leaves*: `CatenaryState`: tensions, sag, low point, length and shape, as arrays.
*Does not do*: loads from weather (`loading`), temperature (`change_of_state`), tables.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, broadcast, checked, refuse
from geoplan.mechanics.hyperbolic import (
    SERIES_LIMIT,
    argument_coth_less_one,
    sinh_less_argument,
)
from geoplan.mechanics.turn import Turn, shape_of, solve_turn

CHUNK_ITEMS = 16_384
"""States solved at once, so that the working arrays stay in the processor's cache."""

_MIN_SPAN_RATIO = 1e-100
_CONVERGED = 1e-7


@dataclass(frozen=True, slots=True)
class CatenaryState:
    """Wires at rest; every array has the broadcast shape of the inputs.

    Attributes
    ----------
    span_m, rise_m, unstressed_length_m, weight_n_per_m, stiffness_n : ndarray of float64
        The inputs; rise is the end's height less the start's, m.
    horizontal_tension_n : ndarray of float64
        Horizontal component, the same all along the wire, N.
    tension_start_n, tension_end_n, tension_max_n : ndarray of float64
        Tension at the supports and the larger of the two, N.
    sag_m : ndarray of float64
        Greatest vertical distance of the wire below the chord, m.
    low_point_m : ndarray of float64
        Horizontal distance from the start to the lowest point of the wire, 0 to span, m.
    vertex_m : ndarray of float64
        The same for the curve prolonged beyond the supports, m; may be outside the span.
    low_point_below_start_m : ndarray of float64
        Height of the start less that of the lowest point, m; zero or more.
    length_m : ndarray of float64
        Stretched length, m.
    half_turn, middle_angle : ndarray of float64
        Shape. Along the wire asinh(slope) grows from `middle_angle - half_turn` at the start to
        `middle_angle + half_turn` at the end.
    residual : ndarray of float64
        Last relative correction of `half_turn`; Newton's step squares the error that is left.
    converged : ndarray of bool
        Whether `residual` is 1e-7 or less.
    """

    span_m: Array
    rise_m: Array
    unstressed_length_m: Array
    weight_n_per_m: Array
    stiffness_n: Array
    horizontal_tension_n: Array
    tension_start_n: Array
    tension_end_n: Array
    tension_max_n: Array
    sag_m: Array
    low_point_m: Array
    vertex_m: Array
    low_point_below_start_m: Array
    length_m: Array
    half_turn: Array
    middle_angle: Array
    residual: Array
    converged: npt.NDArray[np.bool_]

    def take(self, rows: npt.NDArray[np.int64]) -> CatenaryState:
        """Return some wires of a flat state; a row may be taken more than once."""
        return CatenaryState(*(getattr(self, f.name)[rows] for f in fields(self)))


_INPUTS = ("span_m", "rise_m", "unstressed_length_m", "weight_n_per_m", "stiffness_n")
_FLOATS = tuple(
    f.name for f in fields(CatenaryState) if f.name not in _INPUTS and f.name != "converged"
)


def _at_slope(
    slope: Array | float, p: Array, start_angle: Array, ease: Array
) -> tuple[Array, Array]:
    """Return x and height over the unstressed length where the wire has the slope."""
    start_v = p * np.sinh(start_angle)
    v = p * slope
    s = v - start_v
    x = p * (2.0 * ease * s + (np.arcsinh(slope) - start_angle))
    tensions = np.sqrt(p * p + v * v) + np.sqrt(p * p + start_v * start_v)
    return x, s * (v + start_v) * (ease + 1.0 / tensions)


def _length_to_greatest_sag(y: Array, sinh: Array, tilt: Array, ease: Array) -> Array:
    """Return the part of the wire from the start to where it runs along the chord."""
    part: Array = 0.5 - 0.5 * tilt * argument_coth_less_one(y, sinh) / (y + ease)
    return part


def _sag(turn: Turn, p: Array, ease: Array, slope: Array, start: Array) -> Array:
    """Return the greatest sag over the unstressed length.

    p and start are the horizontal and the start tension over the weight, slope is the chord's.
    In nearly straight wires the height is written with sinh(d) - d, so that no digits cancel.
    """
    y = turn.half_turn
    s = _length_to_greatest_sag(y, turn.sinh, turn.tilt, ease)
    tension = p * np.sqrt(1.0 + slope * slope)
    # From the start to where the wire runs along the chord, asinh(slope) grows by d.
    half = np.arctanh(np.minimum(s / (tension + start), 0.9))
    sinh_half = half + sinh_less_argument(half)
    sag = 2.0 * tension * sinh_half * sinh_half - p * slope * sinh_less_argument(2.0 * half)
    sag += ease * s * s
    far = y > SERIES_LIMIT
    if far.any():
        s, p, slope = s[far], p[far], slope[far]
        chord_v = p * slope
        start_v = chord_v - s
        d = np.arcsinh(slope) - np.arcsinh(start_v / p)
        height = s * (chord_v + start_v) / (tension + start)[far]
        sag[far] = ease[far] * s * s + chord_v * d - height
    return sag


def bend_bounds(state: CatenaryState) -> tuple[Array, Array]:
    """Return bounds of how far wires hang below their chords anywhere.

    Parameters
    ----------
    state : CatenaryState
        Solved wires.

    Returns
    -------
    least_m, most_m : ndarray of float64
        Depths below the chord at a part u of the span are between u (1 - u) times these, m.

    Notes
    -----
    With q = tension / H = sqrt(1 + slope^2), a wire's second derivative is (w / H) q / (1 + q
    H / EA), which grows with q; so it is between its values at the least and the greatest
    slope. A curve that is zero at both ends and bends less than another lies above it.
    """
    first, last = state.middle_angle - state.half_turn, state.middle_angle + state.half_turn
    steep = np.maximum(np.abs(first), np.abs(last))
    flat = np.maximum(np.maximum(first, -last), 0.0)
    scale = 0.5 * state.weight_n_per_m * state.span_m**2 / state.horizontal_tension_n
    stretch = state.horizontal_tension_n / state.stiffness_n
    low, high = np.cosh(flat), np.cosh(steep)
    return scale * low / (1.0 + stretch * low), scale * high / (1.0 + stretch * high)


def _solve_block(
    span: Array, rise: Array, length: Array, weight_per_m: Array, stiffness: Array
) -> dict[str, Array]:
    """Solve flat arrays of spans and return the output columns by name."""
    shape = shape_of(span, rise, length, weight_per_m, stiffness)
    turn = solve_turn(shape)
    y, sinh, tilt, ease = turn.half_turn, turn.sinh, turn.tilt, shape.ease
    size = np.abs(tilt)
    p = 0.5 * shape.span / (y + ease)
    cosine = 2.0 * p * sinh
    middle = np.arcsinh(tilt / cosine)
    # coth y - tilt keeps its digits as (coth y - 1) + (1 - tilt).
    less = cosine * cosine / (1.0 + size)
    low = 0.5 * (np.exp(-y) / sinh + less)
    high = low + size
    weight = weight_per_m * length
    upward = tilt >= 0.0
    start, end = np.where(upward, low, high), np.where(upward, high, low)
    vertex, vertex_height = _at_slope(0.0, p, middle - y, ease)
    stretch = (high + low) * (1.0 + tilt * tilt) * 0.5 + 2.0 * p * p * y
    vertex *= length
    below = np.where(vertex > span, -rise, -vertex_height * length)
    below[vertex < 0.0] = 0.0
    return {
        "horizontal_tension_n": weight * p,
        "tension_start_n": weight * start,
        "tension_end_n": weight * end,
        "tension_max_n": weight * high,
        "sag_m": length * _sag(turn, p, ease, rise / span, start),
        "low_point_m": np.clip(vertex, 0.0, span),
        "vertex_m": vertex,
        "low_point_below_start_m": below,
        "length_m": length * (1.0 + ease * stretch),
        "half_turn": y,
        "middle_angle": middle,
        "residual": turn.residual,
    }


def solve_catenary(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    unstressed_length_m: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
) -> CatenaryState:
    """Solve wires of known unstressed length hung between two supports.

    Parameters
    ----------
    span_m : array_like of float
        Horizontal distance between the supports, m, > 0.
    rise_m : array_like of float
        Height of the end support less that of the start, m, either sign.
    unstressed_length_m : array_like of float
        Length of the wire without tension, m, > 0; may be below the chord (tight wires).
    weight_n_per_m : array_like of float
        Weight per metre of unstressed length, N/m, > 0.
    stiffness_n : array_like of float
        Axial stiffness EA, N, > 0.

    Returns
    -------
    CatenaryState
        Arrays in the broadcast shape of the inputs. No item is NaN.

    Raises
    ------
    ValueError
        If an item is NaN, infinite or out of range, or the shapes don't broadcast.

    Notes
    -----
    Exact for a perfectly flexible wire with linear elasticity (weight per unstressed length),
    level or inclined, tight or slack; one equation in one unknown per span (see `turn`).
    The result is as sharp as the inputs allow: a tight wire's tension depends on the difference
    of length and chord, so a rounding of 1e-16 in the length shows as about 1e-16 * (span /
    sag)^2 / 5. Cost O(n), in chunks of `CHUNK_ITEMS`.

    References
    ----------
    Our own derivation from equilibrium and Hooke's law; the two-unknown form is textbook matter
    (from memory). Checked in `tests/external` against an independent mooring solver, a chain of
    links at least energy, and high-precision arithmetic.

    Examples
    --------
    >>> state = solve_catenary(120.0, 0.0, 140.0, 3.0, 1e12)
    >>> round(float(state.sag_m), 2)
    31.7
    """
    arrays = broadcast(
        span_m=checked("span_m", span_m, "positive"),
        rise_m=checked("rise_m", rise_m, "finite"),
        unstressed_length_m=checked("unstressed_length_m", unstressed_length_m, "positive"),
        weight_n_per_m=checked("weight_n_per_m", weight_n_per_m, "positive"),
        stiffness_n=checked("stiffness_n", stiffness_n, "positive"),
    )
    return _solve_checked(*arrays)


def _solve_checked(*arrays: Array) -> CatenaryState:
    """Solve broadcast arrays chunk by chunk."""
    span, _, length = arrays[:3]
    refuse("span_m", span < _MIN_SPAN_RATIO * length, span, "above 1e-100 of the wire's length")
    shape = span.shape
    rows = [np.atleast_1d(a) for a in arrays]
    out = {name: np.empty(rows[0].shape) for name in _FLOATS}
    step = max(1, CHUNK_ITEMS * len(rows[0]) // max(rows[0].size, 1))
    for i in range(0, len(rows[0]), step):
        block = [np.ascontiguousarray(a[i : i + step]).reshape(-1) for a in rows]
        for name, column in _solve_block(*block).items():
            out[name][i : i + step] = column.reshape(out[name][i : i + step].shape)
    solved = dict(zip(_INPUTS, arrays, strict=True))
    solved |= {name: column.reshape(shape) for name, column in out.items()}
    return CatenaryState(**solved, converged=solved["residual"] <= _CONVERGED)


def point_at_slope(state: CatenaryState, slope: npt.ArrayLike) -> tuple[Array, Array]:
    """Return where the wire, prolonged beyond its supports if need be, has a given slope.

    Parameters
    ----------
    state : CatenaryState
        Solved wires.
    slope : array_like of float, broadcast with the state
        Rise per horizontal metre, positive upward from start to end.

    Returns
    -------
    x_m : ndarray of float64
        Horizontal distance from the start, m; may lie outside the span.
    height_m : ndarray of float64
        Height above the start, m.

    Raises
    ------
    ValueError
        If a slope is not finite.
    """
    length = state.unstressed_length_m
    weight = state.weight_n_per_m * length
    x, height = _at_slope(
        checked("slope", slope, "finite"),
        state.horizontal_tension_n / weight,
        state.middle_angle - state.half_turn,
        0.5 * weight / state.stiffness_n,
    )
    return x * length, height * length


def height_at(state: CatenaryState, x_m: npt.ArrayLike) -> Array:
    """Return the height of the wires above their start support.

    Parameters
    ----------
    state : CatenaryState
        Solved wires, arrays of shape (...,).
    x_m : array_like of float, shape (..., k) or (k,)
        Horizontal distances from the start, m, 0 to the span.

    Returns
    -------
    ndarray of float64, shape (..., k)
        Heights above the start support, m, positive up.

    Raises
    ------
    ValueError
        If a distance is not finite or outside the span.
    """
    return _walk(state, x_m).height


def unstressed_length_to(state: CatenaryState, x_m: npt.ArrayLike) -> Array:
    """Return the unstressed length of wire from the start to given places.

    Parameters
    ----------
    state : CatenaryState
        Solved wires, arrays of shape (...,).
    x_m : array_like of float, shape (..., k) or (k,)
        Horizontal distances from the start, m, 0 to the span.

    Returns
    -------
    ndarray of float64, shape (..., k)
        Lengths, m.

    Raises
    ------
    ValueError
        If a distance is not finite or outside the span.
    """
    return _walk(state, x_m).length


@dataclass(frozen=True, slots=True)
class _Walk:
    """Places along wires: unstressed length and height from the start, sag below the chord."""

    length: Array
    height: Array
    sag: Array


def _walk(state: CatenaryState, x_m: npt.ArrayLike) -> _Walk:
    """Return what the wire does from its start to given horizontal distances."""
    x = checked("x_m", x_m, "finite")
    length = state.unstressed_length_m[..., None]
    weight = state.weight_n_per_m[..., None] * length
    y = state.half_turn[..., None]
    x, span, y = broadcast(x_m=x, span_m=state.span_m[..., None], half_turn=y)
    refuse("x_m", (x < 0.0) | (x > span * (1.0 + 1e-12)), x, "from 0 to the span")
    p = state.horizontal_tension_n[..., None] / weight
    ease = 0.5 * weight / state.stiffness_n[..., None]
    tilt = np.tanh(state.middle_angle[..., None])
    start = state.middle_angle[..., None] - y
    d = _turn_at(x / (length * p), start, 2.0 * y, 2.0 * ease * p, np.minimum(x / span, 1.0))
    half = 0.5 * d
    sinh_half = half + sinh_less_argument(half)
    arc = 2.0 * p * np.cosh(start + half) * sinh_half
    height = 2.0 * p * np.sinh(start + half) * (sinh_half + ease * arc * np.cosh(half))
    slope = state.rise_m[..., None] / span
    sag = slope * x / length - height
    near = y <= SERIES_LIMIT
    if near.any():
        # The same without the loss of digits that tight wires have in a difference of heights.
        to_most = _length_to_greatest_sag(y, np.sinh(y), tilt, ease)
        bent = np.sinh(start) * sinh_less_argument(np.where(near, d, 0.0))
        bent = bent + 2.0 * np.cosh(start) * sinh_half * sinh_half
        sag = np.where(near, ease * arc * (2.0 * to_most - arc) + to_most * d - p * bent, sag)
    return _Walk(arc * length, height * length, sag * length)


def _turn_at(target: Array, start: Array, turn: Array, stretch: Array, part: Array) -> Array:
    """Solve d + stretch * (sinh(start + d) - sinh(start)) = target for d in [0, turn]."""
    d = part * turn
    low = np.zeros_like(d)
    high = np.broadcast_to(turn, d.shape).copy()
    closed = np.zeros(d.shape, dtype=np.bool_)
    for _ in range(100):
        half = 0.5 * d
        value = d + 2.0 * stretch * np.cosh(start + half) * np.sinh(half) - target
        high = np.where(value > 0.0, np.minimum(high, d), high)
        low = np.where(value < 0.0, np.maximum(low, d), low)
        trial = d - value / (1.0 + stretch * np.cosh(start + d))
        trial = np.where((trial >= low) & (trial <= high), trial, 0.5 * (low + high))
        done = np.abs(trial - d) <= 4e-16 * turn
        d = np.where(closed, d, trial)
        closed |= done
        if closed.all():
            break
    return d


def sag_at(state: CatenaryState, x_m: npt.ArrayLike) -> Array:
    """Return the vertical distance of the wires below their chords.

    Parameters
    ----------
    state : CatenaryState
        Solved wires, arrays of shape (...,).
    x_m : array_like of float, shape (..., k) or (k,)
        Horizontal distances from the start, m, 0 to the span.

    Returns
    -------
    ndarray of float64, shape (..., k)
        Distances below the chord, m, positive down.

    Raises
    ------
    ValueError
        If a distance is not finite or outside the span.
    """
    return _walk(state, x_m).sag
