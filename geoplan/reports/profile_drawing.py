"""The profile of an air span, drawn to scale as SVG for screen and print.

Enters: `ProfileDrawing`: plain arrays in SI, words, the units to write.
Leaves: the text of an SVG file, black on white, sans-serif.
Does not do: compute; every figure is handed in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.reports.drawing_scale import DrawingScale
from geoplan.reports.svg_page import Page, wrapped
from geoplan.units import ReportUnits, for_report, report_unit

FloatArray = npt.NDArray[np.float64]

LEFT, RIGHT, TOP, PLOT = 96.0, 96.0, 140.0, 290.0
EXAGGERATIONS = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DASHES = {"stringing": "", "worst": "9 4", "other": "2 3"}


@dataclass(frozen=True)
class WireLine:
    """A wire as it hangs: `style` is ``stringing``, ``worst`` or ``other``."""

    label: str
    style: str
    z_m: FloatArray
    sag_m: float
    sag_at_m: float


@dataclass(frozen=True)
class ClearanceMark:
    """One thing passed over, with what is required and available where it is least."""

    name: str
    kind: str
    start_m: float
    end_m: float
    x_m: FloatArray
    surface_z_m: FloatArray
    asked_z_m: FloatArray
    at_m: float
    required_m: float
    available_m: float
    margin_m: float
    case: str
    rule: str
    note: str


@dataclass(frozen=True)
class ProfileDrawing:
    """All that a profile shows; elevations from the ground at the near end."""

    title: str
    facts: tuple[str, ...]
    verdict: str
    caution: str
    x_m: FloatArray
    ground_z_m: FloatArray
    wires: tuple[WireLine, ...]
    marks: tuple[ClearanceMark, ...]
    """At most 26."""
    from_height_m: float
    to_height_m: float
    units: ReportUnits


def length_words(value_m: float, units: ReportUnits) -> str:
    """Write a length or clearance for a profile, ``"15.50 ft"`` or ``"4.72 m"``.

    Parameters
    ----------
    value_m : float
        Metres; NaN gives a dash.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        Two decimals and the unit.
    """
    if not np.isfinite(value_m):
        return "–"
    return f"{for_report(value_m, 'length', units):.2f} {report_unit('length', units).unit}"


def sag_words(value_m: float, units: ReportUnits) -> str:
    """Write a sag, ``"18.0 in"`` or ``"0.457 m"``.

    Parameters
    ----------
    value_m : float
        Metres.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        With its unit.
    """
    decimals = 1 if units == "us" else 3
    return f"{for_report(value_m, 'sag', units):.{decimals}f} {report_unit('sag', units).unit}"


def draw_profile(drawing: ProfileDrawing) -> str:
    """Draw a profile to scale.

    Parameters
    ----------
    drawing : ProfileDrawing
        Arrays and words.

    Returns
    -------
    str
        An SVG document: one landscape page, letter size in US units, else A4.

    Raises
    ------
    ValueError
        If there are more marks than letters, or the places don't increase.

    Notes
    -----
    Distances and heights have one scale each; how many times the vertical one is the horizontal
    is written on the page and is a round number. Meaning hangs on dashes and letters, not on
    colour.
    """
    if len(drawing.marks) > len(LETTERS):
        message = f"marks must be at most {len(LETTERS)}; there are {len(drawing.marks)}"
        raise ValueError(message)
    if not (np.diff(drawing.x_m) > 0).all():
        message = "x_m must increase from place to place"
        raise ValueError(message)
    page = Page(1056.0, 816.0, "11in", "8.5in")
    if drawing.units == "metric":
        page = Page(1123.0, 794.0, "297mm", "210mm")
    scale = _scale(drawing, page)
    _head(page, drawing, scale)
    _axes(page, drawing, scale)
    _ground(page, drawing, scale)
    _asked(page, drawing, scale)
    _wires(page, drawing, scale)
    _supports(page, drawing, scale)
    _letters(page, drawing, scale)
    below = _labels(page, drawing, scale)
    bottom = _table(page, drawing, below + 40.0)
    page.text(LEFT - 56, max(bottom + 16, page.height - 22), drawing.caution, size=9.5, weight=700)
    page.grow(bottom + 30.0)
    return page.svg(drawing.title)


def _scale(drawing: ProfileDrawing, page: Page) -> DrawingScale:
    ground = drawing.ground_z_m
    tops = [drawing.from_height_m, ground[-1] + drawing.to_height_m]
    for mark in drawing.marks:
        tops += [*mark.asked_z_m.tolist(), *mark.surface_z_m.tolist()]
    low, high = float(ground.min()), float(max(tops))
    across = (page.width - LEFT - RIGHT) / float(drawing.x_m[-1] - drawing.x_m[0])
    up = PLOT / (high - low)
    fits = [value for value in EXAGGERATIONS if value * across <= up]
    exaggeration = fits[0] if fits else 1.0
    across = across if fits else up
    x0 = page.width / 2 - across * float(drawing.x_m[-1]) / 2
    y0 = TOP + PLOT + low * across * exaggeration
    return DrawingScale(x0, y0, across, across * exaggeration)


def _points(scale: DrawingScale, x_m: FloatArray, z_m: FloatArray) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in scale.places(x_m, z_m).tolist())


def _head(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    left = LEFT - 56
    page.text(left, 36, drawing.title, size=18, weight=700)
    page.text(left, 56, drawing.verdict, size=13, weight=700, name="verdict")
    for row, fact in enumerate(drawing.facts):
        page.text(left, 73 + 13 * row, fact, size=10.5)
    times = f"{scale.exaggeration:g}"
    words = "Heights and distances at one scale."
    if scale.exaggeration != 1.0:
        words = f"Heights are drawn at {times} times the scale of distances."
    page.text(page.width - 40, 36, words, size=10, anchor="end", name="scale")


def _axes(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    """Draw ticks and a light grid in the units of the report."""
    unit = report_unit("length", drawing.units)
    span, top = float(drawing.x_m[-1]), scale.y0 - TOP
    left, right = scale.x(0.0), scale.x(span)
    one = float(1.0 / for_report(1.0, "length", drawing.units))
    lowest, highest = float(drawing.ground_z_m.min()), top / scale.up_per_m
    for value in _ticks(lowest / one, highest / one):
        y = scale.y(value * one)
        page.line(left, y, right, y, width=0.4, stroke="#999", dashes="1 3")
        page.text(left - 42, y + 3, f"{value:g}", size=9, anchor="end", name="height-tick")
    page.text(left - 42, scale.y(highest) - 8, unit.suffix, size=9, anchor="end")
    base = scale.y(lowest) + 10
    for value in _ticks(0.0, span / one):
        x = scale.x(value * one)
        page.line(x, base, x, base + 4, width=0.8)
        page.text(x, base + 14, f"{value:g}", size=9, anchor="middle", name="distance-tick")
    page.line(left, base, right, base, width=0.8)
    page.text(right + 14, base + 14, unit.suffix, size=9)


def _ticks(low: float, high: float) -> list[float]:
    """Return round numbers from low to high, at most ten or so."""
    raw = (high - low) / 8
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(power * part for part in (1.0, 2.0, 5.0, 10.0) if power * part >= raw)
    first = np.ceil(low / step - 1e-9)
    count = int(np.floor(high / step + 1e-9) - first) + 1
    return [float(round((first + number) * step, 10)) + 0.0 for number in range(count)]


def _ground(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    page.polyline(_points(scale, drawing.x_m, drawing.ground_z_m), width=1.6, name="ground")
    for mark in drawing.marks:
        if mark.kind in {"yard", "power"} or not len(mark.x_m):
            continue
        ground = np.interp(mark.x_m, drawing.x_m, drawing.ground_z_m)
        outline = _points(
            scale,
            np.concatenate([mark.x_m, mark.x_m[::-1]]),
            np.concatenate([mark.surface_z_m, ground[::-1]]),
        )
        fill = "url(#hatch)" if mark.kind == "roof" else "#444"
        page.polygon(outline, fill=fill, name=f"surface {mark.kind}")
        page.polyline(_points(scale, mark.x_m, mark.surface_z_m), width=2.6, name="surface-top")
    for mark in drawing.marks:
        if mark.kind == "power" and len(mark.x_m):
            x, y = scale.x(float(mark.x_m[0])), scale.y(float(mark.surface_z_m[0]))
            page.circle(x, y, 4.0, fill="#000")
            page.text(x + 8, y + 3, mark.name, size=9)


def _asked(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    """Draw the required clearance: where the wire may not be."""
    for mark in drawing.marks:
        if not len(mark.x_m):
            continue
        if mark.kind == "power":
            x, y = scale.x(float(mark.x_m[0])), scale.y(float(mark.asked_z_m[0]))
            page.line(x - 14, y, x + 14, y, width=1.4, dashes="5 3")
            continue
        light = mark.kind == "yard"
        page.polyline(
            _points(scale, mark.x_m, mark.asked_z_m),
            width=0.8 if light else 1.5,
            dashes="1 2" if light else "5 3",
            name=f"required {mark.kind}",
        )
        if not light:
            for end in (0, -1):
                x = scale.x(float(mark.x_m[end]))
                low, high = float(mark.surface_z_m[end]), float(mark.asked_z_m[end])
                page.line(x, scale.y(low), x, scale.y(high), width=0.5, dashes="5 3")


def _wires(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    x_m = drawing.x_m
    low = drawing.from_height_m
    chord = low + x_m / x_m[-1] * (drawing.ground_z_m[-1] + drawing.to_height_m - low)
    page.polyline(_points(scale, x_m, chord), width=0.4, name="chord")
    y = TOP - 24
    x = scale.x(0.0)
    for wire in drawing.wires:
        page.polyline(
            _points(scale, x_m, wire.z_m),
            width=1.9 if wire.style == "stringing" else 1.4,
            dashes=DASHES[wire.style],
            name=f"wire {wire.style}",
        )
        words = f"{wire.label}: sag {sag_words(wire.sag_m, drawing.units)}"
        page.line(x, y - 3, x + 34, y - 3, width=1.8, dashes=DASHES[wire.style])
        page.text(x + 40, y, words, size=10, name=f"sag {wire.style}")
        x += 60 + 5.4 * len(words)
    page.line(x, y - 3, x + 34, y - 3, width=1.5, dashes="5 3")
    page.text(x + 40, y, "required clearance (dots: yard)", size=10)
    for number, wire in enumerate(wire for wire in drawing.wires if wire.style != "other"):
        at = wire.sag_at_m + (number - 0.5) * 0.02 * float(x_m[-1])
        above, below = np.interp(at, x_m, chord), np.interp(at, x_m, wire.z_m)
        name = f"sag-line {wire.style}"
        page.line(scale.x(at), scale.y(above), scale.x(at), scale.y(below), width=0.9, name=name)


def _supports(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    """Draw both supports with the heights of the attachments, and the distance."""
    units, ground = drawing.units, drawing.ground_z_m
    ends = (
        (0.0, 0.0, drawing.from_height_m, -20.0, "from"),
        (float(drawing.x_m[-1]), float(ground[-1]), drawing.to_height_m, 20.0, "to"),
    )
    for x_m, low, height, aside, name in ends:
        x, foot, head = scale.x(x_m), scale.y(low), scale.y(low + height)
        page.rect(x - 3, head - 12, 6, foot - head + 12, fill="#fff", name=f"support {name}")
        page.circle(x, head, 3.0, fill="#000")
        page.dimension(x + aside, foot, x + aside, head, name=f"height-line {name}")
        page.line(x, head, x + aside * 1.2, head, width=0.5)
        page.text(
            x + aside + (-4 if aside < 0 else 11), (foot + head) / 2, length_words(height, units),
            size=11, weight=700, anchor="middle", turn_deg=-90, name=f"height {name}",
        )  # fmt: skip
    y = scale.y(float(ground.min())) + 38
    left, right = scale.x(0.0), scale.x(ends[1][0])
    page.dimension(left, y, right, y, name="distance-line")
    words = length_words(ends[1][0], units)
    page.text(
        (left + right) / 2, y - 4, words, size=11, weight=700, anchor="middle", name="distance"
    )


def _letters(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> None:
    """Draw each clearance where it is least, with its letter."""
    placed: list[tuple[float, float]] = []
    for letter, mark in zip(LETTERS, drawing.marks, strict=False):
        if not np.isfinite(mark.available_m):
            continue
        base = float(np.interp(mark.at_m, mark.x_m, mark.surface_z_m))
        sign = -1.0 if mark.kind == "power" else 1.0
        x = scale.x(mark.at_m)
        foot, head = scale.y(base), scale.y(base + sign * mark.available_m)
        page.dimension(x, foot, x, head, name=f"clearance-line {letter}")
        shares = (0.5, 0.3, 0.7, 0.15, 0.85)
        spots = [(x, foot + share * (head - foot)) for share in shares]
        free = [p for p in spots if all(abs(p[0] - q[0]) + abs(p[1] - q[1]) > 22 for q in placed)]
        spot = free[0] if free else spots[0]
        if abs(head - foot) < 28:  # beside, so as not to hide the arrow
            spot = (x - 14, (foot + head) / 2)
        placed.append(spot)
        page.circle(*spot, 8.5, fill="#fff")
        page.text(spot[0], spot[1] + 3.6, letter, size=10.5, weight=700, anchor="middle")


def _labels(page: Page, drawing: ProfileDrawing, scale: DrawingScale) -> float:
    """Name things under the ground line; return how far down that went."""
    top = scale.y(float(drawing.ground_z_m.min())) + 62
    ends: list[float] = []
    for letter, mark in zip(LETTERS, drawing.marks, strict=False):
        if mark.kind in {"yard", "power"}:
            continue
        left, right = scale.x(mark.start_m), scale.x(mark.end_m)
        words = f"{letter} {mark.name}"
        half = max((right - left) / 2, 3.2 * len(words))
        middle = min(max((left + right) / 2, 40 + half), page.width - 40 - half)
        free = (row for row, end in enumerate(ends) if middle - half > end + 6)
        row = next(free, len(ends))
        ends[row : row + 1] = [middle + half]
        y = top + 22 * row
        page.dimension(left, y - 12, right, y - 12, name=f"extent {letter}")
        page.text(middle, y, words, size=9.5, anchor="middle")
    return top + 22 * max(len(ends) - 1, 0)


def _table(page: Page, drawing: ProfileDrawing, top: float) -> float:
    """Draw the table of clearances; return its lower edge."""
    units = drawing.units
    columns = ((40, "start"), (64, "start"), (222, "start"), (408, "end"), (496, "end"),
               (584, "end"), (672, "end"), (690, "start"))  # fmt: skip
    heads = ("", "over", "from – to", "required", "available", "margin", "at", "load case")
    for (x, anchor), words in zip(columns, heads, strict=True):
        page.text(x, top, words, size=9.5, weight=700, anchor=anchor)
    page.line(40, top + 4, page.width - 40, top + 4, width=0.8)
    y = top + 17
    for letter, mark in zip(LETTERS, drawing.marks, strict=False):
        extent = f"{length_words(mark.start_m, units)} – {length_words(mark.end_m, units)}"
        figures = (mark.required_m, mark.available_m, mark.margin_m, mark.at_m)
        checked = bool(np.isfinite(mark.margin_m))
        cells = (letter, mark.name, extent, *(length_words(v, units) for v in figures))
        names = ("letter", "over", "extent", "required", "available", "margin", "at", "case")
        texts = (*cells, mark.case.replace("_", " ") if checked else "NOT CHECKED")
        for (x, anchor), cell, name in zip(columns, texts, names, strict=True):
            bold = 700 if name in {"letter", "margin"} or not checked else 400
            page.text(x, y, cell, size=9.5, anchor=anchor, weight=bold, name=f"{name} {letter}")
        rest = "; ".join(part for part in (mark.rule, mark.note) if part)
        for line in wrapped(rest, 190):
            y += 11
            page.text(64, y, line, size=8)
        y += 15
    return y
