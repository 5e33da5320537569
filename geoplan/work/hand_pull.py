"""How a wire hangs that is pulled by hand alone, before grip and hoist tension it.

Enters: sag and pull of a wire as it is to be strung.
Leaves: by how much more it hangs, and whether it clears a road by then.
Does not do: know the wire's weight or stretch: at one weight and span, sag times pull stays.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BY_HAND_N = 200.0
"""Pull above which no wire is set by hand from a ladder, N; common practice, no source."""


def sag_more_by_hand(sag_m: FloatArray, pull_n: FloatArray) -> FloatArray:
    """Return by how much more a wire sags at the greatest pull by hand.

    Parameters
    ----------
    sag_m : ndarray of float64, shape (n,)
        Sag at stringing, m.
    pull_n : ndarray of float64, shape (n,)
        Pull at stringing, N.

    Returns
    -------
    ndarray of float64, shape (n,)
        m; 0 where that pull is within `BY_HAND_N`, NaN where it or the sag is not known.

    Notes
    -----
    Level-span parabola, sag = w S^2 / (8 H): at the same span and weight sag and pull are inverse.

    Examples
    --------
    >>> float(sag_more_by_hand(np.array([0.1]), np.array([400.0]))[0])
    0.1
    """
    pull = np.asarray(pull_n, dtype=np.float64)
    return np.asarray(sag_m * np.maximum(pull / BY_HAND_N - 1.0, 0.0), dtype=np.float64)


def clears_by_hand(sag_m: FloatArray, pull_n: FloatArray, margin_m: FloatArray) -> BoolArray:
    """Tell which wires clear what is below them when pulled by hand alone.

    Parameters
    ----------
    sag_m, pull_n : ndarray of float64, shape (n,)
        As in `sag_more_by_hand`.
    margin_m : ndarray of float64, shape (n,)
        What the clearance has over what is asked, at the worst sag, m.

    Returns
    -------
    ndarray of bool, shape (n,)
        False where something is not known. The wire's middle counts wherever the road is.
    """
    more = sag_more_by_hand(sag_m, pull_n)
    return np.asarray(more <= margin_m, dtype=bool)
