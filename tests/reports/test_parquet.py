"""GeoParquet: what is read back is the plan, in the project's CRS, the same bytes each time."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import shapely

from geoplan.layers import read_layers
from geoplan.model import Plan
from geoplan.plan import make_plan
from geoplan.project import read_project
from geoplan.reports import write_plan
from geoplan.reports.frames import declared_frame
from geoplan.reports.gpkg import to_project_crs
from geoplan.reports.parquet import write_parquet_tables
from geoplan.reports.write import OUR_FILES
from geoplan.tables import TABLES
from geoplan.work_tables import WORK_TABLES

NAMES = tuple(name for name in TABLES if name not in {table.name for table in WORK_TABLES})
"""Tables that every plan holds."""
TINY = Path(__file__).resolve().parents[2] / "data_samples" / "tiny" / "project.toml"
COMMAND = (sys.executable, "-m", "geoplan.cli", "plan", str(TINY))
ALL = tuple(TABLES)
FEW = {"findings.csv", "set_aside.csv", "summary.json"} | {f"{name}.parquet" for name in NAMES}
WITH_WORK = FEW | {f"{name}.parquet" for name in ALL}


@pytest.fixture(scope="module")
def folder(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("parquet")
    write_parquet_tables(plan, folder)
    return folder


def _assert_holds(path: Path, plan: Plan, name: str) -> None:
    """Compare one file with its table, value by value."""
    expected = declared_frame(plan, name)
    if TABLES[name].geometry == "none":
        read = pd.read_parquet(path)
    else:
        read = gpd.read_parquet(path)
        assert read.crs == plan.layers.crs.project_crs
        shapes = to_project_crs(expected.geometry.to_numpy(), plan.layers.crs.unit_to_metre)
        assert (shapely.to_wkb(read.geometry.to_numpy()) == shapely.to_wkb(shapes)).all()
        read, expected = (frame.drop(columns="geometry") for frame in (read, expected))
    pd.testing.assert_frame_equal(pd.DataFrame(read), pd.DataFrame(expected), check_exact=True)


@pytest.mark.parametrize("name", ALL)
def test_what_is_read_back_is_the_plan(plan: Plan, folder: Path, name: str) -> None:
    assert len(getattr(plan, name)) > 0
    _assert_holds(folder / f"{name}.parquet", plan, name)


@pytest.mark.parametrize("name", ALL)
def test_columns_are_exactly_as_declared(folder: Path, name: str) -> None:
    file = pq.ParquetFile(folder / f"{name}.parquet")
    last = [] if TABLES[name].geometry == "none" else ["geometry"]
    assert file.schema_arrow.names == [*TABLES[name].column_names, *last]
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"
    assert (b"geo" in file.schema_arrow.metadata) == bool(last)


def test_a_lost_figure_would_be_noticed(plan: Plan, folder: Path, tmp_path: Path) -> None:
    table = gpd.read_parquet(folder / "drops.parquet")
    table.loc[3, "sag_worst_m"] = np.nextafter(table.loc[3, "sag_worst_m"], 1.0)
    table.to_parquet(tmp_path / "drops.parquet", index=False)
    with pytest.raises(AssertionError, match="sag_worst_m"):
        _assert_holds(tmp_path / "drops.parquet", plan, "drops")


def test_elevations_are_in_feet_of_the_project_and_unknown_ones_flat(
    fenmoor: Any, plan: Plan, folder: Path
) -> None:
    layer = gpd.read_parquet(folder / "air_spans.parquet").set_index("address_id").geometry
    assert shapely.get_coordinates(layer["A01"], include_z=True)[0, 2] == pytest.approx(
        6.0 / fenmoor.FOOT_M
    )
    assert not layer["A00"].has_z
    told = json.loads(pq.read_schema(folder / "air_spans.parquet").metadata[b"geo"])
    assert told["columns"]["geometry"]["geometry_types"] == ["LineString", "LineString Z"]


def test_shuffled_rows_give_the_same_bytes(
    fenmoor: Any, plan: Plan, folder: Path, tmp_path: Path
) -> None:
    for path in write_parquet_tables(fenmoor.shuffled(plan, 4), tmp_path):
        assert path.read_bytes() == (folder / path.name).read_bytes(), path.name


def test_geoparquet_alone_leaves_out_what_is_for_people(plan: Plan, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert {path.name for path in write_plan(plan, out, "geoparquet")} == WITH_WORK
    assert {path.name for path in out.iterdir()} == WITH_WORK
    full = {path.name for path in write_plan(plan, tmp_path / "full", "both")}
    assert WITH_WORK | {"plan.gpkg", "map.html", "drops.csv", "workbook.xlsx"} <= full <= OUR_FILES
    for name in WITH_WORK:
        assert (out / name).read_bytes() == (tmp_path / "full" / name).read_bytes(), name


def test_each_format_replaces_the_other(plan: Plan, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_plan(plan, out, "geoparquet")
    write_plan(plan, out)
    assert not list(out.glob("*.parquet"))
    write_plan(plan, out, "geoparquet")
    assert {path.name for path in out.iterdir()} == WITH_WORK
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_the_command_line_writes_the_plan_as_geoparquet(tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = subprocess.run(
        [*COMMAND, "--out", str(out), "--tables", "geoparquet"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "drops.parquet" in done.stdout
    assert {path.name for path in out.iterdir()} == FEW
    project = read_project(TINY)
    plan = make_plan(read_layers(project), project)
    assert len(plan.drops) > 0
    for name in NAMES:
        _assert_holds(out / f"{name}.parquet", plan, name)


def test_an_unknown_format_is_refused_with_those_that_exist(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "--tables", "drawing"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 2
    for name in ("geopackage", "geoparquet", "both"):
        assert name in done.stderr
    assert not list(tmp_path.iterdir())
