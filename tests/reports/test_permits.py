"""Permit pages: one for each crossing that has an owner, with the plan's figures, as text."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely
from pyproj import Transformer

from geoplan.audit import build_audit
from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.reports.caution import CAUTION
from geoplan.reports.pdf import render_pdf
from geoplan.reports.permits import permit_html, permit_rows
from geoplan.units import from_si, say
from tests.audit.jobs_frame import jobs_of
from tests.plants import bare_town, roomy, standards_for
from tests.towns import layer_frame

SCRIPT = "<script>window.bad = 1</script>{{ 7 * 7 }}"
ALLOWED = {"rail": False, "water": False, "road_classes": ()}
SHIFT_M = (600_000.0, 3_000_000.0)


def place() -> Layers:
    """Lay out three houses, each behind another thing with an owner, and one behind a street."""
    at = (0.0, 200.0, 400.0, 600.0)
    dx, dy = SHIFT_M
    layers = bare_town(
        [(dx + x, dy) for x in at],
        houses=[shapely.box(dx + x - 5, dy + 25, dx + x + 5, dy + 35) for x in at],
        terminals=[0, 1, 2, 3],
        roads=[
            shapely.LineString([(dx + x - 30, dy + 10), (dx + x + 30, dy + 10)]) for x in at[2:]
        ],
    )
    roads = layers.roads.assign(
        name=["Mile Road", "Side Street"], road_class=["highway", "residential"]
    )
    track = shapely.LineString([(dx - 50, dy + 12), (dx + 50, dy + 12)])
    creek = shapely.box(dx + 150, dy + 8, dx + 250, dy + 15)
    return dataclasses.replace(
        layers,
        roads=roads,
        rail=layer_frame("rail", [track], width_m=[6.0]).assign(name=[SCRIPT]),
        water=layer_frame("water", [creek]),
    )


def audited(project: Project) -> Plan:
    standards = standards_for(project)
    plan = make_plan(place(), project, standards=standards)
    return dataclasses.replace(plan, crossing_audit=build_audit(plan, jobs_of(plan), standards))


@pytest.fixture(scope="module")
def allowed() -> Plan:
    return audited(roomy(forbidden=ALLOWED, name=f"Fenmoor {SCRIPT}"))


class _Texts(HTMLParser):
    """Collects what a reader of each page sees, term by term."""

    def __init__(self) -> None:
        super().__init__()
        self.pages: list[dict[str, str]] = []
        self.tags: list[str] = []
        self._words = self._term = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)
        if tag == "section":
            self.pages.append({})
        if tag in {"th", "td", "h1"}:
            self._words = ""

    def handle_data(self, data: str) -> None:
        self._words += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "th":
            self._term = self._words
        elif tag == "td":
            self.pages[-1][self._term] = self._words
        elif tag == "h1":
            self.pages[-1]["title"] = self._words


@pytest.fixture(scope="module")
def page_texts(allowed: Plan) -> _Texts:
    parser = _Texts()
    parser.feed(permit_html(allowed))
    return parser


def test_rail_water_and_highway_get_a_page_each_and_a_street_none(
    allowed: Plan, page_texts: _Texts
) -> None:
    rows = permit_rows(allowed)
    assert rows["crossing_kind"].tolist() == ["rail", "water", "road"]
    assert len(allowed.crossing_audit) == 4
    titles = [page["title"].split(":")[0] for page in page_texts.pages]
    assert titles == ["Railway crossing", "Water crossing", "Highway crossing"]


def test_no_permit_page_can_run_or_ask_for_anything(allowed: Plan) -> None:
    turned = allowed.crossing_audit.assign(feature_id="id\u202e\x00\n<b>")
    met = allowed.crossings.assign(feature_id="id\u202e\x00\n<b>")
    text = permit_html(dataclasses.replace(allowed, crossing_audit=turned, crossings=met))
    policy = text.split('Content-Security-Policy" content="')[1].split('"')[0]
    assert policy.startswith("default-src 'none';")
    assert "script-src" not in policy
    assert text.index("Content-Security-Policy") < text.index("<style>")
    for mark in ("\u202e", "\x00", "<b>"):
        assert mark not in text


def test_by_default_none_is_crossed_and_there_is_no_page() -> None:
    plan = audited(roomy())
    assert len(permit_rows(plan)) == 0
    assert "<section>" not in permit_html(plan)


def test_figures_are_those_of_the_plan(allowed: Plan, page_texts: _Texts) -> None:
    drops = allowed.drops.set_index("address_id")
    crossings = allowed.crossings
    for row, page in zip(permit_rows(allowed).itertuples(), page_texts.pages, strict=True):
        drop = drops.loc[row.address_id]
        same = crossings["address_id"] == row.address_id
        met = crossings[same & (crossings["crossing_kind"] == row.crossing_kind)].iloc[0]
        assert page["air span"] == say(drop["air_span_m"], "length", "us")
        assert page["strung at"] == (
            f"{say(drop['stringing_temperature_c'], 'temperature', 'us')} with "
            f"{say(drop['stringing_sag_m'], 'sag', 'us')} sag, "
            f"{say(drop['stringing_tension_n'], 'force', 'us')} tension"
        )
        assert page["greatest tension"].startswith(say(drop["tension_worst_n"], "force", "us"))
        if row.clearance_basis == "computed":
            assert page["required"] == say(row.required_m, "length", "us")
            assert page["available"] == say(row.available_m, "length", "us")
            assert page["margin"] == say(row.margin_m, "sag", "us")
            assert page["rule"] == met["rule"]
        else:
            assert page["clearance"].startswith("NOT CHECKED: ")
            assert "margin" not in page
        assert page["owner"] == row.permit_owner
        assert page["control"] == row.traffic_class
        assert page["nearest sign"] == say(row.sign_1_m, "length", "us")


def test_places_are_told_in_both_systems_and_along_the_line(
    allowed: Plan, page_texts: _Texts
) -> None:
    to_degrees = Transformer.from_crs(allowed.layers.crs.working_crs, 4326, always_xy=True)
    for row, page in zip(permit_rows(allowed).itertuples(), page_texts.pages, strict=True):
        x, y = (float(word) for word in re.findall(r"[\d.]+", page["coordinates"])[:2])
        assert (x, y) == pytest.approx((row.geometry.x, row.geometry.y), abs=0.0051)
        latitude, longitude = (
            float(word) for word in re.findall(r"-?[\d.]+", page["latitude, longitude"])[:2]
        )
        wanted = to_degrees.transform(row.geometry.x, row.geometry.y)
        assert (longitude, latitude) == pytest.approx(wanted, abs=6e-7)
        if row.crossing_kind == "water":
            assert page["along the line"].startswith("not measured")
        else:
            miles = float(page["along the line"].split()[0])
            assert miles == pytest.approx(from_si(row.along_m, "mile"), abs=0.0051)


def test_each_page_marks_its_crossing_where_it_is(allowed: Plan) -> None:
    html = permit_html(allowed)
    circle = r'<circle cx="([\d.]+)" cy="([\d.]+)"[^>]*data-mark='
    rings = re.findall(f'{circle}"crossing"', html)
    assert len(rings) == 3
    # the pole and the crossing 10 to 12 m north of it are drawn at the drawing's own scale
    scales = [int(found) for found in re.findall(r'data-drawing="plan" data-scale="(\d+)"', html)]
    terminals = re.findall(f'{circle}"terminal"', html)
    for ring, terminal, scale, row in zip(
        rings, terminals, scales, permit_rows(allowed).itertuples(), strict=True
    ):
        up_mm = float(terminal[1]) - float(ring[1])
        assert up_mm * scale / 1000.0 == pytest.approx(row.at_m, abs=0.011 * scale / 1000.0)
        assert float(terminal[0]) == pytest.approx(float(ring[0]), abs=0.011)


def test_texts_from_data_never_become_markup_or_template(allowed: Plan, page_texts: _Texts) -> None:
    html = permit_html(allowed)
    assert "script" not in page_texts.tags
    assert "{{ 7 * 7 }}" in html
    assert "49" not in page_texts.pages[0]["title"]
    assert page_texts.pages[0]["title"].startswith("Railway crossing: <script>window.bad = 1")
    assert not re.search(r"(?:src|href)\s*=", html)


def test_every_page_carries_the_cautions(allowed: Plan) -> None:
    html = permit_html(allowed)
    for text in CAUTION:
        assert html.count(text.replace("'", "&#39;")) == 3


def test_an_audit_is_asked_for(allowed: Plan) -> None:
    with pytest.raises(ValueError, match="no audit of crossings"):
        permit_rows(dataclasses.replace(allowed, crossing_audit=None))


def test_the_same_plan_gives_the_same_page(allowed: Plan) -> None:
    mixed = dataclasses.replace(
        allowed, crossing_audit=allowed.crossing_audit.sample(frac=1.0, random_state=2)
    )
    assert permit_html(mixed) == permit_html(allowed)


def test_the_pdf_has_one_page_for_each_crossing_with_its_figures(
    allowed: Plan, page_texts: _Texts, tmp_path: Path
) -> None:
    render_pdf(permit_html(allowed), tmp_path / "permits.pdf")
    pages = pypdf.PdfReader(tmp_path / "permits.pdf").pages
    assert len(pages) == 3
    for page, texts in zip(pages, page_texts.pages, strict=True):
        words = " ".join(page.extract_text().split())
        for term in ("coordinates", "air span", "greatest sag", "control"):
            assert " ".join(texts[term].split()) in words


def test_metric_pages_are_in_metres() -> None:
    html = permit_html(audited(roomy(forbidden=ALLOWED, units="metric")))
    assert "size: A4" in html
    assert " kg/km" in html
    assert " lbf" not in html


def test_frames_are_not_changed(allowed: Plan) -> None:
    before = allowed.crossing_audit.copy()
    permit_html(allowed)
    pd.testing.assert_frame_equal(pd.DataFrame(before), pd.DataFrame(allowed.crossing_audit))
    assert np.isfinite(before["along_m"]).sum() == 3
