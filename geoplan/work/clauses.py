"""Sentences put together from clauses that hold for some rows each.

Enters: rows and their words.
Leaves: one text for each row.
Does not do: know what is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.text_columns import assembled, joined, numbers, worded
from geoplan.units import ReportUnits, for_report, report_unit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

BETWEEN = "; "


def chained(count: int, parts: Sequence[tuple[IntArray, Any]], between: str = BETWEEN) -> Any:
    """Join clauses row by row, in the order of the parts.

    Parameters
    ----------
    count : int
        Rows.
    parts : sequence of (ndarray of int64, array of str)
        Rows, none twice within a part, and their clauses; null ones are left out.
    between : str
        What splits them.

    Returns
    -------
    pandas array of str, shape (count,)
        Null where a row has none.

    Examples
    --------
    >>> list(chained(2, [(np.array([0]), ["a"]), (np.array([0, 1]), ["b", "c"])]))
    ['a; b', 'c']
    """
    whole = pd.Series(worded(np.zeros(count, dtype=np.int64), ("",)))
    for rows, words in parts:
        clause = pd.Series(assembled(count, [(rows, joined(between, words))]))
        whole = whole + clause.fillna("")
    text = whole.str[len(between) :]
    return text.where(text != "", None).astype("str").array


def per_row(rows: IntArray, words: Any, count: int, between: str = BETWEEN) -> Any:
    """Join all clauses of each row, in their order.

    Parameters
    ----------
    rows : ndarray of int64, shape (m,)
        Row of each clause; may be there several times.
    words : array of str, shape (m,)
        Clauses.
    count : int
        Rows.
    between : str
        What splits them.

    Returns
    -------
    pandas array of str, shape (count,)
        As in `chained`.
    """
    rank = pd.Series(rows).groupby(rows).cumcount().to_numpy() if len(rows) else rows
    text = pd.Series(words, dtype="str").array
    parts = []
    for number in range(int(rank.max(initial=-1)) + 1):
        at = np.flatnonzero(rank == number)
        parts.append((rows[at], text.take(at)))
    return chained(count, parts, between)


def in_words(values: FloatArray, quantity: str, units: ReportUnits) -> Any:
    """Write quantities with their unit.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        SI.
    quantity : str
        As in `geoplan.units.report_unit`.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    pandas array of str, shape (n,)
        ``unknown`` where a value is NaN.
    """
    shown = report_unit(quantity, units)
    text = numbers(np.asarray(for_report(values, quantity, units)), shown.decimals)
    return joined(text, worded(np.isfinite(values), ("", f" {shown.unit}")))
