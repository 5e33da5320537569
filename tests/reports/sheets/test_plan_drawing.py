"""The plan drawing measured: scale, route, marks and labels on paper, for every demo drop."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass

import numpy as np
import pytest
import shapely

from geoplan.reports.sheets.along_lines import flash_places
from geoplan.reports.sheets.ink import text_width
from geoplan.reports.sheets.plan_drawing import draw_plan
from geoplan.reports.sheets.plan_features import Features, Layout, plan_legend
from geoplan.reports.sheets.plan_frames import (
    HEIGHT,
    LEGIBLE,
    PICTURE,
    WIDTH,
    Frame,
    PlanMarks,
    bounds_of,
    frame_drops,
)
from geoplan.reports.sheets.plan_labels import LETTER_HALF

SVG = "{http://www.w3.org/2000/svg}"
DRAWN_MM = 0.02
"""Coordinates are written to a hundredth of a millimetre."""


@dataclass(frozen=True)
class Drawn:
    """One drop's drawing with what it was made of."""

    drop: dict
    marks: PlanMarks
    frames: tuple[Frame, ...]
    root: ET.Element
    legend: str
    grounds: list[dict[str, np.ndarray]]
    """Layer to its geometries on paper, by frame."""


def _marks(plan, row):
    drop = plan.drops.iloc[row]
    air = plan.air_spans.set_index("address_id").geometry.loc[drop["address_id"]]
    places = plan.work_places[plan.work_places["address_id"].eq(drop["address_id"])]
    return PlanMarks(
        row,
        shapely.get_coordinates(drop.geometry)[:, :2],
        shapely.get_coordinates(air)[:, :2],
        isinstance(drop["strand_span_id"], str),
        str(drop["building_id"]),
        drop["terminal_id"],
        drop["access_pole_id"],
        tuple(
            (kind, point.x, point.y)
            for kind, point in zip(places["place"], places.geometry, strict=True)
        ),
        **_far_pole(plan, drop),
    )


def _far_pole(plan, drop):
    if not isinstance(drop["strand_span_id"], str):
        return {}
    span = plan.layers.spans.loc[drop["strand_span_id"]]
    ends = [span["from_pole_id"], span["to_pole_id"]]
    far = ends[1 - ends.index(drop["access_pole_id"])]
    point = plan.layers.poles.geometry.loc[far]
    return {"far_pole_id": far, "far_xy": np.array([point.x, point.y])}


def _ground(plan, features: Features, at: int, frame: Frame, marks: PlanMarks):
    found = {name: frame.on_paper(features.layers[name].of(at)[1]) for name in ("buildings",)}
    rows = features.layers["buildings"].of(at)[0]
    own = plan.layers.buildings.index[rows] == marks.building_id
    found["house"] = found["buildings"][own]
    found["roads"] = frame.on_paper(features.roads.of(at)[1])
    found["spans"] = frame.on_paper(features.spans.of(at)[1])
    return found


@pytest.fixture(scope="module")
def drawings(demo_work):
    marks = [_marks(demo_work, row) for row in range(len(demo_work.drops))]
    frames = frame_drops(marks)
    features = Layout(demo_work).within(bounds_of([one for some in frames for one in some]))
    houses = [str(name) for name in demo_work.layers.buildings.index]
    found, number = [], 0
    for drop, mark, some in zip(demo_work.drops.to_dict("records"), marks, frames, strict=True):
        svg = draw_plan(demo_work, features, number, some, mark, "us")
        grounds = [
            _ground(demo_work, features, number + at, frame, mark) for at, frame in enumerate(some)
        ]
        legend = plan_legend(features, number, some, mark, houses)
        found.append(Drawn(drop, mark, some, ET.fromstring(svg), legend, grounds))
        number += len(some)
    return found


def _points(element: ET.Element) -> np.ndarray:
    return np.array([p.split(",") for p in element.get("points").split()], dtype=float)


def _middle(element: ET.Element) -> np.ndarray:
    if element.get("cx"):
        return np.array([float(element.get("cx")), float(element.get("cy"))])
    box = _points(element)
    if len(box) == 3:  # a ladder's triangle stands around its place
        return np.array([box[0, 0], box[0, 1] + 2.3])
    return box.mean(axis=0)


def _words(root: ET.Element) -> list[tuple[str, shapely.Geometry]]:
    """Return labels with the boxes that their letters fill."""
    found = []
    for one in root.iter(f"{SVG}text"):
        if not one.get("data-label"):
            continue
        size, x, y = (float(one.get(name)) for name in ("font-size", "x", "y"))
        wide = text_width(one.text, size, bold=one.get("font-weight") == "bold")
        left = x - (wide / 2 if one.get("text-anchor") == "middle" else 0.0)
        box = shapely.box(left, y - 0.7 * size, left + wide, y)
        if one.get("transform"):
            turn = float(one.get("transform").split("(")[1].split()[0])
            box = shapely.affinity.rotate(box, turn, origin=(x, y))
        found.append((one.get("data-label"), box))
    return found


def _letters(drawn: Drawn) -> dict[str, np.ndarray]:
    kinds = {kind for kind, _, _ in drawn.marks.places}
    return {
        one.get("data-mark"): _middle(one)
        for one in drawn.root.iter()
        if one.get("data-mark") in kinds
    }


def test_air_span_on_paper_times_the_scale_is_its_length(drawings):
    for drawn in drawings:
        scale = float(drawn.root.get("data-scale"))
        lines = drawn.root.iter(f"{SVG}polyline")
        line = next(one for one in lines if one.get("data-part") == "air")
        long_m = np.hypot(*np.ptp(_points(line), axis=0)) / 1000 * scale
        assert long_m == pytest.approx(drawn.drop["air_span_m"], abs=DRAWN_MM / 1000 * scale)


@pytest.mark.parametrize(("name", "which"), [("data-scale-bar", 0), ("data-key-bar", -1)])
def test_scale_bar_is_as_long_as_it_says_and_lies_below_its_picture(drawings, name, which):
    told = 0
    for drawn in drawings:
        for bar in (one for one in drawn.root.iter(f"{SVG}polyline") if one.get(name)):
            frame = drawn.frames[which]
            long_m = np.ptp(_points(bar)[:, 0]) / 1000 * frame.scale
            assert long_m == pytest.approx(float(bar.get(name)), rel=5e-3)
            assert _points(bar)[:, 1].min() > frame.corners[3]
            told += 1
    assert told >= 20


def test_north_lies_below_the_pictures(drawings):
    for drawn in drawings:
        norths = [one for one in drawn.root.iter(f"{SVG}text") if one.get("data-mark") == "north"]
        assert len(norths) == len(drawn.frames)
        for north, frame in zip(norths, drawn.frames, strict=True):
            assert float(north.get("y")) - 0.72 * float(north.get("font-size")) > frame.corners[3]


def test_each_place_of_work_is_marked_where_it_is_and_has_its_letter(drawings):
    for drawn in drawings:
        at = {one.get("data-at"): one for one in drawn.root.iter() if one.get("data-at")}
        leaders = {one.get("data-leader"): one for one in drawn.root.iter()}
        for kind, x, y in drawn.marks.places:
            true = drawn.frames[0].places(np.array([[x, y]]))[0]
            assert np.abs(_middle(at[kind]) - true).max() <= DRAWN_MM
            start = float(leaders[kind].get("x1")), float(leaders[kind].get("y1"))
            assert np.abs(start - true).max() <= DRAWN_MM
        assert _letters(drawn).keys() == {kind for kind, _, _ in drawn.marks.places}
        marks = {one.get("data-mark") for one in drawn.root.iter()}
        assert {"north", "terminal", "attachment"} <= marks


def _is_clear(drawn: Drawn, kind: str, at: np.ndarray, place: np.ndarray) -> bool:
    """Tell whether a letter is off roads, buildings and wire, on its place's side of the strand."""
    x, y = at
    ground, half = drawn.grounds[0], LETTER_HALF - 0.1
    box = shapely.box(x - half, y - half, x + half, y + half)
    route = shapely.LineString(drawn.frames[0].places(drawn.marks.route))
    way = (at - place) / np.hypot(*(at - place))
    leader = shapely.LineString([place + way, at])
    return not (
        shapely.intersects(ground["roads"], box).any()
        or shapely.intersects(ground["buildings"], box).any()
        or route.intersects(box)
        or shapely.intersects(ground["spans"], leader).any()
    )


def _has_clear_spot(drawn: Drawn, kind: str, place: np.ndarray, near: float, far: float) -> bool:
    """Tell whether any spot within reach is clear, also of other letters and of labels."""
    left, top, right, bottom = drawn.frames[0].corners
    letters = [xy for name, xy in _letters(drawn).items() if name != kind]
    stands = drawn.frames[0].places(drawn.marks.stands)
    leaders = shapely.MultiLineString([
        [[float(one.get(end)) for end in ends] for ends in (("x1", "y1"), ("x2", "y2"))]
        for one in drawn.root.iter(f"{SVG}line") if one.get("data-leader") not in {None, kind}
    ])  # fmt: skip
    poles = [_middle(one) for one in drawn.root.iter(f"{SVG}circle")]
    for radius in np.arange(near, far, 0.5):
        for angle in np.radians(np.arange(0, 360, 10)):
            at = place + radius * np.array([np.cos(angle), np.sin(angle)])
            inside = (at > [left + 3, top + 3]).all() and (at < [right - 3, bottom - 3]).all()
            others = [*letters, *stands, *poles]
            free = all(np.abs(at - other).max() > 5.0 for other in others)
            leader = shapely.LineString([place, at])
            crosses = leaders.distance(leader) < 0.5
            crosses |= any(leader.distance(shapely.Point(xy)) < LETTER_HALF for xy in letters)
            if inside and free and not crosses and _is_clear(drawn, kind, at, place):
                return True
    return False


def test_no_letter_lies_on_road_or_building_or_beyond_the_strand_while_another_spot_is_free(
    drawings,
):
    squeezed = 0
    for drawn in drawings:
        for kind, at in _letters(drawn).items():
            place = next(np.array([a, b]) for name, a, b in drawn.marks.places if name == kind)
            place = drawn.frames[0].places(place[None])[0]
            if not _is_clear(drawn, kind, at, place):
                assert not _has_clear_spot(drawn, kind, place, 4.0, 11.0), drawn.drop["address_id"]
                squeezed += 1
    assert squeezed < 20  # of some 780 letters; the cross tells the place in any case


def test_no_label_hides_house_terminal_places_or_another_label(drawings):
    for drawn in drawings:
        words = _words(drawn.root)
        boxes = np.array([box for _, box in words], dtype=object)
        told = drawn.drop["address_id"]
        for n, box in enumerate(boxes):
            assert not shapely.intersects(np.delete(boxes, n), box).any(), told
        for frame, ground in zip(drawn.frames, drawn.grounds, strict=True):
            keys = [shapely.Point(frame.places(drawn.marks.route[:1])[0]).buffer(1.5)]
            keys += [shapely.Point(xy).buffer(0.9) for xy in frame.places(drawn.marks.air)]
            if not frame.is_key:
                keys += [shapely.Point(xy).buffer(0.7) for xy in frame.places(drawn.marks.stands)]
                keys += [shapely.Point(xy).buffer(1.8) for xy in _letters(drawn).values()]
            inside = shapely.within(boxes, shapely.box(*frame.corners))
            for key in keys:
                assert not (shapely.intersects(boxes, key) & inside).any(), told
            for house in ground["house"]:
                assert not (shapely.intersects(boxes, house) & inside).any(), told


def test_no_label_breaks_the_thick_wire(drawings):
    for drawn in drawings:
        for name, box in _words(drawn.root):
            for frame in drawn.frames:
                if shapely.box(*frame.corners).contains(box):
                    route = shapely.LineString(frame.places(drawn.marks.route))
                    assert not route.intersects(box), (drawn.drop["address_id"], name)


def test_terminal_and_access_pole_are_named(drawings):
    for drawn in drawings:
        words = {one.text for one in drawn.root.iter(f"{SVG}text")}
        assert {drawn.drop["terminal_id"], drawn.drop["access_pole_id"]} <= words


def test_nothing_is_drawn_outside(drawings):
    for drawn in drawings:
        for one in drawn.root.iter():
            for name, most in (("x", WIDTH), ("x1", WIDTH), ("x2", WIDTH), ("cx", WIDTH),
                               ("y", HEIGHT), ("y1", HEIGHT), ("y2", HEIGHT),
                               ("cy", HEIGHT)):  # fmt: skip
                if one.get(name) is not None and one is not drawn.root:
                    assert -0.01 <= float(one.get(name)) <= most + 0.01, drawn.drop["address_id"]
            if one.get("points"):
                assert (_points(one) >= -0.01).all(), drawn.drop["address_id"]
                assert (_points(one) <= [WIDTH + 0.01, HEIGHT + 0.01]).all()
        for _, box in _words(drawn.root):
            assert any(shapely.box(*frame.corners).contains(box) for frame in drawn.frames)


def test_carriageways_of_the_work_are_named(demo_work, drawings):
    """Each road whose carriageway fills a good part of the picture of the work has its name."""
    named = missing = 0
    for drawn in drawings:
        words = {one.text for one in drawn.root.iter() if one.get("data-label") == "road"}
        area = shapely.union_all(drawn.grounds[0]["roads"]).area
        if area > 300.0:
            named += bool(words)
            missing += not words
    assert missing == 0
    assert named > 150


def test_crown_is_found_where_its_stem_stands_outside(demo_work):
    trees = demo_work.layers.trees
    row = int(np.argmax(trees["crown_radius_m"]))
    stem, radius = trees.geometry.iloc[row], float(trees["crown_radius_m"].iloc[row])
    box = np.array([[stem.x + 0.5 * radius, stem.y - 1, stem.x + 0.5 * radius + 20, stem.y + 1]])
    rows, crowns = Layout(demo_work).within(box).layers["trees"].of(0)
    at = rows.tolist().index(row)
    assert crowns[at].bounds[2] == pytest.approx(stem.x + radius, abs=0.05)


def test_legend_names_just_what_is_shown(drawings):
    for drawn in drawings:
        assert ("Square: clamp" in drawn.legend) == drawn.marks.is_clamp
        assert ("B bucket" in drawn.legend) == ("bucket" in _letters(drawn))
        assert ("carriageway" in drawn.legend) == any(len(g["roads"]) for g in drawn.grounds)


def test_legend_tells_of_a_strand_run_and_of_power_only_where_they_are(drawings):
    for drawn in drawings:
        run = len(drawn.marks.route) > 2 and np.ptp(drawn.marks.route[:-1], axis=0).any()
        assert ("dashed along the strand" in drawn.legend) == bool(run)
        assert ("place of work" in drawn.legend) == (len(drawn.frames) > 1)
    assert any("Flashes" not in drawn.legend for drawn in drawings)


def test_far_pole_of_a_clamps_span_is_named_or_told_where_its_strand_leaves(drawings):
    clamps = [drawn for drawn in drawings if drawn.marks.far_pole_id]
    assert len(clamps) > 80
    silent = 0
    for drawn in clamps:
        words = [one.text for one in drawn.root.iter(f"{SVG}text") if one.get("data-label")]
        far = drawn.marks.far_pole_id
        silent += not any(word == far or word.startswith(f"to {far},") for word in words)
    assert silent <= 3


def test_places_of_work_have_one_title_with_its_scale(drawings):
    for drawn in drawings:
        words = [one.text for one in drawn.root.iter(f"{SVG}text")]
        titles = [f"Place of work, 1 : {frame.scale}" for frame in drawn.frames if not frame.is_key]
        if len(drawn.frames) > 1:
            assert set(titles) <= set(words)
        assert not any(word.startswith("Work, ") for word in words)


def test_flashes_stay_within_the_picture():
    corners = (0.0, 0.0, 60.0, 40.0)
    edge = shapely.LineString([(0.0, 0.3), (60.0, 0.3)])
    side = shapely.LineString([(59.8, 0.0), (59.8, 40.0)])
    for line in (edge, side):
        places = np.array(flash_places(line, corners))
        assert len(places) >= 2
        assert (places >= [0.7, 1.6]).all()
        assert (places <= [59.3, 38.4]).all()
    assert flash_places(shapely.LineString([(1.0, 1.0), (2.0, 1.0)]), corners) == []


def _marks_at(route: list[tuple[float, float]], places: list[tuple[float, float]]) -> PlanMarks:
    xy = np.array(route)
    stands = tuple(("ladder", x, y) for x, y in places)
    return PlanMarks(0, xy, xy[-2:], is_clamp=False, building_id="", terminal_id="P1",
                     access_pole_id="P1", places=stands)  # fmt: skip


def test_frame_holds_all_places_with_room_around():
    marks = _marks_at([(0.0, 0.0), (41.0, 3.0)], [(12.0, 30.0)])
    (frame,) = frame_drops([marks])[0]
    places = frame.places(np.vstack([marks.route, marks.stands]))
    assert (places >= 6.9).all()
    assert (places[:, 0] <= WIDTH - 6.9).all()
    assert (places[:, 1] <= PICTURE - 6.9).all()
    assert frame.places(np.array([[0.0, 1.0]]))[0, 1] < frame.places(np.array([[0.0, 0.0]]))[0, 1]


@pytest.mark.parametrize("turn_deg", [0, 40, 90, 200])
def test_long_strand_run_leaves_the_air_span_its_own_scale(turn_deg):
    turn = np.radians(turn_deg)
    way = np.array([np.cos(turn), np.sin(turn)])
    pole, house = 120.0 * way, 120.0 * way + 14.0 * np.array([-way[1], way[0]])
    marks = _marks_at([(0.0, 0.0), tuple(pole), tuple(house)], [tuple((pole + house) / 2)])
    work, key = frame_drops([marks])[0]
    assert work.scale <= 300 <= LEGIBLE < key.scale
    for frame, xy in ((work, marks.work), (key, marks.route)):
        left, top, right, bottom = frame.corners
        places = frame.places(xy)
        assert (places > [left + 4.9, top + 4.9]).all()
        assert (places < [right - 4.9, bottom - 4.9]).all()
    assert not shapely.box(*work.corners).intersects(shapely.box(*key.corners))
    assert key.corners[2] <= WIDTH
    assert key.corners[3] <= PICTURE


def test_long_air_span_keeps_one_frame():
    marks = _marks_at([(0.0, 0.0), (90.0, 60.0)], [(45.0, 30.0)])
    assert len(frame_drops([marks])[0]) == 1
