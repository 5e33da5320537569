"""Letters of places and names on the plan drawing, each where it hides least.

Enters: a frame, what lies in it, one drop with its marks.
Leaves: marks and words on an `Ink`.
Does not do: draw the ground; choose frames.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.reports.sheets.along_lines import (
    direction_deg,
    flash_places,
    longest,
    spread,
    turned_boxes,
)
from geoplan.reports.sheets.ink import LEADER, LEADER_DASHES, Ink, text_width
from geoplan.reports.sheets.obstacles import Obstacles, around, boxes
from geoplan.reports.sheets.plan_features import Features
from geoplan.reports.sheets.plan_frames import Frame, PlanMarks
from geoplan.units import ReportUnits, say

FloatArray = npt.NDArray[np.float64]
ObjectArray = npt.NDArray[np.object_]

MARKS = {"ladder": "L", "house_ladder": "H", "reel": "R", "bucket": "B"}
"""Letters of places; a ladder is a triangle, a reel a circle, a bucket a square."""
LETTER_HALF = 2.3
"""Half the side of the box around a letter's mark, mm."""
POWER_NEAR_M = 8.0
"""Power lines within this of route or places are named, even where that hides some lines."""
ON_ROUTE_M, BESIDE_CLAMP_M = 0.6, 6.0
"""A pole within this of the route belongs to it; one within this of the clamp is named too."""
MOST = 280.0
"""What a name may cost at most that isn't needed to find the pole: it breaks no wire."""
BESIDE_MOST, WATER_MOST = 900.0, 12.0
"""The same for a road's name that has no room on it, and for a water's name on it."""
LETTER_RADII = (3.8, 4.3, 4.8, 5.4, 6.0, 7.0, 8.0, 9.5, 11.0, 13.0, 15.0)
"""Ways from a cross to its letter that are tried, mm."""
LEAST_ROAD_MM2 = 20.0
"""A smaller piece of carriageway, or one that is part of another road's, has no name."""
SMALL, NEAR_LABEL, LEAST_LINE = 2.3, 4.5, 1.5
"""Least size of words, mm: 6.5 pt; a label farther off has a leader; a shorter line no name."""
KEY, SOLID, ROUTE = 1000.0, 300.0, 300.0
"""Costs of hiding a mark or another label, of lying on road or building, of breaking the wire."""


def _some(geometry: ObjectArray) -> Iterable[shapely.Geometry]:
    return (piece for piece in geometry if not piece.is_empty)


class PlanLabels:
    """Labels of one frame.

    Parameters
    ----------
    ink : Ink
        The drawing.
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
        System of the report.
    """

    def __init__(
        self,
        ink: Ink,
        plan: Plan,
        features: Features,
        number: int,
        frame: Frame,
        marks: PlanMarks,
        units: ReportUnits,
    ) -> None:
        self._ink, self._plan, self._features = ink, plan, features
        self._number, self._frame, self._marks, self._units = number, frame, marks, units
        left, top, right, bottom = frame.corners
        inside = left + 0.4, top + 0.4, right - 0.4, bottom - 0.4
        self._words, self._leaders = Obstacles(*inside), Obstacles(*inside)
        self._route = shapely.LineString(frame.places(marks.route))
        self._air = shapely.LineString(frame.places(marks.air))
        self._roads = frame.on_paper(features.roads.of(number)[1])
        rows, poles = features.layers["poles"].of(number)
        self._pole_ids = [str(name) for name in plan.layers.poles.index[rows]]
        self._pole_xy = frame.places(shapely.get_coordinates(poles)[:, :2])
        near = shapely.distance(poles, shapely.LineString(marks.route)) <= ON_ROUTE_M
        main = {marks.terminal_id, marks.access_pole_id, marks.far_pole_id}
        if marks.is_clamp:
            near |= shapely.distance(poles, shapely.Point(marks.air[0])) <= BESIDE_CLAMP_M
        names = np.array(self._pole_ids, dtype=object)
        self._is_own = np.asarray(near) | np.isin(names, list(main))
        self._ground()

    def _on(self, name: str) -> ObjectArray:
        return self._frame.on_paper(self._features.layers[name].of(self._number)[1])

    def _ground(self) -> None:
        """Set what labels and leaders should keep off."""
        frame, words, leaders = self._frame, self._words, self._leaders
        buildings, power = self._on("buildings"), self._on("power")
        spans = frame.on_paper(self._features.spans.of(self._number)[1])
        rows, drops = self._features.drops.of(self._number)
        drops = frame.on_paper(drops[rows != self._marks.row])
        words.add(_some(self._roads), 4.0)
        words.add(_some(shapely.boundary(self._roads)), 6.0)
        words.add(_some(buildings), SOLID)
        rows = self._features.layers["buildings"].of(self._number)[0]
        is_own = np.asarray(self._plan.layers.buildings.index[rows] == self._marks.building_id)
        words.add(_some(shapely.buffer(buildings[is_own], 0.4)), KEY)
        words.add([self._route.buffer(0.7), self._air.buffer(0.7)], ROUTE)
        words.add(_some(spans), 40.0)
        words.add(_some(power), 14.0)
        flashes = [
            shapely.box(x - 0.6, y - 1.5, x + 0.6, y + 1.5)
            for line in power
            for x, y in flash_places(line, frame.corners)
        ]
        words.add(flashes, 30.0)
        words.add(_some(self._on("rail")), 8.0)
        words.add(_some(shapely.boundary(self._on("water"))), 14.0)
        if not frame.is_key:
            words.add(_some(drops), 4.0)
            words.add(_some(self._on("existing_drops")), 4.0)
            for name in ("parcels", "driveways", "sidewalks", "pools", "trees"):
                words.add(_some(shapely.boundary(self._on(name))), 1.0)
        self._carriageways = Obstacles(*words.frame.bounds)
        self._carriageways.add(_some(np.concatenate([self._roads, buildings])), SOLID)
        leaders.add(_some(self._roads), 220.0)
        leaders.add(_some(buildings), 220.0)
        leaders.add([self._air.buffer(0.45)], 100.0)
        leaders.add(_some(spans), 250.0)
        leaders.add(_some(power), 20.0)
        ends = shapely.points(frame.places(self._marks.air))
        words.add(shapely.buffer(ends, 1.3), KEY)
        leaders.add(shapely.buffer(ends, 1.0), SOLID)
        for (x, y), own in zip(self._pole_xy.tolist(), self._is_own, strict=True):
            pole = shapely.Point(x, y).buffer(1.7 if own else 1.0)
            words.add([pole], KEY if own else 30.0)
            leaders.add([pole], 50.0)

    def draw(self) -> None:
        """Draw marks first, then names in the order of their weight."""
        if not self._frame.is_key:
            self._stands()
        self._poles()
        if not self._frame.is_key:
            self._way_out()
        self._roads_named()
        self._water_named()
        self._power_named()

    def _stands(self) -> None:
        """Draw a cross at each place to stand and its letter beside it, with a leader."""
        ink = self._ink
        at = self._frame.places(self._marks.stands)
        crosses = shapely.buffer(shapely.points(at), 0.9)
        self._words.add(crosses, KEY)
        for n, (kind, _, _) in enumerate(self._marks.places):
            x, y = at[n].tolist()
            tried = around(x, y, LETTER_RADII, 48)
            half = LETTER_HALF
            sites = boxes(np.column_stack([tried - half, tried + half]))
            far = np.hypot(*(tried - [x, y]).T)
            # The place itself may lie below the wire: the leader counts from beside it.
            near = [x, y] + (tried - [x, y]) / far[:, None]
            lines = shapely.linestrings(np.stack([near, tried], axis=1))
            others = Obstacles(*self._words.frame.bounds)
            others.add([cross for m, cross in enumerate(crosses) if m != n], SOLID)
            cost = self._words.costs(sites) + self._carriageways.costs(sites) + 1.5 * far
            cost += self._leaders.costs(lines) + others.costs(lines)
            chosen = int(np.argmin(cost))
            cx, cy = tried[chosen].tolist()
            ink.line(x, y, cx, cy, width=0.2, dashes=LEADER_DASHES, leader=kind)
            self._letter(cx, cy, kind)
            for dx, dy in ((0.75, 0.75), (0.75, -0.75)):
                ink.line(x - dx, y - dy, x + dx, y + dy, width=0.9, stroke="#fff")
            for dx, dy in ((0.75, 0.75), (0.75, -0.75)):
                ink.line(x - dx, y - dy, x + dx, y + dy, width=0.4)
            ink.circle(x, y, 0.35, fill="#000", at=kind)
            self._words.add([sites[chosen]], KEY)
            self._words.add([lines[chosen]], 60.0)
            self._leaders.add([sites[chosen], lines[chosen]], SOLID)

    def _letter(self, x: float, y: float, kind: str) -> None:
        ink = self._ink
        if kind == "reel":
            ink.circle(x, y, 1.8, fill="#fff", width=0.35, mark=kind)
        elif kind == "bucket":
            box = np.array([(x - 1.7, y - 1.7), (x + 1.7, y - 1.7), (x + 1.7, y + 1.7),
                            (x - 1.7, y + 1.7)])  # fmt: skip
            ink.path(box, width=0.35, fill="#fff", closed=True, mark=kind)
        else:
            box = np.array([(x, y - 2.3), (x + 2.3, y + 1.8), (x - 2.3, y + 1.8)])
            ink.path(box, width=0.35, fill="#fff", closed=True, mark=kind)
        down = 1.35 if kind in {"ladder", "house_ladder"} else 0.85
        ink.text(x, y + down, MARKS.get(kind, "?"), size=2.3, bold=True, anchor="middle")

    def _label(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        *,
        bold: bool = False,
        most: float,
        radii: tuple[float, ...] = (1.6, 2.6, 4.0, 6.0, 9.0, 13.0),
        label: str,
        near: float = NEAR_LABEL,
    ) -> bool:
        """Write words beside a place where that costs at most `most`; tell whether it was done.

        Farther off than `near` they have a leader.
        """
        wide = text_width(words, size, bold=bold) + 0.8
        tall = size * 0.95
        tried, far = [], []
        for radius in radii:
            for angle in np.arange(16) * np.pi / 8:
                dx, dy = float(np.cos(angle)), float(np.sin(angle))
                tried.append((x + radius * dx + (dx - 1) / 2 * wide,
                              y + radius * dy + (dy - 1) / 2 * tall))  # fmt: skip
                far.append(radius)
        corner = np.array(tried)
        sites = boxes(np.column_stack([corner, corner + np.array([wide, tall])]))
        cost = self._words.costs(sites) + 1.2 * np.array(far)
        leaders = self._from_place(x, y, corner, wide, tall)
        cost += np.where(np.array(far) > near, self._leaders.costs(leaders), 0.0)
        chosen = int(np.argmin(cost))
        if cost[chosen] > most:
            return False
        self._words.add([sites[chosen]], KEY)
        self._leaders.add([sites[chosen]], SOLID)
        left, top = corner[chosen].tolist()
        if far[chosen] > near:
            (x1, y1), (x2, y2) = shapely.get_coordinates(leaders[chosen]).tolist()
            self._ink.line(x1, y1, x2, y2, width=LEADER, dashes=LEADER_DASHES)
        self._ink.text(left + 0.4, top + 0.85 * tall, words, size=size, bold=bold, label=label)
        return True

    @staticmethod
    def _from_place(
        x: float, y: float, corner: FloatArray, wide: float, tall: float
    ) -> ObjectArray:
        """Return a line from beside a place to the nearest place of each box, shape (n,)."""
        near = np.clip([x, y], corner, corner + np.array([wide, tall]))
        off = near - [x, y]
        start = [x, y] + off / np.maximum(np.hypot(*off.T), 1e-9)[:, None]
        return np.asarray(shapely.linestrings(np.stack([start, near], axis=1)))

    def _poles(self) -> None:
        ink, marks = self._ink, self._marks
        main = {marks.terminal_id, marks.access_pole_id}
        order = sorted(
            range(len(self._pole_ids)),
            key=lambda n: (self._pole_ids[n] not in main, not self._is_own[n], n),
        )
        left, top, right, bottom = self._frame.corners
        for n in order:
            x, y = self._pole_xy[n].tolist()
            if not (left + 1 < x < right - 1 and top + 1 < y < bottom - 1):
                continue
            pole_id = self._pole_ids[n]
            if pole_id == marks.terminal_id:
                ink.circle(x, y, 1.5, width=0.35, fill="#fff", mark="terminal")
            ink.circle(x, y, 0.8, fill="#000" if pole_id in main else "#fff", width=0.3)
        for n in order:
            x, y = self._pole_xy[n].tolist()
            if not (left + 1 < x < right - 1 and top + 1 < y < bottom - 1):
                continue
            own = bool(self._is_own[n])
            is_main = self._pole_ids[n] in main
            pole_id = self._pole_ids[n]
            words = pole_id if len(pole_id) <= 18 else f"{pole_id[:17]}…"
            size = 2.7 if is_main else SMALL
            most = 1e5 if is_main else MOST if own else 12.0
            if pole_id == marks.far_pole_id:
                most = BESIDE_MOST
            if self._frame.is_key and not own:
                continue
            self._label(x, y, words, size, bold=own, most=most, label="pole" if own else "other")

    def _way_out(self) -> None:
        """Where strand run or clamp's span leaves the picture, say to which pole, and how far."""
        marks, frame = self._marks, self._frame
        if marks.far_pole_id and marks.far_xy is not None:
            self._leads_to(marks.far_pole_id, marks.far_xy, marks.air[0])
        strand = marks.route[:-1]
        if len(strand) < 2:
            return
        ground = shapely.box(*frame.ground)
        inside = shapely.contains_xy(ground, strand[:, 0], strand[:, 1])
        if inside.all() or not inside[-1]:
            return
        last = int(np.flatnonzero(~inside)[-1])
        poles = self._plan.layers.poles
        off = shapely.distance(poles.geometry.to_numpy(), shapely.Point(strand[last]))
        nearest = int(np.argmin(off)) if len(off) else -1
        if nearest < 0 or off[nearest] > ON_ROUTE_M:
            return
        self._leads_to(str(poles.index[nearest]), strand[last], strand[last + 1])

    def _leads_to(self, pole_id: str, pole_xy: FloatArray, from_xy: FloatArray) -> None:
        """Name a pole outside the picture where the strand to it leaves it, with its distance."""
        if shapely.contains_xy(shapely.box(*self._frame.ground), *pole_xy):
            return
        far = float(np.hypot(*(pole_xy - from_xy)))
        words = f"to {pole_id[:18]}, {say(far, 'length', self._units)}"
        ends = self._frame.places(np.stack([pole_xy, from_xy]))
        line = shapely.clip_by_rect(shapely.LineString(ends), *self._frame.corners)
        if line.is_empty:
            return
        x, y = shapely.get_coordinates(line)[0].tolist()
        self._label(x, y, words, 2.4, bold=True, most=MOST, label="way_out",
                    radii=(1.2, 2.0, 3.0, 4.4, 7.0, 10.0))  # fmt: skip

    def _roads_named(self) -> None:
        """Write each road's name along it: on its carriageway where that has room."""
        rows, areas = self._features.roads.of(self._number)
        line_rows, lines = self._features.road_lines.of(self._number)
        roads = self._plan.layers.roads
        names = [
            str(name) if isinstance(name, str) else str(road)
            for road, name in zip(roads.index, roads["name"], strict=True)
        ]
        pieces: dict[str, list[shapely.Geometry]] = {}
        for row, piece in [
            *zip(rows.tolist(), areas, strict=True),
            *zip(line_rows.tolist(), lines, strict=True),
        ]:
            pieces.setdefault(names[row], []).append(piece)
        shown_rows = np.concatenate([rows, line_rows]).tolist()
        axes = {names[row]: roads.geometry.iloc[row] for row in shown_rows}
        areas_on = {name: self._on_paper_whole(shown) for name, shown in pieces.items()}
        for name, shown in pieces.items():
            others = shapely.union_all([area for key, area in areas_on.items() if key != name])
            if shapely.area(shapely.difference(areas_on[name], others)) < LEAST_ROAD_MM2:
                continue
            self._road_named(name if len(name) <= 32 else f"{name[:31]}…", shown, axes[name])

    def _on_paper_whole(self, pieces: list[shapely.Geometry]) -> shapely.Geometry:
        return shapely.union_all(self._frame.on_paper(np.array(pieces, dtype=object)))

    def _road_named(
        self, words: str, pieces: list[shapely.Geometry], axis: shapely.Geometry
    ) -> None:
        frame = self._frame
        area = self._on_paper_whole(pieces)
        sizes = (2.6, SMALL) if not frame.is_key else (SMALL,)
        points = spread(area, 3.0)
        if len(points) == 0:
            return
        turns = direction_deg(frame.on_paper(np.array([axis], dtype=object))[0], points)
        best: tuple[float, float, float, float, float, shapely.Geometry] | None = None
        for size in sizes:
            half = text_width(words, size) / 2 + 0.4
            sites = turned_boxes(points, half, size * 0.5, turns)
            outside = 1.0 - shapely.area(shapely.intersection(sites, area)) / shapely.area(sites)
            cost = self._words.costs(sites) + 25.0 * outside + (4.0 if size < sizes[0] else 0.0)
            n = int(np.argmin(cost))
            if best is None or cost[n] < best[0]:
                best = (float(cost[n]), size, *points[n].tolist(), float(turns[n]), sites[n])
        if best is None or best[0] > MOST:
            x, y = shapely.get_coordinates(shapely.point_on_surface(area))[0].tolist()
            self._label(x, y, words, SMALL, most=BESIDE_MOST, label="road", near=0.0,
                        radii=(3.0, 5.0, 8.0, 12.0, 17.0))  # fmt: skip
            return
        _, size, x, y, turn, site = best
        self._words.add([site], KEY)
        self._turned(np.array([x, y]), turn, words, size, "road")

    def _water_named(self) -> None:
        rows, found = self._features.layers["water"].of(self._number)
        water = self._plan.layers.water
        done = set()
        for row, piece in zip(rows.tolist(), self._frame.on_paper(found), strict=True):
            name = water["name"].iloc[row]
            words = f"water: {name if isinstance(name, str) else water.index[row]}"[:32]
            if words not in done:
                done.add(words)
                self._water_piece(words, piece)

    def _water_piece(self, words: str, piece: shapely.Geometry) -> None:
        """Write a water's name along its longer side, on it where that has room."""
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(piece))
        x, y = shapely.get_coordinates(shapely.point_on_surface(piece))[0].tolist()
        long = np.hypot(*np.diff(box, axis=0).T)
        if len(long):
            n = int(np.argmax(long))
            points = spread(piece, 3.0)
            turns = direction_deg(shapely.LineString(box[n : n + 2]), points)
            half = text_width(words, SMALL) / 2 + 0.3
            sites = turned_boxes(points, half, SMALL * 0.5, turns)
            cost = self._words.costs(sites)
            n = int(np.argmin(cost))
            if cost[n] <= WATER_MOST:
                self._words.add([sites[n]], KEY)
                self._turned(points[n], float(turns[n]), words, SMALL, "water")
                return
        self._label(x, y, words, SMALL, most=MOST, label="water",
                    radii=(0.0, 2.0, 5.0, 9.0, 14.0, 20.0))  # fmt: skip

    def _power_named(self) -> None:
        """Write ids of power lines near the work; of others where there is room."""
        rows, found = self._features.layers["power"].of(self._number)
        if len(rows) == 0:
            return
        ids = self._plan.layers.power.index
        work = [shapely.LineString(self._marks.route), shapely.LineString(self._marks.air)]
        near = shapely.union_all([*work, *shapely.points(self._marks.stands)])
        groups: dict[tuple[float, ...], list[int]] = {}
        for n, piece in enumerate(found):
            ends = np.sort(np.round(shapely.get_coordinates(piece)[[0, -1], :2], 0), axis=0)
            groups.setdefault(tuple(ends.ravel().tolist()), []).append(n)
        order = sorted(groups.values(), key=lambda group: float(found[group[0]].distance(near)))
        for group in order:
            piece = found[group[0]]
            words = " ".join(str(ids[rows[n]])[:14] for n in group[:4])
            is_near = bool(piece.distance(near) <= POWER_NEAR_M)
            line = self._frame.on_paper(np.array([piece], dtype=object))[0]
            if line.length < LEAST_LINE:
                continue
            if not self._along(line, words, MOST if is_near else 6.0) and is_near:
                x, y = shapely.get_coordinates(longest(line).interpolate(0.5, normalized=True))[0]
                self._label(float(x), float(y), words, SMALL, most=MOST, label="power")

    def _along(self, line: shapely.Geometry, words: str, most: float) -> bool:
        """Write words close beside a line, turned along it; tell whether it was done."""
        if line.length < 3.0:
            return False
        size = SMALL
        parts = np.linspace(0.04, 0.96, 24)
        along = shapely.line_interpolate_point(longest(line), parts, normalized=True)
        at = shapely.get_coordinates(along)
        turns = direction_deg(line, at)
        half = text_width(words, size) / 2 + 0.3
        across = np.column_stack([-np.sin(np.radians(turns)), np.cos(np.radians(turns))])
        tried = np.vstack([at + side * across for side in (1.5, -1.5)])
        turns = np.concatenate([turns, turns])
        sites = turned_boxes(tried, half, size * 0.5, turns)
        cost = self._words.costs(sites)
        n = int(np.argmin(cost))
        if cost[n] > most:
            return False
        self._words.add([sites[n]], KEY)
        self._turned(tried[n], float(turns[n]), words, size, "power")
        return True

    def _turned(
        self, centre: FloatArray, turn_deg: float, words: str, size: float, label: str
    ) -> None:
        """Write words turned about their middle."""
        turn = np.radians(turn_deg)
        x, y = (centre + 0.36 * size * np.array([-np.sin(turn), np.cos(turn)])).tolist()
        self._ink.text(x, y, words, size=size, anchor="middle", turn_deg=turn_deg, label=label)
