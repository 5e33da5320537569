"""The small plan drawing of a sheet: where the drop goes, to scale, north up.

Enters: frames, what lies in them, one drop with its marks.
Leaves: the text of an ``svg`` element.
Does not do: find features; decide where anything goes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.reports.sheets.along_lines import flash_places
from geoplan.reports.sheets.ink import Ink
from geoplan.reports.sheets.plan_features import NOT_IN_KEY, Features
from geoplan.reports.sheets.plan_frames import HEIGHT, STRIP, WIDTH, Frame, PlanMarks
from geoplan.reports.sheets.plan_labels import PlanLabels
from geoplan.units import ReportUnits, from_si

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]

STYLE: dict[str, dict[str, object]] = {
    "parcels": {"width": 0.12, "stroke": "#888", "dashes": "2.4 1"},
    "sidewalks": {"width": 0.1, "stroke": "#999"},
    "driveways": {"width": 0.1, "stroke": "#999", "fill": "#f4f4f4"},
    "water": {"width": 0.35, "stroke": "#333", "fill": "#e4e4e4",
              "dashes": "2.5 0.6 0.6 0.6 0.6 0.6"},
    "pools": {"width": 0.2, "stroke": "#666", "dashes": "0.8 0.4"},
    "power": {"width": 0.2, "stroke": "#000", "dashes": "3 0.8"},
    "existing_drops": {"width": 0.3, "stroke": "#444", "dashes": "0.3 0.7"},
}  # fmt: skip
AREAS = (3, 6)
"""Type ids of polygons and their collections."""


def draw_plan(
    plan: Plan,
    features: Features,
    number: int,
    frames: Sequence[Frame],
    marks: PlanMarks,
    units: ReportUnits,
) -> str:
    """Draw one plan.

    Parameters
    ----------
    plan : Plan
        For ids and names.
    features : Features
        What lies in all frames.
    number : int
        Number of the first of these frames among them.
    frames : sequence of Frame
        The place of work, or all of the drop; then the key plan if there is one.
    marks : PlanMarks
        The drop.
    units : {'us', 'metric'}
        System of the report, for the scale bar.

    Returns
    -------
    str
        An ``svg`` element of fixed size, black and white; meaning hangs on shapes and letters.
        Its scale is that of the first frame. Scale and north stand below the pictures.
    """
    ink = Ink(WIDTH, HEIGHT, drawing="plan", scale=float(frames[0].scale))
    for at, frame in enumerate(frames, start=number):
        _Picture(ink, plan, features, at, frame, marks).draw(frames, units)
        _below(ink, frame, units, is_parted=len(frames) > 1)
    return ink.svg()


class _Picture:
    """One frame of a drawing."""

    def __init__(
        self,
        ink: Ink,
        plan: Plan,
        features: Features,
        number: int,
        frame: Frame,
        marks: PlanMarks,
    ) -> None:
        self.ink, self.plan, self.features = ink, plan, features
        self.number, self.frame, self.marks = number, frame, marks

    def draw(self, frames: Sequence[Frame], units: ReportUnits) -> None:
        """Draw it, ground first, labels last."""
        self._background()
        self._route()
        labels = PlanLabels(
            self.ink, self.plan, self.features, self.number, self.frame, self.marks, units
        )
        labels.draw()
        if self.frame.is_key:
            left, top, right, bottom = _paper_box(self.frame, frames[0])
            box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
            self.ink.path(box, width=0.2, dashes="1 0.6", closed=True)
        left, top, right, bottom = self.frame.corners
        border = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
        self.ink.path(border, width=0.3, closed=True)

    def _background(self) -> None:
        ink, frame = self.ink, self.frame
        # One area, so that no road's end is drawn inside another road.
        paved = shapely.normalize(shapely.union_all(self.features.roads.of(self.number)[1]))
        roads = _all_lines(np.array([paved], dtype=object), frame)
        ink.paths(roads, width=0.25, stroke="#777", fill="#eee", closed=True)
        for name, rows, found in self.features.each(self.number):
            if frame.is_key and name in NOT_IN_KEY:
                continue
            if name == "buildings":
                self._buildings(self.plan.layers.buildings.index[rows].tolist(), found)
            elif name == "trees":
                self._trees(rows, found)
            elif name == "rail":
                lines = _all_lines(found, frame)
                ink.paths(lines, width=0.2, stroke="#333")
                ink.paths(lines, width=1.8, stroke="#333", dashes="0.25 1.8")
            else:
                _outlines(ink, found, frame, STYLE[name])
        ink.paths(_all_lines(self.features.spans.of(self.number)[1], frame), width=0.3)
        rows, found = self.features.drops.of(self.number)
        if not frame.is_key:
            others = _all_lines(found[rows != self.marks.row], frame)
            ink.paths(others, width=0.3, stroke="#444", dashes="0.3 0.7")
        self._flashes()

    def _buildings(self, ids: list[str], found: ObjectArray) -> None:
        own = np.array([name == self.marks.building_id for name in ids], dtype=bool)
        others = _all_lines(found[~own], self.frame)
        self.ink.paths(others, width=0.2, stroke="#555", fill="#ddd", closed=True)
        for outline in _all_lines(found[own], self.frame):
            self.ink.path(outline, width=0.0, fill="#bbb", closed=True, mark="house")
            for wall in _off_edge(outline, self.frame):
                self.ink.path(wall, width=0.6)

    def _trees(self, rows: IntArray, found: ObjectArray) -> None:
        """Draw crowns, also of a tree whose stem stands outside the picture."""
        crowns = _all_lines(found, self.frame)
        self.ink.paths(crowns, width=0.15, stroke="#555", dashes="0.6 0.5", closed=True)
        stems = shapely.get_coordinates(self.plan.layers.trees.geometry.to_numpy()[rows])
        left, top, right, bottom = self.frame.corners
        for x, y in self.frame.places(stems[:, :2]).tolist():
            if left + 0.5 < x < right - 0.5 and top + 0.5 < y < bottom - 0.5:
                self.ink.circle(x, y, 0.25, fill="#666", stroke="#666")

    def _flashes(self) -> None:
        """Mark power lines beside their line, so that a strand on the same poles stays apart."""
        zigzag = np.array([(0.35, -1.3), (-0.35, -0.05), (0.35, 0.05), (-0.35, 1.3)])
        flashes = [
            np.array([x, y]) + zigzag
            for line in self.frame.on_paper(self.features.layers["power"].of(self.number)[1])
            for x, y in flash_places(line, self.frame.corners)
        ]
        self.ink.paths(flashes, width=0.3)

    def _route(self) -> None:
        ink, marks = self.ink, self.marks
        strand = marks.route[:-1]
        if len(strand) > 1:
            for line in _inside(self.frame.places(strand), self.frame):
                ink.path(line, width=0.9, dashes="1.6 0.7", part="strand")
        for line in _inside(self.frame.places(marks.air), self.frame):
            ink.path(line, width=0.9, part="key_air" if self.frame.is_key else "air")
        start, end = self.frame.places(marks.air).tolist()
        if marks.is_clamp:
            half = 0.7 if self.frame.is_key else 1.0
            x, y = start
            square = np.array([(x - half, y - half), (x + half, y - half),
                               (x + half, y + half), (x - half, y + half)])  # fmt: skip
            ink.path(square, width=0.4, fill="#fff", closed=True, mark="clamp")
        ink.circle(end[0], end[1], 0.9, fill="#000", mark="attachment")


def _outlines(ink: Ink, found: ObjectArray, frame: Frame, style: dict[str, object]) -> None:
    area = np.isin(shapely.get_type_id(found), AREAS)
    for is_area in (True, False):
        shown = style if is_area else {**style, "fill": "none"}
        lines = _all_lines(found[area == is_area], frame)
        ink.paths(lines, closed=is_area, **shown)  # type: ignore[arg-type]


def _below(ink: Ink, frame: Frame, units: ReportUnits, *, is_parted: bool) -> None:
    """Draw scale and north in the strip below a picture, where they hide nothing."""
    unit = "ft" if units == "us" else "m"
    one = float(1.0 / from_si(1.0, unit))
    is_wide = frame.width > 65
    steps = (5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000)
    least = 14.0 if is_wide else 5.0
    long = next((s for s in steps if s * one * frame.mm_per_m >= least), steps[-1])
    wide = long * one * frame.mm_per_m
    left, _, right, bottom = frame.corners
    y = bottom + STRIP - 1.4
    bar = np.array([(1.0, -1.0), (1.0, 0.0), (1.0 + wide, 0.0), (1.0 + wide, -1.0)])
    bar += np.array([left, y])
    if frame.is_key:
        ink.path(bar, width=0.35, key_bar=long * one)
    else:
        ink.path(bar, width=0.35, scale_bar=long * one)
    at_scale = f"1 : {frame.scale}"
    title = f"{'Whole route' if frame.is_key else 'Place of work'}, {at_scale}"
    x = right - 5.0
    size = 2.4 if is_wide else 2.2
    words = f"{long} {unit}" if is_parted else f"{long} {unit}, {at_scale}"
    ink.text(left + wide + 2.2, y, words, size=size)
    if is_parted and frame.is_key and not is_wide:
        ink.text(left, frame.y - 1.2, title, size=2.4, bold=True)
    elif is_parted:
        ink.text(x - 2.0, y, title, size=size, bold=True, anchor="end")
    top = bottom + 0.5
    ink.path(np.array([(x, top), (x + 1.1, top + 3.6), (x, top + 2.9), (x - 1.1, top + 3.6)]),
             fill="#000", closed=True)  # fmt: skip
    ink.text(x + 1.6, y + 0.3, "N", size=3.0, bold=True, mark="north")


def _paper_box(frame: Frame, other: Frame) -> tuple[float, float, float, float]:
    """Return what another frame covers on the paper of a frame, cut to it."""
    x1, y1, x2, y2 = other.ground
    (left, bottom), (right, top) = frame.places(np.array([(x1, y1), (x2, y2)])).tolist()
    a, b, c, d = frame.corners
    return max(left, a), max(top, b), min(right, c), min(bottom, d)


def _off_edge(outline: FloatArray, frame: Frame) -> list[FloatArray]:
    """Return the pieces of an outline on paper that don't run along the edge of the picture."""
    left, top, right, bottom = frame.corners
    rim = shapely.box(left, top, right, bottom).boundary.buffer(0.05)
    off = shapely.line_merge(shapely.difference(shapely.LineString(outline), rim))
    return [shapely.get_coordinates(piece) for piece in shapely.get_parts(off)]


def _inside(line: FloatArray, frame: Frame) -> list[FloatArray]:
    """Return the pieces of a line on paper that lie in a frame."""
    pieces = shapely.clip_by_rect(shapely.LineString(line), *frame.corners)
    return [shapely.get_coordinates(piece) for piece in shapely.get_parts(pieces)]


def _all_lines(found: ObjectArray, frame: Frame) -> list[FloatArray]:
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
