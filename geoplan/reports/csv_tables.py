"""Tables of a plan as CSV, in the units of the reader, safe to open in a spreadsheet.

Enters: a `Plan`.
Leaves: one CSV file per table of `CSV_TABLES`.
Does not do: geometry (that is in the GeoPackage).

UTF-8 without a byte order mark, comma, LF at the end of each row, unknown left empty. A text that
a spreadsheet would take for a formula gets an apostrophe in front; numbers never do. A carriage
return without a line feed becomes a line feed: the writer would not quote it, and readers would
start a row there.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from geoplan.reports.frames import report_frame, tables_of
from geoplan.tables import TABLES

if TYPE_CHECKING:
    from geoplan.model import Plan

CSV_TABLES = (
    "drops",
    "stringing",
    "crossings",
    "hazards",
    "unserved",
    "terminals",
    "jobs",
    "crossing_audit",
    "drop_materials",
    "day_materials",
    "materials",
    "reels",
    "reel_cuts",
    "crew_days",
    "crew_stops",
    "set_aside",
    "findings",
)
"""Tables that are written as CSV, each to ``<name>.csv``, where the plan holds them."""

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""A text that begins so may be run by a spreadsheet; full-width forms are folded by some."""

_UNSEEN = "[ \u00a0\u180e\u2000-\u200f\u2028-\u202f\u205f-\u206f\u3000\ufeff]*"
"""Blanks and characters without a width, which some spreadsheets drop in front of a formula."""
_RISKY = re.compile(f"{_UNSEEN}[{''.join(map(re.escape, FORMULA_STARTS))}]")
_LONE_RETURN = re.compile("\r(?!\n)")


def neutralise(values: pd.Series) -> pd.Series:
    """Put an apostrophe before each text that a spreadsheet would run as a formula.

    Parameters
    ----------
    values : pandas.Series of str
        Texts; nulls stay null.

    Returns
    -------
    pandas.Series of str
        Texts, none of which starts with one of `FORMULA_STARTS`; blanks and characters without a
        width in front of it are not counted. No carriage return stands alone.
    """
    returns = values.str.contains("\r", regex=False).fillna(value=False).astype(bool)
    if returns.any():
        values = values.mask(
            returns, values[returns].map(lambda text: _LONE_RETURN.sub("\n", text))
        )
    words = values.drop_duplicates().dropna()
    risky = {word for word in words if _RISKY.match(word)}
    return values.mask(values.isin(risky), "'" + values) if risky else values


def write_csv(frame: pd.DataFrame, name: str, path: Path) -> Path:
    """Write one table in the units of the reader as CSV.

    Parameters
    ----------
    frame : pandas.DataFrame
        As from `geoplan.reports.frames.report_frame`.
    name : str
        A key of `geoplan.tables.TABLES`.
    path : pathlib.Path
        File to write.

    Returns
    -------
    pathlib.Path
        The file.
    """
    texts = [column.name for column in TABLES[name].columns if column.kind == "text"]
    safe = frame.assign(**{text: neutralise(frame[text]) for text in texts})
    safe.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")
    return path


def write_csv_tables(plan: Plan, folder: Path) -> list[Path]:
    """Write the tables of a plan as CSV files.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    folder : pathlib.Path
        An existing folder.

    Returns
    -------
    list of pathlib.Path
        The files, in the order of `CSV_TABLES`. The same plan gives the same bytes.
    """
    held = tables_of(plan)
    return [
        write_csv(report_frame(plan, name), name, folder / f"{name}.csv")
        for name in CSV_TABLES
        if name in held
    ]
