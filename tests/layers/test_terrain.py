"""Elevation: reading, warping and sampling."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from geoplan.errors import CrsError, LayerError, MissingExtraError, ProjectFileError
from geoplan.layers import read_layers, terrain
from geoplan.layers.crs import choose_crs
from geoplan.layers.terrain import read_terrain, sample_elevation
from geoplan.model import CrsReport, Terrain
from geoplan.project import LayerSource

rasterio = pytest.importorskip("rasterio")
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")
"""The raster library still multiplies its own grids the old way."""
EAST, NORTH = 600_000.0, 1_000_000.0
AREA = (EAST, NORTH, EAST + 100.0, NORTH + 100.0)


def plane(x: Any, y: Any) -> Any:
    return 100.0 + 0.05 * (x - EAST) - 0.02 * (y - NORTH)


def report(crs: str = "EPSG:32615") -> CrsReport:
    return choose_crs(crs, CRS.from_epsg(32615), np.array([[EAST, NORTH, EAST, NORTH]]))


def write(
    path: Path,
    *,
    crs: str | None = "EPSG:32615",
    unit: str | None = None,
    factor: float = 1.0,
    cell: float = 5.0,
    hole: bool = False,
) -> Path:
    """Write a plane on 600 m by 600 m round the area, in metres times `factor`."""
    count = int(600 / cell)
    west, north = EAST - 250.0, NORTH + 350.0
    x = west + (np.arange(count) + 0.5) * cell
    y = north - (np.arange(count) + 0.5) * cell
    values = plane(*np.meshgrid(x, y)) * factor
    if hole:
        values[60:72, 60:72] = -9999.0
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=count,
        height=count,
        count=1,
        dtype="float64",
        crs=crs,
        nodata=-9999.0,
        transform=rasterio.transform.from_origin(west, north, cell, cell),
    ) as raster:
        raster.write(values, 1)
        if unit:
            raster.units = (unit,)
    return path


def source(path: Path, **more: Any) -> LayerSource:
    return LayerSource.model_validate({"source": str(path), **more})


def check(grid: Terrain | None, tolerance_m: float) -> None:
    assert grid is not None
    x, y = np.meshgrid(np.linspace(EAST, EAST + 100, 9), np.linspace(NORTH, NORTH + 100, 9))
    np.testing.assert_allclose(sample_elevation(grid, x, y), plane(x, y), atol=tolerance_m, rtol=0)


def test_raster_in_the_projects_crs_is_cut_not_resampled(tmp_path: Path) -> None:
    grid, findings = read_terrain(source(write(tmp_path / "t.tif", unit="metre")), report(), AREA)
    check(grid, 1e-9)
    assert findings == []
    assert grid is not None
    assert grid.elevation_m.shape[0] < 110


def test_raster_in_another_crs_is_warped(tmp_path: Path) -> None:
    from rasterio.warp import calculate_default_transform, reproject

    path = write(tmp_path / "t.tif", unit="metre")
    with rasterio.open(path) as raster:
        grid, width, height = calculate_default_transform(
            raster.crs, "EPSG:4326", raster.width, raster.height, *raster.bounds
        )
        values = np.full((height, width), -9999.0)
        reproject(
            raster.read(1), values, src_transform=raster.transform, src_crs=raster.crs,
            dst_transform=grid, dst_crs="EPSG:4326", dst_nodata=-9999.0,
            resampling=rasterio.enums.Resampling.bilinear,
        )  # fmt: skip
    with rasterio.open(
        tmp_path / "d.tif", "w", driver="GTiff", width=width, height=height, count=1,
        dtype="float64", crs="EPSG:4326", nodata=-9999.0, transform=grid,
    ) as raster:  # fmt: skip
        raster.write(values, 1)
    found, _ = read_terrain(source(tmp_path / "d.tif"), report(), AREA)
    check(found, 0.02)


def test_elevations_in_feet_become_metres(tmp_path: Path) -> None:
    path = write(tmp_path / "t.tif", factor=1 / 0.3048)
    grid, _ = read_terrain(source(path, units={"elevation": "ft"}), report(), AREA)
    check(grid, 1e-9)


def test_unit_of_the_file_is_used(tmp_path: Path) -> None:
    path = write(tmp_path / "t.tif", factor=1 / 0.3048, unit="ft")
    grid, findings = read_terrain(source(path), report(), AREA)
    check(grid, 1e-9)
    assert findings == []


def test_unknown_unit_is_noted_as_metres(tmp_path: Path) -> None:
    _, findings = read_terrain(source(write(tmp_path / "t.tif")), report(), AREA)
    assert findings[0]["code"].tolist() == ["elevation_unit_assumed"]


def test_wrong_unit_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "t.tif")
    with pytest.raises(ProjectFileError, match=r'units\.elevation: .*Write "m" or "ft"'):
        read_terrain(source(path, units={"elevation": "kg"}), report(), AREA)


def test_raster_of_another_place_is_a_finding(tmp_path: Path) -> None:
    path = write(tmp_path / "t.tif", unit="metre")
    far = (EAST + 9e3, NORTH, EAST + 9.1e3, NORTH + 100)
    grid, findings = read_terrain(source(path), report(), far)
    assert grid is None
    assert findings[0]["code"].tolist() == ["terrain_elsewhere"]


def test_fine_raster_is_thinned_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terrain, "MAX_CELLS", 1000)
    path = write(tmp_path / "t.tif", unit="metre")
    grid, findings = read_terrain(source(path), report(), AREA)
    check(grid, 1e-9)
    assert grid is not None
    assert grid.elevation_m.size <= 1100
    assert findings[0]["code"].tolist() == ["terrain_thinned"]


@pytest.mark.parametrize(
    ("name", "make", "error", "match"),
    [
        ("no.tif", None, LayerError, r"there is no such file\. Correct the path"),
        ("x.tif", "garbage", LayerError, r"the raster cannot be read .*Check that it opens"),
        ("t.tif", "bare", CrsError, r'Set crs = "EPSG:\.\.\." under \[layers\.terrain\]'),
    ],
)
def test_unusable_rasters_are_refused(
    tmp_path: Path, name: str, make: str | None, error: type[Exception], match: str
) -> None:
    path = tmp_path / name
    if make == "garbage":
        path.write_bytes(b"garbage" * 9)
    elif make == "bare":
        write(path, crs=None)
    with pytest.raises(error, match=match):
        read_terrain(source(path), report(), AREA)


def test_missing_package_names_its_remedy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'geoplan\[terrain\]'"):
        read_terrain(source(tmp_path / "t.tif"), report(), AREA)


def test_layers_carry_the_terrain_and_count_gaps(desk: Any, hamlet: Any) -> None:
    write(desk.folder / "t.tif", unit="metre", hole=True)
    layers = read_layers(desk.project(hamlet, entries={"terrain": {"source": "t.tif"}}))
    assert layers.terrain is not None
    assert "terrain" not in layers.absent
    told = layers.findings.query("code == 'terrain_incomplete'")
    assert told["reason"].str.contains("of 7 addresses and poles have no elevation").all()
    assert len(told) == 1


def test_outside_the_grid_is_unknown() -> None:
    grid = Terrain(np.array([[0.0, 1.0], [2.0, 3.0]]), 0.0, 0.0, 1.0, 1.0)
    x = np.array([-0.01, 1.01, 0.5, np.nan, 1.0])
    y = np.array([0.5, 0.5, 1.01, 0.5, 1.0])
    assert np.isnan(sample_elevation(grid, x, y)).tolist() == [True, True, True, True, False]


def test_cell_without_data_spreads_no_farther_than_its_neighbours() -> None:
    grid = Terrain(np.array([[0.0, 1.0, np.nan]]), 0.0, 0.0, 1.0, 1.0)
    found = sample_elevation(grid, np.array([0.5, 1.0, 1.2]), np.zeros(3))
    assert found[:2].tolist() == [0.5, 1.0]
    assert np.isnan(found[2])


@settings(max_examples=50, deadline=None)
@given(
    slope=st.tuples(*[st.floats(-1, 1)] * 3),
    place=st.tuples(st.floats(0, 4), st.floats(0, 3)),
    is_downward=st.booleans(),
)
def test_a_plane_is_sampled_exactly(
    slope: tuple[float, float, float], place: tuple[float, float], is_downward: bool
) -> None:
    a, b, c = slope
    dy, y0 = (-1.0, 3.0) if is_downward else (1.0, 0.0)
    x, y = np.meshgrid(np.arange(5.0), y0 + dy * np.arange(4.0))
    grid = Terrain(a * x + b * y + c, 0.0, y0, 1.0, dy)
    found = sample_elevation(grid, np.array([place[0]]), np.array([place[1]]))
    assert found[0] == pytest.approx(a * place[0] + b * place[1] + c, abs=1e-12)


def test_feet_project_reads_terrain_in_working_metres(tmp_path: Path) -> None:
    feet = CRS.from_epsg(2277)
    corner = Transformer.from_crs(4326, feet, always_xy=True).transform(-98.0, 30.5)
    west, north = np.round(corner)
    with rasterio.open(
        tmp_path / "f.tif", "w", driver="GTiff", width=100, height=100, count=1, dtype="float64",
        crs="EPSG:2277", transform=rasterio.transform.from_origin(west, north, 20.0, 20.0),
    ) as raster:  # fmt: skip
        raster.write(np.tile(np.arange(100.0), (100, 1)), 1)
    where = choose_crs("EPSG:2277", feet, np.array([[west, north, west, north]]))
    foot = where.unit_to_metre
    area = ((west + 900) * foot, (north - 1100) * foot, (west + 1000) * foot, (north - 1000) * foot)
    grid, _ = read_terrain(source(tmp_path / "f.tif"), where, area)
    assert grid is not None
    x = np.array([(west + 950.0) * foot])
    y = np.array([(north - 1050.0) * foot])
    assert sample_elevation(grid, x, y)[0] == pytest.approx(950.0 / 20.0 - 0.5, abs=1e-6)
