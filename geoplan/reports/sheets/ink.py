"""Small black-and-white drawings as SVG inside a page, in millimetres on paper.

Enters: shapes in millimetres from the upper left corner.
Leaves: the text of an ``svg`` element; all words escaped, no script, no outside reference.
Does not do: know what is drawn.
"""

from __future__ import annotations

import html
import re

import numpy as np
import numpy.typing as npt

from geoplan.errors import one_line
from geoplan.reports.sheets.letters import printable

FloatArray = npt.NDArray[np.float64]

_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that no XML file may hold."""

LEADER, LEADER_DASHES = 0.15, "0.25 0.55"
"""Width and dashes of a line from words to what they name: dots, like no wire."""

FONT = "Liberation Sans, Arial, Helvetica, DejaVu Sans, sans-serif"

_WIDTHS = {
    0.222: "ijl'|",
    0.278: " .,:;/ftI!",
    0.333: "r-()",
    0.500: "ckvxyzsJ",
    0.556: "abdeghnopqu0123456789L_",
    0.611: "FTZ",
    0.667: "ABEKPSVXY",
    0.722: "CDHNRUw",
    0.778: "GOQ",
    0.833: "mM",
    0.944: "W",
}
_WIDTH = {letter: width for width, letters in _WIDTHS.items() for letter in letters}
BOLDER = 1.08
"""Bold letters over plain ones, at most, in width."""


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Return how wide words are in the drawings' sans-serif letters.

    Parameters
    ----------
    words : str
        One line; a letter outside the table counts as a full square.
    size : float
        Size of the letters, mm.
    bold : bool
        Whether they are bold.

    Returns
    -------
    float
        mm.
    """
    return size * sum(_WIDTH.get(letter, 1.0) for letter in words) * (BOLDER if bold else 1.0)


def escaped(words: object) -> str:
    """Return words as text inside markup: one line, nothing that could be markup.

    Parameters
    ----------
    words : object
        Anything; its text is taken.

    Returns
    -------
    str
        For element content and quoted attributes alike.

    Examples
    --------
    >>> escaped('<b> & "c"')
    '&lt;b&gt; &amp; &quot;c&quot;'
    """
    return html.escape(printable(_NO_XML.sub("?", one_line(str(words)))))


class Ink:
    """A drawing of a given size in millimetres.

    Parameters
    ----------
    width, height : float
        Size on paper, mm.
    attributes : str
        Further attributes of the ``svg`` element, numbers and our own words only.
    """

    def __init__(self, width: float, height: float, **attributes: float | str) -> None:
        self.width, self.height = width, height
        self._attributes = _data(attributes)
        self._parts: list[str] = []

    def svg(self) -> str:
        """Return the element."""
        size = f'width="{self.width:g}mm" height="{self.height:g}mm"'
        box = f'viewBox="0 0 {self.width:g} {self.height:g}"'
        body = "".join(self._parts)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box}{self._attributes}'
            f' font-family="{FONT}" fill="none" stroke-linejoin="round">{body}</svg>'
        )

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        *,
        width: float = 0.2,
        stroke: str = "#000",
        dashes: str = "",
        **data: float | str,
    ) -> None:
        """Draw a straight line."""
        self._parts.append(
            f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}"'
            f"{_stroke(width, stroke, dashes)}{_data(data)}/>"
        )

    def path(
        self,
        places: FloatArray,
        *,
        width: float = 0.2,
        stroke: str = "#000",
        fill: str = "none",
        dashes: str = "",
        closed: bool = False,
        **data: float | str,
    ) -> None:
        """Draw a line through places, shape (n, 2), or fill the outline they make."""
        if len(places) < 2:
            return
        points = " ".join([f"{x:.2f},{y:.2f}" for x, y in places.tolist()])
        tag = "polygon" if closed else "polyline"
        self._parts.append(
            f'<{tag} points="{points}" fill="{fill}"{_stroke(width, stroke, dashes)}{_data(data)}/>'
        )

    def paths(
        self,
        lines: list[FloatArray],
        *,
        width: float = 0.2,
        stroke: str = "#000",
        fill: str = "none",
        dashes: str = "",
        closed: bool = False,
    ) -> None:
        """Draw many lines or outlines of one style as one element: much quicker to render."""
        end = "Z" if closed else ""
        parts = [
            "M" + "L".join([f"{x:.2f},{y:.2f}" for x, y in places.tolist()]) + end
            for places in lines
            if len(places) > 1
        ]
        if parts:
            self._parts.append(
                f'<path d="{"".join(parts)}" fill="{fill}"{_stroke(width, stroke, dashes)}/>'
            )

    def circle(
        self,
        x: float,
        y: float,
        radius: float,
        *,
        width: float = 0.2,
        fill: str = "none",
        stroke: str = "#000",
        dashes: str = "",
        **data: float | str,
    ) -> None:
        """Draw a circle."""
        self._parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}" fill="{fill}"'
            f"{_stroke(width, stroke, dashes)}{_data(data)}/>"
        )

    def text(
        self,
        x: float,
        y: float,
        words: object,
        *,
        size: float = 2.4,
        anchor: str = "start",
        bold: bool = False,
        turn_deg: float = 0.0,
        halo: bool = False,
        **data: float | str,
    ) -> None:
        """Write words; with a halo they lie on a white patch that hides lines behind them."""
        shown = escaped(words)
        if halo:
            self._patch(x, y, text_width(str(words), size, bold=bold), size, anchor, turn_deg)
        weight = ' font-weight="bold"' if bold else ""
        turn = f' transform="rotate({turn_deg:.1f} {x:.2f} {y:.2f})"' if turn_deg else ""
        place = "" if anchor == "start" else f' text-anchor="{anchor}"'
        self._parts.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:g}" fill="#000"{place}{weight}{turn}'
            f"{_data(data)}>{shown}</text>"
        )

    def dimension(self, x1: float, y1: float, x2: float, y2: float, **data: float | str) -> None:
        """Draw a level or upright line with an arrow head at both ends."""
        self.line(x1, y1, x2, y2, width=0.18, stroke="#000", dashes="", **data)
        length = float(np.hypot(x2 - x1, y2 - y1))
        if length == 0.0:
            return
        long = min(1.5, 0.4 * length)
        dx, dy = (x2 - x1) / length, (y2 - y1) / length
        for x, y, way in ((x1, y1, 1.0), (x2, y2, -1.0)):
            back = x + way * long * dx, y + way * long * dy
            half = 0.3 * long
            head = np.array(
                [
                    (x, y),
                    (back[0] - half * dy, back[1] + half * dx),
                    (back[0] + half * dy, back[1] - half * dx),
                ]
            )
            self.path(head, width=0.05, fill="#000", closed=True)

    def _patch(
        self, x: float, y: float, long: float, size: float, anchor: str, turn_deg: float
    ) -> None:
        wide = long + 1.6
        left = x - {"start": 0.8, "middle": wide / 2, "end": wide - 0.8}[anchor]
        turn = f' transform="rotate({turn_deg:.1f} {x:.2f} {y:.2f})"' if turn_deg else ""
        self._parts.append(
            f'<rect x="{left:.2f}" y="{y - 0.85 * size:.2f}" width="{wide:.2f}"'
            f' height="{1.1 * size:.2f}" fill="#fff"{turn}/>'
        )


def _stroke(width: float, stroke: str, dashes: str) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f' stroke="{stroke}" stroke-width="{width:g}"{dashed}'


def _data(values: dict[str, float | str]) -> str:
    """Write our own words and numbers as data attributes: ``quantity`` as ``data-quantity``."""
    return "".join(
        f' data-{name.replace("_", "-")}="{value if isinstance(value, str) else f"{value:.6g}"}"'
        for name, value in values.items()
    )
