"""Tasks on a tile: told in rows of the region, with a tile that is read once."""

from __future__ import annotations

import hashlib
import os
import pickle
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from geoplan import tile_tasks
from geoplan.model import Layers
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.search import Aim
from geoplan.standards import load_standards
from geoplan.tile_tasks import KEPT_OPEN, TASKS, Site, open_site, tile_bytes
from geoplan.tiles import Tile, cut_tile, layer_bounds
from geoplan.working import Here

ROOT = Path(__file__).resolve().parents[1]
PRINTS = """
import hashlib, sys
from pathlib import Path
import numpy as np
from geoplan.layers import read_layers
from geoplan.project import read_project
from geoplan.standards import load_standards
from geoplan.tile_tasks import tile_bytes
from geoplan.tiles import cut_tile, layer_bounds
project = read_project(Path(sys.argv[1]))
layers = read_layers(project)
tile = cut_tile(layers, layer_bounds(layers), np.arange(3), 50.0)
print(hashlib.sha256(tile_bytes(tile, project, load_standards(project))).hexdigest())
"""


@pytest.fixture(scope="module")
def owned() -> np.ndarray:
    return np.arange(40, 60, dtype=np.int64)


@pytest.fixture(scope="module")
def tile(demo_layers: Layers, owned: np.ndarray) -> Tile:
    return cut_tile(demo_layers, layer_bounds(demo_layers), owned, 250.0)


@pytest.fixture(scope="module")
def path(tile: Tile, demo_project: Project, tmp_path_factory: pytest.TempPathFactory) -> str:
    file = tmp_path_factory.mktemp("tile") / "tile.pickle"
    file.write_bytes(tile_bytes(tile, demo_project, load_standards(demo_project)))
    return str(file)


@pytest.fixture(autouse=True)
def nothing_open(monkeypatch: pytest.MonkeyPatch) -> dict[str, Site]:
    sites: dict[str, Site] = {}
    monkeypatch.setattr(tile_tasks, "_open", sites)
    return sites


def test_a_tile_holds_some_of_the_region(tile: Tile, demo_layers: Layers) -> None:
    assert len(tile.layers.addresses) < len(demo_layers.addresses)
    assert tile.layers.addresses.index.equals(demo_layers.addresses.index[tile.rows["addresses"]])


def test_tasks_answer_in_rows_of_the_region(
    path: str, owned: np.ndarray, demo_layers: Layers, demo_project: Project
) -> None:
    plant = build_plant(demo_layers, demo_project, load_standards(demo_project))
    here = Here(plant, demo_project)

    def silent(done: int, total: int) -> None:
        del done, total

    everything = Aim.everything(len(owned))
    site = open_site(path)
    offers, reached = TASKS["search"](site, owned, everything)
    known, until = here.search(owned, everything, silent)
    assert pickle.dumps(offers) == pickle.dumps(known)
    assert reached.tolist() == until.tolist()
    assert set(offers.address.tolist()) <= set(owned.tolist())
    assert offers.miss_feature.max() > 0
    for mine, whole in zip(TASKS["bounds"](site, owned), here.bounds(owned), strict=True):
        assert mine.tolist() == whole.tolist()
    assert pickle.dumps(TASKS["explain"](site, owned)) == pickle.dumps(here.explain(owned))
    feasible = offers.take(np.flatnonzero(offers.forbidden == 0))
    _, first = np.unique(feasible.address, return_index=True)
    chosen = feasible.take(first)
    assert pickle.dumps(TASKS["shift"](site, chosen)) == pickle.dumps(here.shift(chosen))
    done, whole_done = TASKS["finish"](site, chosen), here.finish(chosen, silent)
    assert done.air.building.tolist() == whole_done.air.building.tolist()
    assert done.crossings.feature.tolist() == whole_done.crossings.feature.tolist()
    assert done.final.margin_m.tobytes() == whole_done.final.margin_m.tobytes()


def test_an_address_beyond_the_tile_is_a_defect(path: str, demo_layers: Layers, tile: Tile) -> None:
    beyond = np.setdiff1d(np.arange(len(demo_layers.addresses)), tile.rows["addresses"])[:1]
    with pytest.raises(LookupError, match="a tile lacks rows of addresses"):
        TASKS["bounds"](open_site(path), beyond)


def test_a_tile_keeps_its_settings_and_rules(path: str, demo_project: Project) -> None:
    site = open_site(path)
    assert site.project == demo_project
    assert site.project.model_fields_set == demo_project.model_fields_set
    assert site.project.limits.model_fields_set == demo_project.limits.model_fields_set
    figures = load_standards(demo_project).rule_set.figures
    assert dict(site.plant.standards.rule_set.figures) == dict(figures)
    with pytest.raises(TypeError, match="does not support item assignment"):
        site.plant.standards.rule_set.figures["new"] = None  # type: ignore[index]


def test_tiles_used_last_are_kept(
    path: str, monkeypatch: pytest.MonkeyPatch, nothing_open: dict[str, Site], tmp_path: Path
) -> None:
    built = []

    def build(*words: object) -> Plant:
        built.append(words)
        return None  # type: ignore[return-value]

    monkeypatch.setattr(tile_tasks, "build_plant", build)
    data = Path(path).read_bytes()
    files = [tmp_path / str(number) for number in range(KEPT_OPEN + 1)]
    for file in files:
        file.write_bytes(data)
    for file in files[:KEPT_OPEN]:
        open_site(str(file))
    open_site(str(files[0]))
    open_site(str(files[KEPT_OPEN]))
    assert len(built) == KEPT_OPEN + 1
    assert len(nothing_open) == KEPT_OPEN
    assert str(files[0]) in nothing_open
    assert str(files[1]) not in nothing_open


def test_threads_may_open_tiles_at_once(
    path: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(tile_tasks, "build_plant", lambda *words: None)
    data = Path(path).read_bytes()
    files = [tmp_path / str(number) for number in range(KEPT_OPEN + 3)]
    for file in files:
        file.write_bytes(data)
    faults = []

    def work(start: int) -> None:
        try:
            for turn in range(8):
                open_site(str(files[(start + turn) % len(files)]))
        except Exception as error:
            faults.append(error)

    threads = [threading.Thread(target=work, args=(start,)) for start in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []


def test_a_tile_has_the_same_bytes_in_every_process() -> None:
    demo = ROOT / "data_samples" / "demo" / "project.toml"
    prints = {
        subprocess.run(
            [sys.executable, "-c", PRINTS, str(demo)],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        for seed in ("1", "2")
    }
    assert len(prints) == 1
    assert len(prints.pop()) == len(hashlib.sha256().hexdigest())
