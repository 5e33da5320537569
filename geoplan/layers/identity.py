"""Which row is which: ids for rows without one, and one row for each id.

Enters: ids as read, geometry in working coordinates, values.
Leaves: ids, and an order of rows that depends on their content only.
Does not do: drop rows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

ORDER_GRID_M = 0.001
"""Bounds are compared to the millimetre, so that a file's own rounding has no say."""


@dataclass(frozen=True)
class Identity:
    """Ids of all rows, and their order."""

    ids: pd.Series[str]
    """Never null; not yet unique; by position."""
    is_generated: BoolArray
    order: IntArray
    """Positions sorted by id, then by content."""
    is_sorted: bool
    """Whether rows are unique and in that order already."""


def content_order(geometry: npt.NDArray[Any], columns: pd.DataFrame) -> IntArray:
    """Return the order of rows by their content alone.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        Working coordinates, m; None allowed.
    columns : pandas.DataFrame, n rows
        Whatever else tells rows apart; earlier columns go first.

    Returns
    -------
    ndarray of intp, shape (n,)
        Positions, from west to east, then by the other bounds, the columns and the exact
        geometry; rows without geometry come last.
    """
    bounds = np.round(shapely.bounds(geometry) / ORDER_GRID_M) + 0.0
    ranks = [
        pd.factorize(columns[name].astype("str"), sort=True)[0]
        if not pd.api.types.is_numeric_dtype(columns[name])
        else columns[name].to_numpy(dtype=np.float64, na_value=np.nan)
        for name in columns
    ]
    exact = pd.Series(shapely.to_wkb(shapely.normalize(geometry), hex=True), dtype="str")
    keys = [*bounds.T, *ranks, pd.factorize(exact, sort=True)[0]]
    return np.lexsort(keys[::-1])


def name_rows(
    ids: pd.Series[Any],
    geometry: npt.NDArray[Any],
    columns: Callable[[IntArray], pd.DataFrame],
) -> Identity:
    """Give each row an id and an order that shuffling the file doesn't change.

    Parameters
    ----------
    ids : pandas.Series of str, shape (n,)
        As read; NaN where the file has none.
    geometry : ndarray of shapely geometries, shape (n,)
        Working coordinates, m; None allowed.
    columns : callable
        Given positions, returns a frame of whatever else tells those rows apart; asked only
        for rows that share an id or have none.

    Returns
    -------
    Identity
        A row without id is named ``row-<rank>``, where rank counts the layer's rows without id
        in the order of `content_order`, from 1.
    """
    named = ids.reset_index(drop=True)
    is_null = ids.isna().to_numpy()
    if is_null.any():
        nameless = np.flatnonzero(is_null)
        ranked = nameless[content_order(geometry[nameless], columns(nameless))]
        prefix = "row-"
        while ids.str.startswith(prefix, na=False).any():
            prefix = f"row-{prefix}"
        numbers = pd.Series(np.arange(1, len(ranked) + 1)).astype("str").to_numpy(dtype=object)
        words = named.to_numpy(dtype=object, copy=True)
        words[ranked] = prefix + numbers
        named = pd.Series(words, dtype="str")
    if is_ascending(named):
        return Identity(named, is_null, np.arange(len(named), dtype=np.intp), is_sorted=True)
    codes, _ = pd.factorize(named, sort=True)
    order = np.argsort(codes, kind="stable")
    is_shared = (np.bincount(codes) > 1)[codes] if len(codes) else np.zeros(0, dtype=bool)
    if is_shared.any():
        shared = np.flatnonzero(is_shared)
        rank = np.zeros(len(codes), dtype=np.intp)
        inner = content_order(geometry[shared], columns(shared))
        rank[shared[inner]] = np.arange(len(shared))
        order = np.lexsort((rank, codes))
    return Identity(named, is_null, order, is_sorted=False)


def is_ascending(ids: pd.Series[Any]) -> bool:
    """Return whether ids are sorted and unique.

    Parameters
    ----------
    ids : pandas.Series of str, shape (n,)
        None of them null.

    Returns
    -------
    bool
        True also where there are none.
    """
    text = pa.array(ids)
    return bool(pc.all(pc.less(text[:-1], text[1:]), min_count=0).as_py())


def find_repeats(ids: pd.Series[Any] | npt.NDArray[Any]) -> tuple[BoolArray, IntArray]:
    """Return which rows repeat an id, and the position of the row each one repeats.

    Parameters
    ----------
    ids : Series or ndarray of str, shape (n,)
        Sorted, so that equal ids stand together; none of them null.

    Returns
    -------
    is_repeat : ndarray of bool, shape (n,)
        False for the first row of each id.
    first : ndarray of intp, shape (n,)
        Position of the first row with the same id.
    """
    text = pa.array(ids)
    is_repeat = np.zeros(len(ids), dtype=bool)
    is_repeat[1:] = np.asarray(pc.equal(text[1:], text[:-1]), dtype=bool)
    first = np.maximum.accumulate(np.where(is_repeat, 0, np.arange(len(ids))))
    return is_repeat, first.astype(np.intp)
