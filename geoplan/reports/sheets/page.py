"""Pages of sheets and of their index as HTML made for print.

Enters: texts and drawings of sheets.
Leaves: HTML text; every text is put in as text.
Does not do: know where a figure comes from; write files.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

import jinja2
from markupsafe import Markup

from geoplan.errors import one_line
from geoplan.reports.frames import cut
from geoplan.reports.sheets.back_type import back_size
from geoplan.reports.sheets.letters import printable
from geoplan.units import ReportUnits

Paper = Literal["a4", "letter"]

PAPER_SIZE = {"a4": "A4", "letter": "letter"}
INDEX_ROWS = 48
"""Lines on a page of the index."""

PAGES = 2
"""Pages of a sheet: front and back."""

INDEX_HEADS = (
    ("Address", 14), ("Label", 27), ("Page", 7), ("Terminal", 14), ("Job", 26), ("Crew day", 12),
)  # fmt: skip


PAGE_WORDS = "Page: as printed at the foot; of files of their own, the number of the sheet."


MOST_IN_FILE = 1_000
"""Sheets of one file: the memory that joining takes grows with it. More go to several files."""


def leading_pages(count: int) -> int:
    """Return how many pages of index stand before the sheets; none before several files."""
    return 0 if count > MOST_IN_FILE else -(-count // INDEX_ROWS)


def page_in_file(number: int, count: int) -> int:
    """Return the page on which a sheet begins.

    Parameters
    ----------
    number : int
        Number of the sheet, from 1.
    count : int
        Sheets in all.

    Returns
    -------
    int
        Page of its file, from 1.
    """
    return leading_pages(count) + PAGES * ((number - 1) % MOST_IN_FILE) + 1


def front_lines(sheet: dict[str, Any]) -> int:
    """Return how many lines of small print a front has beyond its drawings, by count of letters.

    Parameters
    ----------
    sheet : dict
        Texts as `geoplan.reports.sheets.content.sheet_texts` makes them.

    Returns
    -------
    int
        Lines of tables and sentences; a cell that wraps counts for each of its lines.
    """
    table = [
        max(_wraps(row[1], OVER_LETTERS), _wraps(row[2], OUT_LETTERS), _wraps(row[6], RULE_WIDE))
        for row in sheet["crossings"]
    ]
    boxes = [
        max(_wraps(f"{name}: {words}", ALERT_LETTERS // len(sheet["alerts"]))
            for name, words in sheet["alerts"])
        + 1
    ] if sheet["alerts"] else []  # fmt: skip
    each = KIND_LETTERS // len(sheet["kinds"])
    boxes += [max(_wraps(words, each) for _, words in sheet["kinds"])]
    said = [
        _wraps(sheet[name], FRONT_LETTERS)
        for name in ("rule_key", "stringing_key", "with_ladder", "legend", "stringing_notes")
        if sheet.get(name)
    ]
    more = max(len(sheet["figures"]) - MOST_FIGURES, 0)
    return sum(table) + sum(boxes) + sum(said) + len(sheet["stringing"]) + more


def _wraps(words: str, letters: int) -> int:
    """Return over how many lines words go that have so many letters each."""
    return max(1, math.ceil(len(words) / letters))


def front_class(sheet: dict[str, Any]) -> str:
    """Return the class of a front by how much is on it.

    Parameters
    ----------
    sheet : dict
        As in `front_lines`.

    Returns
    -------
    str
        ``roomy``, empty, ``dense`` or ``dense packed``: names of the style sheet.
    """
    lines = front_lines(sheet)
    if lines > PACKED_LINES:
        return "dense packed"
    if lines > DENSE_LINES:
        return "dense"
    return "roomy" if lines <= ROOMY_LINES else ""


OVER_LETTERS, OUT_LETTERS, RULE_WIDE = 34, 22, 70
FRONT_LETTERS, ALERT_LETTERS, KIND_LETTERS = 150, 118, 100
"""Letters that a line of the front has room for: cells of the table, sentences, rows of boxes."""
MOST_FIGURES = 21
"""Lesser figures that stand beside the plan without making it taller."""
ROOMY_LINES, DENSE_LINES, PACKED_LINES = 13, 14, 20
"""Up to the first there is room for larger type; more than the others ask for smaller type."""


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    loader = jinja2.FunctionLoader(_asset)
    return jinja2.Environment(
        autoescape=True,
        loader=loader,
        finalize=_plain,
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
    )


def _asset(name: str) -> str:
    return (files("geoplan.reports") / "assets" / name).read_text(encoding="utf-8")


def _plain(value: Any) -> Any:
    """Bring a text to one line of letters that print; our own markup stays as it is."""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return printable(one_line(value))


@lru_cache(maxsize=1)
def _macros() -> Any:
    return _environment().get_template("sheet.html.j2").module


def paper_for(units: ReportUnits) -> Paper:
    """Return the paper that readers of these units print on."""
    return "letter" if units == "us" else "a4"


def page_start(title: str, paper: Paper) -> str:
    """Return the head of a document."""
    return str(_macros().start(title, Markup(_asset("sheet.css")), PAPER_SIZE[paper]))  # noqa: S704  our own file


def page_end() -> str:
    """Return the end of a document."""
    return str(_macros().end())


def sheet_html(sheet: dict[str, Any], *, is_first: bool) -> str:
    """Return one sheet as HTML.

    Parameters
    ----------
    sheet : dict
        Texts as `geoplan.reports.sheets.content.sheet_texts` makes them, ``plan_svg`` and
        ``profile_svg`` as `geoplan.reports.sheets.ink` makes them: escaped already.
    is_first : bool
        Whether it starts its document.

    Returns
    -------
    str
        A ``section`` element.
    """
    drawings = {name: Markup(sheet[name]) for name in ("plan_svg", "profile_svg")}  # noqa: S704
    sizes = {"back_size": back_size(sheet), "front_class": front_class(sheet)}
    return str(_macros().sheet({**sheet, **sizes, **drawings}, is_first))


def document(title: str, paper: Paper, sheets: Sequence[dict[str, Any]]) -> str:
    """Return a whole document of some sheets."""
    pages = [sheet_html(sheet, is_first=at == 0) for at, sheet in enumerate(sheets)]
    return "".join([page_start(title, paper), *pages, page_end()])


@dataclass(frozen=True)
class IndexLine:
    """What the index says of one sheet."""

    address_id: str
    label: str
    page: str
    """Page of the joined file, or the name of the sheet's own file."""
    terminal_id: str
    job: str
    day: str


def index_html(lines: Sequence[IndexLine], project: str, intro: str, first_page: int = 1) -> str:
    """Return pages of the index.

    Parameters
    ----------
    lines : sequence of IndexLine
        In their order.
    project : str
        Name of the project.
    intro : str
        One sentence above the lines.
    first_page : int
        Number of the first of these pages in the index.

    Returns
    -------
    str
        ``section`` elements, one per page.
    """
    pages = []
    for number, start in enumerate(range(0, len(lines), INDEX_ROWS), start=first_page):
        rows = [
            (
                cut(line.address_id, 16), cut(line.label, 32), cut(line.page, 30),
                cut(line.terminal_id, 16), cut(line.job, 32), cut(line.day, 16),
            )
            for line in lines[start : start + INDEX_ROWS]
        ]  # fmt: skip
        page = {
            "number": number,
            "title": "Job sheets" if number == 1 else "Job sheets, continued",
            "intro": f"{intro} {PAGE_WORDS}" if number == 1 else intro,
            "heads": INDEX_HEADS,
            "rows": rows,
            "foot": project,
        }
        pages.append(str(_macros().index(page)))
    return "".join(pages)
