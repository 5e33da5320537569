"""Solve the one equation that an elastic catenary between two supports comes down to.

*Enters*: flat arrays of span, rise, unstressed length, weight and stiffness, already checked.
*Leaves*: half the turn of the wire, its tilt, and how well the equation is met.
*Does not do*: tensions, sags or shapes (see `catenary`), argument checks, broadcasting.

With W the weight, L the unstressed length and e = W / (2 EA), write the slope along the wire as
sinh(angle). The angle grows by 2 y from start to end ("turn"), and the end tensions differ by
W tanh(middle angle) = W * tilt. Equilibrium and elasticity then give, exactly,

    tilt = (rise / L) * B(y),   B = 1 / (1 + e coth y)
    (span / L)^2 * A(y)^2 + (rise / L)^2 * B(y)^2 = 1,   A = sinh y / (y + e)

whose left side grows with y: there is one root for every span above zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array
from geoplan.mechanics.hyperbolic import argument_coth_less_one, sinh_less_argument

MAX_TURN = 300.0
"""Largest half turn that is looked for; a span of about 1e-128 of the length has it."""

_FAST_STEPS = 8
_GUARDED_STEPS = 200
_STEP_DONE = 1e-8
_LARGEST_STEP = 0.9
_FAR_STRETCHED = 1.0
_GUARDED_DONE = 1e-13


@dataclass(frozen=True, slots=True)
class Shape:
    """Dimensionless description of each span, flat arrays of one length."""

    span: Array
    rise: Array
    ease: Array
    excess: Array


@dataclass(frozen=True, slots=True)
class Turn:
    """Root of each span's equation, with what the outputs need of it."""

    half_turn: Array
    sinh: Array
    tilt: Array
    residual: Array


def _square_exactly(x: Array) -> tuple[Array, Array]:
    """Return the square and its rounding error (splitting after Dekker)."""
    product = x * x
    big = 134217729.0 * x
    high = big - (big - x)
    low = x - high
    return product, ((high * high - product) + 2.0 * high * low) + low * low


def shape_of(
    span_m: Array,
    rise_m: Array,
    unstressed_length_m: Array,
    weight_n_per_m: Array,
    stiffness_n: Array,
) -> Shape:
    """Return the dimensionless description of spans.

    Parameters
    ----------
    span_m, rise_m, unstressed_length_m : ndarray of float64, shape (n,)
        Geometry, m.
    weight_n_per_m : ndarray of float64, shape (n,)
        Weight per unstressed length, N/m.
    stiffness_n : ndarray of float64, shape (n,)
        EA, N.

    Returns
    -------
    Shape
        Span and rise over length, elastic ease W / (2 EA), and (chord / length)^2 - 1 with the
        rounding of the squares made good.
    """
    length = unstressed_length_m
    span_sq, span_err = _square_exactly(span_m)
    length_sq, length_err = _square_exactly(length)
    if rise_m.any():
        rise_sq, rise_err = _square_exactly(rise_m)
        excess = ((span_sq - length_sq) + rise_sq) + ((span_err - length_err) + rise_err)
    else:
        excess = (span_m - length) * (span_m + length)
    return Shape(
        span=span_m / length,
        rise=rise_m / length,
        ease=0.5 * weight_n_per_m * length / stiffness_n,
        excess=excess / length_sq,
    )


def _first_guess(shape: Shape) -> Array:
    """Solve the small-turn cubic, then correct very slack spans by the logarithm."""
    chord = np.sqrt(np.maximum(1.0 + shape.excess, shape.span * shape.span))
    linear = shape.excess / (1.0 + chord)
    cubic = shape.span * shape.span / (6.0 * chord)
    free = np.sqrt(np.maximum(-linear, 0.0) / cubic) + np.cbrt(shape.ease / cubic)
    with np.errstate(divide="ignore", over="ignore"):
        y = np.where(linear > 0.0, np.minimum(free, shape.ease / np.abs(linear)), free)
    for _ in range(4):
        square = cubic * y * y
        y -= (y * (square + linear) - shape.ease) / (3.0 * square + linear)
    slack = y > 1.0
    if slack.any():
        span = shape.span[slack]
        ratio = 2.0 * np.sqrt(np.maximum(span * span - shape.excess[slack], 1e-6)) / span
        z = np.minimum(y[slack], MAX_TURN)
        for _ in range(3):
            z = np.log(np.maximum(ratio * z, 2.0))
        y[slack] = z
    return y


def _newton_step(y: Array, shape: Shape) -> tuple[Array, Array]:
    """Return the step to take off y, and the misfit (above zero: y is too large)."""
    extra = sinh_less_argument(y)
    sinh = extra + y
    cosh = np.sqrt(1.0 + sinh * sinh)
    stretch = shape.ease * cosh
    sum_y = y + shape.ease
    a = (extra - shape.ease) / sum_y
    b = stretch / (sinh + stretch)
    across = shape.span * sinh / sum_y
    across *= across
    tilt = shape.rise * sinh / (sinh + stretch)
    misfit = shape.excess + shape.span * shape.span * a * (2.0 + a)
    misfit -= shape.rise * shape.rise * b * (2.0 - b)
    far = shape.excess > _FAR_STRETCHED
    if far.any():
        misfit = np.where(far, across + (tilt * tilt - 1.0), misfit)
    # log(across / (1 - tilt^2)) / 2 in its first Pade form: same root, never beyond -1 to 1.
    scale = np.maximum(2.0 * across - misfit, across)
    slope = (argument_coth_less_one(y, sinh) + shape.ease / sum_y) / y
    slope += 2.0 * tilt * tilt * b / (scale * sinh * cosh)
    return misfit / (scale * slope), misfit


def _finish(y: Array, shape: Shape, residual: Array) -> Turn:
    """Collect the outputs of the roots."""
    sinh = y + sinh_less_argument(y)
    stretch = shape.ease * np.sqrt(1.0 + sinh * sinh)
    return Turn(
        half_turn=y,
        sinh=sinh,
        tilt=shape.rise * sinh / (sinh + stretch),
        residual=residual,
    )


def _solve_guarded(shape: Shape) -> tuple[Array, Array]:
    """Solve hard cases by Newton steps inside a bracket that halves in the logarithm."""
    low = np.full_like(shape.span, 1e-150)
    high = np.full_like(shape.span, MAX_TURN)
    y = np.minimum(np.maximum(np.nan_to_num(_first_guess(shape)), 1e-12), MAX_TURN)
    residual = np.full_like(y, np.inf)
    closed = np.zeros(y.shape, dtype=np.bool_)
    for _ in range(_GUARDED_STEPS):
        step, misfit = _newton_step(y, shape)
        too_large = misfit > 0.0
        high = np.where(too_large, np.minimum(high, y), high)
        low = np.where(too_large, low, np.maximum(low, y))
        trial = y - step
        inside = (trial > low) & (trial < high)
        settled = np.abs(step) <= _GUARDED_DONE * y
        trial = np.where(inside, trial, np.sqrt(low) * np.sqrt(high))
        trial = np.where(settled, np.clip(y - step, low, high), trial)
        residual = np.where(closed, residual, np.abs(trial - y) / y)
        y = np.where(closed, y, trial)
        closed |= settled | (high - low <= 2e-16 * high)
        if closed.all():
            break
    return y, residual


def _subset(shape: Shape, chosen: npt.NDArray[np.bool_]) -> Shape:
    """Return the description of the chosen spans."""
    return Shape(
        span=shape.span[chosen],
        rise=shape.rise[chosen],
        ease=shape.ease[chosen],
        excess=shape.excess[chosen],
    )


def solve_turn(shape: Shape) -> Turn:
    """Return the root of every span's equation.

    Parameters
    ----------
    shape : Shape
        Dimensionless description, n spans.

    Returns
    -------
    Turn
        Half turn y, sinh(y), tilt, and the size of the last step relative to y
        (Newton's step squares the error, so 1e-8 there means about 1e-16).

    Notes
    -----
    All spans take the same few Newton steps from a cubic that is exact for tight spans; those
    that haven't settled go to a bracketed solve. Cost O(n).
    """
    y = _first_guess(shape)
    settled = np.zeros(y.shape, dtype=np.bool_)
    residual = np.full_like(y, np.inf)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        usable = (y > 0.0) & (y < MAX_TURN)
        y = np.where(usable, y, 1.0)
        for _ in range(_FAST_STEPS):
            step, _ = _newton_step(y, shape)
            relative = np.abs(step) / y
            # A span that has settled is left alone, so that no other span has a say in it.
            moved = np.minimum(np.where(relative < _LARGEST_STEP, y - step, 0.5 * y), MAX_TURN)
            y = np.where(settled, y, moved)
            residual = np.where(settled, residual, relative)
            settled |= (relative <= _STEP_DONE) & usable
            if settled.all():
                break
        if not settled.all():
            open_ = ~settled
            y[open_], residual[open_] = _solve_guarded(_subset(shape, open_))
    return _finish(y, shape, residual)
