"""An elastic catenary of the tests' own, solved with scipy from its two equations.

Nothing of the package's mechanics is used.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

POINTS = 1600


def hang(
    span: float, rise: float, length: float, load: float, ea: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return horizontal and vertical distance along an elastic catenary, and its tension."""

    def ends(h: float) -> float:
        """Vertical force at the start, upward positive along the wire, that meets the rise."""

        def miss(v: float) -> float:
            top = v + load * length
            return (
                length / ea * (v + load * length / 2)
                + (math.hypot(h, top) - math.hypot(h, v)) / load
            ) - rise

        far = load * length + abs(h) * (abs(rise) / span + 10) * 3
        return brentq(miss, -far, far, xtol=1e-12, rtol=1e-14)

    def too_far(h: float) -> float:
        v = ends(h)
        turn = math.asinh((v + load * length) / h) - math.asinh(v / h)
        return h * length / ea + h / load * turn - span

    h = brentq(too_far, 1e-3 * load * span, ea * 0.2, xtol=1e-10, rtol=1e-14)
    v = ends(h)
    s = np.linspace(0.0, length, POINTS)
    along = h * s / ea + h / load * (np.arcsinh((v + load * s) / h) - np.arcsinh(v / h))
    up = s / ea * (v + load * s / 2) + (np.hypot(h, v + load * s) - np.hypot(h, v)) / load
    return along, up, float(max(math.hypot(h, v), math.hypot(h, v + load * length)))
