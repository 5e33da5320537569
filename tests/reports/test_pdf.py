"""PDF files joined: what the parts hold is what the joined file holds."""

from __future__ import annotations

import pikepdf
import pypdf
import pytest
from weasyprint.urls import FatalURLFetchingError

from geoplan.reports.pdf import Bookmark, drawings_apart, join_pdf, render_pdf

HOSTILE = "a (b) \\ 5 0 R) << /Parent 1 0 R >> <41>"


def write_part(path, pages):
    """Write a part by hand: pages with a text of their own, and what they share."""
    with pikepdf.Pdf.new() as part:
        shared = part.make_indirect(pikepdf.Dictionary(N=7))
        for text in pages:
            page = part.add_blank_page(page_size=(200, 100))
            page.obj.Contents = part.make_stream(f"% {text}\n".encode())
            page.obj.Shared = shared
        part.docinfo["/Title"] = "the part's own"
        part.save(path)
    return path


def plain(thing, seen=()):
    """Return an object as plain Python, references followed until they come back."""
    if isinstance(thing, pikepdf.Object) and thing.is_indirect:
        if thing.objgen in seen:
            return "back at", seen.index(thing.objgen)
        seen = (*seen, thing.objgen)
    if isinstance(thing, pikepdf.Stream):
        return plain_items(thing.stream_dict, seen), thing.read_raw_bytes()
    if isinstance(thing, pikepdf.Dictionary):
        return plain_items(thing, seen)
    if isinstance(thing, pikepdf.Array):
        return [plain(item, seen) for item in thing]
    return thing.unparse(resolved=True) if isinstance(thing, pikepdf.Object) else thing


def plain_items(thing, seen):
    return {key: plain(item, seen) for key, item in thing.items() if key != "/Parent"}


def page_items(path):
    with pikepdf.Pdf.open(path) as opened:
        assert list(opened.check_pdf_syntax()) == []
        return [plain(page.obj) for page in opened.pages]


def test_pages_of_the_parts_are_those_of_the_joined_file(tmp_path):
    parts = [write_part(tmp_path / f"{n}.pdf", [f"{n}-{k}" for k in range(n)]) for n in range(1, 5)]
    join_pdf(parts, tmp_path / "out.pdf", "Joined")
    assert page_items(tmp_path / "out.pdf") == [item for part in parts for item in page_items(part)]
    reader = pypdf.PdfReader(tmp_path / "out.pdf", strict=True)
    told = [page.get_contents().get_data().strip().decode() for page in reader.pages]
    assert told == [f"% {n}-{k}" for n in range(1, 5) for k in range(n)]
    assert reader.metadata.title == "Joined"


def test_what_the_tree_of_pages_says_of_its_pages_is_kept(tmp_path):
    with pikepdf.Pdf.new() as part:
        page = part.add_blank_page()
        del page.obj["/MediaBox"]
        part.Root.Pages.MediaBox = pikepdf.Array([0, 0, 321, 123])
        part.save(tmp_path / "part.pdf")
    join_pdf([tmp_path / "part.pdf"] * 2, tmp_path / "out.pdf", "Joined")
    boxes = [page.mediabox for page in pypdf.PdfReader(tmp_path / "out.pdf").pages]
    assert [(float(box.width), float(box.height)) for box in boxes] == [(321, 123)] * 2


def test_outline_has_its_words_pages_and_levels(tmp_path):
    parts = [write_part(tmp_path / f"{n}.pdf", "abc") for n in range(2)]
    outline = [
        Bookmark("Index", 0),
        Bookmark(HOSTILE, 1, (Bookmark("Größe 日本", 1), Bookmark("", 4))),
        Bookmark("last", 5),
    ]
    join_pdf(parts, tmp_path / "out.pdf", HOSTILE, outline)
    reader = pypdf.PdfReader(tmp_path / "out.pdf", strict=True)
    told = [
        [(item.title, reader.get_destination_page_number(item)) for item in lines]
        for lines in (reader.outline[:2] + reader.outline[3:], reader.outline[2])
    ]
    assert told == [[("Index", 0), (HOSTILE, 1), ("last", 5)], [("Größe 日本", 1), ("", 4)]]
    assert reader.metadata.title == HOSTILE
    with pikepdf.Pdf.open(tmp_path / "out.pdf") as opened, opened.open_outline() as lines:
        assert [len(item.children) for item in lines.root] == [0, 2, 0]


SQUARE = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
    '<text x="1" y="9" font-size="4" fill="#000">{}</text></svg>'
)


def test_drawings_are_put_away_in_their_order_and_words_that_look_like_one_stay():
    words = "&lt;svg onload=1&gt;"
    page, drawings = drawings_apart(
        f"<p>{words}</p>{SQUARE.format('one')}<i>{SQUARE.format('two')}</i>"
    )
    assert page == f'<p>{words}</p><img src="drawing:0"><i><img src="drawing:1"></i>'
    assert drawings == {"drawing:0": SQUARE.format("one"), "drawing:1": SQUARE.format("two")}


def test_words_of_each_drawing_are_on_its_own_page_as_text(tmp_path):
    pages = [f'<section style="break-before: page">{SQUARE.format(name)}</section>'
             for name in ("A1 &amp; 7", "B2")]  # fmt: skip
    told = render_pdf(f"<html><body>{''.join(pages)}</body></html>", tmp_path / "p.pdf")
    texts = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "p.pdf").pages]
    assert told.pages == 2
    assert [text.strip() for text in texts] == ["A1 & 7", "B2"]


def test_a_drawing_that_cannot_be_read_ends_the_run(tmp_path):
    broken = SQUARE.format("one").replace("</text>", "")
    with pytest.raises(RuntimeError, match="1 of 2 drawings"):
        render_pdf(f"{SQUARE.format('two')}{broken}", tmp_path / "p.pdf")
    assert not (tmp_path / "p.pdf").exists()


@pytest.mark.parametrize("address", ["file:///etc/hostname", "drawing:1", "http://a.invalid/b.png"])
def test_anything_else_a_page_asks_for_ends_the_run(tmp_path, address):
    with pytest.raises(FatalURLFetchingError):
        render_pdf(f'{SQUARE.format("one")}<img src="{address}">', tmp_path / "p.pdf")
    assert not (tmp_path / "p.pdf").exists()
