"""The plan as one GeoPackage: a styled layer per table, in SI, in the project's CRS.

Enters: a `Plan`.
Leaves: ``plan.gpkg``.
Does not do: convert columns (they stay in SI, as declared).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely

from geoplan.reports.frames import declared_frame, tables_of
from geoplan.reports.gpkg_styles import FIXED_TIME, add_styles
from geoplan.tables import TABLES

if TYPE_CHECKING:
    from geoplan.model import Plan

ShapeArray = npt.NDArray[np.object_]

LAYER_ORDER = (
    "drops",
    "air_spans",
    "crossings",
    "hazards",
    "unserved",
    "terminals",
    "alternatives",
    "stringing",
    "jobs",
    "work_places",
    "crossing_audit",
    "drop_materials",
    "day_materials",
    "materials",
    "reels",
    "reel_cuts",
    "crew_days",
    "crew_stops",
    "set_aside",
    "findings",
)
"""Layers in their order in the file."""

GEOMETRY_COLUMN = "geom"
_GEOMETRY_TYPE = {"point": "Point", "line": "LineString", "polygon": "Polygon"}
_WAIT_OPTION = "OGR_SQLITE_SYNCHRONOUS"
_DATE_OPTION = "OGR_CURRENT_DATE"


def to_project_crs(shapes: ShapeArray, unit_to_metre: float) -> ShapeArray:
    """Scale geometries from metres to the unit of the project CRS, elevations too.

    Parameters
    ----------
    shapes : ndarray of shapely.Geometry, shape (n,)
        In the working CRS, metres; with or without z.
    unit_to_metre : float
        Metres in one unit of the project CRS.

    Returns
    -------
    ndarray of shapely.Geometry, shape (n,)
        The same geometries in the unit of the project CRS; nulls stay null.
    """
    if unit_to_metre == 1.0:
        return shapes
    scaled = shapes.copy()
    solid = shapely.has_z(shapes)
    scaled[~solid] = shapely.transform(shapes[~solid], lambda xy: xy / unit_to_metre)
    scaled[solid] = shapely.transform(
        shapes[solid], lambda xyz: xyz / unit_to_metre, include_z=True
    )
    return scaled


def write_gpkg(plan: Plan, path: Path, names: Sequence[str] = LAYER_ORDER) -> Path:
    """Write tables of a plan as layers of a GeoPackage.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    path : pathlib.Path
        File to write; it must not exist.
    names : sequence of str
        Tables wanted, of those that the plan holds; by default all.

    Returns
    -------
    pathlib.Path
        The file. The same plan gives the same bytes: rows are sorted and times fixed.

    Raises
    ------
    pyogrio.errors.DataSourceError
        If the file cannot be written.
    """
    with _written_once():
        held = [name for name in LAYER_ORDER if name in names and name in tables_of(plan)]
        for name in held:
            _write_layer(plan, name, path)
    _allow_flat(path, "air_spans")
    add_styles(path, GEOMETRY_COLUMN, held)
    return path


def _write_layer(plan: Plan, name: str, path: Path) -> None:
    table = TABLES[name]
    frame = declared_frame(plan, name)
    if table.geometry == "none":
        pyogrio.write_dataframe(pd.DataFrame(frame), path, layer=name, driver="GPKG", append=False)
        return
    geometry = to_project_crs(frame.geometry.to_numpy(), plan.layers.crs.unit_to_metre)
    layer = gpd.GeoDataFrame(
        frame.drop(columns="geometry"), geometry=geometry, crs=plan.layers.crs.project_crs
    )
    pyogrio.write_dataframe(
        layer,
        path,
        layer=name,
        driver="GPKG",
        geometry_type=_geometry_type(table.geometry, geometry, is_solid=name == "air_spans"),
        promote_to_multi=False,
        layer_options={"GEOMETRY_NAME": GEOMETRY_COLUMN, "DESCRIPTION": table.meaning},
    )


def _geometry_type(kind: str, shapes: ShapeArray, *, is_solid: bool) -> str:
    """Name the geometry type that a layer declares; mixed single and multi parts is 'Unknown'."""
    declared = _GEOMETRY_TYPE[kind]
    present = {shape.geom_type for shape in shapes}
    if present - {declared}:
        return "Unknown"
    return f"{declared} Z" if is_solid else declared


def _allow_flat(path: Path, layer: str) -> None:
    """Declare that elevations in a layer are optional: some heights may be unknown."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE gpkg_geometry_columns SET z = 2 WHERE table_name = ?", (layer,))


@contextmanager
def _written_once() -> Iterator[None]:
    """Make the writer stamp a fixed time, and not wait for the disk after every layer.

    What follows on the same file waits for the disk, and so for all of it.
    """
    options = {_DATE_OPTION: FIXED_TIME, _WAIT_OPTION: "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
