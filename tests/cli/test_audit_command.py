"""The command ``geoplan audit crossings`` as a permit coordinator meets it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from geoplan.cli import main
from tests.conftest import SAMPLES

TINY = SAMPLES / "tiny" / "project.toml"


def test_the_audit_is_written_and_summed_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "audit"
    assert main(["audit", "crossings", str(TINY), "--out", str(out), "--html"]) == 0
    words = capsys.readouterr().out
    table = pd.read_csv(out / "crossing_audit.csv")
    assert words.startswith(f"{len(table)} crossings of roads, railways and water")
    assert len(table) > 0
    assert f"Written to {out}: crossing_audit.csv, crossing_audit.gpkg" in words


def test_quiet_prints_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "audit"
    words = ["audit", "crossings", str(TINY), "--out", str(out), "--html", "--quiet"]
    assert main(words) == 0
    assert capsys.readouterr().out == ""


def test_a_plans_folder_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.gpkg").write_bytes(b"a plan")
    assert main(["audit", "crossings", str(TINY), "--out", str(tmp_path), "--quiet"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("geoplan: output folder")
    assert "holds more than an audit: 'plan.gpkg'" in line


def test_what_is_audited_has_to_be_said(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["audit"])
    assert "WHAT" in capsys.readouterr().err
