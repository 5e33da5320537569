"""The map page: one file, no net, data never as markup, the same bytes each time."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from geoplan.model import Plan
from geoplan.reports.caution import CAUTION, CAUTION_LINE
from geoplan.reports.leaflet import leaflet_script, leaflet_style
from geoplan.reports.map_features import cut, page_data
from geoplan.reports.map_page import as_json, write_map_page
from geoplan.reports.palette import ROUTE_STYLE
from geoplan.tables import TABLES, RouteKind

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def page(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_map_page(plan, tmp_path_factory.mktemp("page") / "map.html")


def _data(page: Path) -> dict[str, Any]:
    text = page.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="geoplan-data">(.*?)</script>', text)
    assert found
    return json.loads(found[1])


def test_same_plan_gives_the_same_bytes(
    fenmoor: Any, plan: Plan, page: Path, tmp_path: Path
) -> None:
    again = write_map_page(plan, tmp_path / "a.html").read_bytes()
    mixed = write_map_page(fenmoor.shuffled(plan, 2), tmp_path / "b.html").read_bytes()
    assert again == mixed == page.read_bytes()


def test_no_markup_comes_from_data(fenmoor: Any, page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert fenmoor.SCRIPT not in text
    assert "<img src=x" not in text
    assert "innerHTML" not in text.split("leafletjs.com")[0]


def test_templates_in_data_are_not_run(page: Path) -> None:
    assert (
        "{{ 7 * 7 }}{% raw %}{# note #}" in _data(page)["layers"]["drops"][7]["properties"]["title"]
    )


def test_templates_in_the_name_are_not_run(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    named = dataclasses.replace(plan, project=fenmoor.project(name="{{ 7 * 7 }} </title>"))
    text = write_map_page(named, tmp_path / "map.html").read_text(encoding="utf-8")
    assert "<h1>{{ 7 * 7 }} &lt;/title&gt;</h1>" in text
    assert "<title>{{ 7 * 7 }} &lt;/title&gt;: map of planned drops</title>" in text


def test_page_names_no_file_elsewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"<(?:script|link|img)[^>]*(?:src|href)=", text)
    assert "url(images" not in text
    assert "default-src 'none'" in text


def test_leaflet_comes_with_its_licence() -> None:
    assert "Leaflet 1.9.4" in leaflet_script()
    assert "Redistributions in binary form must reproduce" in leaflet_script()
    assert leaflet_style().count("url(data:image/png;base64,") == 3


def test_coordinates_are_degrees_to_the_centimetre(plan: Plan, page: Path) -> None:
    to_degrees = plan.drops.to_crs("EPSG:4326").set_index("address_id").geometry
    for feature in _data(page)["layers"]["drops"]:
        address = feature["properties"]["title"][:3]
        for shown, true in zip(
            feature["geometry"]["coordinates"], to_degrees[address].coords, strict=True
        ):
            assert shown == pytest.approx(true, abs=0.6e-7)
            assert all(len(str(value).partition(".")[2]) <= 7 for value in shown)


def test_every_route_kind_differs_in_colour_and_dashes() -> None:
    assert set(ROUTE_STYLE) == set(RouteKind)
    assert len({style.color for style in ROUTE_STYLE.values()}) == len(RouteKind)
    assert len({style.dashes for style in ROUTE_STYLE.values()}) == len(RouteKind)


def test_each_mark_points_at_the_drop_of_its_address(page: Path) -> None:
    layers = _data(page)["layers"]
    drops = [feature["properties"]["title"][:3] for feature in layers["drops"]]
    for feature in layers["hazards"]:
        assert drops[feature["properties"]["drop"]] == feature["properties"]["title"][:3]
    assert len(layers["other_crossings"]) == 4
    for feature in layers["other_crossings"]:
        rows = dict(feature["properties"]["rows"])
        assert drops[feature["properties"]["drop"]] == rows["Address"]
        assert rows["Clearance"].startswith(("not checked: no figure for it", "nothing to clear"))


def test_page_names_the_rules_and_counts_what_was_raised(page: Path) -> None:
    notes = "\n".join(_data(page)["notes"])
    assert "all must be verified against the code in force" in notes
    assert "Raised hooks: 2; raised attachments: 4; bucket jobs: 3; routes changed" in notes


def test_flags_of_one_place_share_a_mark_of_the_gravest(plan: Plan, page: Path) -> None:
    hazards = _data(page)["layers"]["hazards"]
    assert len(hazards) == 12
    rows = sum(len(feature["properties"]["rows"]) for feature in hazards)
    assert rows == 3 * len(plan.hazards)


def test_caution_is_on_the_page(page: Path) -> None:
    assert CAUTION_LINE in page.read_text(encoding="utf-8")
    assert _data(page)["caution"] == list(CAUTION)


def test_far_context_is_left_out_and_said(plan: Plan) -> None:
    far = plan.layers.parcels.iloc[:1].rename(index={"L00": "L99"})
    far = far.set_geometry(far.translate(xoff=5000.0))
    parcels = pd.concat([plan.layers.parcels, far])
    layers = dataclasses.replace(plan.layers, parcels=parcels)
    data = page_data(dataclasses.replace(plan, layers=layers))
    assert len(data["layers"]["parcels"]) == len(plan.layers.parcels)
    assert any(note.startswith("1 features farther than 492.1 ft") for note in data["notes"])


def test_long_text_is_cut_and_null_is_unknown() -> None:
    assert cut("n" * 10_000, 50) == "n" * 49 + "\u2026"
    assert cut(None) == "unknown"
    assert cut(float("nan")) == "unknown"


def test_json_cannot_end_its_element() -> None:
    text = as_json(["</script><!--", "\u2028\u2029", "a & b", "\ud800"])
    assert not set(text) & set("<>&\u2028\u2029")
    assert json.loads(text)[:3] == ["</script><!--", "\u2028\u2029", "a & b"]


def test_three_hundred_drops_stay_under_four_megabytes(
    fenmoor: Any, plan: Plan, tmp_path: Path
) -> None:
    many = dataclasses.replace(
        plan,
        **{name: _repeated(fenmoor, plan, name, 25) for name in ("drops", "crossings", "hazards")},
    )
    path = write_map_page(many, tmp_path / "map.html")
    assert len(many.drops) == 300
    assert path.stat().st_size < 4_000_000


def _repeated(fenmoor: Any, plan: Plan, name: str, times: int) -> Any:
    rows = [
        {**row, "address_id": f"{row['address_id']}-{number:02d}"}
        for number in range(times)
        for row in getattr(plan, name).to_dict("records")
    ]
    return fenmoor.table(name, rows, plan.layers.crs.working_crs)


def test_an_empty_plan_has_a_page(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    crs = plan.layers.crs.working_crs
    empty = dataclasses.replace(plan, **{name: fenmoor.table(name, [], crs) for name in TABLES})
    path = write_map_page(empty, tmp_path / "map.html")
    assert _data(path)["layers"]["drops"] == []


# --- in a real browser ---------------------------------------------------------------------

pytestmark_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser: Any, page: Path) -> Iterator[Any]:
    tab = browser.new_page(viewport={"width": 1400, "height": 900})
    tab.faults = []
    tab.on("console", lambda message: tab.faults.append(message.text))
    tab.on("pageerror", lambda error: tab.faults.append(str(error)))
    tab.on("request", lambda request: tab.faults.append(request.url))
    tab.goto(page.as_uri())
    tab.wait_for_selector("body[data-ready=yes]", timeout=10_000)
    tab.faults.remove(page.as_uri())
    yield tab
    tab.close()


@pytestmark_browser
def test_page_opens_without_request_or_complaint(fenmoor: Any, opened: Any) -> None:
    assert opened.faults == []
    assert opened.evaluate("typeof window.bad") == "undefined"
    assert opened.locator("h1").inner_text() == f"Fenmoor Quay {fenmoor.SCRIPT}"


@pytestmark_browser
def test_an_injected_script_would_not_run(opened: Any) -> None:
    opened.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.bad = 1';"
        " document.body.append(s); }"
    )
    assert opened.evaluate("typeof window.bad") == "undefined"
    assert any("Content Security Policy" in fault for fault in opened.faults)


@pytestmark_browser
def test_popups_say_what_why_and_what_to_do_as_text(fenmoor: Any, opened: Any) -> None:
    marks = opened.locator(".folium-map .gp-square")
    assert marks.count() == 4
    marks.first.click()
    box = opened.locator(".gp-popup")
    box.wait_for()
    assert box.locator("dt").all_inner_texts() == ["Error", "Why", "To do"]
    opened.keyboard.press("Escape")
    unserved = opened.locator(".folium-map .gp-cross").first
    unserved.click()
    opened.locator(".gp-popup", has_text="Unserved: A12").wait_for()
    text = opened.locator(".gp-popup", has_text="Unserved: A12").inner_text()
    assert fenmoor.SCRIPT in text
    assert fenmoor.HOSTILE[0] in text
    assert "add 2 ports at P4" in text
    assert opened.faults == []


@pytestmark_browser
def test_layers_can_be_switched(opened: Any) -> None:
    label = opened.locator(".leaflet-control-layers-overlays label", has_text="Flags: error (4)")
    label.locator("input").uncheck()
    assert opened.locator(".folium-map .gp-square").count() == 0
    label.locator("input").check()
    assert opened.locator(".folium-map .gp-square").count() == 4


OPEN = """(title) => {
  const map = Object.values(window).find((one) => one instanceof L.Map);
  let hit = null;
  map.eachLayer((one) => {
    if (one.feature && (one.feature.properties.title || "").startsWith(title)) hit = hit || one;
  });
  hit.openPopup();
}"""


@pytestmark_browser
def test_popup_of_a_drop_tells_how_it_hangs_and_marks_it(fenmoor: Any, opened: Any) -> None:
    halo = opened.locator(".folium-map path.gp-halo")
    assert halo.count() == 0
    opened.evaluate(OPEN, "A02")
    box = opened.locator(".gp-popup")
    box.wait_for()
    labels = box.locator("dt").all_inner_texts()
    for label in ("House height", "Sag to leave", "Worst sag", "Tension", "Least margin", "Rule"):
        assert label in labels
    assert f"misses clearance by 3.0 in over {fenmoor.SCRIPT}" in box.text_content()
    assert halo.count() == 2
    opened.locator(".leaflet-popup-close-button").click()
    box.wait_for(state="detached")
    assert halo.count() == 0
    assert opened.faults == []


@pytestmark_browser
def test_a_mark_of_a_drop_marks_the_drop_too(page: Path, opened: Any) -> None:
    layers = _data(page)["layers"]
    crossing = layers["street_crossings"][0]["properties"]
    drop = layers["drops"][crossing["drop"]]["properties"]
    assert drop["title"].startswith("A01")
    assert crossing["rows"][0][1] == "The drop of A01 crosses this road"
    opened.evaluate(OPEN, "Crosses Heron Street")
    opened.locator(".gp-popup").wait_for()
    assert opened.locator(".folium-map path.gp-halo").count() == 2
    opened.evaluate(OPEN, "Unserved: A12")
    opened.locator(".gp-popup", has_text="Unserved: A12").wait_for()
    assert opened.locator(".folium-map path.gp-halo").count() == 0
    assert opened.faults == []


@pytestmark_browser
@pytest.mark.parametrize(("width", "is_open"), [(390, False), (1400, True)])
def test_the_list_of_layers_is_closed_on_a_phone(
    browser: Any, page: Path, width: int, is_open: bool
) -> None:
    tab = browser.new_page(viewport={"width": width, "height": 844})
    tab.goto(page.as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    layers = tab.locator(".gp-side details", has=tab.locator("summary", has_text="Layers"))
    assert layers.evaluate("(box) => box.open") == is_open
    assert tab.locator(".leaflet-control-layers-overlays").is_visible() == is_open
    tab.locator("summary", has_text="Layers").click()
    assert tab.locator(".leaflet-control-layers-overlays").is_visible() != is_open
    tab.close()


@pytestmark_browser
def test_notes_are_off_until_asked_for(opened: Any) -> None:
    control = opened.locator(".leaflet-control-layers-overlays label")
    for severity, is_on in (("note", False), ("warning", True), ("error", True)):
        box = control.filter(has_text=f"Flags: {severity}").locator("input")
        assert box.is_checked() == is_on
    assert opened.locator(".folium-map .gp-circle").count() == 0
    control.filter(has_text="Flags: note").locator("input").check()
    assert opened.locator(".folium-map .gp-circle").count() > 0


GO_TO = (
    "([place, zoom]) => Object.values(window).find((one) => one instanceof L.Map)"
    ".setView(place, zoom, { animate: false })"
)


@pytestmark_browser
def test_names_of_plant_are_written_at_large_scale_only(page: Path, opened: Any) -> None:
    terminal = _data(page)["layers"]["terminals"][0]
    place = terminal["geometry"]["coordinates"][::-1]
    opened.evaluate(GO_TO, [place, 16])
    assert opened.locator(".gp-label-terminal").count() == 0
    opened.evaluate(GO_TO, [place, 20])
    name = terminal["properties"]["label"]
    assert name in opened.locator(".gp-label-terminal").all_inner_texts()
    assert name not in opened.locator(".gp-label-pole").all_inner_texts()
    opened.locator(".leaflet-control-layers-overlays label", has_text="Terminals").locator(
        "input"
    ).uncheck()
    assert opened.locator(".gp-label-terminal").count() == 0
    assert name in opened.locator(".gp-label-pole").all_inner_texts()
    assert opened.faults == []


@pytestmark_browser
def test_marks_grow_with_the_zoom(page: Path, opened: Any) -> None:
    cross = opened.locator(".folium-map .gp-cross").first
    widths = []
    for zoom in (15, 18, 20):
        place = _data(page)["layers"]["unserved"][0]["geometry"]["coordinates"][::-1]
        opened.evaluate(GO_TO, [place, zoom])
        widths.append(cross.evaluate("(one) => one.getBoundingClientRect().width"))
    assert widths == sorted(set(widths))


@pytestmark_browser
@pytest.mark.parametrize(("units", "unit"), [("us", "ft"), ("metric", "m")])
def test_scale_bar_is_in_the_units_of_the_project(
    fenmoor: Any, browser: Any, tmp_path: Path, units: str, unit: str
) -> None:
    path = write_map_page(fenmoor.build(units), tmp_path / "map.html")
    tab = browser.new_page()
    tab.goto(path.as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    assert tab.locator(".leaflet-control-scale-line").all_inner_texts()[0].endswith(f" {unit}")
    tab.close()


@pytestmark_browser
@pytest.mark.parametrize("width", [380, 1400])
def test_nothing_runs_out_of_the_page(browser: Any, page: Path, width: int) -> None:
    tab = browser.new_page(viewport={"width": width, "height": 800})
    tab.goto(page.as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    assert tab.evaluate("document.querySelector('.gp-side').scrollWidth") <= width
    assert tab.locator(".folium-map").bounding_box()["height"] > 250
    tab.close()
