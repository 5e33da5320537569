"""Styles for the layers of the GeoPackage, in the table that desktop GIS programs read.

Enters: the palette.
Leaves: a style document (QML) per layer, and the table ``layer_styles``.
Does not do: layers without a style (they show in the program's default).

The table is a convention of GIS programs, not part of the GeoPackage standard; it is registered
as an attribute table, so that the file stays valid without it.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Collection, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

from geoplan.reports.palette import (
    BLACK,
    FILL_BANDS,
    GREY,
    ROUTE_STYLE,
    SEVERITY_STYLE,
    SKY,
    VERMILLION,
    WHITE,
    LineStyle,
    PointStyle,
)
from geoplan.tables import CrossingKind

FIXED_TIME = "2000-01-01T00:00:00.000Z"
"""Stands for the time of writing, so that the same plan gives the same bytes."""

AUDITED = (CrossingKind.ROAD.value, CrossingKind.RAIL.value, CrossingKind.WATER.value)

_TABLE = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256),
    f_table_schema TEXT(256),
    f_table_name TEXT(256),
    f_geometry_column TEXT(256),
    styleName TEXT(30),
    styleQML TEXT,
    styleSLD TEXT,
    useAsDefault BOOLEAN,
    description TEXT,
    owner TEXT(30),
    ui TEXT(30),
    update_time DATETIME
)
"""


@dataclass(frozen=True)
class _Symbol:
    """One symbol and the rule that picks it."""

    label: str
    kind: str
    options: dict[str, str]
    value: str = ""
    lower: float = 0.0
    upper: float = 0.0


def _rgba(color: str, alpha: int = 255) -> str:
    red, green, blue = (int(color[start : start + 2], 16) for start in (1, 3, 5))
    return f"{red},{green},{blue},{alpha}"


def _line(value: str, style: LineStyle, *, width_mm: float = 0.6) -> _Symbol:
    options = {"line_color": _rgba(style.color), "line_width": f"{width_mm}"}
    options |= {"line_width_unit": "MM", "capstyle": "flat", "joinstyle": "round"}
    if style.dashes:
        options["use_custom_dash"] = "1"
        options["customdash"] = ";".join(f"{pixels * 0.25:g}" for pixels in style.dashes)
        options["customdash_unit"] = "MM"
    return _Symbol(style.label, "line", options, value)


def _marker(style: PointStyle, size_mm: float, value: str = "", outline: str = BLACK) -> _Symbol:
    options = {
        "name": style.shape,
        "color": _rgba(style.color),
        "outline_color": _rgba(outline),
        "outline_width": "0.3",
        "size": f"{size_mm}",
        "size_unit": "MM",
    }
    return _Symbol(style.label, "marker", options, value)


def style_documents() -> dict[str, str]:
    """Return the style of each layer that has one.

    Returns
    -------
    dict of str
        QML by layer name: lines by route kind, flags by severity, terminals by fill.
    """
    routes = [_line(kind.value, style) for kind, style in ROUTE_STYLE.items()]
    thin = [_line(kind.value, style, width_mm=0.3) for kind, style in ROUTE_STYLE.items()]
    severities = [_marker(style, 3.0, severity.value) for severity, style in SEVERITY_STYLE.items()]
    return {
        "drops": _categories("route_kind", routes),
        "air_spans": _categories("route_kind", routes),
        "alternatives": _categories("route_kind", thin),
        "crossings": _categories("crossing_kind", _crossing_symbols()),
        "crossing_audit": _categories(
            "crossing_kind", [one for one in _crossing_symbols() if one.value in AUDITED]
        ),
        "hazards": _categories("severity", severities),
        "unserved": _categories(
            "", [_marker(PointStyle("Unserved", WHITE, "cross_fill"), 4.0, outline=VERMILLION)]
        ),
        "terminals": _ranges("fill", _fill_symbols()),
    }


def _crossing_symbols() -> list[_Symbol]:
    grave = {CrossingKind.ROAD, CrossingKind.RAIL, CrossingKind.WATER, CrossingKind.POWER}
    return [
        _marker(
            PointStyle(
                kind.value.replace("_", " "),
                WHITE if kind in grave else SKY,
                "circle" if kind in grave else "diamond",
            ),
            3.2 if kind in grave else 2.0,
            kind.value,
            BLACK if kind in grave else GREY,
        )
        for kind in CrossingKind
    ]


def _fill_symbols() -> list[_Symbol]:
    symbols = []
    for band in FILL_BANDS:
        upper = band.upper if math.isfinite(band.upper) else 1e6
        base = _marker(PointStyle(band.label, band.color, "circle"), 4.0)
        symbols.append(_Symbol(base.label, base.kind, base.options, lower=band.lower, upper=upper))
    return symbols


def _categories(attribute: str, symbols: Sequence[_Symbol]) -> str:
    if not attribute:
        root, renderer = _document("singleSymbol")
    else:
        root, renderer = _document("categorizedSymbol", attr=attribute)
        categories = ET.SubElement(renderer, "categories")
        for number, symbol in enumerate(symbols):
            ET.SubElement(
                categories,
                "category",
                type="string",
                value=symbol.value,
                label=symbol.label,
                symbol=str(number),
                render="true",
            )
    _symbols(renderer, symbols)
    return ET.tostring(root, encoding="unicode")


def _ranges(attribute: str, symbols: Sequence[_Symbol]) -> str:
    root, renderer = _document("graduatedSymbol", attr=attribute, graduatedMethod="GraduatedColor")
    ranges = ET.SubElement(renderer, "ranges")
    for number, symbol in enumerate(symbols):
        ET.SubElement(
            ranges,
            "range",
            lower=f"{symbol.lower:.6f}",
            upper=f"{symbol.upper:.6f}",
            label=symbol.label,
            symbol=str(number),
            render="true",
        )
    _symbols(renderer, symbols)
    return ET.tostring(root, encoding="unicode")


def _document(renderer_type: str, **attributes: str) -> tuple[ET.Element, ET.Element]:
    root = ET.Element("qgis", version="3.28", styleCategories="Symbology")
    fixed = {"type": renderer_type, "symbollevels": "0", "forceraster": "0"}
    renderer = ET.SubElement(root, "renderer-v2", fixed | attributes)
    return root, renderer


def _symbols(renderer: ET.Element, symbols: Sequence[_Symbol]) -> None:
    holder = ET.SubElement(renderer, "symbols")
    for number, symbol in enumerate(symbols):
        element = ET.SubElement(
            holder, "symbol", type=symbol.kind, name=str(number), alpha="1", clip_to_extent="1"
        )
        drawn = "SimpleLine" if symbol.kind == "line" else "SimpleMarker"
        layer = ET.SubElement(
            element, "layer", {"class": drawn, "enabled": "1", "locked": "0", "pass": "0"}
        )
        options = ET.SubElement(layer, "Option", type="Map")
        for key, value in sorted(symbol.options.items()):
            ET.SubElement(options, "Option", type="QString", name=key, value=value)


def add_styles(path: Path, geometry_column: str, layers: Collection[str]) -> None:
    """Add the table of styles to a GeoPackage.

    Parameters
    ----------
    path : pathlib.Path
        A GeoPackage.
    geometry_column : str
        Name of the geometry column in its layers.
    layers : collection of str
        Its layers; those of them in `style_documents` get their style.

    Raises
    ------
    sqlite3.Error
        If the file cannot be changed.
    """
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(_TABLE)
        connection.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name,"
            " f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner,"
            " ui, update_time) VALUES ('', '', ?, ?, ?, ?, '', 1, 'by geoplan', '', NULL, ?)",
            [
                (name, geometry_column, name, document, FIXED_TIME)
                for name, document in style_documents().items()
                if name in layers
            ],
        )
        connection.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description,"
            " last_change) VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?)",
            (FIXED_TIME,),
        )
