"""Plan the demo and take the pictures that README.md shows.

    python maps/make_maps.py

Writes ``maps/demo``: ``map.html``, pictures of it (``overview``, ``streets``, ``detail``, ``drop``,
``runners_up``, ``unserved``, ``table``, ``phone``) and of a job sheet (``sheet-front``,
``sheet-back``), all ``.png``. It needs the ``test`` extra, a Chromium (``CHROMIUM`` in the
environment, or one on the path) and no net.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

import pypdfium2
from playwright.sync_api import Browser, Page, sync_playwright

from geoplan.cli import main as geoplan

ROOT = Path(__file__).resolve().parents[1]
PROJECT = ROOT / "data_samples" / "demo" / "project.toml"
OUT = ROOT / "maps" / "demo"
PLACE = "http://localhost/map.html"
"""Where the browser is told that the page is, so that the link on it names no folder."""
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

SHEET_ADDRESS = "A120"
"""The job sheet shown: a long air span from a span clamp, over other lots."""
SHEET_DPI = 110

UNSERVED_CODE = "no_free_port"
"""The picture of an unserved address shows the first with this reason."""

DETAIL_ZOOM = 20
STREETS_ZOOM = 18

READY = "body[data-ready=yes]"
"""What a page says of itself when all of it has been read and drawn."""

CHOOSE = """async (address) => {
  const row = geoplanPage.plan.rowOf(address);
  if (row < 0) return false;
  await geoplanPage.choose({ type: "row", index: row }, true);
  return true;
}"""

GO_TO = """([address, zoom]) => {
  const { plan, map } = geoplanPage;
  const row = plan.rowOf(address);
  if (row < 0) return false;
  map.setView(plan.grid.latLng(...plan.place(row)), zoom, { animate: false });
  return true;
}"""

TELLING = """() => {
  const { plan } = geoplanPage;
  for (let row = 0; row < plan.dropCount; row += 1) {
    const is = (name) => plan.told.numbers("drop." + name)[row] === 1;
    const isRaised = is("hook_is_raised") || is("attachment_is_raised");
    const hasNote = plan.told.text("drop.clearance_note", row) !== null;
    if (isRaised && hasNote && plan.number("street", row) === 1) return plan.id(row);
  }
  return null;
}"""
"""The first drop over a street that is raised and has a cheaper route ruled out."""

UNSERVED = """(code) => {
  const { plan } = geoplanPage;
  for (let i = 0; i < plan.unservedCount; i += 1) {
    if (plan.shown.text("unserved.code", i) === code) return plan.id(plan.dropCount + i);
  }
  return null;
}"""


def find_chromium() -> str:
    """Return the browser's path, or end with a sentence that says what is missing."""
    for name in (os.environ.get("CHROMIUM"), "chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name) if name else None
        if found:
            return found
    sys.exit("No Chromium found: install the package 'chromium', or set CHROMIUM to its path.")


def write_map(folder: Path) -> Path:
    """Plan the demo into a folder of its own and return its map page."""
    if geoplan(["plan", str(PROJECT), "--out", str(folder)]):
        sys.exit("The demo could not be planned.")
    return folder / "map.html"


def opened(browser: Browser, page: Path, size: dict[str, int]) -> Page:
    """Open a map page and wait until it is drawn."""
    tab = browser.new_page(viewport=size)
    tab.route("**/*", lambda route: route.fulfill(path=page))
    tab.goto(PLACE)
    tab.wait_for_selector(READY)
    return tab


def picture(tab: Page, name: str) -> None:
    """Take the picture of what is open."""
    tab.screenshot(path=OUT / name)


def chosen(tab: Page, address: str | None) -> None:
    """Choose an address on the page, or end with a sentence that says that it isn't there."""
    if address is None or not tab.evaluate(CHOOSE, address):
        sys.exit(f"Address {address} is not on the map; choose another for the picture.")


def take_pictures(browser: Browser, page: Path) -> None:
    """Take all pictures of a page."""
    tab = opened(browser, page, WIDE)
    picture(tab, "overview.png")
    for zoom, name in ((STREETS_ZOOM, "streets.png"), (DETAIL_ZOOM, "detail.png")):
        if not tab.evaluate(GO_TO, [DETAIL_ADDRESS, zoom]):
            sys.exit(f"Address {DETAIL_ADDRESS} is not on the map; choose another for the detail.")
        picture(tab, name)
    chosen(tab, tab.evaluate(TELLING))
    picture(tab, "drop.png")
    tab.locator(".gp-profile").scroll_into_view_if_needed()
    tab.get_by_role("button", name="Draw on the map").click()
    picture(tab, "runners_up.png")
    chosen(tab, tab.evaluate(UNSERVED, UNSERVED_CODE))
    picture(tab, "unserved.png")
    tab.get_by_role("tab", name="Table").click()
    picture(tab, "table.png")
    tab.close()
    tab = opened(browser, page, PHONE)
    picture(tab, "phone.png")
    tab.close()


def picture_sheet(folder: Path) -> None:
    """Take the pictures of both pages of a job sheet, which follow the index."""
    words = ["sheets", str(PROJECT), "--address", SHEET_ADDRESS, "--out", str(folder), "--quiet"]
    if geoplan(words):
        sys.exit(f"Address {SHEET_ADDRESS} has no job sheet; choose another.")
    with pypdfium2.PdfDocument(folder / "sheets.pdf") as sheets:
        for number, name in ((1, "sheet-front.png"), (2, "sheet-back.png")):
            sheets[number].render(scale=SHEET_DPI / 72).to_pil().save(OUT / name)


def main() -> None:
    """Write the demo's map page, its pictures and those of a job sheet."""
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        page = OUT / "map.html"
        shutil.copyfile(write_map(Path(folder) / "demo"), page)
        picture_sheet(Path(folder) / "sheets")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=find_chromium(), args=FLAGS)
        take_pictures(browser, page)
        browser.close()
    print(f"Written: {', '.join(sorted(path.name for path in OUT.iterdir()))}")


if __name__ == "__main__":
    main()
