"""Pages of HTML as PDF, and PDF files joined.

Enters: HTML text of our own making; files that were rendered here.
Leaves: PDF files: the same input gives the same bytes.
Does not do: fetch anything; know what a page is about.

WeasyPrint lays out and writes, pikepdf joins. Both are loaded when they are needed.
"""

from __future__ import annotations

import gc
import logging
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geoplan.collector import collector_off
from geoplan.errors import MissingExtraError

ANCHOR = "sheet-"
"""Elements whose id starts so are told with the page they start on."""

DRAWING = "drawing:"
"""How the address of a drawing begins; nothing outside is ever asked for it."""

_SVG = re.compile(r"<svg .*?</svg>", re.DOTALL)

INSTALL = "Install it: pip install geoplan[sheets]"


@dataclass(frozen=True)
class Rendered:
    """What came of one document."""

    pages: int
    starts: tuple[int, ...]
    """Page, counted from 0, that each anchored element starts on, in the order of pages."""


def require_pdf() -> Any:
    """Load WeasyPrint, and refuse with the remedy where it can't be.

    Returns
    -------
    module
        WeasyPrint.

    Raises
    ------
    MissingExtraError
        If WeasyPrint, pikepdf or a library of the system that they need is missing.
    """
    try:
        import pikepdf  # noqa: F401  loaded here, so that a lack is told before any work
        import weasyprint
    except (ImportError, OSError) as error:
        where, problem = "sheets as PDF", f"WeasyPrint cannot be loaded ({error})"
        raise MissingExtraError(where, problem, f"{INSTALL}, or use --html") from error
    return weasyprint


@contextmanager
def _collected_after() -> Iterator[None]:
    """Collect what a document was made of once, at the end, and not while it is made.

    A document is one great web of objects that all live until it is written. To walk over it again
    and again takes a fifth of the time and frees next to nothing.
    """
    try:
        with collector_off():
            yield
    finally:
        if gc.isenabled():
            gc.collect()


@_collected_after()
def render_pdf(html: str, target: Path) -> Rendered:
    """Render one document to one file.

    Parameters
    ----------
    html : str
        A whole document of our own making.
    target : pathlib.Path
        File to write.

    Returns
    -------
    Rendered
        Pages, and where each anchored element starts.
    """
    document = _laid_out(html)
    document.write_pdf(target)
    return Rendered(len(document.pages), _starts(document))


@_collected_after()
def render_each(html: str, targets: Sequence[Path]) -> Rendered:
    """Render one document, and write each anchored element's pages to a file of its own.

    Parameters
    ----------
    html : str
        A whole document of our own making.
    targets : sequence of pathlib.Path
        As many files as there are anchored elements.

    Returns
    -------
    Rendered
        As in `render_pdf`.
    """
    document = _laid_out(html)
    starts = _starts(document)
    ends = (*starts[1:], len(document.pages))
    for target, start, end in zip(targets, starts, ends, strict=True):
        document.copy(document.pages[start:end]).write_pdf(target)
    return Rendered(len(document.pages), starts)


def _laid_out(html: str) -> Any:
    """Lay out a document whose drawings are loaded as pictures: their lines aren't styled then.

    Six tenths of a sheet's elements are those of its two drawings. As parts of the page each would
    be parsed and asked which rules of the style sheet hold for it, and none does.
    """
    weasyprint = require_pdf()
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    page, drawings = drawings_apart(html)
    loaded: dict[str, Any] = {}
    document = weasyprint.HTML(string=page, url_fetcher=_only(drawings)).render(cache=loaded)
    if lost := [name for name in drawings if loaded.get(name) is None]:
        message = f"{len(lost)} of {len(drawings)} drawings could not be read"
        raise RuntimeError(message)
    return document


def drawings_apart(html: str) -> tuple[str, dict[str, str]]:
    """Take the drawings out of a document.

    Parameters
    ----------
    html : str
        A document of our own making: words are escaped in it, and no drawing holds another.

    Returns
    -------
    str
        The document, with an ``img`` in each drawing's place.
    dict of str to str
        The drawings, by the address that the ``img`` names.
    """
    drawings: dict[str, str] = {}

    def put_away(found: re.Match[str]) -> str:
        name = f"{DRAWING}{len(drawings)}"
        drawings[name] = found[0]
        return f'<img src="{name}">'

    return _SVG.sub(put_away, html), drawings


def _only(drawings: dict[str, str]) -> Any:
    """Return what hands out the drawings and refuses all else: a sheet holds all it needs."""
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class Drawings(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: Any = None) -> Any:
            if url not in drawings:
                message = f"sheets fetch nothing, not even {url[:80]!r}"
                raise ValueError(message)
            return URLFetcherResponse(url, drawings[url], {"Content-Type": "image/svg+xml"})

    return Drawings(fail_on_errors=True)


def _starts(document: Any) -> tuple[int, ...]:
    """Return the first page of each anchored element; one of several pages is told on each."""
    first: dict[str, int] = {}
    for number, page in enumerate(document.pages):
        for name in page.anchors:
            if name.startswith(ANCHOR):
                first.setdefault(name, number)
    return tuple(first.values())


@dataclass(frozen=True)
class Bookmark:
    """One line of the outline: words, and a page of the joined file, counted from 0."""

    words: str
    page: int
    children: tuple[Bookmark, ...] = ()


def join_pdf(
    parts: Sequence[Path], target: Path, title: str, outline: Sequence[Bookmark] = ()
) -> None:
    """Join files into one, with an outline.

    Parameters
    ----------
    parts : sequence of pathlib.Path
        Files in order.
    target : pathlib.Path
        File to write.
    title : str
        Title of the joined file.
    outline : sequence of Bookmark
        Bookmarks; pages of the joined file.

    Notes
    -----
    Contents of pages stay in the parts until they are written, so that memory grows with the
    number of objects only, not with what they hold. The file's identifier is made from its
    content.
    """
    import pikepdf

    opened = []
    with pikepdf.Pdf.new() as joined:
        try:
            for part in parts:
                pdf = pikepdf.Pdf.open(part)
                opened.append(pdf)
                joined.pages.extend(pdf.pages)
            if outline:
                with joined.open_outline() as lines:
                    lines.root.extend(_outline_items(outline, pikepdf))
            joined.docinfo["/Title"] = title
            joined.save(
                target,
                deterministic_id=True,
                object_stream_mode=pikepdf.ObjectStreamMode.generate,
            )
        finally:
            for pdf in opened:
                pdf.close()


def _outline_items(lines: Sequence[Bookmark], pikepdf: Any) -> list[Any]:
    items = []
    for line in lines:
        item = pikepdf.OutlineItem(line.words, line.page)
        item.is_closed = True
        item.children.extend(_outline_items(line.children, pikepdf))
        items.append(item)
    return items
