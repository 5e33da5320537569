"""Results appear whole or not at all, and nothing foreign is lost."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import pytest

from geoplan.errors import OutputError
from geoplan.model import Plan
from geoplan.reports import write_findings, write_plan
from geoplan.reports.write import OUR_FILES, output_folder

MARK = '{"written_by": "geoplan"}'


def _fill(out: Path, mark: str = MARK) -> None:
    with output_folder(out) as folder:
        (folder / "summary.json").write_text(mark, encoding="utf-8")
        (folder / "drops.csv").write_text("old", encoding="utf-8")


def _left(parent: Path) -> list[str]:
    return sorted(entry.name for entry in parent.iterdir())


def test_plan_is_written_whole_and_the_same_twice(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    first = write_plan(plan, tmp_path / "a")
    assert [path.name for path in first] == _left(tmp_path / "a")
    assert {path.name for path in first} <= OUR_FILES
    second = write_plan(fenmoor.shuffled(plan, 1), tmp_path / "deep" / "er" / "b")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_own_results_are_replaced(plan: Plan, tmp_path: Path) -> None:
    out = tmp_path / "out"
    _fill(out)
    (out / "plan.gpkg-wal").touch()
    write_plan(plan, out)
    assert (out / "drops.csv").read_text(encoding="utf-8") != "old"
    assert not (out / "plan.gpkg-wal").exists()
    assert _left(tmp_path) == ["out"]


def test_findings_are_written_and_replaced_by_a_plan(plan: Plan, tmp_path: Path) -> None:
    out = tmp_path / "out"
    paths = write_findings(plan.findings, plan.set_aside, out)
    assert [path.name for path in paths] == ["findings.csv", "set_aside.csv", "summary.json"]
    told = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert told["findings"]["warning"] == len(plan.findings)
    assert told["set_aside_by_layer"] == {"addresses": 1}
    findings = (out / "findings.csv").read_bytes()
    write_plan(plan, out)
    assert (out / "findings.csv").read_bytes() == findings


def test_foreign_files_are_not_lost(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"did not write: 'letter.txt'. Name another folder"):
        _fill(out)
    assert _left(out) == ["letter.txt"]
    assert _left(tmp_path) == ["out"]


@pytest.mark.parametrize("mark", [None, "[]", "not json", '{"written_by": "somebody"}'])
def test_files_named_like_ours_without_our_mark_are_not_lost(
    tmp_path: Path, mark: str | None
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "drops.csv").write_text("mine", encoding="utf-8")
    if mark is not None:
        (out / "summary.json").write_text(mark, encoding="utf-8")
    with pytest.raises(OutputError, match=r"no summary.json written by geoplan"):
        _fill(out)
    assert (out / "drops.csv").read_text(encoding="utf-8") == "mine"


def test_a_folder_named_like_a_file_of_ours_is_not_lost(tmp_path: Path) -> None:
    out = tmp_path / "out"
    _fill(out)
    (out / "drops.csv").unlink()
    (out / "drops.csv").mkdir()
    (out / "drops.csv" / "own.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"did not write: 'drops\.csv'"):
        _fill(out)
    assert (out / "drops.csv" / "own.txt").read_text(encoding="utf-8") == "mine"


def test_a_mark_too_deep_to_read_is_no_mark_of_ours(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "summary.json").write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(OutputError, match=r"no summary\.json written by geoplan"):
        _fill(out)


def test_a_fault_midway_keeps_what_was_there(tmp_path: Path) -> None:
    out = tmp_path / "out"
    _fill(out)

    def fail() -> None:
        with output_folder(out) as folder:
            (folder / "drops.csv").write_text("new", encoding="utf-8")
            message = "interrupted"
            raise KeyboardInterrupt(message)

    with pytest.raises(KeyboardInterrupt, match="interrupted"):
        fail()
    assert (out / "drops.csv").read_text(encoding="utf-8") == "old"
    assert _left(tmp_path) == ["out"]


def test_a_fault_at_the_last_rename_keeps_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    _fill(out)
    rename = Path.rename

    def refuse(self: Path, target: Path) -> Path:
        if Path(target) == out and not self.name.endswith("-old"):
            raise OSError(28, "No space left on device")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(OutputError, match=r"cannot be written \(No space left on device\)"):
        _fill(out)
    assert (out / "drops.csv").read_text(encoding="utf-8") == "old"
    assert _left(tmp_path) == ["out"]


def test_a_file_in_the_way_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match=r"is a file. Name a folder"):
        _fill(tmp_path / "file")
    with pytest.raises(OutputError, match="Check the path, its rights") as caught:
        _fill(tmp_path / "file" / "below")
    assert "\n" not in str(caught.value)


def test_a_folder_without_rights_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(OutputError, match=r"\(Permission denied\). Check the path, its rights"):
        _fill(tmp_path / "out")


def test_the_folder_has_ordinary_rights(tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    _fill(tmp_path / "out")
    modes = {stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain", "out")}
    assert len(modes) == 1


def test_a_link_to_a_folder_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    _fill(tmp_path / "link")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real" / "drops.csv").exists()
