"""Files of the demo town: one format or another per layer, the same bytes on every run.

Enters: rows of all layers in local metres.
Leaves: files in a folder, in several formats, CRSs and units.
Does not do: invent anything but the terrain's relief.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from demo_ground import FloatArray
from demo_streets import Row
from rasterio.transform import from_origin
from shapely.affinity import affine_transform

TOWN_CRS = "EPSG:32615"
DEGREES = "EPSG:4326"
FEET_CRS = "EPSG:3452"
ORIGIN_M = (645_900.0, 3_197_900.0)
TURN_DEG = 11.0
CELL_M = 5.0
FEET_PER_M = 3937.0 / 1200.0
FIXED_DATE = "2000-01-01T00:00:00Z"


def elevation(x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Return the ground's elevation: a gentle slope to the creek, with some relief.

    Parameters
    ----------
    x_m, y_m : ndarray of float64
        Local coordinates, m.

    Returns
    -------
    ndarray of float64
        Elevation, m.
    """
    slope = 42.0 + 0.004 * x_m - 0.016 * y_m
    relief = 1.3 * np.sin(x_m / 170.0) * np.cos(y_m / 120.0) + 0.4 * np.sin((x_m + y_m) / 37.0)
    creek = -2.2 * np.exp(-(((y_m - 312.5) / 14.0) ** 2))
    knoll = 3.5 * np.exp(-(((x_m - 740.0) / 90.0) ** 2 + ((y_m - 150.0) / 80.0) ** 2))
    return np.asarray(slope + relief + creek + knoll)


def _to_town() -> list[float]:
    turn = np.radians(TURN_DEG)
    c, s = float(np.cos(turn)), float(np.sin(turn))
    return [c, -s, s, c, *ORIGIN_M]


def frame(rows: list[Row], crs: str = TOWN_CRS) -> gpd.GeoDataFrame:
    """Turn local rows into a frame in a CRS.

    Parameters
    ----------
    rows : list of dict
        Rows with ``geometry`` in local metres or None.
    crs : str
        CRS wanted.

    Returns
    -------
    geopandas.GeoDataFrame
        Town coordinates are rounded to the millimetre before they are transformed.
    """
    matrix = _to_town()
    placed = [
        None if row["geometry"] is None else affine_transform(row["geometry"], matrix)
        for row in rows
    ]
    geometry = gpd.GeoSeries(placed, crs=TOWN_CRS).set_precision(0.001, mode="pointwise")
    table = pd.DataFrame([{k: v for k, v in row.items() if k != "geometry"} for row in rows])
    return gpd.GeoDataFrame(table, geometry=geometry, crs=TOWN_CRS).to_crs(crs)


def _write(data: gpd.GeoDataFrame, path: Path, driver: str, **options: Any) -> None:
    data.to_file(path, driver=driver, engine="pyogrio", **options)


def write_layers(layers: dict[str, list[Row]], out: Path) -> None:
    """Write every layer in its own way.

    Parameters
    ----------
    layers : dict of str to list of dict
        Rows in local metres.
    out : pathlib.Path
        Folder; it exists.
    """
    os.environ["OGR_CURRENT_DATE"] = FIXED_DATE
    for name in ("parcels", "roads", "strands", "rail", "water", "existing_drops"):
        _write(
            frame(layers[name], DEGREES),
            out / f"{name}.geojson",
            "GeoJSON",
            COORDINATE_PRECISION=9,
            WRITE_NAME="NO",
        )
    _write(frame(layers["power"]), out / "power.fgb", "FlatGeobuf", SPATIAL_INDEX="NO")
    frame(layers["sidewalks"]).to_parquet(out / "sidewalks.parquet", index=False)
    yard = out / "yards.gpkg"
    yard.unlink(missing_ok=True)
    for name in ("buildings", "driveways", "pools"):
        mode = "a" if yard.exists() else "w"
        _write(frame(layers[name]), yard, "GPKG", layer=name, mode=mode)
    _write_poles(layers["poles"], out / "poles")
    _write_addresses(layers["addresses"], out / "addresses.csv")
    _write_trees(layers["trees"], out / "trees.csv")


def _write_poles(rows: list[Row], folder: Path) -> None:
    """Write a shapefile with ten-letter columns, in US survey feet, heights as text."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    ground_ft = [
        float(elevation(np.array([r["geometry"].x]), np.array([r["geometry"].y]))[0]) * FEET_PER_M
        for r in rows
    ]
    named = [
        {
            "POLE_TAG": row["pole_id"],
            "POLE_HT_FT": "" if row["height_ft"] is None else str(row["height_ft"]),
            "STRAND_HT": row["strand_ft"],
            "PWR_LOW_FT": row["power_ft"],
            "GROUND_ELV": round(feet, 2),
            "PORTS_TOTA": row["ports_total"],
            "PORTS_IN_U": row["ports_in_use"],
            "PORTS_RESV": row["ports_reserved"],
            "CONDITION": row["condition"],
            "geometry": row["geometry"],
        }
        for row, feet in zip(rows, ground_ft, strict=True)
    ]
    _write(
        frame(named, FEET_CRS),
        folder / "poles.shp",
        "ESRI Shapefile",
        layer_options={"DBF_DATE_LAST_UPDATE": FIXED_DATE[:10], "ENCODING": "UTF-8"},
    )


def _write_addresses(rows: list[Row], path: Path) -> None:
    data = frame(rows, DEGREES)
    empty = data.geometry.isna()
    table = pd.DataFrame(
        {
            "site": data["address_id"],
            "street_address": data["label"],
            "longitude": data.geometry.x.map("{:.9f}".format).mask(empty, ""),
            "latitude": data.geometry.y.map("{:.9f}".format).mask(empty, ""),
            "ports_needed": data["ports_needed"],
            "only_terminal": data["locked"],
            "not_terminals": data["forbidden"],
        }
    )
    table.to_csv(path, index=False, lineterminator="\n")


def _write_trees(rows: list[Row], path: Path) -> None:
    data = frame(rows)
    table = pd.DataFrame(
        {
            "tree_id": data["tree_id"],
            "easting": data.geometry.x.round(2),
            "northing": data.geometry.y.round(2),
            "crown_radius_ft": data["crown_radius_ft"],
            "height_ft": data["height_ft"],
        }
    )
    table.to_csv(path, index=False, lineterminator="\n")


def write_terrain(path: Path) -> None:
    """Write the terrain as a float32 GeoTIFF in metres, in the town's CRS.

    Parameters
    ----------
    path : pathlib.Path
        File to write.
    """
    left, right, bottom, top = -560.0, 1000.0, -300.0, 660.0
    columns, rows = int((right - left) / CELL_M), int((top - bottom) / CELL_M)
    x = left + CELL_M * (np.arange(columns) + 0.5)
    y = top - CELL_M * (np.arange(rows) + 0.5)
    east, north = np.meshgrid(x, y)
    turn = np.radians(TURN_DEG)
    local_x = np.cos(turn) * east + np.sin(turn) * north
    local_y = -np.sin(turn) * east + np.cos(turn) * north
    grid = np.round(elevation(local_x, local_y), 2).astype("float32")
    transform = from_origin(ORIGIN_M[0] + left, ORIGIN_M[1] + top, CELL_M, CELL_M)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=columns,
        height=rows,
        count=1,
        dtype="float32",
        crs=TOWN_CRS,
        transform=transform,
        nodata=-9999.0,
        compress="deflate",
        predictor=3,
    ) as raster:
        raster.write(grid, 1)
