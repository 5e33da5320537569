"""Give the pull of cables on the points they hang between, and its change with the points.

*Enters*: end points in three dimensions, unstressed lengths, weights, stiffnesses, as arrays.
*Leaves*: `CablePull`: forces on both ends and the stiffness matrix, as arrays.
*Does not do*: find where the points come to rest (see `equilibrium`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.mechanics.arguments import Array, refuse
from geoplan.mechanics.turn import shape_of, solve_turn

_CUBIC_STEPS = 6
_LEAST_SPAN_RATIO = 1e-100


@dataclass(frozen=True, slots=True)
class CablePull:
    """Forces of cables on their ends; axes are along, lateral, up.

    Attributes
    ----------
    on_start_n, on_end_n : ndarray of float64, shape (..., 3)
        Force of the cable on the point at its start and end, N.
    stiffness_n_per_m : ndarray of float64, shape (..., 3, 3)
        Change of the force on the start per metre that the end moves away, N/m; symmetric.
    horizontal_tension_n : ndarray of float64, shape (...)
        Horizontal tension, N.
    """

    on_start_n: Array
    on_end_n: Array
    stiffness_n_per_m: Array
    horizontal_tension_n: Array


@dataclass(frozen=True, slots=True)
class _Hang:
    """Horizontal tension, sinh and cosh of the end angles, stiffness in the cable's plane."""

    pull: Array
    sinh_first: Array
    sinh_last: Array
    along: Array
    cross: Array
    up: Array


def _hang(span: Array, rise: Array, length: Array, weight: Array, stiffness: Array) -> _Hang:
    """Solve cables for what they do to their ends, and nothing else.

    The stiffness is the inverse of the flexibility d(span, rise) / d(H, V).
    """
    shape = shape_of(span, rise, length, weight, stiffness)
    turn = solve_turn(shape)
    y, sinh = turn.half_turn, turn.sinh
    cosh = np.sqrt(1.0 + sinh * sinh)
    ease = 2.0 * shape.ease
    p = shape.span / (2.0 * y + ease)
    middle = 0.5 * turn.tilt / (p * sinh)
    flat = np.sqrt(1.0 + middle * middle)
    up, across = middle * cosh, flat * sinh
    level, tilted = flat * cosh, middle * sinh
    cosh_first, cosh_last = level - tilted, level + tilted
    bend = 2.0 * sinh * cosh / (cosh_first * cosh_last)
    hh = ease + np.maximum(2.0 * y - bend, 0.0)
    vv = ease + bend
    hv = 1.0 / cosh_last - 1.0 / cosh_first
    scale = weight / (hh * vv - hv * hv)
    return _Hang(weight * length * p, up - across, up + across, scale * vv, -scale * hv, scale * hh)


def cable_pull(
    start_m: Array,
    end_m: Array,
    unstressed_length_m: Array,
    weight_n_per_m: Array,
    stiffness_n: Array,
) -> CablePull:
    """Return the pull of elastic cables between points.

    Parameters
    ----------
    start_m, end_m : ndarray of float64, shape (..., 3)
        End points (along, lateral, up), m; never one straight above the other.
    unstressed_length_m, weight_n_per_m, stiffness_n : ndarray of float64, shape (...)
        Length without tension, m; weight per unstressed metre, N/m; EA, N; checked already.

    Returns
    -------
    CablePull
        Forces and stiffness.

    Raises
    ------
    ValueError
        If an end is straight above the start, or a point is not finite.

    Notes
    -----
    Exact elastic catenary in the vertical plane of the two points, the one of `solve_catenary`.
    The in-plane stiffness is the inverse of the flexibility d(span, rise) / d(H, V), square to
    the plane it is H / span.
    """
    reach = end_m - start_m
    x, y, rise = reach[..., 0], reach[..., 1], reach[..., 2].copy()
    span = np.sqrt(x * x + y * y)
    refuse("span_m", ~(span > _LEAST_SPAN_RATIO * unstressed_length_m), span, "above zero")
    hang = _hang(span, rise, unstressed_length_m, weight_n_per_m, stiffness_n)
    x, y, pull = x / span, y / span, hang.pull
    side = pull / span
    on_start, on_end = np.empty_like(reach), np.empty_like(reach)
    on_start[..., 0], on_start[..., 1] = x * pull, y * pull
    np.negative(on_start, out=on_end)
    on_start[..., 2] = pull * hang.sinh_first
    on_end[..., 2] = -pull * hang.sinh_last
    matrix = np.empty((*reach.shape, 3))
    plane = hang.along - side
    matrix[..., 0, 0] = side + plane * x * x
    matrix[..., 1, 1] = side + plane * y * y
    matrix[..., 2, 2] = hang.up
    matrix[..., 0, 1] = matrix[..., 1, 0] = plane * x * y
    matrix[..., 0, 2] = matrix[..., 2, 0] = hang.cross * x
    matrix[..., 1, 2] = matrix[..., 2, 1] = hang.cross * y
    return CablePull(on_start, on_end, matrix, pull)


def span_pull(
    span_m: Array,
    rise_m: Array,
    unstressed_length_m: Array,
    weight_n_per_m: Array,
    stiffness_n: Array,
) -> tuple[Array, Array]:
    """Return the horizontal pull of cables, and how it grows with the span.

    Parameters
    ----------
    span_m, rise_m, unstressed_length_m : ndarray of float64, shape (n,)
        Horizontal distance and height difference of the ends, length without tension, m; already
        checked: finite, span and length above zero.
    weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        Weight per unstressed metre, N/m, and EA, N, above zero.

    Returns
    -------
    pull_n : ndarray of float64, shape (n,)
        Horizontal tension, N.
    slope_n_per_m : ndarray of float64, shape (n,)
        Its change per metre of span, N/m, above zero.
    """
    hang = _hang(span_m, rise_m, unstressed_length_m, weight_n_per_m, stiffness_n)
    return hang.pull, hang.along


def first_pull(
    span_m: Array,
    rise_m: Array,
    unstressed_length_m: Array,
    weight_n_per_m: Array,
    stiffness_n: Array,
    give_m_per_n: Array,
) -> Array:
    """Estimate the horizontal pull of cables whose end gives way to it.

    Parameters
    ----------
    span_m, rise_m, unstressed_length_m : ndarray of float64, shape (n,)
        Horizontal distance without any pull, height difference, length without tension, m.
    weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        Weight per unstressed metre, N/m, and EA, N, above zero.
    give_m_per_n : ndarray of float64, shape (n,)
        How much nearer the end comes for each newton, zero or more.

    Returns
    -------
    ndarray of float64, shape (n,)
        Horizontal tension, N.

    Notes
    -----
    The parabola: with chord c, L (1 + H c / (s EA)) = c - give H s / c + w^2 s^4 / (24 c H^2), a
    cubic in H with one positive root, from above by Newton steps that cannot pass it; once more
    with the span that this leaves.
    """
    chord = np.hypot(span_m, rise_m)
    bend = weight_n_per_m**2 / (24.0 * chord)
    ease = unstressed_length_m * chord / (span_m * stiffness_n) + give_m_per_n * span_m / chord
    slack = unstressed_length_m - chord
    span = span_m
    pull = np.zeros_like(span_m)
    for _ in range(2):
        load = bend * span**4
        pull = np.maximum(-slack, 0.0) / ease + np.cbrt(load / ease)
        for _ in range(_CUBIC_STEPS):
            pull -= (pull * pull * (ease * pull + slack) - load) / (
                pull * (3.0 * ease * pull + 2.0 * slack)
            )
        span = np.maximum(span_m - give_m_per_n * pull, 0.5 * span_m)
    return pull
