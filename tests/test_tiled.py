"""Work done tile after tile: the same as on the whole region, with few tiles ready at a time."""

from __future__ import annotations

from collections import Counter
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geoplan import tiled
from geoplan.layers import read_layers
from geoplan.layers.shelf import AREA_LAYERS
from geoplan.model import Layers
from geoplan.offers import Offers
from geoplan.office import with_work
from geoplan.plan import decide, make_plan
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.reports import write_plan
from geoplan.reports.by_area import write_by_area
from geoplan.standards import load_standards
from geoplan.tiled import InTurn


@pytest.fixture(scope="module")
def project(scarce_project: Project) -> Project:
    return scarce_project


@pytest.fixture(scope="module")
def layers(scarce_layers: Layers) -> Layers:
    return scarce_layers


@pytest.fixture(scope="module")
def whole(
    layers: Layers, project: Project, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole") / "plan"
    write_plan(make_plan(layers, project), folder, "geoparquet")
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def shelved(project: Project, tmp_path: Path) -> Layers:
    folder = tmp_path / "shelf"
    folder.mkdir()
    return read_layers(project, shelf_folder=folder)


@pytest.mark.parametrize(("size", "kept"), [(15, 1), (25, 50), (1_000, 1)])
def test_a_plan_from_shelves_has_the_bytes_of_one_from_memory(
    shelved: Layers,
    project: Project,
    whole: dict[str, bytes],
    tmp_path: Path,
    size: int,
    kept: int,
) -> None:
    worker = InTurn(
        shelved, project, load_standards(project), tile_addresses=size, kept_addresses=kept
    )
    decision = decide(shelved, project, worker=worker)
    write_by_area(decision, tmp_path / "plan", size=13)
    mine = {path.name: path.read_bytes() for path in (tmp_path / "plan").iterdir()}
    assert mine == whole


def test_layers_on_shelves_are_worked_on_tile_by_tile_unasked(
    shelved: Layers, project: Project, whole: dict[str, bytes], tmp_path: Path
) -> None:
    assert set(shelved.shelves) == set(AREA_LAYERS)
    assert all(getattr(shelved, name).geometry.isna().all() for name in AREA_LAYERS)
    write_by_area(decide(shelved, project), tmp_path / "plan")
    assert (tmp_path / "plan" / "drops.parquet").read_bytes() == whole["drops.parquet"]


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return the list of addresses of each tile made ready, as they come."""
    sizes: list[int] = []

    def build(part: Layers, *others: Any) -> Plant:
        sizes.append(len(part.addresses))
        return build_plant(part, *others)

    monkeypatch.setattr(tiled, "build_plant", build)
    return sizes


def test_few_tiles_are_ready_at_a_time_and_those_are_asked_first(
    layers: Layers, project: Project, built: list[int]
) -> None:
    worker = InTurn(layers, project, load_standards(project), tile_addresses=25, kept_addresses=50)
    count = int(worker.tile_of.max()) + 1
    everyone = np.arange(len(layers.addresses), dtype=np.int64)
    first = worker.bounds(everyone)
    assert len(built) == count > 2
    again = worker.bounds(everyone)
    assert len(built) == 2 * count - 2  # two were ready
    for one, other in zip(first, again, strict=True):
        assert one.tolist() == other.tolist()


def test_only_what_lies_around_a_few_addresses_is_cut(
    demo_layers: Layers, demo_project: Project, built: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tiled, "WHOLE_SHARE", 9.0)
    standards = load_standards(demo_project)
    worker = InTurn(demo_layers, demo_project, standards, tile_addresses=40, kept_addresses=1)
    everyone = np.arange(len(demo_layers.addresses), dtype=np.int64)
    whole, bounds = worker.explain(everyone), worker.bounds(everyone)
    searched, reached = worker.search(everyone, tiled.Aim.first(len(everyone), 1), _unheard)
    worker._most = 250
    asked = everyone[[3, 11, 150, 152, 290]]
    tiles = np.unique(worker.tile_of[asked]).size
    assert tiles > 2
    built.clear()
    assert _same(worker.explain(asked), whole.take(np.isin(whole.address, asked)))
    few, mine = worker.bounds(asked), np.isin(bounds[0], asked)
    assert all((one == other[mine]).all() for one, other in zip(few, bounds, strict=True))
    offers, until = worker.search(asked, tiled.Aim.first(len(asked), 1), _unheard)
    assert (until == reached[asked]).all()
    offers, wanted = (
        part.take(np.argsort(part.address, kind="stable"))
        for part in (offers, searched.take(np.isin(searched.address, asked)))
    )
    assert _same(offers, wanted)
    assert 3 <= len(built) < 3 * tiles, "tiles are joined, where they hold little of what is asked"
    assert max(built) < len(everyone)


def _unheard(done: int, total: int) -> None:
    del done, total


def _same(one: Offers, other: Offers) -> bool:
    return all(
        np.array_equal(getattr(one, field.name), getattr(other, field.name), equal_nan=True)
        for field in fields(Offers)
    )


def test_progress_is_told_by_address(layers: Layers, project: Project) -> None:
    told: Counter[tuple[int, int]] = Counter()
    worker = InTurn(layers, project, load_standards(project), tile_addresses=25)
    count = len(layers.addresses)
    everyone = np.arange(count, dtype=np.int64)
    aim = tiled.Aim.everything(count)
    worker.search(everyone, aim, lambda done, total: told.update([(done, total)]))
    assert (count, count) in told
    assert all(total == count for _, total in told)


def test_what_needs_all_shapes_refuses_layers_put_away(
    shelved: Layers, project: Project, tmp_path: Path
) -> None:
    plan = make_plan(shelved, project)
    with pytest.raises(ValueError, match="put away"):
        with_work(plan)
    with pytest.raises(ValueError, match="put away"):
        write_plan(plan, tmp_path / "plan")
    assert not (tmp_path / "plan").exists()


def test_unserved_are_told_alike_where_buildings_are_put_away(
    shelved: Layers, layers: Layers, project: Project
) -> None:
    poles = {"ports_total": layers.poles["ports_total"].where(layers.poles.index < "P0003", 0)}
    few = replace(layers, poles=layers.poles.assign(**poles))
    one = decide(few, project).region_tables()["unserved"]
    other = decide(replace(shelved, poles=few.poles), project).region_tables()["unserved"]
    assert len(one) > 10
    assert one.equals(other)
