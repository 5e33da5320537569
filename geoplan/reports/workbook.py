"""The tables of a plan as one workbook (XLSX), in the units of the reader.

Enters: a `Plan`.
Leaves: an XLSX file: a sheet that says what it is, one of all columns, and one per table.
Does not do: formulas, links or macros: a text from data stays a text, whatever it looks like;
the stringing table (ten rows per drop, in the CSV tables and on the job sheets).

Each table has its names in a frozen first row that filters, and typed cells: numbers with the
decimals of the report's unit, yes or no, text; unknown is left empty. What the format can't hold
is said on the first sheet: a table with too many rows goes on in a further sheet, and a text that
is too long is cut where it says so.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoplan import __version__
from geoplan.errors import one_line
from geoplan.reports.caution import CAUTION, CAUTION_LINE
from geoplan.reports.frames import (
    COST_DECIMALS,
    MISSING_CHARACTER,
    report_frame,
    report_name,
    storable,
    tables_of,
)
from geoplan.tables import TABLES, Column
from geoplan.units import ReportUnits, report_unit

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

    from geoplan.model import Plan

WORKBOOK_TABLES = (
    "drops",
    "jobs",
    "crossings",
    "crossing_audit",
    "hazards",
    "unserved",
    "terminals",
    "materials",
    "day_materials",
    "drop_materials",
    "reels",
    "reel_cuts",
    "crew_days",
    "crew_stops",
    "set_aside",
    "findings",
)
"""Tables that get a sheet, where the plan holds them, in the order of the sheets."""

MOST_ROWS = 1_048_576
"""Rows of a sheet, the header among them."""
MOST_LETTERS = 32_767
"""UTF-16 units of a cell."""
FIXED_DATE = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
"""Stands for the time of writing, so that the same plan gives the same bytes."""

WIDEST = 60
_NARROWEST = 8
_ROWS_AT_ONCE = 20_000
_ABOUT_LETTERS = 100
_LINE_POINTS, _TALLEST_POINTS = 15.0, 400.0
_NO_XML = re.compile("[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that no cell may hold; of line ends only the plain one."""
_RICH = re.compile("<r>.*</r>", re.DOTALL)
"""What the library takes for markup of its own and would write as it is."""


@dataclass
class _Notes:
    """What the first sheet has to say of the others."""

    rows: list[tuple[str, int, str]]
    cut: list[str]


def write_workbook(plan: Plan, path: Path) -> Path:
    """Write the tables of a plan as a workbook.

    Parameters
    ----------
    plan : Plan
        A finished plan; tables that it doesn't hold get no sheet.
    path : pathlib.Path
        File to write.

    Returns
    -------
    pathlib.Path
        The file. The same plan gives the same bytes.

    Raises
    ------
    OSError
        If the file cannot be written.

    Notes
    -----
    Rows are written as they come, so memory does not grow with the table. Cost O(cells).
    """
    return write_tables(plan, WORKBOOK_TABLES, path)


def write_tables(plan: Plan, names: tuple[str, ...], path: Path) -> Path:
    """Write some tables of a plan as a workbook, see `write_workbook`.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    names : tuple of str
        Keys of `geoplan.tables.TABLES`, in the order of the sheets.
    path : pathlib.Path
        File to write.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    from xlsxwriter import Workbook  # slow to load, and not needed by most commands
    from xlsxwriter.exceptions import FileCreateError

    held = [name for name in names if name in tables_of(plan)]
    options = {
        "constant_memory": True,
        "tmpdir": str(path.parent),
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    book = Workbook(str(path), options)
    book.set_properties({"title": "geoplan", "comments": CAUTION_LINE, "created": FIXED_DATE})
    first, columns = book.add_worksheet("about"), book.add_worksheet("columns")
    notes = _Notes([], [])
    for name in held:
        _write_table(book, plan, name, notes)
    _write_columns(book, columns, held, plan.project.units)
    _write_about(book, first, plan, notes)
    try:
        book.close()
    except FileCreateError as error:
        raise OSError(str(error)) from error
    return path


def cell_text(text: object) -> str:
    r"""Return a text as a cell can hold it, not cut.

    Parameters
    ----------
    text : object
        Any text from data.

    Returns
    -------
    str
        Line ends are plain ones, and what no XML file may hold is U+FFFD. A text that looks like
        the markup of a part of a cell gets a space behind it, so that it stays a text.

    Examples
    --------
    >>> cell_text("a\x07b")
    'a\ufffdb'
    """
    plain = storable(text).replace("\r\n", "\n").replace("\r", "\n")
    plain = _NO_XML.sub(MISSING_CHARACTER, plain)
    return f"{plain} " if _RICH.fullmatch(plain) else plain


def _fitting(text: str) -> tuple[str, bool]:
    """Return a text short enough for a cell, and whether it had to be cut."""
    if len(text) <= MOST_LETTERS // 2:
        return text, False
    units = text.encode("utf-16-le")
    if len(units) <= 2 * MOST_LETTERS:
        return text, False
    mark = f" … [cut here; {len(text)} letters in all: see plan.gpkg]"
    room = MOST_LETTERS - len(mark)
    return units[: 2 * room].decode("utf-16-le", "ignore") + mark, True


# -- tables -----------------------------------------------------------------------------------


def _write_table(book: Workbook, plan: Plan, name: str, notes: _Notes) -> None:
    """Write one table, in as many sheets as its rows need."""
    frame, declared = report_frame(plan, name), TABLES[name]
    most = MOST_ROWS - 1
    parts = max(math.ceil(len(frame) / most), 1)
    for part in range(parts):
        title = name.replace("_", " ") + (f" ({part + 1})" if part else "")
        rows = frame.iloc[part * most : (part + 1) * most]
        cut = _write_sheet(book, title, rows, declared.columns, plan.project.units)
        notes.rows.append((title, len(rows), declared.meaning))
        notes.cut += [f"{title}, column {column}: {count} texts" for column, count in cut.items()]


def _write_sheet(
    book: Workbook,
    title: str,
    frame: pd.DataFrame,
    columns: tuple[Column, ...],
    units: ReportUnits,
) -> dict[str, int]:
    """Write rows below a header; return how many texts were cut, by column."""
    sheet, bold = book.add_worksheet(title), _bold(book)
    names = [report_name(column, units) for column in columns]
    for number, heading in enumerate(names):
        sheet.write_string(0, number, heading, bold)
    formats = [_format(book, column, units) for column in columns]
    writers = [_writer(sheet, column) for column in columns]
    widths = [len(heading) + 3 for heading in names]
    cut: dict[str, int] = {}
    row = 1
    for group in _groups(frame):
        values = []
        for number, column in enumerate(columns):
            cells, width, short = _cells(group[names[number]], column)
            widths[number] = max(widths[number], width)
            if short:
                cut[names[number]] = cut.get(names[number], 0) + short
            values.append(cells)
        for line in zip(*values, strict=True):
            for number, value in enumerate(line):
                if value is not None:
                    writers[number](row, number, value, formats[number])
            row += 1
    for number, width in enumerate(widths):
        sheet.set_column(number, number, min(max(width, _NARROWEST), WIDEST))
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(row - 1, 0), len(columns) - 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&A&R&P / &N")
    return cut


def _groups(frame: pd.DataFrame) -> Iterator[pd.DataFrame]:
    for start in range(0, len(frame), _ROWS_AT_ONCE):
        yield frame.iloc[start : start + _ROWS_AT_ONCE]


def _cells(values: pd.Series, column: Column) -> tuple[list[Any], int, int]:
    """Return what goes into cells, None for unknown; the widest of it; how many were cut."""
    known = values.notna().to_numpy()
    if column.kind != "text":
        plain = values.astype(object).where(known, None).tolist()
        longest = _longest_number(values[known]) if column.kind != "bool" else 5
        return plain, longest + 2, 0
    codes, distinct = pd.factorize(values)
    words, cut = [], np.zeros(len(distinct) + 1, dtype=bool)
    for number, text in enumerate(distinct.tolist()):
        fitting, cut[number] = _fitting(cell_text(text))
        words.append(fitting)
    width = max((len(word) for word in words), default=0) + 2
    return (
        [words[code] if code >= 0 else None for code in codes.tolist()],
        width,
        int(cut[codes].sum()),
    )


def _longest_number(values: pd.Series) -> int:
    if len(values) == 0:
        return 0
    return max(len(f"{values.min():g}"), len(f"{values.max():g}"), 6)


def _writer(sheet: Worksheet, column: Column) -> Callable[..., Any]:
    """Return what writes cells of a column; texts never become anything else."""
    writers: dict[str, Callable[..., Any]] = {
        "text": sheet.write_string,
        "bool": sheet.write_boolean,
    }
    writer: Callable[..., Any] = writers.get(column.kind, sheet.write_number)
    return writer


# -- looks ------------------------------------------------------------------------------------


def _bold(book: Workbook) -> Format:
    return book.add_format({"bold": True, "bottom": 1})


def _format(book: Workbook, column: Column, units: ReportUnits) -> Format | None:
    """Return the number format of a column; none for text, yes or no, and plain numbers."""
    if column.kind == "int":
        return book.add_format({"num_format": "0"})
    if column.kind != "float":
        return None
    if column.quantity is not None:
        decimals = report_unit(column.quantity, units).decimals
    elif column.name.endswith("cost"):
        decimals = COST_DECIMALS
    else:
        return None
    return book.add_format({"num_format": "0." + "0" * decimals if decimals else "0"})


def _unit(column: Column, units: ReportUnits) -> str:
    """Name the unit of a column for people."""
    if column.name == "amount":
        return "SI, degrees or a count"
    if column.quantity is not None:
        return report_unit(column.quantity, units).unit
    return "currency of [costs]" if column.name.endswith("cost") else ""


# -- sheets about the others ------------------------------------------------------------------


def _write_columns(book: Workbook, sheet: Worksheet, held: list[str], units: ReportUnits) -> None:
    for number, words in enumerate(("sheet", "column", "unit", "meaning")):
        sheet.write_string(0, number, words, _bold(book))
    row = 1
    for name in held:
        for column in TABLES[name].columns:
            cells = (
                name.replace("_", " "),
                report_name(column, units),
                _unit(column, units),
                column.meaning,
            )
            for number, words in enumerate(cells):
                sheet.write_string(row, number, words)
            row += 1
    for number, width in enumerate((18, 28, 24, 90)):
        sheet.set_column(number, number, width)
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, row - 1, 3)


def _write_about(book: Workbook, sheet: Worksheet, plan: Plan, notes: _Notes) -> None:
    wrap, bold = book.add_format({"text_wrap": True, "valign": "top"}), _bold(book)
    units = plan.project.units
    system = "US customary" if units == "us" else "metric"
    lines: list[tuple[str, str]] = [
        ("plan", one_line(cell_text(plan.project.name))),
        ("made by", f"geoplan {__version__}, computed from the layers that were brought"),
        ("units", f"{system}; the unit stands in each column's name and on sheet 'columns'"),
        ("unknown", "left empty; nothing is filled in for what was not computed"),
    ]
    lines += [("caution", text) for text in CAUTION]
    told = (*plan.unchecked, *(plan.work or {}).get("work_not_checked", ()))
    lines += [("not checked", cell_text(text.removeprefix("not checked: "))) for text in told]
    lines += [(title, f"{count} rows. {meaning}") for title, count, meaning in notes.rows]
    lines += [
        ("cut", f"{text} longer than a cell can hold; whole in plan.gpkg and the CSV tables")
        for text in notes.cut
    ]
    row = 0
    for number, words in enumerate(("what", "words")):
        sheet.write_string(row, number, words, bold)
    for what, words in lines:
        row += 1
        height = min(math.ceil(len(words) / _ABOUT_LETTERS) * _LINE_POINTS, _TALLEST_POINTS)
        sheet.set_row(row, height)
        sheet.write_string(row, 0, what, wrap)
        sheet.write_string(row, 1, _fitting(words)[0], wrap)
    sheet.set_column(0, 0, 20)
    sheet.set_column(1, 1, _ABOUT_LETTERS + 10)
    sheet.freeze_panes(1, 0)
    sheet.set_portrait()
    sheet.fit_to_pages(1, 0)
