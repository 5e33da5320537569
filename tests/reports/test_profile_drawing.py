"""The drawn profile: figures in it agree with its geometry, and hostile words stay words."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from geoplan.project import Project
from geoplan.reports.caution import CAUTION_LINE
from geoplan.reports.profile_drawing import ClearanceMark, ProfileDrawing, WireLine, draw_profile
from geoplan.reports.span_files import span_drawing
from geoplan.span import SpanAnswer, SpanQuestion, solve_span
from geoplan.span_layout import Passed
from geoplan.standards import Standards, load_standards
from geoplan.tables import CrossingKind
from geoplan.units import ReportUnits, to_si

FT, INCH = 0.3048, 0.0254
SVG = "{http://www.w3.org/2000/svg}"


class Drawn:
    """A drawing read back: its scale comes from the ticks alone."""

    def __init__(self, text: str) -> None:
        self.root = ET.fromstring(text)
        self.per_x, self.x0 = self._scale("distance-tick", "x")
        self.per_y, self.y0 = self._scale("height-tick", "y")
        self.y0 -= 3.0  # words stand that much below their tick

    def _scale(self, name: str, axis: str) -> tuple[float, float]:
        ticks = [(float(item.text or ""), float(item.get(axis, ""))) for item in self.all(name)]
        assert len(ticks) >= 3
        values, places = np.array(ticks).T
        slope, start = np.polyfit(values, places, 1)
        assert np.abs(values * slope + start - places).max() < 0.02  # one even scale
        return float(slope), float(start)

    def all(self, name: str) -> list[ET.Element]:
        return [item for item in self.root.iter() if item.get("class") == name]

    def one(self, name: str) -> ET.Element:
        found = self.all(name)
        assert len(found) == 1, name
        return found[0]

    def number(self, name: str) -> float:
        return float((self.one(name).text or "").split()[0])

    def points(self, name: str) -> np.ndarray:
        pairs = [pair.split(",") for pair in self.one(name).get("points", "").split()]
        places = np.array(pairs, dtype=np.float64)
        return np.stack(
            [(places[:, 0] - self.x0) / self.per_x, (places[:, 1] - self.y0) / self.per_y], axis=1
        )

    def drop(self, name: str) -> float:
        """Return the height of a vertical line in units of the report."""
        line = self.one(name)
        return abs(float(line.get("y1", "")) - float(line.get("y2", ""))) / abs(self.per_y)


def _answer(units: ReportUnits) -> tuple[SpanAnswer, Standards]:
    rule_set = "california" if units == "us" else "metric"
    district = "light" if units == "us" else "medium"
    standards = load_standards(Project(rule_set=rule_set, loading_district=district, layers={}))
    over = (
        Passed(CrossingKind.ROAD, 30 * FT, 66 * FT, "residential"),
        Passed(CrossingKind.SIDEWALK, 20 * FT, 25 * FT),
        Passed(CrossingKind.ROOF, 75 * FT, 85 * FT, "steep", 9 * FT),
        Passed(CrossingKind.POWER, 50 * FT, 50 * FT, "supply_drop", 25 * FT),
        Passed(CrossingKind.WATER, 90 * FT, 92 * FT),
    )
    ask = SpanQuestion(23 * FT, 19 * FT, 95 * FT, district, over, 1.5 * FT, 20 * INCH)
    return solve_span(ask, standards), standards


@pytest.fixture(scope="module", params=["us", "metric"])
def drawn(request: pytest.FixtureRequest) -> tuple[Drawn, SpanAnswer, float]:
    answer, standards = _answer(request.param)
    one = to_si(1.0, "ft" if request.param == "us" else "m")
    return Drawn(span_drawing(answer, standards, request.param)), answer, one


def test_dimensions_written_are_the_answer_and_the_geometry(
    drawn: tuple[Drawn, SpanAnswer, float],
) -> None:
    page, answer, one = drawn
    ask = answer.question
    line = page.one("distance-line")
    span = (float(line.get("x2", "")) - float(line.get("x1", ""))) / page.per_x
    assert page.number("distance") == pytest.approx(ask.distance_m / one, abs=0.006)
    assert span == pytest.approx(page.number("distance"), abs=0.01)
    for name, height in (("from", ask.from_height_m), ("to", ask.to_height_m)):
        assert page.number(f"height {name}") == pytest.approx(height / one, abs=0.006)
        assert page.drop(f"height-line {name}") == pytest.approx(height / one, abs=0.01)


def test_wires_are_drawn_where_the_answer_has_them(drawn: tuple[Drawn, SpanAnswer, float]) -> None:
    page, answer, one = drawn
    worst = max((s for s in answer.states if s.purpose == "clearance"), key=lambda s: s.sag_m)
    for style, name in (("stringing", "stringing"), ("worst", worst.name)):
        wire = page.points(f"wire {style}")
        np.testing.assert_allclose(wire[:, 0], answer.shape.x_m / one, atol=0.01)
        np.testing.assert_allclose(wire[:, 1], answer.shape.wire_z_m[name] / one, atol=0.01)
        chord = np.interp(wire[:, 0], *page.points("chord").T)
        state = next(s for s in answer.states if s.name == name)
        assert (chord - wire[:, 1]).max() == pytest.approx(state.sag_m / one, abs=0.02)
        assert page.drop(f"sag-line {style}") == pytest.approx(state.sag_m / one, abs=0.03)
    ground = page.points("ground")
    assert ground[-1, 1] == pytest.approx(answer.question.ground_rise_m / one, abs=0.01)


def test_sag_written_is_the_answers(drawn: tuple[Drawn, SpanAnswer, float]) -> None:
    page, answer, _ = drawn
    words = (page.one("sag stringing").text or "").split("sag ")[1].split()
    unit = "inch" if words[1] == "in" else words[1]
    assert to_si(float(words[0]), unit) == pytest.approx(answer.sag_m, abs=0.0013)


def test_clearances_written_are_those_drawn(drawn: tuple[Drawn, SpanAnswer, float]) -> None:
    page, answer, one = drawn
    for letter, item in zip("ABCDEF", answer.clearances, strict=True):
        if not np.isfinite(item.margin_m):
            assert page.one(f"case {letter}").text == "NOT CHECKED"
            assert not page.all(f"clearance-line {letter}")
            continue
        available = page.number(f"available {letter}")
        assert available == pytest.approx(item.available_m / one, abs=0.006)
        assert page.drop(f"clearance-line {letter}") == pytest.approx(available, abs=0.02)
        line = page.one(f"clearance-line {letter}")
        foot, head = ((float(line.get(k, "")) - page.y0) / page.per_y for k in ("y1", "y2"))
        is_power = item.kind == "power"
        assert (head < foot) == is_power
        surface = np.interp(item.at_m, item.asked_x_m, item.surface_z_m)
        assert foot == pytest.approx(surface / one, abs=0.02)
        required = page.number(f"required {letter}")
        assert page.number(f"margin {letter}") == pytest.approx(available - required, abs=0.016)
        at = (float(page.one(f"clearance-line {letter}").get("x1", "")) - page.x0) / page.per_x
        assert at == pytest.approx(page.number(f"at {letter}"), abs=0.02)


def test_required_line_is_at_surface_plus_figure(drawn: tuple[Drawn, SpanAnswer, float]) -> None:
    page, answer, one = drawn
    road = answer.clearances[0]
    asked = page.points("required road")
    np.testing.assert_allclose(asked[:, 1], road.asked_z_m / one, atol=0.01)
    surface = np.interp(road.at_m, road.asked_x_m, road.surface_z_m) / one
    top = np.interp(road.at_m / one, *asked.T) - surface
    assert top == pytest.approx(road.required_m / one, abs=0.02)
    assert road.surface_z_m.max() > np.interp(48 * FT, answer.shape.x_m, answer.shape.ground_z_m)


def test_scale_of_heights_is_as_written(drawn: tuple[Drawn, SpanAnswer, float]) -> None:
    page, _, _ = drawn
    words = page.one("scale").text or ""
    times = 1.0 if "one scale" in words else float(words.split("at ")[1].split()[0])
    assert abs(page.per_y) / page.per_x == pytest.approx(times, rel=1e-3)


def test_the_caution_stands_on_the_page_and_nothing_is_off_it(
    drawn: tuple[Drawn, SpanAnswer, float],
) -> None:
    page, _, _ = drawn
    assert CAUTION_LINE in [item.text for item in page.root.iter(f"{SVG}text")]
    _, _, width, height = (float(part) for part in page.root.get("viewBox", "").split())
    for item in page.root.iter(f"{SVG}text"):
        assert 0 < float(item.get("x", "")) < width
        assert 0 < float(item.get("y", "")) < height
    assert {item.get("fill") for item in page.root.iter()} <= {
        None, "none", "#000", "#fff", "#444", "url(#hatch)"
    }  # fmt: skip


def _plain(**changes: object) -> ProfileDrawing:
    x = np.linspace(0.0, 30.0, 31)
    z = 6.0 - 0.03 * x
    mark = ClearanceMark(
        "road", "road", 10.0, 18.0, np.array([10.0, 18.0]), np.zeros(2), np.full(2, 4.7),
        18.0, 4.7, 5.0, 0.3, "hot", "rule; read", "",
    )  # fmt: skip
    whole = ProfileDrawing(
        "Job 7", ("fact",), "CLEARS", CAUTION_LINE, x, np.zeros(31),
        (WireLine("now", "stringing", z - 0.1, 0.1, 15.0),), (mark,), 6.0, 5.1, "metric",
    )  # fmt: skip
    return replace(whole, **changes)  # type: ignore[arg-type]


def test_plain_arrays_are_enough_to_draw() -> None:
    page = Drawn(draw_profile(_plain()))
    assert page.number("available A") == 5.0
    assert page.number("distance") == 30.0


def test_hostile_words_stay_words() -> None:
    nasty = "</text><script>alert(1)</script>&\"'\x1b[31m\x00\ufffe\u202eend"
    mark = replace(_plain().marks[0], name=nasty, rule=nasty, note=nasty)
    text = draw_profile(_plain(title=nasty, facts=(nasty,), verdict=nasty, marks=(mark,)))
    root = ET.fromstring(text)
    assert not list(root.iter(f"{SVG}script"))
    assert "<script" not in text
    words = [item.text or "" for item in root.iter(f"{SVG}text")]
    assert sum("<script>alert(1)</script>" in word for word in words) >= 4
    assert not {"\x1b", "\x00", "\ufffe", "\u202e"} & set(text)


def test_a_long_table_makes_the_page_longer_not_cut() -> None:
    marks = tuple(replace(_plain().marks[0], note="word " * 80) for _ in range(20))
    page = Drawn(draw_profile(_plain(marks=marks)))
    height = float(page.root.get("viewBox", "").split()[3])
    lowest = max(float(item.get("y", "")) for item in page.root.iter(f"{SVG}text"))
    assert 794 < lowest < height
    assert page.root.get("height") == "210mm"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"marks": _plain().marks * 27}, "at most 26; there are 27"),
        ({"x_m": np.zeros(31)}, "must increase"),
    ],
)
def test_what_cannot_be_drawn_is_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        draw_profile(_plain(**changes))


def test_the_same_arrays_give_the_same_bytes() -> None:
    assert draw_profile(_plain()) == draw_profile(_plain())
