"""Job sheets written: one PDF with an index, or one file each, as PDF or HTML.

Enters: a `Plan` with its work, a `Selection`, a folder.
Leaves: the files, whole or not at all.
Does not do: compute; plan.
"""

from __future__ import annotations

import json
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geoplan.model import Plan
from geoplan.reports.pdf import Bookmark, Rendered, join_pdf, render_pdf, require_pdf
from geoplan.reports.sheet_names import sheet_file_name
from geoplan.reports.sheets.batches import BATCH, Batch, Tell, render_batches
from geoplan.reports.sheets.gather import SheetSource
from geoplan.reports.sheets.page import (
    INDEX_ROWS,
    MOST_IN_FILE,
    IndexLine,
    Paper,
    document,
    index_html,
    leading_pages,
    page_end,
    page_start,
    sheet_html,
)
from geoplan.reports.sheets.selection import Selection, select_drops
from geoplan.reports.sheets.wording import JOB_WORDS
from geoplan.reports.write import MARKER, SHEET_FILES, Ours, output_folder
from geoplan.work.drop_case import is_known

MARKER_FILE = "sheets.json"
SHEETS_FOLDER = "sheets"
OURS = Ours(
    frozenset(
        {
            *(MARKER_FILE, "sheets.pdf", "sheets.html", "index.pdf", "index.html"),
            *(f"sheets-{number:03d}.pdf" for number in range(1, 1_000)),
        }
    ),
    {SHEETS_FOLDER: SHEET_FILES},
    MARKER_FILE,
)
"""A folder of sheets; one with anything else is not replaced."""

INTRO = "Sheets are in the order of work: by crew day and stop. This list is by address."
INDEX_CHUNK = 5
"""Pages of the index laid out together; memory grows with it."""


@dataclass(frozen=True)
class SheetOptions:
    """How sheets are written."""

    paper: Paper = "letter"
    is_each: bool = False
    is_html: bool = False
    workers: int = 1


def write_sheets(
    plan: Plan,
    out: Path,
    selection: Selection | None = None,
    options: SheetOptions | None = None,
    tell: Tell | None = None,
) -> list[Path]:
    """Write the job sheets of a plan.

    Parameters
    ----------
    plan : Plan
        With the tables of the work (`geoplan.office.with_work`).
    out : pathlib.Path
        Folder: absent, empty, or written by this function before, which is then replaced.
    selection : Selection, optional
        Which drops; all by default.
    options : SheetOptions, optional
        Paper, one file or one each, PDF or HTML, number of processes.
    tell : callable, optional
        Told of progress: stage, done, total.

    Returns
    -------
    list of pathlib.Path
        ``sheets.pdf`` or ``sheets.html``; with one file each ``index`` and the folder ``sheets``;
        as PDF of more than `MOST_IN_FILE` sheets ``index.pdf`` and ``sheets-001.pdf`` and so on;
        and ``sheets.json``, which says on which page or in which file each sheet is.

    Raises
    ------
    UsageError
        If the selection names nothing.
    MissingExtraError
        If PDF is asked for and can't be written.
    OutputError
        If the folder holds anything else, or cannot be written; what was there is still there.

    Notes
    -----
    The same plan gives the same bytes, for any number of processes. Memory is bounded by the
    batches in work and the sheets of one file; beyond that it grows by a line of the index per
    sheet only.
    """
    selection, options = selection or Selection(), options or SheetOptions()
    if not options.is_html:
        require_pdf()
    rows = select_drops(plan, selection)
    source = SheetSource(plan, rows)
    run = _Run(plan, source, options, tell or (lambda *_: None))
    with output_folder(out, OURS) as folder:
        if options.is_html:
            places = run.html(folder)
        else:
            places = run.each_pdf(folder) if options.is_each else run.one_pdf(folder)
        marker = {
            **MARKER,
            "what": "job sheets",
            "project": plan.project.name,
            "paper": options.paper,
            "sheets": places,
        }
        text = json.dumps(marker, indent=1, ensure_ascii=False)
        (folder / MARKER_FILE).write_text(f"{text}\n", encoding="utf-8", errors="replace")
        names = sorted(entry.name for entry in folder.iterdir())
    return [out / name for name in names]


def write_sheet_pages(plan: Plan, folder: Path, paper: Paper, tell: Tell | None = None) -> None:
    """Write a page of HTML for the job sheet of every drop, for the map of the plan to link to.

    Parameters
    ----------
    plan : Plan
        With the tables of the work.
    folder : pathlib.Path
        An existing folder; the pages go to ``sheets`` in it.
    paper : {'a4', 'letter'}
        Paper that they are made for.
    tell : callable, optional
        Told of progress: stage, done, total.
    """
    source = SheetSource(plan, select_drops(plan, Selection()))
    options = SheetOptions(paper, is_each=True, is_html=True)
    _Run(plan, source, options, tell or (lambda *_: None)).pages(folder)


class _Run:
    """One run of sheets."""

    def __init__(self, plan: Plan, source: SheetSource, options: SheetOptions, tell: Tell) -> None:
        self._source, self._options, self._tell = source, options, tell
        self._title = str(plan.project.name)
        drops = plan.drops.iloc[source.rows]
        jobs = plan.jobs.set_index("address_id").loc[drops["address_id"]]  # type: ignore[union-attr]
        self._ids = [str(name) for name in drops["address_id"]]
        self._labels = [str(name) if is_known(name) else "" for name in drops["label"]]
        self._terminals = [str(name) for name in drops["terminal_id"]]
        self._jobs = [JOB_WORDS[str(kind)] for kind in jobs["job_kind"]]
        self._days = [str(day) if is_known(day) else "" for day in jobs["crew_day_id"]]
        count = len(self._ids)
        self._starts = list(range(0, count, BATCH))
        self._sizes = [min(BATCH, count - start) for start in self._starts]

    def one_pdf(self, folder: Path) -> dict[str, int | str]:
        """Write one file with index and outline, or several and an index; tell where each is."""
        with tempfile.TemporaryDirectory(prefix="geoplan-sheets-") as scratch:
            parts = [Path(scratch) / f"{number:06d}.pdf" for number in range(len(self._starts))]
            rendered = self._render([(part,) for part in parts], is_each=False)
            if len(self._ids) > MOST_IN_FILE:
                return self._several(parts, rendered, folder, Path(scratch))
            pages = _pages(rendered, leading_pages(len(self._ids)))
            index = self._index_pdf([str(page + 1) for page in pages], Path(scratch))
            outline = [Bookmark("Index", 0), *self._outline(0, pages)]
            join_pdf([*index, *parts], folder / "sheets.pdf", self._title, outline)
        return {name: page + 1 for name, page in zip(self._ids, pages, strict=True)}

    def _several(
        self, parts: list[Path], rendered: list[Rendered], folder: Path, scratch: Path
    ) -> dict[str, int | str]:
        """Join parts to several files, each of `MOST_IN_FILE` sheets, with an index of its own."""
        step = MOST_IN_FILE // BATCH
        told: list[str] = []
        places: list[str] = []
        for start in range(0, len(parts), step):
            number, some = start // step + 1, slice(start, start + step)
            name = file_name(number)
            pages = _pages(rendered[some], 0)
            outline = self._outline(len(told), pages)
            join_pdf(parts[some], folder / name, f"{self._title}, {name}", outline)
            told += [f"{number}: {page + 1}" for page in pages]
            places += [f"{name}#page={page + 1}" for page in pages]
        words = f" Page 2: 15 is page 15 of {file_name(2)}."
        index = self._index_pdf(told, scratch, words)
        join_pdf(index, folder / "index.pdf", self._title)
        return dict(zip(self._ids, places, strict=True))

    def each_pdf(self, folder: Path) -> dict[str, str]:
        """Write one file per sheet and an index; return the file of each address."""
        names = self._files(folder, ".pdf")
        targets = [
            tuple(folder / SHEETS_FOLDER / name for name in names[start : start + BATCH])
            for start in self._starts
        ]
        self._render(targets, is_each=True)
        with tempfile.TemporaryDirectory(prefix="geoplan-sheets-") as scratch:
            numbers = [str(number) for number in range(1, len(names) + 1)]
            join_pdf(self._index_pdf(numbers, Path(scratch)), folder / "index.pdf", self._title)
        return dict(zip(self._ids, names, strict=True))

    def html(self, folder: Path) -> dict[str, Any]:
        """Write HTML, one document or one each."""
        paper, each = self._options.paper, self._options.is_each
        names = self._files(folder, ".html") if each else [f"#sheet-{n + 1}" for n in
                                                           range(len(self._ids))]  # fmt: skip
        start, end = page_start(self._title, paper), page_end()
        numbers = [str(number) for number in range(1, len(self._ids) + 1)]
        index = index_html(self._lines(numbers), self._title, INTRO)
        if each:
            (folder / "index.html").write_text(f"{start}{index}{end}", encoding="utf-8")
            self._write_pages(folder, names)
        else:
            with (folder / "sheets.html").open("w", encoding="utf-8") as file:
                file.write(f"{start}{index}")
                for sheet in self._sheets():
                    file.write(sheet_html(sheet, is_first=False))
                file.write(end)
        return dict(zip(self._ids, names, strict=True))

    def pages(self, folder: Path) -> None:
        """Write a page of HTML for each sheet."""
        self._write_pages(folder, self._files(folder, ".html"))

    def _write_pages(self, folder: Path, names: list[str]) -> None:
        for name, sheet in zip(names, self._sheets(), strict=True):
            text = document(self._title, self._options.paper, [sheet])
            (folder / SHEETS_FOLDER / name).write_text(text, encoding="utf-8")

    def _files(self, folder: Path, suffix: str) -> list[str]:
        (folder / SHEETS_FOLDER).mkdir()
        return [sheet_file_name(name, suffix) for name in self._ids]

    def _sheets(self) -> Iterator[dict[str, Any]]:
        done, total = 0, len(self._ids)
        for start, size in zip(self._starts, self._sizes, strict=True):
            yield from self._source.batch(start, start + size)
            done += size
            self._tell("sheets", done, total)

    def _render(self, targets: list[tuple[Path, ...]], *, is_each: bool) -> list[Rendered]:
        def batches() -> Iterator[Batch]:
            for start, size, files in zip(self._starts, self._sizes, targets, strict=True):
                sheets = self._source.batch(start, start + size)
                html = document(self._title, self._options.paper, sheets)
                yield Batch(html, files, is_each)

        return render_batches(batches(), self._options.workers, self._sizes, self._tell)

    def _lines(self, pages: list[str]) -> list[IndexLine]:
        lines = [
            IndexLine(*row)
            for row in zip(
                self._ids, self._labels, pages, self._terminals, self._jobs, self._days,
                strict=True,
            )
        ]  # fmt: skip
        return sorted(lines, key=lambda line: line.address_id)

    def _index_pdf(self, pages: list[str], scratch: Path, words: str = "") -> list[Path]:
        lines, files = self._lines(pages), []
        step = INDEX_CHUNK * INDEX_ROWS
        for start in range(0, len(lines), step):
            body = index_html(
                lines[start : start + step], self._title, INTRO + words, start // INDEX_ROWS + 1
            )
            target = scratch / f"index-{start:08d}.pdf"
            head = page_start(self._title, self._options.paper)
            render_pdf(f"{head}{body}{page_end()}", target)
            files.append(target)
        return files

    def _outline(self, first: int, pages: list[int]) -> list[Bookmark]:
        """Return bookmarks by crew day of the sheets from `first` on, as many as pages."""
        rows = slice(first, first + len(pages))
        groups: dict[str, list[Bookmark]] = defaultdict(list)
        for name, label, day, page in zip(
            self._ids[rows], self._labels[rows], self._days[rows], pages, strict=True
        ):
            words = f"{name} {label}".strip()[:80]
            groups[f"Crew day {day}" if day else "On no crew day yet"].append(Bookmark(words, page))
        return [Bookmark(words, some[0].page, tuple(some)) for words, some in groups.items()]


def file_name(number: int) -> str:
    """Return the name of one of several files, counted from 1."""
    return f"sheets-{number:03d}.pdf"


def _pages(rendered: list[Rendered], leading: int) -> list[int]:
    """Return the page of the joined file that each sheet starts on, counted from 0."""
    pages, before = [], leading
    for part in rendered:
        pages += [before + start for start in part.starts]
        before += part.pages
    return pages
