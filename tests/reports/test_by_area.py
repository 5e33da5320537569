"""A plan written a part at a time is the plan written as a whole, to the last byte."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from geoplan.decision import Decision
from geoplan.layers import read_layers
from geoplan.model import Layers
from geoplan.plan import decide, make_plan
from geoplan.project import Project, read_project
from geoplan.reports import terminal_summary, write_plan
from geoplan.reports.by_area import write_by_area
from geoplan.reports.summary import summarise
from geoplan.tables import TABLES

TINY = Path(__file__).resolve().parents[2] / "data_samples" / "tiny" / "project.toml"


def _read(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.fixture(scope="module")
def settled(demo_layers: Layers, demo_project: Project) -> Decision:
    return decide(demo_layers, demo_project)


@pytest.fixture(scope="module")
def whole(demo_plan: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole") / "out"
    write_plan(demo_plan, folder, "geoparquet")
    return _read(folder)


@pytest.mark.parametrize("size", [37, 100_000])
def test_parts_of_any_size_give_the_bytes_of_the_whole(
    settled: Decision, whole: dict[str, bytes], tmp_path: Path, size: int
) -> None:
    assert len(settled.layers.addresses) > 3 * 37
    files, _ = write_by_area(settled, tmp_path / "out", size=size)
    written = _read(tmp_path / "out")
    assert [path.name for path in files] == sorted(written)
    assert set(written) >= {"drops.parquet", "hazards.parquet", "summary.json"}
    assert {name: data == whole[name] for name, data in written.items()} == dict.fromkeys(
        whole, True
    )


def test_what_comes_back_tells_the_same_as_the_whole_plan(
    settled: Decision, demo_plan: Any, tmp_path: Path
) -> None:
    steps: list[tuple[str, int, int]] = []
    _, told = write_by_area(settled, tmp_path / "out", lambda *step: steps.append(step), size=50)
    count = len(settled.layers.addresses)
    assert steps == [("tables", min(done + 50, count), count) for done in range(0, count, 50)]
    assert summarise(told) == summarise(demo_plan)
    assert terminal_summary(told) == terminal_summary(demo_plan)
    assert "geometry" not in told.drops.columns


def test_parts_follow_each_other_in_the_order_of_addresses(settled: Decision) -> None:
    parts = settled.parts(60)
    assert [row for part in parts for row in part] == list(range(len(settled.layers.addresses)))
    tables = [settled.tables_of_drops(part) for part in parts]
    ids = [name for part in tables for name in part["drops"]["address_id"].tolist()]
    assert ids == sorted(ids)
    assert len(ids) == len(set(ids)) > 0


def test_a_fault_on_the_way_leaves_nothing_behind(tmp_path: Path) -> None:
    project = read_project(TINY)
    settled = decide(read_layers(project), project)

    def break_off(stage: str, done: int, total: int) -> None:
        del total
        if done:
            message = f"broken off in {stage}"
            raise RuntimeError(message)

    with pytest.raises(RuntimeError, match="broken off in tables"):
        write_by_area(settled, tmp_path / "out", break_off, size=1)
    assert not list(tmp_path.iterdir())


def test_a_whole_plan_is_made_of_the_same_parts(
    settled: Decision,
    demo_layers: Layers,
    demo_project: Project,
    demo_plan: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("geoplan.decision.PART", 45)
    again = make_plan(demo_layers, demo_project)
    for name in TABLES:
        table = getattr(demo_plan, name, None)
        if table is not None:
            assert getattr(again, name).equals(table), name
    assert settled.optimality == again.optimality
