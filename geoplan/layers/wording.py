"""Numbers as text, column by column, for the sentences of findings.

Enters: arrays of numbers.
Leaves: arrays of Python strings.
Does not do: convert units.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

ObjectArray = npt.NDArray[np.object_]


def figures(values: npt.NDArray[Any], decimals: int) -> ObjectArray:
    """Write numbers as text with fixed decimals, for reasons.

    Parameters
    ----------
    values : ndarray of numbers, shape (n,)
        In the unit that the sentence around them names.
    decimals : int
        Digits after the point.

    Returns
    -------
    ndarray of str, shape (n,)
        Python strings, so that ``"at " + figures(...)`` joins them one by one.

    Examples
    --------
    >>> figures(np.array([1.25, 3.0]), 1).tolist()
    ['1.2', '3.0']
    """
    texts: ObjectArray = np.char.mod(f"%.{decimals}f", values).astype(object)
    return texts
