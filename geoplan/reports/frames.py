"""Tables of a plan as reports show them: declared columns, stable order, units of the reader.

Enters: a `Plan`.
Leaves: frames with just the declared columns, in SI or in the report's units.
Does not do: write files; compute a figure that the plan does not hold.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoplan.tables import TABLES, UNIT_SUFFIX, Column
from geoplan.units import ReportUnits, for_report, report_unit

if TYPE_CHECKING:
    from geoplan.model import Plan

COST_DECIMALS = 2
PLAIN_DECIMALS = 4
MISSING_CHARACTER = "\ufffd"

TEXT_LENGTH = 600
"""Longer texts are cut in popups; the tables have them in full."""


def tables_of(plan: Plan) -> tuple[str, ...]:
    """Name the tables that a plan holds, in the order of `TABLES`; some may not be worked out."""
    return tuple(name for name in TABLES if getattr(plan, name) is not None)


def clean_text(values: pd.Series) -> pd.Series:
    """Replace what no file format can hold in a text: NUL and broken Unicode.

    Parameters
    ----------
    values : pandas.Series
        Texts; nulls stay null.

    Returns
    -------
    pandas.Series of str
        The same, with U+FFFD for each NUL and ``?`` for each lone surrogate.
    """
    if values.dtype == object:
        values = values.map(storable, na_action="ignore").astype("str")
    return values.str.replace("\x00", MISSING_CHARACTER, regex=False)


def storable(text: object) -> str:
    """Return one text without lone surrogates and NUL, see `clean_text`."""
    plain = str(text).encode("utf-8", "replace").decode("utf-8")
    return plain.replace("\x00", MISSING_CHARACTER)


def cut(text: object, length: int = TEXT_LENGTH) -> str:
    """Return a text for a popup: null as 'unknown', an over-long one cut with an ellipsis."""
    if text is None or text is pd.NA or (isinstance(text, float) and math.isnan(text)):
        return "unknown"
    plain = storable(text)
    return plain if len(plain) <= length else f"{plain[: length - 1]}\u2026"


def declared_frame(plan: Plan, name: str) -> pd.DataFrame:
    """Return one table of a plan with its declared columns, sorted by its key.

    Parameters
    ----------
    plan : Plan
        A finished plan; the order of its rows does not matter.
    name : str
        A key of `geoplan.tables.TABLES`.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        Columns in the declared order, SI, then ``geometry`` where the table has one; a plain
        range index.

    Raises
    ------
    KeyError
        If a declared column is missing.
    """
    return sorted_frame(getattr(plan, name), name)


def sorted_frame(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return one frame with the declared columns of a table, see `declared_frame`.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Rows in any order.
    name : str
        A key of `geoplan.tables.TABLES`.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        Declared columns, sorted by the key, texts that any file can hold.
    """
    table = TABLES[name]
    columns = list(table.column_names)
    if table.geometry != "none":
        columns.append("geometry")
    frame = frame[columns].sort_values(list(table.key), kind="stable", ignore_index=True)
    texts = [column.name for column in table.columns if column.kind == "text"]
    return frame.assign(**{text: clean_text(frame[text]) for text in texts})


def report_name(column: Column, units: ReportUnits) -> str:
    """Return the name of a column in a report: the unit in it is the reader's.

    Parameters
    ----------
    column : Column
        A declared column, its name in SI.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    str
        For example ``air_span_ft`` for ``air_span_m``.

    Notes
    -----
    The column ``amount`` of hazards holds a figure of any quantity and cannot be converted, so
    it stays in SI and its name says so.
    """
    if column.name == "amount":
        return "amount_si"
    if column.quantity is None:
        return column.name
    base = column.name.removesuffix(UNIT_SUFFIX[column.quantity])
    return f"{base}_{report_unit(column.quantity, units).suffix.lower()}"


def report_frame(plan: Plan, name: str) -> pd.DataFrame:
    """Return one table of a plan in the units of its project's reports, rounded for reading.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    name : str
        A key of `geoplan.tables.TABLES`.

    Returns
    -------
    pandas.DataFrame
        No geometry. Figures have the decimals of `geoplan.units.report_unit`; quantities
        without decimals are whole numbers; unknown stays null.
    """
    units: ReportUnits = plan.project.units
    frame = _items_in(declared_frame(plan, name), name, units)
    return pd.DataFrame(
        {
            report_name(column, units): report_values(frame[column.name], column, units)
            for column in TABLES[name].columns
        }
    )


def _items_in(frame: pd.DataFrame, name: str, units: ReportUnits) -> pd.DataFrame:
    """Convert items that are counted by the metre, with their price, to the reader's unit."""
    if "unit" not in TABLES[name].column_names:
        return frame
    shown = report_unit("length", units).unit
    by_metre = frame["unit"] == "m"
    one = float(for_report(1.0, "length", units))
    changed = {"unit": frame["unit"].mask(by_metre, shown)}
    for column in ("quantity", "order_quantity"):
        if column in frame:
            changed[column] = frame[column].mask(by_metre, frame[column] * one)
    if "unit_cost" in frame:
        changed["unit_cost"] = frame["unit_cost"].mask(by_metre, frame["unit_cost"] / one)
    return frame.assign(**changed)


def report_values(values: pd.Series, column: Column, units: ReportUnits) -> pd.Series:
    """Return one column in the report's unit, rounded.

    Parameters
    ----------
    values : pandas.Series
        Values of the column, SI.
    column : Column
        Its declaration.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    pandas.Series
        Text, counts and flags as they are; floats converted and rounded; infinite is null.
    """
    if column.kind != "float":
        return values
    numbers = values.to_numpy(dtype=np.float64)
    numbers = np.where(np.isfinite(numbers), numbers, np.nan)
    if column.quantity is None:
        decimals = COST_DECIMALS if column.name.endswith("cost") else PLAIN_DECIMALS
    else:
        decimals = report_unit(column.quantity, units).decimals
        numbers = for_report(numbers, column.quantity, units)
    rounded = pd.Series(np.round(numbers, decimals) + 0.0, index=values.index)  # no -0.0
    return rounded.astype("Int64") if decimals == 0 else rounded
