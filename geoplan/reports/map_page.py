"""The plan as one HTML page with a map that works without a net.

Enters: a `Plan`.
Leaves: ``map.html``.
Does not do: put data into HTML; all data is one block of JSON that the page's script reads.

folium gives the frame: the map, a feature group per layer, the control that switches them. Texts
reach neither its templates (they would run what stands between double braces) nor ``innerHTML``.
A content security policy allows only the page's own scripts, by their hashes, and no requests.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import branca.element
import folium

from geoplan.reports.caution import CAUTION_LINE
from geoplan.reports.leaflet import leaflet_script, leaflet_style
from geoplan.reports.map_features import page_data
from geoplan.reports.palette import FILL_BANDS, ROUTE_STYLE, SEVERITY_STYLE
from geoplan.tables import RouteKind, Severity

if TYPE_CHECKING:
    from geoplan.model import Plan

CONTEXT_GROUPS = (
    ("Lots", ("parcels",)),
    ("Roads, walks, drives", ("roads", "sidewalks", "driveways")),
    ("Rail and water", ("rail", "water")),
    ("Buildings and pools", ("buildings", "pools")),
    ("Trees", ("trees",)),
    ("Power", ("power",)),
    ("Strand", ("strands",)),
    ("Existing drops", ("existing_drops",)),
    ("Poles", ("poles",)),
    ("Terminals", ("terminals",)),
)
FLAG_GROUPS = (
    ("Street crossings", ("street_crossings",)),
    ("Other crossings", ("other_crossings",)),
    ("Unserved", ("unserved",)),
)
HIDDEN_GROUPS = ("Other crossings", f"Flags: {SEVERITY_STYLE[Severity.NOTE].label.lower()}")
"""Groups that are off until they are asked for: there are many, and none needs action first."""

_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)


class _Raw(branca.element.Element):
    """Text that goes into the page as it is; the usual element would run it as a template."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def render(self, **_: object) -> str:
        """Return the text."""
        return self._text


def write_map_page(plan: Plan, path: Path) -> Path:
    """Write the map page of a plan.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    path : pathlib.Path
        File to write.

    Returns
    -------
    pathlib.Path
        The file: one page with all it needs inside. The same plan gives the same bytes.
    """
    path.write_text(build_page(page_data(plan)), encoding="utf-8", newline="\n")
    return path


def build_page(data: dict[str, Any]) -> str:
    """Build the page around its data.

    Parameters
    ----------
    data : dict
        As from `geoplan.reports.map_features.page_data`.

    Returns
    -------
    str
        HTML.
    """
    figure = branca.element.Figure(title=html.escape(f"{data['name']}: map of planned drops"))
    figure.html.add_child(_Raw(_head(data["name"])), name="head")
    frame = folium.Map(tiles=None, zoom_snap=0.25, zoom_delta=0.5, max_zoom=22, attr=None)
    frame.default_js, frame.default_css = [], []
    figure.add_child(frame)
    groups, members = _groups(data)
    for group in groups.values():
        group.add_to(frame)
    control = folium.LayerControl(collapsed=False)
    control.add_to(frame)
    _number(figure)
    for name, text in (
        ("leaflet_style", f"<style>{leaflet_style()}</style>"),
        ("page_style", f"<style>{_asset('map_page.css')}</style>"),
        ("leaflet", f"<script>{leaflet_script()}</script>"),
        ("page_script", f"<script>{_asset('map_page.js')}</script>"),
    ):
        figure.header.add_child(_Raw(text), name=name)
    side = '<aside class="gp-side" id="gp-side" aria-label="Layers and legend"></aside>'
    block = f'<script type="application/json" id="geoplan-data">{as_json(data)}</script>'
    figure.html.add_child(_Raw(side + block), name="data")
    text = figure.render()
    names = ", ".join(f"{json.dumps(key)}: {group.get_name()}" for key, group in groups.items())
    call = (
        f"geoplanMap({frame.get_name()}, {{{names}}}, {control.get_name()},"
        f" {as_json(_look(members))});"
    )
    return _secured(_with_last_script(text, call))


def as_json(value: object) -> str:
    """Write a value as JSON that cannot end a script element or start markup.

    Parameters
    ----------
    value : object
        Plain values, no NaN.

    Returns
    -------
    str
        ASCII; ``<``, ``>`` and ``&`` are written as escapes.
    """
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _groups(data: dict[str, Any]) -> tuple[dict[str, folium.FeatureGroup], dict[str, Any]]:
    """Make a feature group per line of the layer control, and tell which features go in."""
    groups: dict[str, folium.FeatureGroup] = {}
    members: dict[str, Any] = {}

    def add(key: str, label: str, layers: tuple[str, ...], style: str | None = None) -> None:
        number = sum(
            style is None or feature["properties"]["style"] == style
            for layer in layers
            for feature in data["layers"][layer]
        )
        if number:
            show = label not in HIDDEN_GROUPS
            groups[key] = folium.FeatureGroup(name=f"{label} ({number})", show=show)
            members[key] = {"layers": list(layers), "style": style}

    for label, layers in CONTEXT_GROUPS:
        add(layers[0], label, layers)
    for kind in RouteKind:
        label = f"Drops: {ROUTE_STYLE[kind].label.lower()}"
        add(f"drops_{kind.value}", label, ("drops",), kind.value)
    for label, layers in FLAG_GROUPS:
        add(layers[0], label, layers)
    for severity, look in reversed(SEVERITY_STYLE.items()):  # the gravest lies on top
        label = f"Flags: {look.label.lower()}"
        add(f"hazards_{severity.value}", label, ("hazards",), severity.value)
    return groups, members


def _look(members: dict[str, Any]) -> dict[str, Any]:
    """Return styles and legend for the script."""
    return {
        "groups": members,
        "order": list(members),
        "routes": {
            kind.value: {
                "label": look.label,
                "color": look.color,
                "width": look.width,
                "dashes": " ".join(map(str, look.dashes)),
            }
            for kind, look in ROUTE_STYLE.items()
        },
        "severities": {
            severity.value: {"label": look.label, "color": look.color, "shape": look.shape}
            for severity, look in SEVERITY_STYLE.items()
        },
        "fills": {band.key: {"label": band.label, "color": band.color} for band in FILL_BANDS},
    }


def _head(name: str) -> str:
    return (
        '<header class="gp-head">'
        f"<h1>{html.escape(name)}</h1>"
        f'<p class="gp-caution"><strong>Caution.</strong> {html.escape(CAUTION_LINE)}</p>'
        "</header>"
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


def _secured(text: str) -> str:
    """Allow just the scripts that stand in the page, and no request at all."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
        for script in _SCRIPT.findall(text)
    )
    policy = f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:"
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}" />'
    return text.replace("<head>", f"<head>\n    {meta}", 1)
