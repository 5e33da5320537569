"""Evaluate differences of hyperbolic functions without loss of digits near zero.

*Enters*: arrays of arguments of zero or more.
*Leaves*: arrays of the same shape.
*Does not do*: check arguments; the largest argument it is meant for is about 300.
"""

from __future__ import annotations

import math

import numpy as np

from geoplan.mechanics.arguments import Array

SERIES_LIMIT = 1.0
"""Largest argument that the power series are used for."""

_TERMS = 9
_SINH_LESS = [1.0 / math.factorial(2 * k + 3) for k in range(_TERMS)]
_Y_COSH_LESS_SINH = [(2 * k + 2) / math.factorial(2 * k + 3) for k in range(_TERMS)]


def _series(y: Array, coefficients: list[float]) -> Array:
    """Sum y**3 * (c0 + c1 y**2 + ...), always all terms: no argument has a say in another."""
    square = y * y
    total = np.full_like(y, coefficients[-1])
    for c in coefficients[-2::-1]:
        total *= square
        total += c
    total *= square
    total *= y
    return total


def sinh_less_argument(y: Array) -> Array:
    """Return sinh(y) - y to full relative accuracy.

    Parameters
    ----------
    y : ndarray of float64, any shape, 0 to about 300
        Arguments.

    Returns
    -------
    ndarray of float64
        sinh(y) - y.

    Notes
    -----
    Power series up to 1, where the plain difference loses digits; the difference beyond.

    Examples
    --------
    >>> f"{sinh_less_argument(np.array([1e-6]))[0]:.6e}"
    '1.666667e-19'
    """
    top = float(y.max(initial=0.0))
    if top <= SERIES_LIMIT:
        return _series(y, _SINH_LESS)
    result = np.sinh(y) - y
    small = y <= SERIES_LIMIT
    if small.any():
        result[small] = _series(y[small], _SINH_LESS)
    return result


def argument_coth_less_one(y: Array, sinh_y: Array) -> Array:
    """Return y * coth(y) - 1 to full relative accuracy.

    Parameters
    ----------
    y : ndarray of float64, any shape, above 0, to about 300
        Arguments.
    sinh_y : ndarray of float64, same shape
        sinh(y), which every caller has at hand.

    Returns
    -------
    ndarray of float64
        y * coth(y) - 1.
    """
    top = float(y.max(initial=0.0))
    if top <= SERIES_LIMIT:
        return _series(y, _Y_COSH_LESS_SINH) / sinh_y
    result = y / np.tanh(y) - 1.0
    small = y <= SERIES_LIMIT
    if small.any():
        part = _series(y[small], _Y_COSH_LESS_SINH)
        result[small] = part / sinh_y[small]
    return result
