"""Estimate a loaded strand's shape by moments and one shared horizontal tension.

*Enters*: strand pieces, places of the points between them, loads, as arrays.
*Leaves*: estimated positions of the points and the horizontal tension, as arrays.
*Does not do*: the exact answer: `equilibrium` starts from this one and refines it.
"""

from __future__ import annotations

import numpy as np

from geoplan.mechanics.arguments import Array


def _running(values: Array) -> Array:
    """Return sums from the start of the strand to each point, the end excluded."""
    sums: Array = np.cumsum(values, axis=1)[:, :-1]
    return sums


def _shear(load: Array, place: Array, span: Array, even: Array | float) -> tuple[Array, Array]:
    """Return the shear of a simple beam at the start and end of each piece, load down."""
    edges = np.concatenate([np.zeros_like(span)[:, None], place, span[:, None]], axis=1)
    reaction = 0.5 * even * span + np.sum(load * (1.0 - place / span[:, None]), axis=1)
    before = np.concatenate([np.zeros_like(span)[:, None], np.cumsum(load, axis=1)], axis=1)
    level = reaction[:, None] - before
    even = np.asarray(even)[..., None]
    return level - even * edges[:, :-1], level - even * edges[:, 1:]


def estimate_positions(
    place_m: Array,
    span_m: Array,
    rise_m: Array,
    length_m: Array,
    weight_n_per_m: Array,
    stiffness_n: Array,
    load_n: Array,
) -> tuple[Array, Array]:
    """Return estimated positions of loaded points and the strand's horizontal tension.

    Parameters
    ----------
    place_m : ndarray of float64, shape (n, k)
        Places of the points along the unloaded strand, m.
    span_m, rise_m : ndarray of float64, shape (n,)
        Horizontal distance and height difference of the strand's supports, m.
    length_m : ndarray of float64, shape (n, k + 1)
        Unstressed lengths of the pieces, m.
    weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        Weight per unstressed metre, N/m, and EA, N.
    load_n : ndarray of float64, shape (n, k, 3)
        Forces on the points (along, lateral, up), N; the part along is left out.

    Returns
    -------
    position_m : ndarray of float64, shape (n, k, 3)
        Positions (along, lateral, up), m.
    horizontal_tension_n : ndarray of float64, shape (n,)
        Horizontal tension, N.

    Notes
    -----
    With beam shear V (even weight, point loads) the slopes are V / H, and the length condition
    L (1 + H c / EA) = c S + G / H^2, with c = chord / span and G = 1/2 integral of V^2, is a
    cubic in H with one positive root. Second order in the slopes.
    """
    total = length_m.sum(axis=1)
    side_a, side_b = _shear(-load_n[..., 1], place_m, span_m, 0.0)
    down_a, down_b = _shear(-load_n[..., 2], place_m, span_m, weight_n_per_m * total / span_m)
    edges = np.concatenate([np.zeros_like(span_m)[:, None], place_m, span_m[:, None]], axis=1)
    width = np.diff(edges, axis=1)
    squares = side_a**2 + side_a * side_b + side_b**2 + down_a**2 + down_a * down_b + down_b**2
    bend = width * squares / 6.0
    slope = rise_m / span_m
    incline = np.sqrt(1.0 + slope * slope)
    cubic = total * incline / stiffness_n
    surplus = (total - span_m * incline) / cubic
    load = bend.sum(axis=1) / cubic
    tension = np.maximum(-surplus, 0.0) + np.cbrt(load)
    closed = np.zeros(tension.shape, dtype=np.bool_)
    for _ in range(60):
        step = (tension * tension * (tension + surplus) - load) / (
            tension * (3.0 * tension + 2.0 * surplus)
        )
        tension = np.where(closed, tension, tension - step)
        closed |= np.abs(step) <= 1e-12 * tension
        if closed.all():
            break
    h = tension[:, None]
    lateral = -_running(0.5 * width * (side_a + side_b)) / h
    below = _running(0.5 * width * (down_a + down_b)) / h
    grown = _running(length_m) * (1.0 + h * incline[:, None] / stiffness_n[:, None])
    along = (grown - _running(bend) / h**2) / incline[:, None]
    along += slope[:, None] * below / incline[:, None] ** 2
    up = slope[:, None] * along - below
    return np.stack([along, lateral, up], axis=2), tension
