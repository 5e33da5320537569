"""The profile measured: each dimension drawn is that of the plan, in words and in millimetres."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
import shapely

from geoplan.reports.sheets.ink import text_width
from geoplan.reports.sheets.profile_picture import (
    HEIGHT,
    LEAST_ARROW,
    NO_PLACE,
    WIDTH,
    draw_profile_picture,
)
from geoplan.standards import load_standards
from geoplan.units import say
from geoplan.work.profiles import build_envelopes, build_profiles

SVG = "{http://www.w3.org/2000/svg}"
DRAWN_MM = 0.02
"""Coordinates are written to a hundredth of a millimetre, both ends of a line."""


@pytest.fixture(scope="module")
def drawn(demo_plan):
    wire = load_standards(demo_plan.project).wire
    profiles = build_profiles(demo_plan, np.arange(len(demo_plan.drops)), wire)
    pictures = []
    for row, drop in enumerate(demo_plan.drops.to_dict("records")):
        own = demo_plan.crossings[demo_plan.crossings["address_id"].eq(drop["address_id"])]
        envelopes = build_envelopes(profiles, row, own)
        svg = draw_profile_picture(profiles, row, envelopes, drop, 2.9, "us", "POWER over it")
        pictures.append((drop, envelopes, ET.fromstring(svg)))
    return pictures


def _by_quantity(root: ET.Element, tag: str) -> dict[str, ET.Element]:
    found = root.iter(f"{SVG}{tag}")
    return {one.get("data-quantity"): one for one in found if one.get("data-quantity")}


@pytest.mark.parametrize(
    ("quantity", "kind", "column"),
    [
        ("hook_height", "length", "hook_height_m"),
        ("attachment_height", "length", "attachment_height_m"),
        ("air_span", "length", "air_span_m"),
        ("stringing_sag", "sag", "stringing_sag_m"),
        ("sag_worst", "sag", "sag_worst_m"),
        ("margin_available", "length", "margin_available_m"),
        ("margin_required", "length", "margin_required_m"),
    ],
)
def test_words_of_each_dimension_are_those_of_the_plan(drawn, quantity, kind, column):
    told = 0
    for drop, _, root in drawn:
        texts = _by_quantity(root, "text")
        if quantity in texts:
            assert say(drop[column], kind, "us") in texts[quantity].text
            told += 1
    assert told >= len(drawn) - 5  # a least margin under power is told in the table only


def test_lines_of_dimensions_measure_what_the_plan_says(drawn):
    upright = {"hook_height": "hook_height_m", "attachment_height": "attachment_height_m",
               "stringing_sag": "stringing_sag_m", "sag_worst": "sag_worst_m",
               "margin_available": "margin_available_m"}  # fmt: skip
    for drop, _, root in drawn:
        lines = _by_quantity(root, "line")
        across, up = float(root.get("data-mm-per-m")), float(root.get("data-mm-per-m-up"))
        span = lines["air_span"]
        long = float(span.get("x2")) - float(span.get("x1"))
        assert long / across == pytest.approx(drop["air_span_m"], abs=DRAWN_MM / across)
        for quantity, column in upright.items():
            if quantity.startswith("sag") or quantity.endswith("sag"):
                # A sag too small to be seen has its figure only.
                assert (quantity in lines) == (drop[column] * up >= LEAST_ARROW)
            if quantity in lines:
                line = lines[quantity]
                tall = abs(float(line.get("y2")) - float(line.get("y1")))
                assert tall / up == pytest.approx(drop[column], abs=DRAWN_MM / up), quantity


def test_what_is_asked_is_drawn_from_end_to_end_and_to_its_height(drawn):
    measured = 0
    for _, envelopes, root in drawn:
        across, up = float(root.get("data-mm-per-m")), float(root.get("data-mm-per-m-up"))
        boxes = {one.get("data-asked"): one for one in root.iter(f"{SVG}polygon")}
        for envelope in envelopes:
            if envelope.letter not in boxes:
                continue
            points = [p.split(",") for p in boxes[envelope.letter].get("points").split()]
            places = np.array(points, dtype=float)
            wide = (places[:, 0].max() - places[:, 0].min()) / across
            assert wide == pytest.approx(envelope.end_m - envelope.start_m, abs=DRAWN_MM / across)
            tall = (places[0, 1] - places[-1, 1]) / up
            assert tall == pytest.approx(envelope.required_m, abs=DRAWN_MM / up)
            measured += 1
    assert measured > 150


def test_nothing_is_drawn_outside_the_picture(drawn):
    for drop, _, root in drawn:
        for one in root.iter():
            for name, most in (("x", WIDTH), ("x1", WIDTH), ("cx", WIDTH), ("y", HEIGHT),
                               ("y1", HEIGHT), ("cy", HEIGHT)):  # fmt: skip
                if one.get(name) is not None:
                    assert -0.01 <= float(one.get(name)) <= most + 0.01, drop["address_id"]


def _box(one: ET.Element) -> shapely.Geometry:
    size, x, y = (float(one.get(name)) for name in ("font-size", "x", "y"))
    wide = text_width(one.text, size, bold=one.get("font-weight") == "bold")
    left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[one.get("text-anchor", "start")]
    box = shapely.box(left, y - 0.7 * size, left + wide, y)
    if one.get("transform"):
        turn = float(one.get("transform").split("(")[1].split()[0])
        box = shapely.affinity.rotate(box, turn, origin=(x, y))
    return box


def test_no_words_lie_over_each_other(drawn):
    for drop, _, root in drawn:
        texts = list(root.iter(f"{SVG}text"))
        boxes = np.array([_box(one) for one in texts], dtype=object)
        first, second = shapely.STRtree(boxes).query(boxes, predicate="intersects")
        both = [(texts[a].text, texts[b].text) for a, b in zip(first, second, strict=True) if a < b]
        assert not both, drop["address_id"]


def test_no_patch_hides_what_has_to_be_kept_clear_and_no_words_lie_on_the_wire(drawn):
    for drop, _, root in drawn:
        curves = [
            shapely.LineString(
                [[float(v) for v in p.split(",")] for p in one.get("points").split()]
            )
            for one in root.iter(f"{SVG}polyline")
            if one.get("data-curve") in {"stringing", "worst", "ground"}
        ]
        assert len(curves) == 3
        for one in root.iter(f"{SVG}text"):
            for curve in curves:
                assert not curve.intersects(_box(one)), (drop["address_id"], one.text)
        for patch in root.iter(f"{SVG}rect"):  # only the span's own, below the drawing
            assert float(patch.get("y")) > HEIGHT - 5


def test_clearance_at_a_post_is_drawn_beside_it(drawn):
    beside = 0
    for drop, _, root in drawn:
        line = _by_quantity(root, "line").get("margin_available")
        if line is None:
            continue
        span = _by_quantity(root, "line")["air_span"]
        x = float(line.get("x1"))
        assert float(span.get("x1")) + 2.9 < x < float(span.get("x2")) - 2.9, drop["address_id"]
        at = float(span.get("x1")) + drop["margin_at_m"] * float(root.get("data-mm-per-m"))
        beside += abs(at - x) > 0.01
    assert beside > 20


def test_worst_wire_is_drawn_above_what_it_clears(drawn):
    """What the plan calls clear is drawn clear: its margin can be measured on the paper."""
    measured = roofs = 0
    for drop, envelopes, root in drawn:
        up = float(root.get("data-mm-per-m-up"))
        curve = next(one for one in root.iter() if one.get("data-curve") == "worst")
        wire = np.array([p.split(",") for p in curve.get("points").split()], dtype=float)
        boxes = {one.get("data-asked"): one for one in root.iter(f"{SVG}polygon")}
        for item in envelopes:
            if item.letter not in boxes or item.kind == "road":  # a road's crown isn't drawn
                continue
            points = [p.split(",") for p in boxes[item.letter].get("points").split()]
            top = np.array(points, dtype=float)[3:][::-1]
            x = np.linspace(top[0, 0], top[-1, 0], 40)
            gap = np.interp(x, top[:, 0], top[:, 1]) - np.interp(x, wire[:, 0], wire[:, 1])
            told = drop["address_id"], item.feature_id
            # Of clamps the plan checks each load with its own clamp's height: a few cm apart.
            assert gap.min() / up > item.margin_m - 0.06, told
            measured += 1
            if item.kind == "roof":
                assert gap.min() / up == pytest.approx(item.margin_m, abs=0.02), told
                roofs += 1
    assert measured > 100
    assert roofs == 2


def test_power_and_wires_that_are_crossed_are_named_in_the_drawing(drawn):
    told = {"power": 0, "existing_drop": 0, "planned_drop": 0}
    for _, envelopes, root in drawn:
        texts = [one.text for one in root.iter(f"{SVG}text") if one.get("data-hanging")]
        for item in envelopes:
            if item.kind in NO_PLACE:
                word = "POWER" if item.kind == "power" else "DROP"
                assert f"{item.letter} {word} {item.feature_id}" in texts
                told[item.kind] += 1
            if item.kind == "power":
                assert f"{say(item.available_m, 'length', 'us')} to the wire when cold" in texts
    assert told["power"] >= 5
    assert told["existing_drop"] >= 5
    assert told["planned_drop"] >= 4


def test_power_over_the_start_is_told_above_the_drawing(drawn):
    for _, _, root in drawn:
        notes = [one.text for one in root.iter() if one.get("data-note") == "pole_power"]
        assert notes == ["POWER over it"]


def test_what_hangs_at_an_unknown_height_has_an_upright_and_no_ring(drawn):
    told = 0
    for _, envelopes, root in drawn:
        for item in envelopes:
            if item.kind not in NO_PLACE:
                continue
            marks = [one for one in root.iter() if one.get("data-passed") == item.letter]
            known = bool(np.isfinite(item.surface_z_m[1]))
            assert [one.tag for one in marks] == [f"{SVG}circle" if known else f"{SVG}line"]
            told += not known
    assert told >= 5


def test_heights_are_never_drawn_smaller_than_distances(drawn):
    for _, _, root in drawn:
        times = float(root.get("data-mm-per-m-up")) / float(root.get("data-mm-per-m"))
        assert times >= 0.999
        assert times * 2 == pytest.approx(round(times * 2), abs=1e-3)
