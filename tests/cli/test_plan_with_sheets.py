"""``geoplan plan --sheets``: a page per drop beside the map."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from geoplan.cli import main
from geoplan.reports.sheet_names import sheet_file_name

TINY = Path(__file__).resolve().parents[2] / "data_samples" / "tiny" / "project.toml"


def test_every_drop_has_its_page_and_a_plan_without_them_takes_its_place(tmp_path: Path) -> None:
    out = tmp_path / "plan"
    assert main(["plan", str(TINY), "--out", str(out), "--sheets", "--quiet"]) == 0
    served = pd.read_csv(out / "drops.csv", dtype=str)["address_id"]
    assert len(served) > 0
    names = {sheet_file_name(address) for address in served}
    assert {page.name for page in (out / "sheets").iterdir()} == names
    text = (out / "sheets" / sheet_file_name(served[0])).read_text(encoding="utf-8")
    assert f"Address {served[0]}" in text
    assert "Not for construction until checked on site" in text
    assert main(["plan", str(TINY), "--out", str(out), "--quiet"]) == 0
    assert not (out / "sheets").exists()


def test_sheets_ask_for_a_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan"
    words = ["plan", str(TINY), "--out", str(out), "--sheets", "--tables", "geoparquet"]
    assert main(words) == 2
    assert "no map to link sheets from" in capsys.readouterr().err
    assert not out.exists()
