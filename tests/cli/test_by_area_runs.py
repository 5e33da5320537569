"""Plans written by area from the command line: nothing is left beside them, whatever happens."""

from __future__ import annotations

from pathlib import Path

import pytest

from data_samples.make_town import make_town, write_town
from geoplan import cli
from geoplan.layers import load, read_layers
from geoplan.plan import make_plan
from geoplan.project import read_project
from geoplan.reports import write_plan


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("town")
    write_town(make_town(48, scarce=True), folder)
    return folder / "project.toml"


def _run(town: Path, out: Path) -> int:
    return cli.main(["plan", str(town), "--tables", "geoparquet", "--out", str(out), "--quiet"])


def test_files_are_those_of_a_plan_made_at_once(town: Path, tmp_path: Path) -> None:
    project = read_project(town)
    write_plan(make_plan(read_layers(project), project), tmp_path / "whole", "geoparquet")
    assert _run(town, tmp_path / "runs" / "area") == 0
    assert [path.name for path in (tmp_path / "runs").iterdir()] == ["area"]
    for path in (tmp_path / "whole").iterdir():
        assert path.read_bytes() == (tmp_path / "runs" / "area" / path.name).read_bytes()


def test_a_full_disk_is_one_line_and_leaves_nothing(
    town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(*words: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(load, "put_away", full)
    assert _run(town, tmp_path / "area") != 0
    told = capsys.readouterr().err.strip()
    assert "No space left on device" in told
    assert len(told.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_layers_at_fault_leave_nothing(town: Path, tmp_path: Path) -> None:
    text = town.read_text(encoding="utf-8").replace("trees.parquet", "gone.parquet")
    faulty = town.with_name("faulty.toml")
    faulty.write_text(text, encoding="utf-8")
    assert _run(faulty, tmp_path / "area") != 0
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_to_is_told(
    town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    assert _run(town, tmp_path / "file" / "area") != 0
    told = capsys.readouterr().err.strip()
    assert "folder beside 'area' cannot be written" in told.replace(":", "")
    assert len(told.splitlines()) == 1
