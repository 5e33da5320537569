"""Plan the demo and take the pictures that README.md shows.

    python maps/make_maps.py

Writes ``maps/demo``: ``map.html``, ``overview.png``, ``detail.png``, ``popup.png`` and ``phone.png``.
It needs the ``test`` extra, a Chromium (``CHROMIUM`` in the environment, or one on the path) and no
net.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, sync_playwright

from geoplan.cli import main as plan_drops

ROOT = Path(__file__).resolve().parents[1]
PROJECT = ROOT / "data_samples" / "demo" / "project.toml"
OUT = ROOT / "maps" / "demo"
WIDE = {"width": 1400, "height": 900}
PHONE = {"width": 390, "height": 844}
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DETAIL_ADDRESS = "A118"
"""The detail shows the streets around this house: span clamps on both sides of a street."""

DETAIL_ZOOM = 20

OPEN_POPUP = """(title) => {
  const map = Object.values(window).find((one) => one instanceof L.Map);
  let hit = null;
  map.eachLayer((one) => {
    if (one.feature && one.feature.properties.title === title) hit = hit || one;
  });
  hit.openPopup();
}"""

SETTLE_MS = 1000
"""For the map to move until all of a popup is in view."""


def find_chromium() -> str:
    """Return the browser's path, or end with a sentence that says what is missing."""
    for name in (os.environ.get("CHROMIUM"), "chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name) if name else None
        if found:
            return found
    sys.exit("No Chromium found: install the package 'chromium', or set CHROMIUM to its path.")


def write_map(folder: Path) -> Path:
    """Plan the demo into a folder of its own and return its map page."""
    if plan_drops(["plan", str(PROJECT), "--out", str(folder)]):
        sys.exit("The demo could not be planned.")
    return folder / "map.html"


def planned_drops(page: Path) -> list[dict[str, Any]]:
    """Return the drops in the data block of a map page."""
    text = page.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="geoplan-data">(.*?)</script>', text)
    if found is None:
        sys.exit("The map page holds no data block.")
    drops: list[dict[str, Any]] = json.loads(found[1])["layers"]["drops"]
    return drops


def house_of(drop: dict[str, Any]) -> list[float]:
    """Return latitude and longitude of the house end of a drop."""
    longitude, latitude = drop["geometry"]["coordinates"][-1]
    return [latitude, longitude]


def place_of(page: Path, address_id: str) -> list[float]:
    """Return latitude and longitude of the house end of an address's drop."""
    for drop in planned_drops(page):
        if drop["properties"]["label"] == address_id:
            return house_of(drop)
    sys.exit(f"Address {address_id} has no planned drop; choose another for the detail.")


def telling_drop(page: Path) -> dict[str, Any]:
    """Return the first drop over a street that is raised and has a cheaper route ruled out."""
    for drop in planned_drops(page):
        rows = dict(drop["properties"]["rows"])
        is_raised = any("raised" in rows.get(f"{end} height", "") for end in ("Hook", "House"))
        if is_raised and "Ruled out" in rows and rows["Across a street"] == "yes":
            return drop
    sys.exit("No drop is raised with a cheaper route ruled out; choose by another rule.")


def take_picture(
    browser: Browser,
    page: Path,
    picture: Path,
    size: dict[str, Any],
    place: list[float] | None,
    title: str = "",
) -> None:
    """Open the page, go to a place and open a popup if they are given, and take its picture."""
    tab = browser.new_page(viewport=size)
    tab.goto(page.as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    if place is not None:
        tab.evaluate(
            "([place, zoom]) => Object.values(window).find((one) => one instanceof L.Map)"
            ".setView(place, zoom, { animate: false })",
            [place, DETAIL_ZOOM],
        )
        tab.wait_for_selector(".gp-label-terminal", state="attached")
    if title:
        tab.evaluate(OPEN_POPUP, title)
        tab.wait_for_selector(".gp-popup")
        tab.wait_for_timeout(SETTLE_MS)
    tab.screenshot(path=picture)
    tab.close()


def main() -> None:
    """Write the demo's map page and its pictures."""
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        page = OUT / "map.html"
        shutil.copyfile(write_map(Path(folder) / "demo"), page)
    place = place_of(page, DETAIL_ADDRESS)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=find_chromium(), args=FLAGS)
        take_picture(browser, page, OUT / "overview.png", WIDE, None)
        take_picture(browser, page, OUT / "detail.png", WIDE, place)
        drop = telling_drop(page)
        title = drop["properties"]["title"]
        take_picture(browser, page, OUT / "popup.png", WIDE, house_of(drop), title)
        take_picture(browser, page, OUT / "phone.png", PHONE, None)
        browser.close()
    print(f"Written: {', '.join(sorted(path.name for path in OUT.iterdir()))}")


if __name__ == "__main__":
    main()
