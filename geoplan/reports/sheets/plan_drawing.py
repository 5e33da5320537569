"""The small plan drawing of a sheet: where the drop goes, to scale, north up.

Enters: frames, what lies in them, one drop with its marks.
Leaves: the text of an ``svg`` element.
Does not do: find features; decide where anything goes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.reports.sheets.ink import LETTER_WIDTH, Ink
from geoplan.reports.sheets.plan_features import Features, Found
from geoplan.units import ReportUnits, from_si

FloatArray = npt.NDArray[np.float64]

WIDTH, HEIGHT = 108.0, 78.0
EDGE = 7.0
"""Millimetres kept free around the drop and its marks."""
SCALES = (150, 200, 250, 300, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000)

STYLE: dict[str, dict[str, object]] = {
    "parcels": {"width": 0.12, "stroke": "#888", "dashes": "1.5 1"},
    "sidewalks": {"width": 0.1, "stroke": "#999"},
    "driveways": {"width": 0.1, "stroke": "#999", "fill": "#f4f4f4"},
    "water": {"width": 0.2, "stroke": "#666", "dashes": "3 0.8"},
    "pools": {"width": 0.2, "stroke": "#666", "dashes": "0.8 0.4"},
    "buildings": {"width": 0.2, "stroke": "#555", "fill": "#ddd"},
    "power": {"width": 0.3, "stroke": "#000", "dashes": "3 0.7 0.4 0.7 0.4 0.7"},
    "rail": {"width": 0.7, "stroke": "#555", "dashes": "1.2 0.8"},
    "existing_drops": {"width": 0.15, "stroke": "#555", "dashes": "0.8 0.6"},
}
AREAS = (3, 6)
"""Type ids of polygons and their collections."""

MARKS = {"ladder": "L", "house_ladder": "H", "reel": "R", "bucket": "B"}
"""Letters of places; a ladder is a triangle, a reel a circle, a bucket a square."""


@dataclass(frozen=True)
class Frame:
    """One drawing's piece of ground and its scale, 1 to `scale`."""

    left_m: float
    top_m: float
    scale: int

    @property
    def mm_per_m(self) -> float:
        """Millimetres on paper for a metre on the ground."""
        return 1000.0 / self.scale

    def places(self, xy: FloatArray) -> FloatArray:
        """Bring working coordinates to millimetres on the drawing, shape (n, 2)."""
        return (xy - [self.left_m, self.top_m]) * [self.mm_per_m, -self.mm_per_m]


@dataclass
class _Labels:
    """Boxes that are taken, so that no label hides another one."""

    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def is_free(self, box: tuple[float, float, float, float]) -> bool:
        a, b, c, d = box
        if a < 0.3 or b < 0.3 or c > WIDTH - 0.3 or d > HEIGHT - 0.3:
            return False
        return all(c < e or a > g or d < f or b > h for e, f, g, h in self.taken)

    def take(self, box: tuple[float, float, float, float]) -> None:
        self.taken.append(box)

    def block(self, x: float, y: float, half: float) -> None:
        self.taken.append((x - half, y - half, x + half, y + half))


def frame_drops(routes: list[FloatArray]) -> list[Frame]:
    """Choose frame and scale of each drawing.

    Parameters
    ----------
    routes : list of ndarray, each of shape (k, 2)
        Places that have to be on the drawing, working coordinates, m.

    Returns
    -------
    list of Frame
        The largest of the round scales that holds them.
    """
    frames = []
    for xy in routes:
        low, high = xy.min(axis=0), xy.max(axis=0)
        size = high - low
        room = np.array([WIDTH - 2 * EDGE, HEIGHT - 2 * EDGE]) / 1000.0
        least = float((size / room).max())
        scale = next((scale for scale in SCALES if scale >= least), int(np.ceil(least)))
        middle = (low + high) / 2
        half = np.array([WIDTH, HEIGHT]) / 2000.0 * scale
        frames.append(Frame(float(middle[0] - half[0]), float(middle[1] + half[1]), scale))
    return frames


def bounds_of(frames: list[Frame]) -> FloatArray:
    """Return least x, least y, greatest x, greatest y of frames, shape (n, 4), m."""
    rows = [
        (f.left_m, f.top_m - HEIGHT / f.mm_per_m, f.left_m + WIDTH / f.mm_per_m, f.top_m)
        for f in frames
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


@dataclass(frozen=True)
class PlanMarks:
    """What belongs to one drop: route, air span and the places to stand."""

    row: int
    """Row of the drop in ``plan.drops``."""
    route: FloatArray
    air: FloatArray
    is_clamp: bool
    building_id: str
    terminal_id: str
    access_pole_id: str
    places: tuple[tuple[str, float, float], ...]
    """Kind of place and working coordinates."""


def draw_plan(
    plan: Plan, features: Features, number: int, frame: Frame, marks: PlanMarks, units: ReportUnits
) -> str:
    """Draw one plan.

    Parameters
    ----------
    plan : Plan
        For ids and names.
    features : Features
        What lies in all frames.
    number : int
        Number of this frame among them.
    frame : Frame
        The frame.
    marks : PlanMarks
        The drop.
    units : {'us', 'metric'}
        System of the report, for the scale bar.

    Returns
    -------
    str
        An ``svg`` element of fixed size, black and white; meaning hangs on shapes and letters.
    """
    ink = Ink(WIDTH, HEIGHT, drawing="plan", scale=float(frame.scale))
    labels = _Labels()
    for x, y in frame.places(marks.route).tolist():
        labels.block(x, y, 1.6)
    for part in np.linspace(0.1, 0.9, 9):
        x, y = frame.places(marks.air[0] + part * (marks.air[1] - marks.air[0])[None, :])[0]
        labels.block(float(x), float(y), 1.0)
    corner = 13.0, 15.0
    labels.take((WIDTH - corner[0], 0.0, WIDTH, corner[1]))
    labels.take((0.0, HEIGHT - 8.0, 42.0, HEIGHT))
    _background(ink, plan, features, number, frame, marks)
    _route(ink, frame, marks)
    stands = _stands(ink, frame, marks, labels)
    _poles(ink, plan, features.layers["poles"], number, frame, marks, labels)
    _roads(ink, plan, features.road_lines, number, frame, labels)
    for x, y, words in stands:
        ink.text(x, y + 0.85, words, size=2.3, bold=True, anchor="middle")
    _north(ink)
    _scale_bar(ink, frame, units)
    ink.path(np.array([(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)]), width=0.3, closed=True)
    return ink.svg()


def _background(
    ink: Ink, plan: Plan, features: Features, number: int, frame: Frame, marks: PlanMarks
) -> None:
    roads = _all_lines(features.roads.of(number)[1], frame)
    ink.paths(roads, width=0.25, stroke="#777", fill="#eee", closed=True)
    for name, rows, found in features.each(number):
        if name == "buildings":
            _buildings(ink, plan.layers.buildings.index[rows].tolist(), found, frame, marks)
        elif name == "trees":
            radius = plan.layers.trees["crown_radius_m"].to_numpy()[rows]
            _trees(ink, _points(found, frame), np.nan_to_num(radius) * frame.mm_per_m)
        elif name in STYLE:
            _outlines(ink, found, frame, STYLE[name])
    ink.paths(_all_lines(features.spans.of(number)[1], frame), width=0.25, dashes="0.3 0.6")
    rows, found = features.drops.of(number)
    others = _all_lines(found[rows != marks.row], frame)
    ink.paths(others, width=0.15, stroke="#555", dashes="0.8 0.6")


def _buildings(
    ink: Ink, ids: list[str], found: npt.NDArray[np.object_], frame: Frame, marks: PlanMarks
) -> None:
    own = np.array([name == marks.building_id for name in ids], dtype=bool)
    others = _all_lines(found[~own], frame)
    ink.paths(others, width=0.2, stroke="#555", fill="#ddd", closed=True)
    ink.paths(_all_lines(found[own], frame), width=0.6, fill="#bbb", closed=True)


def _trees(ink: Ink, stems: list[tuple[float, float]], radius: FloatArray) -> None:
    for (x, y), r in zip(stems, radius.tolist(), strict=True):
        ink.circle(x, y, max(r, 0.8), stroke="#666", width=0.15, dashes="0.6 0.5")
        ink.circle(x, y, 0.3, fill="#666", stroke="#666")


def _outlines(
    ink: Ink, found: npt.NDArray[np.object_], frame: Frame, style: dict[str, object]
) -> None:
    area = np.isin(shapely.get_type_id(found), AREAS)
    for is_area in (True, False):
        lines = _all_lines(found[area == is_area], frame)
        ink.paths(lines, closed=is_area, **style)  # type: ignore[arg-type]


def _route(ink: Ink, frame: Frame, marks: PlanMarks) -> None:
    route = frame.places(marks.route)
    if len(route) > 2:
        ink.path(route[:-1], width=0.9, dashes="1.6 0.7", part="strand")
    ink.path(frame.places(marks.air), width=0.9, part="air")
    start, end = frame.places(marks.air).tolist()
    if marks.is_clamp:
        x, y = start
        square = np.array([(x - 1, y - 1), (x + 1, y - 1), (x + 1, y + 1), (x - 1, y + 1)])
        ink.path(square, width=0.4, fill="#fff", closed=True, mark="clamp")
    ink.circle(end[0], end[1], 0.9, fill="#000", mark="attachment")


def _stands(
    ink: Ink, frame: Frame, marks: PlanMarks, labels: _Labels
) -> list[tuple[float, float, str]]:
    """Draw ladder, reel and bucket; return their letters with their places."""
    letters: list[tuple[float, float, str]] = []
    for kind, x_m, y_m in marks.places:
        x, y = frame.places(np.array([[x_m, y_m]]))[0].tolist()
        dx, dy = _nudge(x, y, letters, frame, marks)
        if dx or dy:
            ink.line(x, y, x + dx, y + dy, width=0.15)
        x, y = x + dx, y + dy
        if kind == "reel":
            ink.circle(x, y, 1.8, fill="#fff", width=0.35, mark=kind)
        elif kind == "bucket":
            box = np.array([(x - 1.7, y - 1.7), (x + 1.7, y - 1.7), (x + 1.7, y + 1.7),
                            (x - 1.7, y + 1.7)])  # fmt: skip
            ink.path(box, width=0.35, fill="#fff", closed=True, mark=kind)
        else:
            box = np.array([(x, y - 2.6), (x + 2.4, y + 1.6), (x - 2.4, y + 1.6)])
            ink.path(box, width=0.35, fill="#fff", closed=True, mark=kind)
        labels.block(x, y, 2.4)
        letters.append((x, y, MARKS.get(kind, "?")))
    return letters


def _nudge(
    x: float, y: float, taken: list[tuple[float, float, str]], frame: Frame, marks: PlanMarks
) -> tuple[float, float]:
    """Return how far a mark has to move on paper so as to hide no other one, nor the drop."""
    lines = [shapely.LineString(frame.places(marks.air))]
    if len(marks.route) > 1:
        lines.append(shapely.LineString(frame.places(marks.route)))
    drop = shapely.MultiLineString(lines)
    turns = np.arange(8) * np.pi / 4
    steps = [(0.0, 0.0), *((r * np.cos(t), r * np.sin(t)) for r in (5.0, 8.0) for t in turns)]
    for dx, dy in steps:
        at = x + dx, y + dy
        inside = 3.5 < at[0] < WIDTH - 3.5 and 3.5 < at[1] < HEIGHT - 3.5
        if (
            inside
            and all(np.hypot(at[0] - a, at[1] - b) > 5.0 for a, b, _ in taken)
            and drop.distance(shapely.Point(at)) > 3.2
        ):
            return float(dx), float(dy)
    return 0.0, 0.0


def _poles(
    ink: Ink,
    plan: Plan,
    found: Found,
    number: int,
    frame: Frame,
    marks: PlanMarks,
    labels: _Labels,
) -> None:
    rows, geometry = found.of(number)
    ids = [str(name) for name in plan.layers.poles.index[rows]]
    main = {marks.terminal_id, marks.access_pole_id}
    poles = sorted(
        zip(ids, _points(geometry, frame), strict=True), key=lambda pole: pole[0] not in main
    )
    for pole_id, (x, y) in poles:
        labels.block(x, y, 1.1)
        if pole_id == marks.terminal_id:
            ink.circle(x, y, 1.5, width=0.35, fill="#fff", mark="terminal")
        ink.circle(x, y, 0.8, fill="#000" if pole_id in main else "#fff", width=0.3)
    for pole_id, (x, y) in poles:
        own = pole_id in main
        size = 2.7 if own else 2.0
        words = pole_id if len(pole_id) <= 18 else f"{pole_id[:17]}…"
        _label(ink, x, y, words, size, bold=own, labels=labels, essential=own)


def _label(
    ink: Ink,
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    bold: bool,
    labels: _Labels,
    essential: bool,
) -> None:
    wide = LETTER_WIDTH * size * len(words) + 0.6
    spots = [
        (x + 2.0, y - 1.2), (x - 2.0 - wide, y - 1.2), (x + 2.0, y + size + 0.4),
        (x - 2.0 - wide, y + size + 0.4), (x - wide / 2, y - 2.4), (x - wide / 2, y + size + 1.8),
        (x + 4.0, y - 4.0), (x - 4.0 - wide, y - 4.0), (x + 4.0, y + size + 4.0),
        (x - 4.0 - wide, y + size + 4.0),
    ]  # fmt: skip
    boxes = [(a, b - size, a + wide, b + 0.3) for a, b in spots]
    chosen = next((n for n, box in enumerate(boxes) if labels.is_free(box)), None)
    if chosen is None:
        if not essential:
            return
        chosen = 0
    labels.take(boxes[chosen])
    left, base = spots[chosen]
    ink.text(left + 0.3, base, words, size=size, bold=bold, halo=True)


def _roads(ink: Ink, plan: Plan, found: Found, number: int, frame: Frame, labels: _Labels) -> None:
    """Write names of roads along them, where there is room."""
    rows, geometry = found.of(number)
    names = plan.layers.roads["name"].tolist()
    ids = plan.layers.roads.index.tolist()
    done = set()
    for row, line in zip(rows.tolist(), geometry, strict=True):
        words = str(ids[row]) if not isinstance(names[row], str) else names[row]
        words = words if len(words) <= 32 else f"{words[:31]}…"
        if words in done or line.length * frame.mm_per_m < 12:
            continue
        for part in (0.5, 0.3, 0.7, 0.15, 0.85):
            places = shapely.get_coordinates(
                shapely.line_interpolate_point(
                    line, [part - 0.02, part, part + 0.02], normalized=True
                )
            )
            (ax, ay), (x, y), (bx, by) = frame.places(places).tolist()
            turn = float(np.degrees(np.arctan2(by - ay, bx - ax)))
            turn = turn - 180 if turn > 90 else turn + 180 if turn < -90 else turn
            half = LETTER_WIDTH * 2.6 * len(words) / 2
            reach_x = half * abs(np.cos(np.radians(turn))) + 1.0
            reach_y = half * abs(np.sin(np.radians(turn))) + 1.4
            box = (x - reach_x, y - reach_y, x + reach_x, y + reach_y)
            if labels.is_free(box):
                labels.take(box)
                ink.text(x, y + 0.9, words, size=2.6, anchor="middle", turn_deg=turn)
                done.add(words)
                break


def _north(ink: Ink) -> None:
    x, y = WIDTH - 6.5, 12.5
    ink.path(np.array([(x, y - 10), (x + 2, y - 3), (x, y - 4.5), (x - 2, y - 3)]), fill="#000",
             closed=True)  # fmt: skip
    ink.line(x, y - 5, x, y, width=0.4)
    ink.text(x + 1.2, y + 0.2, "N", size=3.2, bold=True, mark="north")


def _scale_bar(ink: Ink, frame: Frame, units: ReportUnits) -> None:
    unit = "ft" if units == "us" else "m"
    one = float(1.0 / from_si(1.0, unit))
    steps = (5, 10, 20, 25, 50, 100, 200, 250, 500)
    long = next((s for s in steps if s * one * frame.mm_per_m >= 16.0), steps[-1])
    wide = long * one * frame.mm_per_m
    ink.path(np.array([(1, HEIGHT - 7.2), (41.5, HEIGHT - 7.2), (41.5, HEIGHT - 0.8),
                       (1, HEIGHT - 0.8)]), fill="#fff", width=0.0, stroke="#fff",
             closed=True)  # fmt: skip
    y = HEIGHT - 2.2
    ink.path(np.array([(2, y - 1), (2, y), (2 + wide, y), (2 + wide, y - 1)]), width=0.35,
             scale_bar=long * one)  # fmt: skip
    ink.text(2, y - 1.8, f"{long} {unit}", size=2.5)
    ink.text(2 + wide + 2, y, f"1 : {frame.scale}", size=2.5)


def _all_lines(found: npt.NDArray[np.object_], frame: Frame) -> list[FloatArray]:
    """Return the outlines or lines of geometries on paper."""
    return [line for geometry in found for line in _lines(geometry, frame)]


def _lines(geometry: shapely.Geometry, frame: Frame) -> list[FloatArray]:
    """Return the outlines or lines of a geometry on paper."""
    pieces = shapely.get_parts(geometry)
    rings = [
        shapely.get_rings(piece) if piece.geom_type == "Polygon" else np.array([piece])
        for piece in pieces
        if piece.geom_type in {"Polygon", "LineString", "LinearRing"}
    ]
    return [frame.places(shapely.get_coordinates(line)) for some in rings for line in some]


def _points(geometry: npt.NDArray[np.object_], frame: Frame) -> list[tuple[float, float]]:
    """Return the places of points on paper."""
    return [(float(x), float(y)) for x, y in frame.places(shapely.get_coordinates(geometry))]
