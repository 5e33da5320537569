"""The command line as a user meets it, in a process of its own where that matters."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from geoplan.cli import main

SAMPLES = Path(__file__).resolve().parents[2] / "data_samples"
FILES = {
    "crossings.csv",
    "drops.csv",
    "findings.csv",
    "map.html",
    "plan.gpkg",
    "set_aside.csv",
    "summary.json",
    "terminals.csv",
    "unserved.csv",
}


def _run(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "geoplan.cli", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
    )


@pytest.fixture(scope="module")
def demo_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("cli") / "demo"
    done = _run("plan", str(SAMPLES / "demo" / "project.toml"), "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert "served" in done.stdout
    return out


def _hashes(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


def test_a_plan_writes_all_its_files(demo_out: Path) -> None:
    assert {path.name for path in demo_out.iterdir()} >= FILES


def test_the_same_input_gives_the_same_bytes(demo_out: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    assert (
        main(["plan", str(SAMPLES / "demo" / "project.toml"), "--out", str(again), "--quiet"]) == 0
    )
    assert _hashes(again) == _hashes(demo_out)


def test_shuffled_rows_give_the_same_plan(demo_out: Path, tmp_path: Path) -> None:
    folder = tmp_path / "shuffled"
    shutil.copytree(SAMPLES / "demo", folder)
    for name in ("addresses.csv", "trees.csv"):
        rows = pd.read_csv(folder / name, dtype=str, keep_default_na=False)
        rows.sample(frac=1, random_state=5).to_csv(folder / name, index=False)
    for name in ("parcels.geojson", "roads.geojson", "strands.geojson"):
        text = json.loads((folder / name).read_text(encoding="utf-8"))
        text["features"] = text["features"][::-1]
        (folder / name).write_text(json.dumps(text), encoding="utf-8")
    out = tmp_path / "out"
    assert main(["plan", str(folder / "project.toml"), "--out", str(out), "--quiet"]) == 0
    first, second = _hashes(demo_out), _hashes(out)
    inputs = {"summary.json"}  # holds the hashes of the input files, which differ
    assert {k: v for k, v in first.items() if k not in inputs} == {
        k: v for k, v in second.items() if k not in inputs
    }
    old, new = (json.loads((path / "summary.json").read_text()) for path in (demo_out, out))
    changed = {key for key in old if old[key] != new[key]}
    assert changed == {key for key in old if "sha256" in json.dumps({key: 0}) or "input" in key}


def test_counts_in_summary_and_layers_agree(demo_out: Path) -> None:
    summary = json.loads((demo_out / "summary.json").read_text(encoding="utf-8"))
    drops = gpd.read_file(demo_out / "plan.gpkg", layer="drops")
    unserved = gpd.read_file(demo_out / "plan.gpkg", layer="unserved")
    assert f'"{"served"}": {len(drops)}' in json.dumps(summary)
    assert f'"{"unserved"}": {len(unserved)}' in json.dumps(summary)


def test_quiet_says_nothing_and_the_default_folder_is_under_maps(tmp_path: Path) -> None:
    done = _run("plan", str(SAMPLES / "tiny" / "project.toml"), "--quiet", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    folders = list((tmp_path / "maps").iterdir())
    assert len(folders) == 1
    assert (folders[0] / "plan.gpkg").exists()


def test_check_says_clean_warnings_or_cannot_plan(tmp_path: Path) -> None:
    assert main(["check", str(SAMPLES / "demo" / "project.toml"), "--quiet"]) == 1
    assert main(["check", str(tmp_path / "none.toml"), "--quiet"]) == 2


def test_check_writes_what_it_set_aside(tmp_path: Path) -> None:
    out = tmp_path / "findings"
    assert (
        main(["check", str(SAMPLES / "demo" / "project.toml"), "--out", str(out), "--quiet"]) == 1
    )
    aside = pd.read_csv(out / "set_aside.csv")
    assert len(aside) > 0
    assert {"layer", "row_id", "reason", "remedy"} <= set(aside.columns)


def test_keys_describes_every_section(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["keys"]) == 0
    text = capsys.readouterr().out
    for word in ("[limits]", "max_air_span", "[costs]", "ports_in_use", "terrain"):
        assert word in text


WRONG = {
    "no file": (None, "cannot be read"),
    "not toml": ("name = plan", "not valid TOML"),
    "unknown key": ("nmae = 'x'\n[layers]\n{layers}", "Did you mean 'name'"),
    "unknown limit": ("[limits]\nmax_air_spam = '3 m'\n[layers]\n{layers}", "max_air_span"),
    "no unit": ("[limits]\nmax_air_span = 60\n[layers]\n{layers}", "no unit"),
    "no layers": ("name = 'x'", "no table [layers]"),
    "layer missing": ("[layers]\nparcels = 'parcels.csv'", "required layer is missing"),
    "file missing": ("[layers]\n{layers}\ntrees = 'nothing.gpkg'", "nothing.gpkg"),
    "degrees as project crs": ("crs = 'EPSG:4326'\n[layers]\n{layers}", "degrees"),
    "no such crs": ("crs = 'EPSG:1'\n[layers]\n{layers}", "EPSG:1"),
    "no such column": (
        "[layers]\n{layers}\n[layers.buildings]\nsource='parcels.csv'\ncrs='EPSG:32615'\n"
        "[layers.buildings.columns]\nbuilding_id='NOPE'",
        "NOPE",
    ),
    "bad price": ("[costs]\ndirect = -5.0\n[layers]\n{layers}", "costs.direct"),
}


@pytest.mark.parametrize("case", list(WRONG))
def test_wrong_input_gets_one_clear_line_and_writes_nothing(
    case: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    for file in (SAMPLES / "tiny").iterdir():
        shutil.copy(file, tmp_path / file.name)
    text, expected = WRONG[case]
    project = tmp_path / "wrong.toml"
    if text is not None:
        original = (SAMPLES / "tiny" / "project.toml").read_text(encoding="utf-8")
        tables = original[original.index("[layers") :]
        head, _, rest = text.partition("[layers]\n{layers}")
        body = head + tables + rest if "{layers}" in text else text
        project.write_text(body, encoding="utf-8")
    code = main(["plan", str(project), "--out", str(tmp_path / "out")])
    said = capfd.readouterr()
    assert code == 2, said.out
    assert said.err.startswith("geoplan: ")
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err
    assert expected in said.err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_gets_one_line(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    done = _run("plan", str(SAMPLES / "tiny" / "project.toml"), "--out", str(blocked / "out"))
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_help_needs_no_heavy_package() -> None:
    code = (
        "import sys; from geoplan.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'pandas','geopandas','shapely','folium','pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("[]\n")


def test_a_plan_in_usual_units_needs_neither_pint_nor_pandera(tmp_path: Path) -> None:
    project = SAMPLES / "tiny" / "project.toml"
    code = (
        "import sys; from geoplan.cli import main\n"
        f"assert main(['plan', {str(project)!r}, '--out', {str(tmp_path / 'out')!r}]) == 0\n"
        "print(sorted({'pint','pandera','matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("[]\n")


def test_a_defect_of_ours_is_said_to_be_ours(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(path: Path) -> None:
        message = "made to fail"
        raise RuntimeError(message)

    monkeypatch.setattr("geoplan.project.read_project", broken)
    assert main(["check", "any.toml"]) == 70
    error = capsys.readouterr().err
    assert "made to fail" in error
    assert "defect of geoplan, not of your data" in error
