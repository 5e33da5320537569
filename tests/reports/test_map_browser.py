"""The map page in a real browser: drawing, search, filter, choice, link, keys, paper, access."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geoplan.map_settings import Map
from geoplan.model import Plan
from geoplan.reports.map.figures import scaled
from geoplan.reports.map_page import write_map_page
from geoplan.reports.sheet_names import sheet_file_name
from geoplan.tables import TABLES

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1400, "height": 900}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        flags = ["--no-sandbox", "--disable-gpu"]
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def hostile_page(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every text of this plan tries to be markup, a script or a template."""
    return write_map_page(plan, tmp_path_factory.mktemp("hostile") / "map.html", sheets=True)


@pytest.fixture(scope="module")
def demo_page(demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    bare = dataclasses.replace(demo_plan, jobs=None)
    return write_map_page(bare, tmp_path_factory.mktemp("demo") / "map.html")


def _open(browser: Any, page: Path, hash_: str = "", size: dict[str, int] = DESK) -> Any:
    tab = browser.new_page(viewport=size)
    tab.faults = []
    tab.on("console", lambda message: tab.faults.append(message.text))
    tab.on("pageerror", lambda error: tab.faults.append(str(error)))
    tab.on("request", lambda request: tab.faults.append(request.url))
    tab.on("dialog", lambda dialog: tab.faults.append(dialog.message))
    tab.goto(page.as_uri() + hash_)
    tab.wait_for_selector("body[data-ready=yes]", timeout=20_000)
    own = page.as_uri() + hash_
    tab.faults.remove(own if own in tab.faults else page.as_uri())
    return tab


@pytest.fixture
def hostile(browser: Any, hostile_page: Path) -> Iterator[Any]:
    tab = _open(browser, hostile_page)
    yield tab
    tab.close()


@pytest.fixture
def demo(browser: Any, demo_page: Path) -> Iterator[Any]:
    tab = _open(browser, demo_page)
    yield tab
    tab.close()


def _choose(tab: Any, address: str) -> str:
    tab.evaluate(
        "(id) => geoplanPage.choose({ type: 'row', index: geoplanPage.plan.rowOf(id) }, true)",
        address,
    )
    return tab.locator(".gp-panel-details").inner_text()


def _first(tab: Any, script: str) -> Any:
    """Evaluate something of the page's plan, as `plan`."""
    return tab.evaluate(f"() => {{ const plan = geoplanPage.plan; return {script}; }}")


def _dark(tab: Any, box: str = "0, 0, this.width, this.height") -> int:
    """Count the canvas' pixels that anything was drawn on."""
    return tab.evaluate(
        "() => { const c = document.querySelector('.gp-canvas');"
        " const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        " let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i]) n += 1; return n; }"
    )


# --- opening -------------------------------------------------------------------------------


def test_page_opens_without_request_or_complaint(fenmoor: Any, hostile: Any, demo: Any) -> None:
    for tab in (hostile, demo):
        assert tab.faults == []
        assert tab.evaluate("typeof window.bad") == "undefined"
        assert _dark(tab) > 10_000
    assert hostile.locator("h1").inner_text() == f"Fenmoor Quay {fenmoor.SCRIPT}"


def test_an_injected_script_would_not_run(hostile: Any) -> None:
    hostile.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.bad = 1';"
        " document.body.append(s); const b = document.createElement('b');"
        " b.setAttribute('onclick', 'window.bad = 1'); document.body.append(b); b.click(); }"
    )
    assert hostile.evaluate("typeof window.bad") == "undefined"
    assert any("Content Security Policy" in fault for fault in hostile.faults)


def test_hostile_texts_do_nothing_wherever_they_are_shown(fenmoor: Any, hostile: Any) -> None:
    tab = hostile
    rows = _first(tab, "plan.count")
    for row in range(rows):
        tab.evaluate("(row) => geoplanPage.choose({ type: 'row', index: row }, true)", row)
    for kind, count in (
        ("terminal", _first(tab, "plan.shown.count('terminal.id')")),
        ("pole", _first(tab, "plan.shown.count('poles.id')")),
        ("mark", _first(tab, "plan.marks.length")),
        ("crossing", _first(tab, "plan.crossings.length")),
    ):
        assert count > 0
        for index in range(count):
            tab.evaluate("(what) => geoplanPage.choose(what, true)", {"type": kind, "index": index})
    for name in ("Table", "Key", "About", "Find"):
        tab.get_by_role("tab", name=name).click()
    for text in fenmoor.HOSTILE:
        tab.fill("#gp-search", text[:90])
        tab.wait_for_timeout(20)
    tab.mouse.move(500, 450)
    assert fenmoor.SCRIPT in _choose(tab, "A12")
    assert tab.evaluate("document.querySelectorAll('img:not(.leaflet-tile)').length") == 0
    handlers = tab.evaluate(
        "[...document.querySelectorAll('*')].flatMap((e) => [...e.attributes])"
        ".filter((a) => a.name.startsWith('on')).length"
    )
    assert handlers == 0
    assert tab.evaluate("typeof window.bad") == "undefined"
    assert tab.faults == []


@pytest.mark.parametrize(
    "text",
    [
        "#address=%3Cimg%20src%3Dx%20onerror%3D%22window.bad%3D1%22%3E",
        "#view=999,999,99&flag=constructor&kinds=__proto__,toString&status=served%22",
        "#view=1e400,NaN,Infinity&margin=9e999&off=__proto__&terminal=hasOwnProperty",
        "#%E0%A4%A&=&&&view",
        "#javascript:window.bad=1",
        "#" + "a" * 5000,
    ],
)
def test_a_hostile_link_changes_nothing(browser: Any, hostile_page: Path, text: str) -> None:
    tab = _open(browser, hostile_page, text)
    assert tab.evaluate("typeof window.bad") == "undefined"
    assert tab.faults == []
    assert "Shown: 12 of 12 drops, 2 of 2 unserved" in tab.locator(".gp-count").inner_text()
    assert tab.evaluate("geoplanPage.view.chosen") is None
    bounds = _first(tab, "plan.grid.bounds(plan.values.bounds).getCenter()")
    centre = tab.evaluate("geoplanPage.map.getCenter()")
    assert centre["lat"] == pytest.approx(bounds["lat"], abs=1e-3)
    tab.close()


# --- search, filter, table -----------------------------------------------------------------


def test_search_finds_address_pole_and_road(demo: Any) -> None:
    for query, title in (("a118", "A118: 115 Quorrel Street"), ("pole pq05", "Pole PQ05")):
        demo.get_by_role("tab", name="Find").click()
        demo.fill("#gp-search", query)
        demo.locator(".gp-result").first.wait_for()
        demo.keyboard.press("Enter")
        demo.locator("#gp-detail-title", has_text=title).wait_for()
    demo.get_by_role("tab", name="Find").click()
    demo.fill("#gp-search", "Wexom")
    demo.locator(".gp-result", has_text="Road Wexom Street").click()
    inside = "geoplanPage.map.getBounds().contains(geoplanPage.plan.grid.latLng(x, y))"
    assert demo.evaluate(
        "() => { const { plan, sheet } = geoplanPage; const lines = sheet.lines.roads;"
        " let all = true; for (let i = 0; i < lines.length; i += 1) {"
        " if (plan.shown.text('roads.name', i) !== 'Wexom Street') continue;"
        " for (let k = lines.start[i]; k < lines.start[i + 1]; k += 1) {"
        f" const [x, y] = [lines.x[k], lines.y[k]]; all = all && {inside}; }} }} return all; }}"
    )
    demo.fill("#gp-search", "no such place")
    demo.locator("#gp-search-note", has_text="Nothing found").wait_for()
    assert demo.locator(".gp-result").count() == 0
    assert demo.faults == []


def test_filters_let_through_what_the_plan_says(demo: Any, demo_plan: Plan) -> None:
    drops, hazards = demo_plan.drops, demo_plan.hazards
    count = demo.locator(".gp-count")
    unserved = len(demo_plan.unserved)

    def shown() -> str:
        return count.inner_text().split(" of ")[0].removeprefix("Shown: ")

    demo.get_by_label("Direct (").uncheck()
    assert shown() == str((drops["route_kind"] != "direct").sum())
    assert f", 0 of {unserved} unserved" in count.inner_text(), "they have no route"
    demo.get_by_role("button", name="Show all").click()
    assert shown() == str(len(drops))
    demo.locator("#gp-flag").select_option("bucket_job")
    assert shown() == str((hazards["code"] == "bucket_job").sum())
    demo.locator("#gp-flag").select_option("at_least_error")
    graves = hazards[hazards["severity"] == "error"]["address_id"].nunique()
    assert shown() == str(graves)
    demo.locator("#gp-flag").select_option("none")
    assert shown() == str(len(drops) - hazards["address_id"].nunique())
    demo.get_by_role("button", name="Show all").click()
    demo.locator("#gp-margin").fill("8")
    demo.locator("#gp-margin").press("Tab")
    inches = (drops["margin_m"] / 0.0254).round(1)
    assert shown() == str((inches.isna() | (inches <= 8.0)).sum())
    demo.locator("#gp-margin").fill("eight")
    demo.locator("#gp-margin").press("Tab")
    assert shown() == str(len(drops))
    assert demo.locator("#gp-margin").get_attribute("aria-invalid") == "true"
    demo.locator("#gp-margin").fill("")
    terminal = drops["terminal_id"].mode()[0]
    demo.locator("#gp-terminal").fill(terminal)
    demo.locator("#gp-terminal").press("Tab")
    assert shown() == str((drops["terminal_id"] == terminal).sum())
    demo.get_by_role("button", name="Show all").click()
    demo.locator("#gp-street").select_option("yes")
    assert shown() == str(drops["is_street_crossing"].sum())
    assert demo.faults == []


def test_filtered_drops_are_not_drawn_nor_hit(demo: Any) -> None:
    _choose(demo, "A118")
    middle = (
        "() => { const { plan, map, sheet } = geoplanPage; const row = plan.rowOf('A118');"
        " const place = plan.along(row, Math.round(plan.number('air_span', row) * 0.8));"
        " const hit = sheet.find(map.latLngToContainerPoint(plan.grid.latLng(...place)));"
        " return hit && hit.type === 'row' ? hit.index === row : null; }"
    )
    assert demo.evaluate(middle) is True
    demo.get_by_role("tab", name="Find").click()
    before = _dark(demo)
    demo.get_by_label("Direct (").uncheck()
    assert demo.evaluate(middle) is None
    assert _dark(demo) <= before


def test_crews_filter_when_they_were_worked_out(
    fenmoor: Any, browser: Any, plan: Plan, tmp_path: Path
) -> None:
    import shapely

    rows = [
        {
            "address_id": address,
            "crew_size": 1 + number % 2,
            "crew_day_id": f"day {number % 3}",
            "crew_reasons": fenmoor.SCRIPT,
            "geometry": shapely.Point(0, 0),
        }
        for number, address in enumerate(plan.drops["address_id"])
    ]
    jobs = fenmoor.table("jobs", rows, plan.layers.crs.working_crs)
    page = write_map_page(dataclasses.replace(plan, jobs=jobs), tmp_path / "map.html")
    tab = _open(browser, page)
    tab.locator("#gp-crew").select_option("2")
    assert "Shown: 6 of 12 drops" in tab.locator(".gp-count").inner_text()
    tab.locator("#gp-day").select_option("day 0")
    assert "Shown: 2 of 12 drops" in tab.locator(".gp-count").inner_text()
    assert fenmoor.SCRIPT in _choose(tab, "A03")
    assert tab.faults == []
    tab.close()


def test_crews_that_were_not_worked_out_are_said_to_be(demo: Any) -> None:
    assert demo.locator("#gp-crew").is_disabled()
    assert demo.get_by_text("Crew and crew days were not worked out for this plan.").is_visible()
    assert "Crew and crew day were not worked out." in _choose(demo, "A118")


def test_table_sorts_filters_with_the_map_and_goes_to_the_row(demo: Any, demo_plan: Plan) -> None:
    demo.get_by_role("tab", name="Table").click()
    rows = demo.locator(".gp-side tbody tr")
    assert rows.count() == 50
    demo.get_by_role("button", name="Cost").click()
    head = demo.locator("th[aria-sort]")
    assert head.count() == 1
    assert head.get_attribute("aria-sort") == "ascending"
    drops = demo_plan.drops.sort_values(["cost", "address_id"])
    assert rows.first.locator("th").inner_text() == drops["address_id"].iloc[0]
    demo.get_by_role("button", name="Cost").click()
    assert head.get_attribute("aria-sort") == "descending"
    assert rows.first.locator("th").inner_text() == drops["address_id"].iloc[-1]
    demo.get_by_role("button", name="Next rows").click()
    assert "Rows 51 to 100" in demo.locator(".gp-panel-table").inner_text()
    demo.get_by_role("tab", name="Find").click()
    demo.locator("#gp-flag").select_option("bucket_job")
    demo.get_by_role("tab", name="Table").click()
    assert rows.count() == (demo_plan.hazards["code"] == "bucket_job").sum()
    first = rows.first.locator("th button")
    address = first.inner_text()
    first.click()
    assert rows.first.get_attribute("aria-current") == "true"
    house = f"geoplanPage.plan.grid.latLng(...plan.place(plan.rowOf('{address}')))"
    assert _first(demo, f"geoplanPage.map.getBounds().contains({house})")
    assert demo.evaluate("geoplanPage.map.getZoom()") > 18
    assert demo.faults == []


# --- what is chosen ------------------------------------------------------------------------


def test_a_click_on_a_drop_tells_all_of_it(demo: Any, demo_plan: Plan) -> None:
    demo.evaluate(
        "() => { const { plan, map } = geoplanPage; const row = plan.rowOf('A118');"
        " map.setView(plan.grid.latLng(...plan.place(row)), 20, { animate: false }); }"
    )
    at = demo.evaluate(
        "() => { const { plan, map } = geoplanPage; const row = plan.rowOf('A118');"
        " const place = plan.along(row, Math.round(plan.number('air_span', row) * 0.8));"
        " const p = map.latLngToContainerPoint(plan.grid.latLng(...place));"
        " const box = map.getContainer().getBoundingClientRect();"
        " return [box.left + p.x, box.top + p.y]; }"
    )
    demo.mouse.click(*at)
    demo.locator("#gp-detail-title", has_text="A118").wait_for()
    text = demo.locator(".gp-panel-details").inner_text()
    drop = demo_plan.drops.set_index("address_id").loc["A118"]
    for label in ("Hook height", "House height", "Sag to leave", "Worst sag", "Tension", "Rule"):
        assert label in text
    assert f"{drop['air_span_m'] / 0.3048:.1f} ft" in text
    assert f"{drop['cost']:.2f}" in text
    flags = demo_plan.hazards[demo_plan.hazards["address_id"] == "A118"]
    for what, remedy in zip(flags["what"], flags["remedy"], strict=True):
        if what != drop["clearance_note"]:
            assert what[1:] in text
            assert remedy[1:] in text
    road = demo_plan.crossings[
        demo_plan.crossings["address_id"].eq("A118")
        & demo_plan.crossings["crossing_kind"].eq("road")
    ].iloc[0]
    begin, end = (f"{road[name] / 0.3048:.1f} ft" for name in ("start_m", "end_m"))
    assert f"{begin} to {end} out" in text
    assert "No job sheet was written" in text
    assert "Not for construction until checked on site." in text
    picture = demo.locator("svg.gp-profile")
    assert picture.is_visible()
    assert picture.locator("path").count() == 3, "ground, wire as left, wire at its worst"
    assert demo.faults == []


def test_runner_up_routes_are_drawn_when_asked_for(demo: Any, demo_plan: Plan) -> None:
    others = demo_plan.alternatives[demo_plan.alternatives["address_id"] == "A118"]
    text = _choose(demo, "A118")
    for extra in others["extra_cost"]:
        assert f"{extra:.2f} more" in text
    assert demo.evaluate("geoplanPage.view.overlay.length") == 0
    button = demo.get_by_role("button", name="Draw on the map")
    button.click()
    assert button.get_attribute("aria-pressed") == "true"
    overlay = demo.evaluate("geoplanPage.view.overlay")
    assert [len(one["points"]) for one in overlay] == [
        len(shape.coords) for shape in others.sort_values("rank").geometry
    ]
    lines = others.sort_values("rank").geometry.to_crs("EPSG:4326")
    for one, line in zip(overlay, lines, strict=True):
        for point, true in zip(one["points"], line.coords, strict=True):
            found = demo.evaluate("([x, y]) => geoplanPage.plan.grid.latLng(x, y)", point)
            assert found["lng"] == pytest.approx(true[0], abs=1e-7)
            assert found["lat"] == pytest.approx(true[1], abs=1e-7)
    assert overlay[0]["label"] == f"1: +{others['extra_cost'].min():.2f}"
    button.click()
    assert demo.evaluate("geoplanPage.view.overlay.length") == 0


def test_a_terminal_tells_ports_served_and_lost(demo: Any, demo_plan: Plan) -> None:
    lost = demo_plan.unserved[demo_plan.unserved["code"] == "no_free_port"]
    ways = demo_plan.alternatives
    lost = ways[ways["address_id"].isin(lost["address_id"])]
    terminal = lost["terminal_id"].iloc[0]
    row = demo_plan.terminals.set_index("terminal_id").loc[terminal]
    demo.fill("#gp-search", f"Terminal {terminal}")
    demo.locator(".gp-result").first.click()
    demo.locator("#gp-detail-title", has_text=f"Terminal {terminal}").wait_for()
    text = demo.locator(".gp-panel-details").inner_text()
    served = demo_plan.drops[demo_plan.drops["terminal_id"] == terminal]
    assert f"{row['ports_total']}: {row['ports_in_use']} in use before" in text
    assert f"Served ({len(served)})" in text
    assert all(address in text for address in served["address_id"])
    assert f"{lost['address_id'].iloc[0]}: " in text
    assert f"would serve {row['port_value_addresses']} more address" in text
    assert f"{abs(row['port_value_cost']):.2f}" in text


def test_an_unserved_address_tells_why_and_draws_its_remedy(demo: Any, demo_plan: Plan) -> None:
    rows = demo_plan.unserved[demo_plan.unserved["new_terminal_pole_id"].notna()]
    for _, row in rows.iloc[:3].iterrows():
        text = _choose(demo, row["address_id"])
        assert row["reasons"][1:] in text
        assert row["remedy"] in text
        lines = demo.evaluate("geoplanPage.view.overlay")
        end = lines[-1]["points"][-1]
        pole = demo_plan.layers.poles.geometry.loc[[row["new_terminal_pole_id"]]]
        true = pole.to_crs("EPSG:4326").iloc[0]
        found = demo.evaluate("([x, y]) => geoplanPage.plan.grid.latLng(x, y)", end)
        assert found["lat"] == pytest.approx(true.y, abs=1e-6)
        assert found["lng"] == pytest.approx(true.x, abs=1e-6)
        assert lines[-1]["label"] == "new terminal here"


def test_a_row_set_aside_is_on_the_map_with_its_reason(demo: Any, demo_plan: Plan) -> None:
    first = _first(demo, "plan.dropCount + plan.unservedCount")
    rows = demo_plan.set_aside
    assert _first(demo, "plan.asideCount") == len(rows)
    placed = [_first(demo, f"plan.place({first + n}) !== null") for n in range(len(rows))]
    ids = [_first(demo, f"plan.id({first + n})") for n in range(len(rows))]
    found = {name for name, is_placed in zip(ids, placed, strict=True) if is_placed}
    assert found == {"A010", "A041", "Z90"}, "others have no geometry, or a CRS that is not named"
    demo.evaluate("(row) => geoplanPage.choose({ type: 'row', index: row }, true)", first)
    text = demo.locator(".gp-panel-details").inner_text()
    assert "Set aside: A010" in text
    assert "inferred" in text


def test_sheets_are_linked_when_they_were_written(hostile: Any) -> None:
    _choose(hostile, "A02")
    link = hostile.get_by_role("link", name="Job sheet of A02")
    assert link.get_attribute("href") == "sheets/" + sheet_file_name("A02")


# --- link, keys ----------------------------------------------------------------------------


def test_a_link_restores_view_filter_and_choice(browser: Any, demo: Any, demo_page: Path) -> None:
    demo.locator("#gp-flag").select_option("at_least_warning")
    demo.locator("#gp-street").select_option("yes")
    demo.get_by_label("Direct (").uncheck()
    demo.get_by_role("tab", name="Key").click()
    demo.get_by_label("Tree crowns").uncheck()
    _choose(demo, "A120")
    demo.evaluate("geoplanPage.map.setZoom(18.25, { animate: false })")
    state = (
        "[geoplanPage.map.getCenter().lat.toFixed(5), geoplanPage.map.getCenter().lng.toFixed(5),"
        " geoplanPage.map.getZoom(), document.querySelector('.gp-count').textContent,"
        " document.querySelector('#gp-detail-title').textContent,"
        " [...geoplanPage.view.off].sort().join()]"
    )
    before = demo.evaluate(state)
    address = demo.evaluate("window.location.href")
    demo.get_by_role("tab", name="Find").click()
    assert demo.locator("#gp-link").input_value() == address
    again = _open(browser, demo_page, "#" + address.partition("#")[2])
    again.locator("#gp-detail-title", has_text="A120").wait_for()
    assert again.evaluate(state) == before
    assert again.locator("#gp-street").input_value() == "yes"
    assert not again.get_by_label("Direct (").is_checked()
    assert again.faults == []
    again.close()


def test_a_changed_link_is_followed_in_the_open_page(demo: Any) -> None:
    demo.evaluate("window.location.hash = '#status=unserved&address=A256'")
    demo.locator("#gp-detail-title", has_text="A256").wait_for()
    assert "Shown: 0 of" in demo.locator(".gp-count").inner_text()


def test_the_page_can_be_walked_by_keyboard(demo: Any) -> None:
    seen: list[str] = []
    for _ in range(60):
        demo.keyboard.press("Tab")
        name = demo.evaluate(
            "() => { const e = document.activeElement; const s = getComputedStyle(e);"
            " return [e.id || e.className || e.tagName, e.matches(':focus-visible')"
            " && s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 1]; }"
        )
        if name[0] == "BODY":
            break
        assert name[1], f"focus is not to be seen on {name[0]}"
        seen.append(str(name[0]))
    order = ["gp-tab-find", "gp-panel-find", "gp-search", "gp-flag", "gp-margin", "gp-terminal"]
    assert [name for name in seen if name in order] == order
    maps = [place for place, name in enumerate(seen) if name.startswith("map_")]
    assert len(maps) == 1
    assert maps[0] < seen.index("gp-tab-find"), "the map comes before what stands beside it"


def test_tabs_map_and_rows_answer_to_keys(demo: Any) -> None:
    from playwright.sync_api import expect

    demo.locator("#gp-tab-find").focus()
    demo.keyboard.press("ArrowRight")
    assert demo.locator("#gp-panel-table").is_visible()
    assert demo.evaluate("document.activeElement.id") == "gp-tab-table"
    demo.keyboard.press("End")
    assert demo.locator("#gp-panel-about").is_visible()
    demo.keyboard.press("ArrowRight")
    assert demo.locator("#gp-panel-find").is_visible()
    demo.locator(".folium-map").focus()
    before = demo.evaluate("geoplanPage.map.getCenter().lng")
    demo.keyboard.press("ArrowRight")
    demo.wait_for_timeout(500)
    assert demo.evaluate("geoplanPage.map.getCenter().lng") > before
    demo.keyboard.press("Enter")
    demo.locator("#gp-panel-details").wait_for()
    assert demo.evaluate("document.activeElement.id") == "gp-detail-title"
    title = demo.locator("#gp-detail-title").inner_text()
    demo.locator(".folium-map").focus()
    demo.keyboard.press("n")
    heading = demo.locator("#gp-detail-title")
    expect(heading).not_to_have_text(title)
    demo.keyboard.press("p")  # the focus is on the title of the details now
    expect(heading).to_have_text(title)
    assert demo.faults == []


# --- layers, labels, looks -----------------------------------------------------------------


def test_layers_can_be_switched(demo: Any) -> None:
    demo.get_by_role("tab", name="Key").click()
    before = _dark(demo)
    for name in ("Roads", "Lots", "Buildings"):
        demo.get_by_label(name, exact=True).uncheck()
    assert _dark(demo) < before / 2
    assert not demo.get_by_label("Flags: notes").is_checked()
    assert not demo.get_by_label("Other crossings").is_checked()


def test_names_are_written_at_large_scale_only(demo: Any) -> None:
    demo.evaluate(
        "() => { const { sheet } = geoplanPage; const name = sheet.name;"
        " sheet.seen = []; sheet.name = function (places, text, ...more) {"
        " sheet.seen.push(text); return name.call(this, places, text, ...more); }; }"
    )
    _choose(demo, "A118")
    names = demo.evaluate("geoplanPage.sheet.seen")
    assert {"A118", "PQ04", "PQ05"} <= set(names)
    assert len([name for name in names if name == "PQ04"]) <= 2 * len(set(names))
    demo.evaluate("() => { geoplanPage.sheet.seen = []; }")
    demo.evaluate("() => { geoplanPage.map.setZoom(17, { animate: false }); }")
    assert demo.evaluate("geoplanPage.sheet.seen.length") == 0


@pytest.mark.parametrize(("units", "unit"), [("us", "ft"), ("metric", "m")])
def test_scale_and_figures_are_in_the_units_of_the_project(
    fenmoor: Any, browser: Any, tmp_path: Path, units: str, unit: str
) -> None:
    page = write_map_page(fenmoor.build(units), tmp_path / "map.html")
    tab = _open(browser, page)
    assert tab.locator(".leaflet-control-scale-line").all_inner_texts()[0].endswith(f" {unit}")
    text = _choose(tab, "A00")
    assert ("10.0 in at 59 degF" if units == "us" else "0.25 m at 15 degC") in text
    tab.close()


def test_ladder_and_clearance_words_say_what_is_not_known(hostile: Any) -> None:
    assert "Ladder on" in _choose(hostile, "A01")
    text = _choose(hostile, "A01")
    assert "sag 5.0 in; clamp 3.9 in toward the street" in text
    assert "clamp 2.0 in toward the house, lower by 0.8 in" in text
    text = _choose(hostile, "A03")
    assert "no ladder on this strand: the strand is too small for a ladder" in text
    assert "Nothing to clear" in text
    assert "Clearance not checked: no figure for it" in _choose(hostile, "A00")


def test_an_empty_plan_opens(fenmoor: Any, browser: Any, plan: Plan, tmp_path: Path) -> None:
    crs = plan.layers.crs.working_crs
    empty = dataclasses.replace(plan, **{name: fenmoor.table(name, [], crs) for name in TABLES})
    tab = _open(browser, write_map_page(empty, tmp_path / "map.html"))
    assert "Shown: 0 of 0 drops" in tab.locator(".gp-count").inner_text()
    tab.get_by_role("tab", name="Table").click()
    assert tab.get_by_text("No row passes the filter.").is_visible()
    assert tab.faults == []
    tab.close()


def test_names_cover_no_mark_while_another_place_is_free(demo: Any) -> None:
    """A name whose first place lies on a mark goes to the next; with none free, to the first."""
    places = "[[100, 100, 'left'], [300, 100, 'left'], [500, 100, 'left']]"
    put = (
        "() => { const { sheet } = geoplanPage; sheet.taken = %s; sheet.marked = %s; const at = [];"
        " sheet.write = (x) => at.push(x); sheet.name(%s, 'A1', '12px', '#000000');"
        " delete sheet.write; return at; }"
    )
    mark = "{ x: %d, y: 100, r: 12 }"
    on = [mark % x for x in (105, 305, 505)]
    assert demo.evaluate(put % ("[]", "[]", places)) == [100]
    assert demo.evaluate(put % ("[]", f"[{on[0]}]", places)) == [300]
    assert demo.evaluate(put % ("[[290, 90, 330, 110]]", f"[{on[0]}]", places)) == [500]
    assert demo.evaluate(put % ("[]", f"[{', '.join(on)}]", places)) == [100]
    assert demo.evaluate(put % ("[[0, 0, 900, 900]]", "[]", places)) == []


def test_every_symbol_of_the_map_is_in_the_legend(demo: Any) -> None:
    demo.get_by_role("tab", name="Key").click()
    words = demo.locator(".gp-legend li").all_inner_texts()
    for one in ("Pole without a terminal", "Lots", "Roads", "Buildings", "Tree crowns", "Power"):
        assert one in words
    assert "Street crossing with a flag at the same place" in words


# --- figures that the page works out ------------------------------------------------------


def test_lengths_that_the_page_works_out_are_the_plan_s_to_the_last_digit(
    demo: Any, demo_plan: Plan
) -> None:
    keys = {name: list(TABLES[name].key) for name in ("drops", "crossings", "hazards")}
    drops, crossings, hazards = (
        getattr(demo_plan, name).sort_values(key, ignore_index=True) for name, key in keys.items()
    )
    others = demo_plan.alternatives.sort_values(list(TABLES["alternatives"].key), ignore_index=True)
    demo.evaluate("geoplanPage.plan.othersOf(0)")
    found = 0
    for block, column, values in (
        ("shown", "drop.air_span", drops["air_span_m"]),
        ("told", "drop.strand_run", drops["strand_run_m"]),
        ("told", "drop.clamp_at", drops["clamp_at_m"]),
        ("told", "drop.margin_available", drops["margin_available_m"]),
        ("shown", "flag.at", hazards["at_m"]),
        ("told", "crossing.start", crossings["start_m"]),
        ("told", "crossing.end", crossings["end_m"]),
        ("told", "crossing.available", crossings["available_m"]),
        ("told", "other.air_span", others["air_span_m"]),
        ("told", "other.strand_run", others["strand_run_m"]),
        ("told", "other.clamp_at", others["clamp_at_m"]),
    ):
        shown = _first(demo, f"Array.from(plan.{block}.numbers('{column}'))")
        numbers, known = scaled(values, "length", "us")
        assert shown == np.where(known, numbers, -(2**31)).tolist(), column
        found += int(known.sum())
    assert found > 3000


# --- paper, phone, access ------------------------------------------------------------------


def test_paper_shows_map_details_legend_and_caution(demo: Any) -> None:
    _choose(demo, "A118")
    demo.emulate_media(media="print")
    demo.wait_for_selector("body.gp-print")
    shown_parts = (
        ".gp-caution",
        "main",
        ".gp-panel-details .gp-facts",
        ".gp-profile",
        ".gp-legend",
    )
    for shown in shown_parts:
        assert demo.locator(shown).first.is_visible(), shown
    assert demo.locator(".gp-caution-full").is_visible()
    for hidden in (".gp-tabs", "#gp-search", ".leaflet-control-zoom", ".gp-steps", ".gp-layers"):
        assert not demo.locator(hidden).first.is_visible(), hidden
    house = "geoplanPage.plan.grid.latLng(...plan.place(plan.rowOf('A118')))"
    assert _first(demo, f"geoplanPage.map.getBounds().contains({house})")
    paper = demo.locator("main").bounding_box()
    assert paper["width"] == pytest.approx(186 / 25.4 * 96, abs=3)
    assert paper["height"] == pytest.approx(130 / 25.4 * 96, abs=3)
    assert demo.evaluate("document.documentElement.scrollWidth") <= 1400
    assert len(demo.pdf()) > 20_000
    demo.emulate_media(media="screen")
    demo.wait_for_selector("body:not(.gp-print)")
    assert demo.faults == []


@pytest.mark.parametrize("size", [PHONE, DESK, {"width": 320, "height": 640}])
def test_nothing_runs_out_of_the_page(browser: Any, hostile_page: Path, size: Any) -> None:
    tab = _open(browser, hostile_page, size=size)
    for name in ("Find", "Table", "Details", "Key", "About"):
        tab.get_by_role("tab", name=name).click()
        assert tab.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert tab.evaluate("document.querySelector('.gp-side').scrollWidth") <= size["width"]
    _choose(tab, "A10")
    assert tab.evaluate("document.querySelector('.gp-panel-details').scrollWidth") <= size["width"]
    assert tab.locator(".folium-map").bounding_box()["height"] > 150
    tab.close()


def test_what_was_in_view_is_on_the_paper(demo: Any) -> None:
    """The event before a print comes while the page still has its look on the screen."""
    _choose(demo, "A118")
    before = demo.evaluate("geoplanPage.map.getBounds().toBBoxString()")
    demo.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    size = demo.evaluate("[geoplanPage.map.getSize().x, geoplanPage.map.getSize().y]")
    assert size == [pytest.approx(703, abs=4), pytest.approx(491, abs=4)]
    held = demo.evaluate("geoplanPage.map.getBounds().toBBoxString()")
    west, south, east, north = (float(one) for one in before.split(","))
    w, s, e, n = (float(one) for one in held.split(","))
    assert w <= west < east <= e
    assert s <= south < north <= n
    demo.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert demo.evaluate("geoplanPage.map.getSize().x") > 900
    assert demo.faults == []


def test_a_base_map_may_ask_its_own_host_for_pictures_and_nobody_else(
    browser: Any, plan: Plan, tmp_path: Path
) -> None:
    asked = Map(base_map_url="https://tiles.example.invalid/{z}/{x}/{y}.png", base_map_credit="<b>")
    project = plan.project.model_copy(update={"map": asked})
    page = write_map_page(dataclasses.replace(plan, project=project), tmp_path / "map.html")
    tab = browser.new_page(viewport=DESK)
    urls: list[str] = []
    faults: list[str] = []
    tab.on("requestfailed", lambda request: urls.append(f"{request.failure} {request.url}"))
    tab.on("console", lambda message: faults.append(message.text))
    tab.goto(page.as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    tab.evaluate(
        "async () => { for (const url of ['https://other.example.invalid/a.png',"
        " 'https://tiles.example.invalid.other.invalid/a.png',"
        " 'http://tiles.example.invalid/a.png']) {"
        " const one = new Image(); one.src = url; document.body.append(one); }"
        " try { await fetch('https://tiles.example.invalid/a'); } catch (error) { return; } }"
    )
    tab.wait_for_timeout(1000)
    sent = [url.split(" ")[1] for url in urls if not url.startswith("csp ")]
    assert len(sent) > 3
    assert all(url.startswith("https://tiles.example.invalid/") for url in sent)
    assert all(url.endswith(".png") for url in sent), "pictures only"
    assert sum("Content Security Policy" in fault for fault in faults) >= 4
    assert tab.locator(".leaflet-control-attribution").inner_text() == "<b>"
    tab.close()


def _check_access(tab: Any) -> list[str]:
    if tab.evaluate("typeof window.axe") == "undefined":
        script = files("axe_playwright_python").joinpath("axe.min.js")
        tab.evaluate(script.read_text(encoding="utf-8"))
    found = tab.evaluate("axe.run(document)")
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:120]}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_checker_of_accessibility_finds_no_serious_fault(
    browser: Any, demo_page: Path, size: Any
) -> None:
    tab = _open(browser, demo_page, size=size)
    is_phone = size == PHONE  # what is beside the map is the same there, but for its width
    for name in ("Find",) if is_phone else ("Find", "Table", "Key", "About"):
        tab.get_by_role("tab", name=name).click()
        assert _check_access(tab) == [], name
    for address in ("A118",) if is_phone else ("A118", "A256"):
        _choose(tab, address)
        assert _check_access(tab) == [], address
    tab.close()


# --- a plan by areas -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def index(demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    bare = dataclasses.replace(demo_plan, jobs=None)
    folder = tmp_path_factory.mktemp("areas")
    return write_map_page(bare, folder / "map.html", most_drops=100)


def test_the_index_leads_to_the_right_page(browser: Any, index: Path, demo_plan: Plan) -> None:
    tab = _open(browser, index)
    assert tab.locator(".gp-areas a").count() == 3
    assert _check_access(tab) == []
    for query, title in (("A118", "A118"), ("A256", "Unserved: A256"), ("pole PQ05", "Pole PQ05")):
        tab.goto(index.as_uri())
        tab.wait_for_selector("body[data-ready=yes]")
        tab.fill("#gp-search", query)
        tab.locator(".gp-result").first.click()
        tab.locator("#gp-detail-title", has_text=title).wait_for()
        assert "/map/area-00" in tab.url
    tab.get_by_role("tab", name="About").click()
    tab.get_by_role("link", name="All areas").click()
    tab.wait_for_selector(".gp-areas")
    tab.locator(".gp-areas a").first.click()
    tab.wait_for_selector("body[data-ready=yes][data-tab=find]")
    assert "Shown:" in tab.locator(".gp-count").inner_text()
    assert not [fault for fault in tab.faults if not fault.startswith("file://")]
    tab.close()


def test_a_click_on_the_overview_opens_the_area_there(browser: Any, index: Path) -> None:
    tab = _open(browser, index)
    box = tab.locator(".folium-map").bounding_box()
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    tab.wait_for_url("**/map/area-*.html#view=*")
    tab.wait_for_selector("body[data-ready=yes]")
    tab.close()
