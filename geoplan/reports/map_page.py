"""The plan as a map in pages that work without a net.

Enters: a `Plan`.
Leaves: ``map.html``, and for a plan that is too large for one page, ``map/area-*.html``.
Does not do: put data into HTML; all data stands in two packed blocks that the page's script reads.

folium gives the frame. Texts reach neither its templates (they would run what stands between double
braces) nor markup. A content security policy allows only the page's own scripts and style sheets,
by their hashes, and no requests; a base map that the project asks for adds pictures from its host,
nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import branca.element
import folium

from geoplan.reports.caution import CAUTION_LINE
from geoplan.reports.leaflet import leaflet_script, leaflet_style
from geoplan.reports.map.pages import INDEX_FILE, PageBlocks, plan_pages

if TYPE_CHECKING:
    from geoplan.model import Plan

SCRIPTS = (
    "map_unpack.js",
    "map_plan.js",
    "map_draw.js",
    "map_profile.js",
    "map_details.js",
    "map_find.js",
    "map_table.js",
    "map_link.js",
    "map_page.js",
    "map_index.js",
)
"""Scripts of the page, in the order in which they need each other."""

_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


class _Raw(branca.element.Element):
    """Text that goes into the page as it is; the usual element would run it as a template."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def render(self, **_: object) -> str:
        """Return the text."""
        return self._text


def write_map_page(
    plan: Plan, path: Path, *, sheets: bool = False, most_drops: int | None = None
) -> Path:
    """Write the map of a plan.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    path : pathlib.Path
        File to write. A plan with more addresses than a page may hold has its areas in the folder
        ``map`` beside it.
    sheets : bool
        Whether a job sheet of each drop stands in the folder ``sheets`` beside the page, so that
        drops are linked to them.
    most_drops : int, optional
        Most addresses on one page; as ``map.max_drops_per_page`` of the project unless given.

    Returns
    -------
    pathlib.Path
        The file: one page with all it needs inside, or the index of such pages. The same plan
        gives the same bytes.

    Notes
    -----
    Ten thousand drops take about two seconds and 1.6 megabytes.
    """
    base_map = plan.project.map.base_map_url
    for page in plan_pages(plan, sheets=sheets, most_drops=most_drops):
        target = path if page.file == INDEX_FILE else path.parent / page.file
        target.parent.mkdir(exist_ok=True)
        target.write_text(build_page(page, base_map), encoding="utf-8", newline="\n")
    return path


def build_page(page: PageBlocks, base_map_url: str = "") -> str:
    """Build a page around its blocks.

    Parameters
    ----------
    page : PageBlocks
        As from `geoplan.reports.map.pages.plan_pages`.
    base_map_url : str
        Address of map tiles; empty: none.

    Returns
    -------
    str
        HTML.
    """
    figure = branca.element.Figure(title=html.escape(f"{page.title}: map of planned drops"))
    frame = folium.Map(tiles=None, zoom_snap=0.25, zoom_delta=0.5, max_zoom=22, attr=None)
    frame.default_js, frame.default_css = [], []
    figure.html.add_child(_Raw(_body(page)), name="head")
    figure.add_child(frame)
    _number(figure)
    scripts = "\n".join(_asset(name) for name in SCRIPTS)
    for name, text in (
        ("leaflet_style", f"<style>{leaflet_style()}</style>"),
        ("page_style", f"<style>{_asset('map_page.css')}</style>"),
        ("leaflet", f"<script>{leaflet_script()}</script>"),
        ("page_script", f"<script>{scripts}</script>"),
    ):
        figure.header.add_child(_Raw(text), name=name)
    text = _with_last_script(figure.render(), f"geoplanMap({frame.get_name()});")
    return _secured(text, base_map_url)


def _body(page: PageBlocks) -> str:
    """Return head, parts and data of the page; the script fills the parts."""
    blocks = "".join(
        f'<script type="text/plain" id="gp-{name}">{text}</script>'
        for name, text in (("shown", page.shown), ("told", page.told))
    )
    return (
        '<header class="gp-head">'
        f"<h1>{html.escape(page.title)}</h1>"
        f'<p class="gp-caution"><strong>Caution.</strong> {html.escape(CAUTION_LINE)}</p>'
        '</header><main id="gp-main" aria-label="Map"></main>'
        '<aside class="gp-side" id="gp-side" aria-label="Search, table and details"></aside>'
        f"{blocks}"
    )


def _asset(name: str) -> str:
    return files("geoplan.reports").joinpath("assets", name).read_text(encoding="utf-8")


def _elements(element: branca.element.Element) -> Iterator[branca.element.Element]:
    yield element
    for child in element._children.values():
        yield from _elements(child)


def _number(figure: branca.element.Figure) -> None:
    """Give the elements names by number; they have random ones until then."""
    for number, element in enumerate(_elements(figure)):
        element._id = f"{number:03d}"


def _with_last_script(text: str, call: str) -> str:
    """Put a statement at the end of the page's last script."""
    before, closing, after = text.rpartition("</script>")
    return f"{before}{call}\n{closing}{after}".replace("<html>", '<html lang="en">', 1)


def _secured(text: str, base_map_url: str) -> str:
    """Allow just what stands in the page, and no request but for asked-for tiles."""
    pictures = "data:"
    if base_map_url:
        parts = urlsplit(base_map_url)
        pictures += f" {parts.scheme}://{parts.netloc}"
    policy = (
        f"default-src 'none'; script-src {_hashes(_SCRIPT, text)}; style-src"
        f" {_hashes(_STYLE, text)}; img-src {pictures}; object-src 'none'; base-uri 'none';"
        " form-action 'none'"
    )
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}" />'
    return text.replace("<head>", f"<head>\n    {meta}", 1)


def _hashes(element: re.Pattern[str], text: str) -> str:
    """Return the hashes of what stands between the tags of elements."""
    digests = (hashlib.sha256(content.encode()).digest() for content in element.findall(text))
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
