"""How far a pull by hand alone holds a wire, before grip and hoist tension it.

Enters: the pull of a wire as it is to be strung, what its clearance has over what is asked.
Leaves: whether it clears a road while one holds it by hand at the pull that it is to have.
Does not do: let a wire hang lower for the time being: the road waits until it is made fast.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BY_HAND_N = 200.0
"""Pull above which no wire is set by hand from a ladder, N; common practice, no source."""


def clears_by_hand(pull_n: FloatArray, margin_m: FloatArray) -> BoolArray:
    """Tell which wires clear what is below them while a hand alone holds them at their pull.

    Parameters
    ----------
    pull_n : ndarray of float64, shape (n,)
        Pull at stringing, N.
    margin_m : ndarray of float64, shape (n,)
        What the clearance has over what is asked, at the worst sag, m.

    Returns
    -------
    ndarray of bool, shape (n,)
        False above `BY_HAND_N`, where the sag is set by grip and hoist and the wire goes up and
        down meanwhile, and where something is not known.

    Examples
    --------
    >>> clears_by_hand(np.array([150.0, 250.0]), np.array([0.1, 0.1])).tolist()
    [True, False]
    """
    return np.asarray((pull_n <= BY_HAND_N) & (margin_m >= 0.0), dtype=bool)
