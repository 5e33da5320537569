"""Values of columns: text and numbers as files hold them, in; typed SI columns, out.

Enters: a file's columns as read and the matches of columns.
Leaves: the declared columns with their declared types, and a list of cells that were unusable.
Does not do: set rows aside, look at geometry, fill defaults that the project sets.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.layers.columns import UNIT_WORDS, Match
from geoplan.tables import Column, InputLayer
from geoplan.units import to_si

FloatArray = npt.NDArray[np.float64]

REFERENCES = frozenset({"locked_terminal_id", "forbidden_terminal_ids", "terminal_id"})
"""Text columns that hold ids of poles, so they are read as ids are."""

_NUMBER = r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
_LONGEST_SHOWN = 40
_MOST = {"float": 1e12, "int": 1e9}
"""Beyond these a number is a slip in any unit, and would spoil sums."""


@dataclass(frozen=True)
class Fields:
    """A layer's columns after reading."""

    values: pd.DataFrame
    """Declared columns in declared order, the id among them, one row per row of the file."""
    cells: pd.DataFrame
    """Unusable cells: ``position``, ``key``, ``problem``, ``is_essential``."""


def check_fields(layer: InputLayer, raw: pd.DataFrame, matches: Sequence[Match]) -> Fields:
    """Read all declared columns of a layer.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    raw : pandas.DataFrame, n rows
        The file's columns as they came.
    matches : sequence of Match
        From `geoplan.layers.columns.match_columns`.

    Returns
    -------
    Fields
        Text as ``str`` with NaN for null; numbers as float64 in SI with NaN for null;
        counts with a default (or ``ports_total``) as int64, other counts as float64.

    Notes
    -----
    A cell that is not a number, not finite, out of the declared bounds or not whole where a
    count is wanted becomes null and is listed in ``cells``; it is essential (the row cannot be
    used without it) where the column counts ports.
    """
    values: dict[str, pd.Series[Any]] = {}
    cells = []
    for match in matches:
        column = match.column
        if match.field is None:
            series = pd.Series(np.full(len(raw), np.nan), index=raw.index)
            values[column.name] = _typed(column, series)
        elif column.kind == "text":
            is_id = column.name == layer.id_column or column.name in REFERENCES
            read = read_ids if is_id else read_text
            values[column.name] = read(raw[match.field])
            if column.name == "forbidden_terminal_ids":
                values[column.name] = _per_value(values[column.name], _tidy_list)
        else:
            numbers, bad = read_numbers(raw[match.field], column, match.unit)
            values[column.name] = _typed(column, pd.Series(numbers, index=raw.index))
            if len(bad):
                is_essential = column.key.startswith("ports_")
                cells.append(bad.assign(key=column.key, is_essential=is_essential))
    empty = {"position": "int64", "problem": "str", "key": "str", "is_essential": "bool"}
    table = (
        pd.concat(cells, ignore_index=True)
        if cells
        else pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in empty.items()})
    )
    return Fields(pd.DataFrame(values, index=raw.index), table)


def read_numbers(
    raw: pd.Series[Any], column: Column, unit: str | None
) -> tuple[FloatArray, pd.DataFrame]:
    """Read one column of numbers, from numbers or from text.

    Parameters
    ----------
    raw : pandas.Series, shape (n,)
        Values as they came; null and blank text are null.
    column : Column
        Declaration, with kind and bounds (in SI).
    unit : str or None
        Unit of plain numbers; a unit in the cell (``"35 ft"``) goes before it.

    Returns
    -------
    values : ndarray of float64, shape (n,)
        In SI; NaN where null or unusable.
    bad : pandas.DataFrame
        ``position`` (0-based) and ``problem`` of each unusable cell.
    """
    if pd.api.types.is_numeric_dtype(raw) and not pd.api.types.is_bool_dtype(raw):
        numbers = raw.to_numpy(dtype=np.float64, na_value=np.nan)
        given = np.isfinite(numbers) | np.isinf(numbers)
        values = np.asarray(numbers * _factor(unit, column), dtype=np.float64)
        problem = np.zeros(len(raw), dtype=np.int8)
    else:
        values, problem = _numbers_in_text(raw.astype("str"), column, unit)
        given = raw.notna().to_numpy()
    with np.errstate(invalid="ignore"):
        open_ = given & (problem == 0) & ~np.isnan(values)
        problem[open_ & (np.abs(values) > _MOST.get(column.kind, np.inf))] = 2
        is_low = values < (-np.inf if column.minimum is None else column.minimum)
        is_high = values > (np.inf if column.maximum is None else column.maximum)
        is_part = (values != np.round(values)) if column.kind == "int" else np.zeros(1, bool)
    for code, mask in ((3, is_low), (4, is_high), (5, is_part)):
        problem[open_ & (problem == 0) & mask] = code
    position = np.flatnonzero(problem)
    if not len(position):
        return values, pd.DataFrame({"position": position, "problem": pd.Series(dtype="str")})
    values = np.where(problem == 0, values, np.nan)
    return values, pd.DataFrame(
        {
            "position": position.astype(np.int64),
            "problem": _tell(raw.iloc[position], problem[position], column),
        }
    )


def _tell(raw: pd.Series[Any], problem: npt.NDArray[np.int8], column: Column) -> pd.Series[Any]:
    words = {
        1: "not a number",
        2: "not a finite number of any use",
        3: f"less than {column.minimum:g}" if column.minimum is not None else "",
        4: f"more than {column.maximum:g}" if column.maximum is not None else "",
        5: "not a whole number",
    }
    shown = raw.astype("str").str.slice(0, _LONGEST_SHOWN).to_numpy(dtype=object)
    why = pd.Series(problem).map(words).to_numpy(dtype=object)
    return pd.Series("is '" + shown + "', " + why, dtype="str")


def _factor(unit: str | None, column: Column) -> float:
    return float(to_si(1.0, unit, column.quantity)) if unit and column.quantity else 1.0


def _numbers_in_text(
    text: pd.Series[Any], column: Column, unit: str | None
) -> tuple[FloatArray, npt.NDArray[np.int8]]:
    """Values in SI and problem codes; works on distinct texts, of which there are few."""
    codes, distinct = pd.factorize(text.str.strip())
    parts = pd.Series(distinct, dtype="str").str.extract(rf"^{_NUMBER}\s*(.*)$")
    numbers = pd.to_numeric(parts[0], errors="coerce").to_numpy(dtype=np.float64)
    words = parts[1].fillna("").str.lower()
    known = UNIT_WORDS.get(column.quantity or "", {})
    factors = {"": _factor(unit, column)}
    factors.update({word: _factor(name, column) for word, name in known.items()})
    scale = words.map(factors).to_numpy(dtype=np.float64)
    values = numbers * scale
    named = pd.Series(distinct, dtype="str").str.lower()
    is_infinite = named.str.fullmatch(r"[+-]?(inf|infinity)").to_numpy(dtype=bool)
    is_blank = named.isin(["", "nan"]).to_numpy(dtype=bool)
    problem = np.where(is_infinite, 2, np.where(np.isnan(values) & ~is_blank, 1, 0))
    values = np.append(values, np.nan)  # code -1 is null
    return np.asarray(values[codes], dtype=np.float64), np.append(problem, 0).astype(np.int8)[codes]


def _typed(column: Column, values: pd.Series[Any]) -> pd.Series[Any]:
    if column.kind == "text":
        return values.astype("str")
    if column.kind == "int" and (column.default is not None or column.name == "ports_total"):
        return values.fillna(float(column.default or 0)).astype(np.int64)
    return values.astype(np.float64)


def read_text(raw: pd.Series[Any]) -> pd.Series[Any]:
    """Read one column of text, just as it is.

    Parameters
    ----------
    raw : pandas.Series, shape (n,)
        Values as they came.

    Returns
    -------
    pandas.Series of str, shape (n,)
        NaN for null and for blank text; whole floats lose their ``.0``.
    """
    if pd.api.types.is_float_dtype(raw):
        return read_ids(raw)
    text = raw.astype("str")
    return text.where(text.str.strip() != "")


def read_ids(raw: pd.Series[Any]) -> pd.Series[Any]:
    """Read one column of ids.

    Parameters
    ----------
    raw : pandas.Series, shape (n,)
        Text or numbers.

    Returns
    -------
    pandas.Series of str, shape (n,)
        Without surrounding space; ``12.0`` becomes ``12``; NaN for null and blank.
    """
    if pd.api.types.is_float_dtype(raw):
        values = raw.to_numpy(dtype=np.float64, na_value=np.nan)
        with np.errstate(invalid="ignore"):
            is_whole = (values == np.round(values)) & (np.abs(values) < 2.0**63)
        text = pd.Series(values, index=raw.index).astype("str").where(np.isfinite(values))
        whole = np.where(is_whole, values, 0.0).astype(np.int64)
        return text.mask(is_whole, pd.Series(whole, index=raw.index).astype("str"))
    text = raw.astype("str").str.strip()
    text = text.where(text != "")
    is_padded = text.str.fullmatch(r"[+-]?[0-9]+\.0+", na=False)
    if is_padded.any():
        text = text.mask(is_padded, text.str.replace(r"\.0+$", "", regex=True))
    return text


def _tidy_list(text: str) -> str:
    """One list of ids split by semicolons, each read as an id."""
    ids = read_ids(pd.Series(text.split(";"), dtype="str")).dropna()
    return ";".join(sorted(set(ids)))


def _per_value(series: pd.Series[Any], change: Callable[[str], str]) -> pd.Series[Any]:
    """Apply a function to each distinct text; null stays null, and blank becomes null."""
    distinct = series.dropna().unique()
    changed = series.map({text: change(text) for text in distinct}).astype("str")
    return changed.where(changed != "")
