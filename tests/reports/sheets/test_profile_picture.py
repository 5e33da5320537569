"""The profile measured: each dimension drawn is that of the plan, in words and in millimetres."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from geoplan.reports.sheets.profile_picture import HEIGHT, WIDTH, draw_profile_picture
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
        svg = draw_profile_picture(profiles, row, envelopes, drop, 2.9, "us")
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


def test_heights_are_never_drawn_smaller_than_distances(drawn):
    for _, _, root in drawn:
        times = float(root.get("data-mm-per-m-up")) / float(root.get("data-mm-per-m"))
        assert times >= 0.999
        assert times * 2 == pytest.approx(round(times * 2), abs=1e-3)
