"""Colours, line styles and shapes that the map page and the GeoPackage's styles share.

Enters: nothing.
Leaves: a style per route kind, severity and band of terminal fill.
Does not do: draw.

Colours are from the eight that Okabe and Ito recommend for readers with any colour vision. No
meaning hangs on colour alone: lines differ in dashes too, points in shape.

References
----------
Okabe M, Ito K, "Color universal design", 2002 (from memory): the colours' values.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoplan.tables import RouteKind, Severity

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
WHITE = "#FFFFFF"
GREY = "#8A8A8A"


@dataclass(frozen=True)
class LineStyle:
    """How a line is drawn: label for people, colour, width and dashes in pixels."""

    label: str
    color: str
    width: float
    dashes: tuple[int, ...] = ()


@dataclass(frozen=True)
class PointStyle:
    """How a point is drawn: label for people, colour and shape."""

    label: str
    color: str
    shape: str


@dataclass(frozen=True)
class FillBand:
    """A band of terminal fill, from `lower` up to below `upper`."""

    key: str
    label: str
    lower: float
    upper: float
    color: str


ROUTE_STYLE: dict[RouteKind, LineStyle] = {
    RouteKind.DIRECT: LineStyle("Direct", BLUE, 3.0),
    RouteKind.SPAN_CLAMP: LineStyle("By span clamp", VERMILLION, 3.0, (9, 5)),
    RouteKind.OTHER_POLE: LineStyle("By another pole", GREEN, 3.0, (3, 4)),
    RouteKind.OTHER_POLE_SPAN_CLAMP: LineStyle(
        "By another pole and span clamp", PURPLE, 3.0, (12, 4, 2, 4)
    ),
}

SEVERITY_STYLE: dict[Severity, PointStyle] = {
    Severity.ERROR: PointStyle("Error", VERMILLION, "square"),
    Severity.WARNING: PointStyle("Warning", ORANGE, "triangle"),
    Severity.NOTE: PointStyle("Note", SKY, "circle"),
}
"""Gravest first."""

FILL_BANDS: tuple[FillBand, ...] = (
    FillBand("low", "under half full", 0.0, 0.5, "#F2F2F2"),
    FillBand("mid", "half full or more", 0.5, 0.85, "#B5B5B5"),
    FillBand("high", "85 % full or more", 0.85, 1.0, "#6B6B6B"),
    FillBand("full", "full", 1.0, float("inf"), BLACK),
)
"""Light to dark, so that they can be told apart in print."""
