"""Give the pull of cables on the points they hang between, and its change with the points.

*Enters*: end points in three dimensions, unstressed lengths, weights, stiffnesses, as arrays.
*Leaves*: `CablePull`: forces on both ends and the stiffness matrix, as arrays.
*Does not do*: find where the points come to rest (see `equilibrium`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoplan.mechanics.arguments import Array
from geoplan.mechanics.catenary import CatenaryState, solve_catenary


@dataclass(frozen=True, slots=True)
class CablePull:
    """Forces of cables on their ends; axes are along, lateral, up.

    Attributes
    ----------
    on_start_n, on_end_n : ndarray of float64, shape (..., 3)
        Force of the cable on the point at its start and end, N.
    stiffness_n_per_m : ndarray of float64, shape (..., 3, 3)
        Change of the force on the start per metre that the end moves away, N/m; symmetric.
    state : CatenaryState
        The cables themselves, arrays of shape (...).
    """

    on_start_n: Array
    on_end_n: Array
    stiffness_n_per_m: Array
    state: CatenaryState


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
        Length without tension, m; weight per unstressed metre, N/m; EA, N.

    Returns
    -------
    CablePull
        Forces and stiffness.

    Raises
    ------
    ValueError
        If a value is out of range, or an end is straight above the start.

    Notes
    -----
    Exact elastic catenary in the vertical plane of the two points. The in-plane stiffness is the
    inverse of the flexibility d(span, rise) / d(H, V), square to the plane it is H / span.
    """
    reach = end_m - start_m
    span = np.sqrt(reach[..., 0] ** 2 + reach[..., 1] ** 2)
    state = solve_catenary(span, reach[..., 2], unstressed_length_m, weight_n_per_m, stiffness_n)
    level = reach / span[..., None]
    level[..., 2] = 0.0
    pull = state.horizontal_tension_n
    first = state.middle_angle - state.half_turn
    last = state.middle_angle + state.half_turn
    on_start = level * pull[..., None]
    on_end = -on_start
    on_start[..., 2] = pull * np.sinh(first)
    on_end[..., 2] = -pull * np.sinh(last)
    return CablePull(on_start, on_end, _stiffness(state, level, first, last), state)


def _stiffness(state: CatenaryState, level: Array, first: Array, last: Array) -> Array:
    """Return the stiffness matrices from the cables' flexibility."""
    ease = state.weight_n_per_m * state.unstressed_length_m / state.stiffness_n
    y = state.half_turn
    bend = np.sinh(2.0 * y) / (np.cosh(first) * np.cosh(last))
    hh = ease + np.maximum(2.0 * y - bend, 0.0)
    vv = ease + bend
    hv = 1.0 / np.cosh(last) - 1.0 / np.cosh(first)
    scale = state.weight_n_per_m / (hh * vv - hv * hv)
    plane = level[..., :, None] * level[..., None, :]
    side = np.zeros_like(plane)
    side[..., 0, 0] = side[..., 1, 1] = 1.0
    side = (side - plane) * (state.horizontal_tension_n / state.span_m)[..., None, None]
    matrix: Array = side + plane * (scale * vv)[..., None, None]
    cross = level * (-scale * hv)[..., None]
    matrix[..., 2, :] += cross
    matrix[..., :, 2] += cross
    matrix[..., 2, 2] += scale * hh
    return matrix
