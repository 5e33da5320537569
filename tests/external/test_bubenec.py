"""A run on real streets: momepy's dataset ``bubenec``, read from that package.

Source: momepy, datasets ``bubenec`` (OpenStreetMap contributors), EPSG:3857.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import momepy
import pytest

from geoplan.cli import main
from geoplan.layers import read_layers
from geoplan.model import Plan
from geoplan.plan import make_plan
from geoplan.project import read_project

SCRIPT = Path(__file__).resolve().parents[2] / "data_samples" / "make_bubenec.py"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bubenec")
    subprocess.run([sys.executable, str(SCRIPT), "--out", str(folder)], check=True)
    return folder


@pytest.fixture(scope="module")
def plan(folder: Path) -> Plan:
    project = read_project(folder / "project.toml")
    return make_plan(read_layers(project), project)


def test_all_houses_are_accounted_for(plan: Plan) -> None:
    assert len(gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings")) == 144
    assert len(plan.drops) + len(plan.unserved) == 144
    assert len(plan.drops) > 100


def test_lengths_are_on_the_ground_not_in_web_mercator(plan: Plan, folder: Path) -> None:
    plots = gpd.read_file(folder / "plots.gpkg")
    ratio = (plots.length / plots.to_crs(plan.layers.crs.project_crs).length).median()
    assert ratio == pytest.approx(1.56, abs=0.01)
    assert plan.layers.crs.project_crs.to_epsg() == 32633
    assert plan.layers.crs.scale_factor == pytest.approx(1.0, abs=5e-4)


def test_web_mercator_is_refused_as_project_crs_with_the_reason(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (folder / "project.toml").read_text().replace('"auto"', '"EPSG:3857"')
    wrong = folder / "wrong.toml"
    wrong.write_text(text)
    assert main(["plan", str(wrong), "--out", str(folder / "never")]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "1.559 times too long" in error
    assert not (folder / "never").exists()
