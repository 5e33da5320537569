"""Figures and texts of tables as columns of a `Pack`, in the units of the reader.

Enters: columns of declared tables, SI.
Leaves: columns of whole numbers: the figure times ten for each decimal that reports show.
Does not do: compute; say what a figure is.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.reports.frames import COST_DECIMALS, TEXT_LENGTH, clean_text
from geoplan.reports.map.pack import MOST, IntArray, Pack
from geoplan.units import ReportUnits, for_report, report_unit

QUANTITIES = ("length", "sag", "force", "temperature", "angle")
SHARE_DECIMALS = 3
ID_LETTERS = 80
DIGEST_DIGITS = 8
TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def unit_words(units: ReportUnits) -> dict[str, list[Any]]:
    """Return, by quantity, the unit's label and the decimals that the columns are scaled by."""
    shown = {name: report_unit(name, units) for name in QUANTITIES}
    words: dict[str, list[Any]] = {name: [one.unit, one.decimals] for name, one in shown.items()}
    return {**words, "cost": ["", COST_DECIMALS], "share": ["", SHARE_DECIMALS]}


def add_figures(
    pack: Pack, name: str, values: pd.Series, quantity: str, units: ReportUnits
) -> None:
    """Add a column of figures.

    Parameters
    ----------
    pack : Pack
        The block.
    name : str
        Name of the column.
    values : pandas.Series of float64
        SI; not finite, or beyond what a column holds, is unknown.
    quantity : str
        As in `geoplan.units.report_unit`, or ``cost``, or ``share``.
    units : {'us', 'metric'}
        Units of the report.
    """
    numbers, known = scaled(values, quantity, units)
    pack.numbers(name, numbers, known)


def scaled(
    values: pd.Series, quantity: str, units: ReportUnits
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Return figures as the whole numbers that a column holds, and which of them are known.

    Parameters
    ----------
    values : pandas.Series of float64
        As in `add_figures`.
    quantity : str
        As in `add_figures`.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    numbers : ndarray of int64
        0 where unknown.
    known : ndarray of bool
        Whether the figure is finite and fits a column.
    """
    figures = values.to_numpy(dtype=np.float64)
    if quantity in QUANTITIES:
        decimals = report_unit(quantity, units).decimals
        figures = for_report(figures, quantity, units)
    else:
        decimals = COST_DECIMALS if quantity == "cost" else SHARE_DECIMALS
    rounded = np.rint(figures * 10.0**decimals)
    known = np.isfinite(rounded) & (np.abs(rounded) <= MOST)
    return np.where(known, rounded, 0.0).astype(np.int64), known


def add_rest(
    pack: Pack, name: str, values: pd.Series, quantity: str, units: ReportUnits, guess: IntArray
) -> None:
    """Add a column of figures as their differences from what the page works out by itself.

    Parameters
    ----------
    pack, name, values, quantity, units
        As in `add_figures`.
    guess : ndarray of int64, shape (n,)
        What the page works out, scaled as the column is; any where the figure is unknown.
    """
    numbers, known = scaled(values, quantity, units)
    known = known & (np.abs(numbers - guess) <= MOST)
    pack.numbers(name, np.where(known, numbers - guess, 0), known)


def add_counts(pack: Pack, name: str, values: pd.Series) -> None:
    """Add a column of counts or flags; null is unknown."""
    known = values.notna().to_numpy()
    numbers = values.fillna(0).astype("int64").to_numpy()
    known = known & (np.abs(numbers) <= MOST)
    pack.numbers(name, np.where(known, numbers, 0), known)


def add_texts(pack: Pack, name: str, values: pd.Series, length: int = TEXT_LENGTH) -> None:
    """Add a column of texts, over-long ones cut with an ellipsis, none of which turns others."""
    pack.texts(name, shortened(unturned(clean_text(values)), length))


def add_ids(pack: Pack, name: str, values: pd.Series) -> None:
    """Add a column of ids; an over-long one is cut, with digits of its SHA-256 at its end.

    What is cut to the same letters still differs, so that the page never takes one for another.
    """
    ids = clean_text(values)
    is_long = ids.str.len().gt(ID_LETTERS).fillna(value=False).astype(bool)
    if is_long.any():
        ids = ids.mask(is_long, ids[is_long].map(_short_id))
    pack.texts(name, unturned(ids))


def _short_id(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()[:DIGEST_DIGITS]
    return f"{text[: ID_LETTERS - DIGEST_DIGITS - 1]}\u2026{digest}"


def unturned(values: pd.Series) -> pd.Series:
    """Write out the marks that embed or override the direction of writing, as ``<U+202E>``.

    They would turn round figures that stand behind them in the same sentence. Scripts that run from
    right to left need none of them here: each field is a paragraph of its own.
    """
    if not values.str.contains(f"[{TURNING}]").fillna(value=False).any():
        return values
    for mark in TURNING:
        values = values.str.replace(mark, f"<U+{ord(mark):04X}>", regex=False)
    return values


def add_rows(pack: Pack, name: str, values: pd.Series, index: pd.Index, *, steps: bool) -> None:
    """Add, for each id, the row of an index that it stands at; unknown where it is not there.

    Parameters
    ----------
    pack : Pack
        The block.
    name : str
        Name of the column.
    values : pandas.Series of str
        Ids.
    index : pandas.Index
        Unique ids.
    steps : bool
        Whether all are there and sorted, so that differences are short.
    """
    rows = index.get_indexer(pd.Index(values))
    pack.numbers(name, rows, None if steps else rows >= 0, steps=steps)


def shortened(values: pd.Series, length: int) -> pd.Series:
    """Cut texts to a length, the last letter an ellipsis."""
    is_long = values.str.len().gt(length).fillna(value=False).astype(bool)
    if not is_long.any():
        return values
    return values.mask(is_long, values.str.slice(0, length - 1) + "\u2026")
