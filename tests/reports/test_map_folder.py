"""The folder of area pages is replaced with the results, unless it holds anything else."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoplan.errors import OutputError
from geoplan.reports.write import check_replaceable, output_folder

MARK = '{"written_by": "geoplan"}'


def _results(out: Path) -> Path:
    with output_folder(out) as folder:
        (folder / "summary.json").write_text(MARK, encoding="utf-8")
        (folder / "map").mkdir()
        (folder / "map" / "area-001.html").touch()
    return out


def test_area_pages_are_replaced(tmp_path: Path) -> None:
    out = _results(tmp_path / "out")
    (out / "map" / "area-1000.html").touch()
    _results(out)
    assert [path.name for path in (out / "map").iterdir()] == ["area-001.html"]


@pytest.mark.parametrize("name", ["letter.txt", "area-1.html", "area-001.html.bak", "deeper"])
def test_anything_else_in_their_folder_is_not_lost(tmp_path: Path, name: str) -> None:
    out = _results(tmp_path / "out")
    kept = out / "map" / name
    kept.mkdir() if name == "deeper" else kept.touch()
    with pytest.raises(OutputError, match=f"did not write: 'map/{name}'"):
        _results(out)
    assert kept.exists()


def test_a_link_in_their_place_is_not_followed(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "summary.json").write_text(MARK, encoding="utf-8")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (out / "map").symlink_to(elsewhere, target_is_directory=True)
    with pytest.raises(OutputError, match="did not write: 'map'"):
        check_replaceable(out)
