"""The plan drawing measured: scale, route and marks on paper."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from geoplan.reports.sheets.gather import SheetSource
from geoplan.reports.sheets.plan_drawing import HEIGHT, WIDTH, frame_drops

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def sheets(demo_work):
    rows = np.arange(0, len(demo_work.drops), 9)
    source = SheetSource(demo_work, rows)
    return list(zip(rows.tolist(), source.batch(0, len(rows)), strict=True))


def _root(sheet):
    return ET.fromstring(sheet["plan_svg"])


def test_air_span_on_paper_times_the_scale_is_its_length(demo_work, sheets):
    for row, sheet in sheets:
        root = _root(sheet)
        line = next(one for one in root.iter(f"{SVG}polyline") if one.get("data-part") == "air")
        places = np.array([p.split(",") for p in line.get("points").split()], dtype=float)
        long_m = np.hypot(*(places[-1] - places[0])) / 1000 * float(root.get("data-scale"))
        air = demo_work.drops["air_span_m"].iloc[row]
        assert long_m == pytest.approx(air, abs=0.02 / 1000 * float(root.get("data-scale")))


def test_scale_bar_is_as_long_as_it_says(sheets):
    for _, sheet in sheets:
        root = _root(sheet)
        bar = next(one for one in root.iter(f"{SVG}polyline") if one.get("data-scale-bar"))
        places = np.array([p.split(",") for p in bar.get("points").split()], dtype=float)
        long_m = np.ptp(places[:, 0]) / 1000 * float(root.get("data-scale"))
        assert long_m == pytest.approx(float(bar.get("data-scale-bar")), rel=2e-3)


def test_each_place_of_work_has_its_mark_and_letter(demo_work, sheets):
    for row, sheet in sheets:
        address_id = demo_work.drops["address_id"].iloc[row]
        places = demo_work.work_places
        wanted = set(places.loc[places["address_id"].eq(address_id), "place"])
        marks = {one.get("data-mark") for one in _root(sheet).iter()} - {None}
        assert wanted <= marks
        assert {"north", "terminal", "attachment"} <= marks


def test_terminal_and_access_pole_are_named(demo_work, sheets):
    for row, sheet in sheets:
        drop = demo_work.drops.iloc[row]
        words = {one.text for one in _root(sheet).iter(f"{SVG}text")}
        assert {drop["terminal_id"], drop["access_pole_id"]} <= words


def test_frame_holds_all_places_with_room_around():
    xy = np.array([[0.0, 0.0], [41.0, 3.0], [12.0, 30.0]])
    frame = frame_drops([xy])[0]
    places = frame.places(xy)
    assert (places >= 6.9).all()
    assert (places[:, 0] <= WIDTH - 6.9).all()
    assert (places[:, 1] <= HEIGHT - 6.9).all()
    assert frame.places(np.array([[0.0, 1.0]]))[0, 1] < places[0, 1]  # north is up
