"""Bytes and time of the map page, beside an empty page and a plain folium page of the same drops.

    python tests/benchmarks/bench_map.py 1000 10000 100000
    python tests/benchmarks/bench_map.py 10000 --alternatives 0 --repeat 5

For each size a region is made with `data_samples/make_town.py` and planned; the pages are written
and opened in a headless Chromium from files. The time is that from navigation to the frame in which
all drops (on the index of a plan by areas: all addresses as dots) are drawn, least of some
runs, less the time of a page with the frame and no data. Seconds of writing are the processor's.

The plain page is what folium does of itself with the same drops: one GeoJSON layer on the canvas
renderer with a tooltip of four columns, no lots, marks, search, table or details. Leaflet stands
inside all pages alike, so that none of them asks the net for anything.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import branca.element
import folium

from geoplan.layers import read_layers
from geoplan.plan import make_plan
from geoplan.project import read_project
from geoplan.reports.leaflet import leaflet_script, leaflet_style
from geoplan.reports.map_page import write_map_page

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or "chromium"
COLUMNS = ["address_id", "label", "terminal_id", "route_kind"]
SEEN = """
const look = () => {
  if (document.body && document.body.dataset.drawn) {
    requestAnimationFrame(() => { window.seenAt = performance.now(); });
  } else requestAnimationFrame(look);
};
requestAnimationFrame(look);
"""
DRAWN = "document.body.dataset.drawn = 'yes';"
Result = dict[str, Any]


class _Raw(branca.element.Element):
    """Text that folium takes into its page as it is."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def render(self, **_: object) -> str:
        """Return the text."""
        return self._text


def plain_page(plan: Any, path: Path) -> None:
    """Write what folium makes of the drops by itself; None: the frame alone."""
    frame = folium.Map(tiles=None, prefer_canvas=True)
    frame.default_js, frame.default_css = [], []
    root = frame.get_root()
    root.header.add_child(_Raw(f"<style>{leaflet_style()}</style>"))
    root.header.add_child(_Raw(f"<script>{leaflet_script()}</script>"))
    if plan is not None:
        drops = plan.drops.to_crs("EPSG:4326")
        tip = folium.GeoJsonTooltip(COLUMNS)
        folium.GeoJson(drops[[*COLUMNS, "geometry"]], tooltip=tip).add_to(frame)
        west, south, east, north = drops.total_bounds
        frame.fit_bounds([[south, west], [north, east]])
    text = root.render()
    before, closing, after = text.rpartition("</script>")
    path.write_text(f"{before}{DRAWN}\n{closing}{after}", encoding="utf-8")


def make_region_plan(size: int, alternatives: int, seed: int) -> Any:
    """Make a region and plan it."""
    with tempfile.TemporaryDirectory(prefix="map-") as name:
        made = [str(ROOT / "data_samples" / "make_town.py"), "--addresses", str(size)]
        made += ["--seed", str(seed), "--broken-share", "0.001", "--out", name]
        subprocess.run([sys.executable, *made], check=True, stdout=subprocess.DEVNULL)
        with (Path(name) / "project.toml").open("a", encoding="utf-8") as file:
            file.write(f"\n[choice]\nalternatives = {alternatives}\n")
        project = read_project(Path(name) / "project.toml")
        return make_plan(read_layers(project), project)


def opened_s(browser: Any, page: Path, repeat: int) -> float:
    """Return the least seconds from navigation to all drawn."""
    times = []
    for _ in range(repeat):
        tab = browser.new_page(viewport={"width": 1400, "height": 900})
        tab.add_init_script(SEEN)
        tab.goto(page.as_uri(), timeout=300_000)
        tab.wait_for_selector("body[data-drawn]", timeout=300_000)
        for _ in range(2000):
            seen = tab.evaluate("window.seenAt")
            if seen:
                break
            tab.wait_for_timeout(5)
        times.append(seen / 1000.0)
        tab.close()
    return min(times)


def told_s(browser: Any, page: Path, address: str) -> Result:
    """Return seconds of what a user waits for once the page is open."""
    tab = browser.new_page(viewport={"width": 1400, "height": 900})
    tab.goto(page.as_uri(), timeout=300_000)
    tab.wait_for_selector("body[data-ready=yes]", timeout=300_000)
    timed = (
        "async (act) => { const begin = performance.now(); await (0, act)();"
        " return (performance.now() - begin) / 1000; }"
    )
    acts = {
        "choose_s": "() => geoplanPage.choose({ type: 'row',"
        f" index: geoplanPage.plan.rowOf({address!r}) }}, true)",
        "draw_again_s": "() => geoplanPage.sheet.redraw()",
        "filter_s": "() => { const f = openFilter(); f.flag = 'at_least_warning';"
        " geoplanPage.form.set(f); }",
        "sort_s": "() => geoplanPage.table.update()",
        "search_s": "() => search(searchList(geoplanPage.plan), '1')",
    }
    found = {}
    for name, act in acts.items():
        found[name] = round(tab.evaluate(f"() => ({timed})({act})"), 3)
    found["ready_s"] = round(float(tab.evaluate("Number(document.body.dataset.drawn)")) / 1000, 3)
    tab.close()
    return found


def measure(browser: Any, size: int, options: argparse.Namespace) -> Result:
    """Measure one size."""
    plan = make_region_plan(size, options.alternatives, options.seed)
    with tempfile.TemporaryDirectory(prefix="map-") as name:
        folder = Path(name)
        empty, plain, ours = folder / "empty.html", folder / "plain.html", folder / "map.html"
        plain_page(None, empty)
        begin = time.process_time()
        plain_page(plan, plain)
        plain_write = time.process_time() - begin
        begin = time.process_time()
        write_map_page(plan, ours)
        write = time.process_time() - begin
        base = opened_s(browser, empty, options.repeat)
        areas = sorted((folder / "map").glob("*.html"))
        pages = [ours, *areas]
        largest = max(areas or [ours], key=lambda path: path.stat().st_size)
        text = largest.name if areas else "map.html"
        result: Result = {
            "drops": len(plan.drops),
            "unserved": len(plan.unserved),
            "alternatives": len(plan.alternatives),
            "load_before": round(os.getloadavg()[0], 2),
            "empty_page_s": round(base, 3),
            "pages": len(pages),
            "all_pages_mb": megabytes(pages),
            "write_cpu_s": round(write, 2),
            "first_page_mb": megabytes([ours]),
            "first_page_s": round(opened_s(browser, ours, options.repeat) - base, 3),
            "plain_folium": {
                "mb": megabytes([plain]),
                "s": round(opened_s(browser, plain, options.repeat) - base, 3),
                "write_cpu_s": round(plain_write, 2),
            },
        }
        if areas:
            result["largest_area"] = {
                "file": text,
                "mb": megabytes([largest]),
                "s": round(opened_s(browser, largest, options.repeat) - base, 3),
            }
        else:
            result["once_open"] = told_s(browser, ours, plan.drops["address_id"].iloc[0])
        return result


def megabytes(paths: list[Path]) -> float:
    """Add up the sizes of files."""
    return round(sum(path.stat().st_size for path in paths) / 1e6, 3)


def main() -> None:
    """Measure what was asked for."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("sizes", nargs="*", type=int, help="addresses (default: 1000 10000)")
    parser.add_argument("--repeat", type=int, default=3, help="openings; the fastest counts")
    parser.add_argument("--alternatives", type=int, default=3)
    parser.add_argument("--seed", type=int, default=7)
    options = parser.parse_args()
    results = {}
    with sync_playwright() as driver:
        flags = ["--no-sandbox", "--disable-gpu"]
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=flags)
        for size in options.sizes or [1_000, 10_000]:
            results[str(size)] = measure(browser, size, options)
        browser.close()
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
