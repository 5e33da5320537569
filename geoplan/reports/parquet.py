"""The tables of a plan as GeoParquet, one file each, in SI, in the project's CRS.

Enters: a `Plan`.
Leaves: ``<name>.parquet`` for each table of `TABLES`.
Does not do: convert columns (they stay in SI, as declared); styles.

A table with a geometry is GeoParquet 1.1 with its CRS; one without is plain Parquet. Columns are
those of the GeoPackage's layers, the geometry last.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import pandas as pd

from geoplan.reports.frames import declared_frame
from geoplan.reports.gpkg import to_project_crs
from geoplan.tables import TABLES

if TYPE_CHECKING:
    from geoplan.model import Plan

COMPRESSION: Final = "zstd"
SCHEMA_VERSION = "1.1.0"
"""Version of GeoParquet."""
ROW_GROUP = 65_536
"""Rows that a reader gets at once; small enough to skip most of a big town."""


def write_parquet_tables(plan: Plan, folder: Path) -> list[Path]:
    """Write all tables of a plan as GeoParquet files.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    folder : pathlib.Path
        An existing folder.

    Returns
    -------
    list of pathlib.Path
        The files, in the order of `TABLES`. The same plan gives the same bytes, whatever the
        order of its rows, with the same versions of the libraries that write.
    """
    return [_write_table(plan, name, folder / f"{name}.parquet") for name in TABLES]


def _write_table(plan: Plan, name: str, path: Path) -> Path:
    frame = declared_frame(plan, name)
    if TABLES[name].geometry == "none":
        pd.DataFrame(frame).to_parquet(
            path, index=False, engine="pyarrow", compression=COMPRESSION, row_group_size=ROW_GROUP
        )
        return path
    crs = plan.layers.crs
    layer = gpd.GeoDataFrame(
        frame.drop(columns="geometry"),
        geometry=to_project_crs(frame.geometry.to_numpy(), crs.unit_to_metre),
        crs=crs.project_crs,
    )
    layer.to_parquet(
        path,
        index=False,
        compression=COMPRESSION,
        schema_version=SCHEMA_VERSION,
        row_group_size=ROW_GROUP,
    )
    return path
