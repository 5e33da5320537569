"""A page of SVG: lines, words and dimensions in one sober style.

Enters: shapes in page units (96 to the inch).
Leaves: the text of an SVG file; all words escaped, no script, no outside reference.
Does not do: know what is drawn.
"""

from __future__ import annotations

import math
import re
import textwrap
import xml.etree.ElementTree as ET

from geoplan.errors import one_line

NAMESPACE = "http://www.w3.org/2000/svg"
FONT = "Helvetica, Arial, 'Liberation Sans', sans-serif"

_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that no XML file may hold."""


def _safe(words: str) -> str:
    return _NO_XML.sub("?", one_line(words))


def wrapped(text: str, width: int) -> list[str]:
    """Break text into lines.

    Parameters
    ----------
    text : str
        Any text.
    width : int
        Most letters in a line.

    Returns
    -------
    list of str
        Lines; none for empty text.
    """
    return textwrap.wrap(one_line(text), width)


class Page:
    """A page that shapes are put on, in page units from its upper left corner.

    Parameters
    ----------
    width, height : float
        Size in page units.
    print_width, print_height : str
        Size in print, such as ``"11in"``.
    """

    def __init__(self, width: float, height: float, print_width: str, print_height: str) -> None:
        self.width, self.height = width, height
        self._root = ET.Element(
            "svg", {"xmlns": NAMESPACE, "width": print_width, "height": print_height}
        )
        self._title = ET.SubElement(self._root, "title")
        definitions = ET.SubElement(self._root, "defs")
        pattern = {"width": "5", "height": "5", "patternUnits": "userSpaceOnUse"}
        hatch = ET.SubElement(definitions, "pattern", {"id": "hatch", **pattern})
        ET.SubElement(hatch, "path", {"d": "M0,5 L5,0", "stroke": "#000", "stroke-width": "0.6"})
        self._sheet = ET.SubElement(self._root, "rect", {"fill": "#fff"})
        self._body = ET.SubElement(self._root, "g", {"font-family": FONT, "fill": "none"})

    def grow(self, height: float) -> None:
        """Make room below; in print the page is then scaled down to fit.

        Parameters
        ----------
        height : float
            Height needed; a smaller one changes nothing.
        """
        self.height = max(self.height, height)

    def svg(self, title: str) -> str:
        """Return the file's text.

        Parameters
        ----------
        title : str
            Title for readers of the file.

        Returns
        -------
        str
            An XML document that ends with a newline.
        """
        self._title.text = _safe(title)
        box = f"{self.width:g}", f"{self.height:g}"
        self._root.set("viewBox", f"0 0 {box[0]} {box[1]}")
        self._sheet.set("width", box[0])
        self._sheet.set("height", box[1])
        ET.indent(self._root)
        text = ET.tostring(self._root, encoding="unicode")
        return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float,
        anchor: str = "start",
        weight: int = 400,
        turn_deg: int = 0,
        name: str = "",
    ) -> None:
        """Write words; `anchor` is ``start``, ``middle`` or ``end``."""
        look = {"font-size": f"{size:g}", "fill": "#000", "text-anchor": anchor}
        if weight != 400:
            look["font-weight"] = str(weight)
        if turn_deg:
            look["transform"] = f"rotate({turn_deg} {_at(x)} {_at(y)})"
        self._add("text", {"x": _at(x), "y": _at(y), **look}, name).text = _safe(words)

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        *,
        width: float,
        stroke: str = "#000",
        dashes: str = "",
        name: str = "",
    ) -> None:
        """Draw a straight line."""
        ends = {"x1": _at(x1), "y1": _at(y1), "x2": _at(x2), "y2": _at(y2)}
        self._add("line", ends | _stroke(width, dashes, stroke), name)

    def polyline(self, points: str, *, width: float, dashes: str = "", name: str = "") -> None:
        """Draw a line through points."""
        self._add("polyline", {"points": points, **_stroke(width, dashes)}, name)

    def polygon(self, points: str, *, fill: str, name: str = "") -> None:
        """Fill an outline."""
        self._add("polygon", {"points": points, "fill": fill, **_stroke(0.6, "")}, name)

    def rect(
        self, x: float, y: float, width: float, height: float, *, fill: str, name: str = ""
    ) -> None:
        """Draw a box."""
        size = {"x": _at(x), "y": _at(y), "width": _at(width), "height": _at(height)}
        self._add("rect", {**size, "fill": fill, **_stroke(1.0, "")}, name)

    def circle(self, x: float, y: float, radius: float, *, fill: str, name: str = "") -> None:
        """Draw a circle."""
        place = {"cx": _at(x), "cy": _at(y), "r": _at(radius)}
        self._add("circle", {**place, "fill": fill, **_stroke(0.9, "")}, name)

    def dimension(self, x1: float, y1: float, x2: float, y2: float, *, name: str = "") -> None:
        """Draw a line with an arrow head at both ends, where it is long enough for them."""
        self.line(x1, y1, x2, y2, width=0.8, name=name)
        length = math.hypot(x2 - x1, y2 - y1)
        if length < 14:
            return
        dx, dy = (x2 - x1) / length, (y2 - y1) / length
        for x, y, way in ((x1, y1, 1.0), (x2, y2, -1.0)):
            tip = f"{_at(x)},{_at(y)}"
            sides = [
                f"{_at(x + way * 6 * dx - side * 2 * dy)},{_at(y + way * 6 * dy + side * 2 * dx)}"
                for side in (-1.0, 1.0)
            ]
            self._add("polygon", {"points": " ".join([tip, *sides]), "fill": "#000"}, "arrow")

    def _add(self, tag: str, attributes: dict[str, str], name: str) -> ET.Element:
        if name:
            attributes = {"class": name, **attributes}
        return ET.SubElement(self._body, tag, attributes)


def _at(value: float) -> str:
    return f"{value:.2f}"


def _stroke(width: float, dashes: str, stroke: str = "#000") -> dict[str, str]:
    look = {"stroke": stroke, "stroke-width": f"{width:g}"}
    if dashes:
        look["stroke-dasharray"] = dashes
    return look
