"""The plan as one HTML page with a map that works without a net.

Enters: a `Plan`.
Leaves: ``map.html``.
Does not do: put data into HTML; all data is one block of JSON that the page's script reads.

The page's script makes the map, a feature group per line of the layer control, and that control.
No text of the data reaches ``innerHTML``. A content security policy allows only the page's own
scripts, by their hashes, and no requests.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    call = f"geoplanPage({as_json(_look(_groups(data)))});"
    scripts = (leaflet_script(), _asset("map_page.js"))
    lines = (
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_policy(*scripts, call)}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{html.escape(data['name'])}: map of planned drops</title>",
        f"<style>{leaflet_style()}</style>",
        f"<style>{_asset('map_page.css')}</style>",
        *(f"<script>{script}</script>" for script in scripts),
        "</head>",
        "<body>",
        _head(data["name"]),
        '<div class="gp-map" id="gp-map"></div>',
        '<aside class="gp-side" id="gp-side" aria-label="Layers and legend"></aside>',
        f'<script type="application/json" id="geoplan-data">{as_json(data)}</script>',
        f"<script>{call}</script>",
        "</body>",
        "</html>",
    )
    return "\n".join((*lines, ""))


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


def _groups(data: dict[str, Any]) -> dict[str, Any]:
    """Describe each line of the layer control: its words, whether it is on, what belongs to it."""
    groups: dict[str, Any] = {}

    def add(key: str, label: str, layers: tuple[str, ...], style: str | None = None) -> None:
        number = sum(
            style is None or feature["properties"]["style"] == style
            for layer in layers
            for feature in data["layers"][layer]
        )
        if number:
            groups[key] = {
                "label": f"{label} ({number})",
                "is_shown": label not in HIDDEN_GROUPS,
                "layers": list(layers),
                "style": style,
            }

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
    return groups


def _look(groups: dict[str, Any]) -> dict[str, Any]:
    """Return styles and legend for the script."""
    return {
        "groups": groups,
        "order": list(groups),
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


def _policy(*scripts: str) -> str:
    """Allow just the scripts that stand in the page, and no request at all."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
        for script in scripts
    )
    return f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:"
