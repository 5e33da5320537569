"""Give sag, length, tension and low point by the parabola that tight wires come close to.

*Enters*: spans, rises, weights and tensions or sags, as arrays.
*Leaves*: the same kinds, as arrays.
*Does not do*: slack wires. The weight is taken as even along the horizontal, which errs in sag
by about 0.2 % at a sag of 4 % of the span, 1.3 % at 10 %, and grows with its square.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, broadcast, checked


def parabola_sag(
    span_m: npt.ArrayLike, weight_n_per_m: npt.ArrayLike, horizontal_tension_n: npt.ArrayLike
) -> Array:
    """Return the sag at midspan, below the chord, level or inclined.

    Parameters
    ----------
    span_m : array_like of float
        Horizontal distance of the supports, m, > 0.
    weight_n_per_m : array_like of float
        Load per horizontal metre, N/m, > 0; for inclined spans the wire's weight times
        chord / span.
    horizontal_tension_n : array_like of float
        Horizontal tension, N, > 0.

    Returns
    -------
    ndarray of float64
        w S^2 / (8 H), m, positive down.

    Raises
    ------
    ValueError
        If an item is out of range.

    References
    ----------
    Textbook formula (from memory); checked against published worked examples in the tests.

    Examples
    --------
    >>> float(parabola_sag(500.0, 1.0, 10_000.0))
    3.125
    """
    span, weight, tension = broadcast(
        span_m=checked("span_m", span_m, "positive"),
        weight_n_per_m=checked("weight_n_per_m", weight_n_per_m, "positive"),
        horizontal_tension_n=checked("horizontal_tension_n", horizontal_tension_n, "positive"),
    )
    sag: Array = weight * span * span / (8.0 * tension)
    return sag


def parabola_tension(
    span_m: npt.ArrayLike, weight_n_per_m: npt.ArrayLike, sag_m: npt.ArrayLike
) -> Array:
    """Return the horizontal tension of a wire of known midspan sag.

    Parameters
    ----------
    span_m, weight_n_per_m : array_like of float
        As in `parabola_sag`.
    sag_m : array_like of float
        Sag at midspan below the chord, m, > 0.

    Returns
    -------
    ndarray of float64
        w S^2 / (8 D), N.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    return parabola_sag(span_m, weight_n_per_m, checked("sag_m", sag_m, "positive"))


def parabola_length(
    span_m: npt.ArrayLike, sag_m: npt.ArrayLike, rise_m: npt.ArrayLike = 0.0
) -> Array:
    """Return the length of wire along the curve.

    Parameters
    ----------
    span_m : array_like of float
        Horizontal distance of the supports, m, > 0.
    sag_m : array_like of float
        Sag at midspan below the chord, m, zero or more.
    rise_m : array_like of float
        Height difference of the supports, m, either sign; 0 is the level span of the textbook.

    Returns
    -------
    ndarray of float64
        c + 8 D^2 S^2 / (3 c^3) with the chord c; for level spans S + 8 D^2 / (3 S), m.

    Raises
    ------
    ValueError
        If an item is out of range.

    Notes
    -----
    First term of a series: short by about 32 D^4 / (5 S^3).
    """
    span, sag, rise = broadcast(
        span_m=checked("span_m", span_m, "positive"),
        sag_m=checked("sag_m", sag_m, "not_negative"),
        rise_m=checked("rise_m", rise_m, "finite"),
    )
    chord = np.hypot(span, rise)
    length: Array = chord + 8.0 * (sag * span) ** 2 / (3.0 * chord**3)
    return length


def parabola_vertex(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    horizontal_tension_n: npt.ArrayLike,
) -> Array:
    """Return the horizontal distance from the start to the lowest point of the curve.

    Parameters
    ----------
    span_m, weight_n_per_m, horizontal_tension_n : array_like of float
        As in `parabola_sag`.
    rise_m : array_like of float
        Height of the end less that of the start, m.

    Returns
    -------
    ndarray of float64
        S / 2 - H h / (w S), m; below zero or above the span where the curve is lowest outside.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    span, rise, weight, tension = broadcast(
        span_m=checked("span_m", span_m, "positive"),
        rise_m=checked("rise_m", rise_m, "finite"),
        weight_n_per_m=checked("weight_n_per_m", weight_n_per_m, "positive"),
        horizontal_tension_n=checked("horizontal_tension_n", horizontal_tension_n, "positive"),
    )
    vertex: Array = 0.5 * span - tension * rise / (weight * span)
    return vertex


def parabola_height(
    span_m: npt.ArrayLike, rise_m: npt.ArrayLike, sag_m: npt.ArrayLike, x_m: npt.ArrayLike
) -> Array:
    """Return the height of the curve above its start support.

    Parameters
    ----------
    span_m, rise_m : array_like of float
        Horizontal distance (> 0) and height difference of the supports, m.
    sag_m : array_like of float
        Sag at midspan below the chord, m, zero or more.
    x_m : array_like of float
        Horizontal distance from the start, m.

    Returns
    -------
    ndarray of float64
        h x / S - 4 D x (S - x) / S^2, m, positive up.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    span, rise, sag, x = broadcast(
        span_m=checked("span_m", span_m, "positive"),
        rise_m=checked("rise_m", rise_m, "finite"),
        sag_m=checked("sag_m", sag_m, "not_negative"),
        x_m=checked("x_m", x_m, "finite"),
    )
    part = x / span
    height: Array = rise * part - 4.0 * sag * part * (1.0 - part)
    return height


def parabola_tension_after_change(
    span_m: npt.ArrayLike,
    horizontal_tension_n: npt.ArrayLike,
    load_before_n_per_m: npt.ArrayLike,
    load_after_n_per_m: npt.ArrayLike,
    temperature_rise_c: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
    expansion_per_c: npt.ArrayLike,
) -> Array:
    """Return the horizontal tension of a level span after load and temperature change.

    Parameters
    ----------
    span_m : array_like of float
        Horizontal distance of the supports, m, > 0.
    horizontal_tension_n : array_like of float
        Horizontal tension before, N, > 0.
    load_before_n_per_m, load_after_n_per_m : array_like of float
        Resultant load per metre before and after, N/m, > 0.
    temperature_rise_c : array_like of float
        Temperature after less that before, C.
    stiffness_n : array_like of float
        EA, N, > 0.
    expansion_per_c : array_like of float
        Thermal expansion, 1/C, either sign.

    Returns
    -------
    ndarray of float64
        Horizontal tension after, N.

    Raises
    ------
    ValueError
        If an item is out of range.

    Notes
    -----
    The one positive root of H2 - H1 + EA a dT = EA S^2 / 24 (w2^2 / H2^2 - w1^2 / H1^2), by
    Newton steps from above. Tight, nearly level spans only; `change_of_state` has no such limit.

    References
    ----------
    Textbook formula (from memory); checked in the tests against a worked example.
    """
    span, before, w1, w2, warmer, stiffness, expansion = broadcast(
        span_m=checked("span_m", span_m, "positive"),
        horizontal_tension_n=checked("horizontal_tension_n", horizontal_tension_n, "positive"),
        load_before_n_per_m=checked("load_before_n_per_m", load_before_n_per_m, "positive"),
        load_after_n_per_m=checked("load_after_n_per_m", load_after_n_per_m, "positive"),
        temperature_rise_c=checked("temperature_rise_c", temperature_rise_c, "finite"),
        stiffness_n=checked("stiffness_n", stiffness_n, "positive"),
        expansion_per_c=checked("expansion_per_c", expansion_per_c, "finite"),
    )
    sag_term = stiffness * span * span / 24.0
    constant = sag_term * (w1 / before) ** 2 + stiffness * expansion * warmer - before
    load = sag_term * w2 * w2
    # t^3 + constant t^2 - load: rising beyond max(0, -2/3 constant), so Newton from above is safe.
    t: Array = np.maximum(-constant, 0.0) + np.cbrt(load)
    closed = np.zeros(t.shape, dtype=np.bool_)
    for _ in range(100):
        step = (t * t * (t + constant) - load) / (t * (3.0 * t + 2.0 * constant))
        t = np.where(closed, t, t - step)
        closed |= np.abs(step) <= 1e-15 * t
        if closed.all():
            break
    return t
