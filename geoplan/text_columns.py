"""Columns of text, made whole columns at a time and never row by row.

Enters: codes, numbers, columns of text.
Leaves: columns of text as Arrow holds them; places and order of texts.
Does not do: know what a text means.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_TEXT: Any = pd.StringDtype(na_value=np.nan)

NEAR_TIE = 1e-4
"""Numbers this near to the middle of two last digits are written one by one, to round right."""
MOST_EXACT = 1e9
"""Numbers beyond, in units of the last digit, are written one by one."""


def texts(values: Any) -> Any:
    """Return values as a column of text.

    Parameters
    ----------
    values : sequence of str
        A Series, an Index, an array or a list; None and NaN become null.

    Returns
    -------
    pandas array of str
        Not copied where it is one already.
    """
    held = getattr(values, "array", values)
    if isinstance(getattr(held, "dtype", None), pd.StringDtype):
        return held
    return pd.Series(values, dtype=object if len(values) == 0 else None).astype("str").array


def worded(codes: npt.NDArray[Any], words: Sequence[str | None]) -> Any:
    """Write codes as words.

    Parameters
    ----------
    codes : ndarray of int or bool, shape (n,)
        Place of each word in `words`; -1 gives null.
    words : sequence of str
        The words.

    Returns
    -------
    pandas array of str, shape (n,)
        One word each.
    """
    return texts(pd.Series(list(words), dtype="str")).take(codes.astype(np.int64), allow_fill=True)


def assembled(count: int, parts: Sequence[tuple[IntArray, Any]]) -> Any:
    """Put columns of text, each for some rows, into one column.

    Parameters
    ----------
    count : int
        Rows of the column.
    parts : sequence of (ndarray of int64, array of str)
        Rows, none twice, and their texts.

    Returns
    -------
    pandas array of str, shape (count,)
        Null where no part has the row.
    """
    place = np.full(count, -1, dtype=np.int64)
    start = 0
    columns = []
    for rows, column in parts:
        place[rows] = np.arange(start, start + len(rows))
        start += len(rows)
        columns.append(pd.Series(texts(column)))
    if start == 0:
        return worded(place, [])
    return pd.concat(columns, ignore_index=True).array.take(place, allow_fill=True)


def numbers(values: FloatArray, decimals: int, unknown: str = "unknown") -> Any:
    """Write numbers with fixed decimals, as ``format(value, '.2f')`` does.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Numbers.
    decimals : int
        Digits after the point.
    unknown : str
        Written for what is not finite.

    Returns
    -------
    pandas array of str, shape (n,)
        One text each. Each distinct text is made once.
    """
    values = np.asarray(values, dtype=np.float64)
    known = np.isfinite(values)
    scaled = np.where(known, values, 0.0) * 10.0**decimals
    whole = np.rint(scaled)
    hard = np.abs(np.abs(scaled - whole) - 0.5) < NEAR_TIE
    hard |= (np.abs(scaled) > MOST_EXACT) | ((whole == 0) & np.signbit(values))
    hard &= known
    whole[hard | ~known] = 0.0
    codes, distinct = pd.factorize(whole)
    words = [f"{value / 10.0**decimals:.{decimals}f}" for value in (distinct + 0.0).tolist()]
    rows = np.flatnonzero(hard)
    own, rest = pd.factorize(values[rows])
    codes[rows] = len(words) + own
    words += [f"{value:.{decimals}f}" for value in rest.tolist()]
    codes[~known] = len(words)
    return worded(codes, [*words, unknown])


def joined(*pieces: Any) -> Any:
    """Write pieces of text one after the other.

    Parameters
    ----------
    *pieces : str or column of text, shape (n,)
        At least one column.

    Returns
    -------
    pandas array of str, shape (n,)
        Null where any piece is.
    """
    parts = [
        pa.scalar(piece, pa.large_string()) if isinstance(piece, str) else _arrow(piece)
        for piece in pieces
    ]
    whole = pc.binary_join_element_wise(*parts, pa.scalar("", pa.large_string()))
    return _TEXT.__from_arrow__(whole)


def places(values: Any, among: Any) -> IntArray:
    """Find texts among others.

    Parameters
    ----------
    values, among : columns of text, shape (n,) and (m,)
        What to find, and where; none is there twice.

    Returns
    -------
    ndarray of int64, shape (n,)
        Row in `among`; -1 where it is not there, or null.
    """
    found = pc.index_in(_arrow(values), value_set=_arrow(among), skip_nulls=True)
    return np.asarray(pc.fill_null(found, -1).to_numpy(), dtype=np.int64)


def ranks(values: Any) -> IntArray:
    """Rank texts by their order, equal texts alike, null last.

    Parameters
    ----------
    values : column of text, shape (n,)
        Texts.

    Returns
    -------
    ndarray of int64, shape (n,)
        Numbers that sort as the texts do, by code point.
    """
    coded = _arrow(values).dictionary_encode()
    words = coded.dictionary
    rank = np.arange(len(words) + 1, dtype=np.int64)
    if not _is_rising(words):
        rank[pc.array_sort_indices(words).to_numpy()] = np.arange(len(words))
    code = pc.fill_null(coded.indices, len(words)).to_numpy()
    return np.asarray(rank[code], dtype=np.int64)


def row_order(frame: pd.DataFrame, key: Sequence[str]) -> IntArray | None:
    """Return the order of rows by a key; rows of the same key stay as they are.

    Parameters
    ----------
    frame : pandas.DataFrame
        A table.
    key : sequence of str
        Columns to sort by, the first first; null comes last.

    Returns
    -------
    ndarray of int64 or None
        Rows in order; None where they are in order already.
    """
    columns = [
        ranks(frame[name]) if isinstance(frame[name].dtype, pd.StringDtype) else frame[name]
        for name in key
    ]
    arrays = [np.asarray(column) for column in columns]
    tie = np.ones(max(len(frame) - 1, 0), dtype=bool)
    for array in arrays:
        rises = array[:-1] <= array[1:]
        if array.dtype.kind == "f":
            rises |= np.isnan(array[1:])
        if not rises[tie].all():
            return np.lexsort(arrays[::-1]).astype(np.int64)
        same = array[:-1] == array[1:]
        if array.dtype.kind == "f":
            same |= np.isnan(array[:-1]) & np.isnan(array[1:])
        tie &= same
    return None


def _arrow(values: Any) -> Any:
    """Return a column of text as one Arrow array."""
    array = pa.array(texts(values), type=pa.large_string())
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def _is_rising(words: Any) -> bool:
    """Tell whether texts are in order."""
    return len(words) < 2 or bool(pc.all(pc.less_equal(words[:-1], words[1:])).as_py())
