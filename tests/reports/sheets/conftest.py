"""The demo's sheets, rendered once; and the hostile place of Fenmoor Quay with work by hand."""

from __future__ import annotations

import json
import os
import pickle
import re
from dataclasses import dataclass
from pathlib import Path

import locket
import pandas as pd
import pypdfium2 as pdfium
import pytest

from geoplan.model import Plan
from geoplan.reports.gpkg import write_gpkg
from geoplan.reports.sheets.writing import SheetOptions, write_sheets
from tests.reports.sheets.handmade import with_hand_work


@dataclass(frozen=True)
class Paper:
    """One file of sheets read back."""

    path: Path
    starts: dict[str, int]
    texts: list[str]

    def pages(self, address_id: str) -> int:
        after = [start for start in self.starts.values() if start > self.starts[address_id]]
        return min([*after, len(self.texts) + 1]) - self.starts[address_id]

    def sheet(self, address_id: str) -> str:
        first = self.starts[address_id] - 1
        return " ".join(self.texts[first : first + self.pages(address_id)])


def read_back(folder: Path) -> Paper:
    """Read a folder of sheets with a library that had no part in writing it."""
    told = json.loads((folder / "sheets.json").read_text(encoding="utf-8"))
    path = folder / "sheets.pdf"
    texts = []
    with pdfium.PdfDocument(path) as file:
        for page in file:
            words = page.get_textpage()
            text = words.get_text_range().replace("\ufffe", "-")  # a hyphen at the end of a line
            texts.append(re.sub(r"\s+", " ", text))
            words.close()
            page.close()
    return Paper(path, told["sheets"], texts)


@pytest.fixture(scope="session")
def demo_paper(demo_work: Plan, tmp_path_factory: pytest.TempPathFactory) -> Paper:
    """Render the demo's sheets once in a run; processes that share its tests wait for the first."""
    root = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    held = root / "demo-sheets.pickle"
    with locket.lock_file(str(held.with_suffix(".lock"))):
        if not held.exists():
            folder = root / "demo-sheets"
            write_sheets(demo_work, folder, options=SheetOptions(paper="letter", workers=2))
            held.write_bytes(pickle.dumps(read_back(folder)))
        paper: Paper = pickle.loads(held.read_bytes())
    return paper


@pytest.fixture(scope="session")
def demo_gpkg(demo_work: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("gpkg") / "plan.gpkg"
    write_gpkg(demo_work, path)
    return path


@pytest.fixture(scope="session")
def demo_tables(demo_gpkg: Path) -> dict[str, pd.DataFrame]:
    """Return tables as ``plan.gpkg`` holds them."""
    import pyogrio

    names = (
        "drops", "jobs", "crossings", "stringing", "reel_cuts", "drop_materials", "hazards",
        "air_spans", "findings", "work_places",
    )  # fmt: skip
    return {
        name: pyogrio.read_dataframe(demo_gpkg, layer=name, read_geometry=False) for name in names
    }


@pytest.fixture(scope="session")
def hostile_work(plan: Plan) -> Plan:
    return with_hand_work(plan)
