"""The tables of a plan as GeoParquet, one file each, in SI, in the project's CRS.

Enters: a `Plan`, or the rows of its tables a part at a time.
Leaves: ``<name>.parquet`` for each table that the plan holds.
Does not do: convert columns (they stay in SI, as declared); styles.

A table with a geometry is GeoParquet 1.1 with its CRS; one without is plain Parquet. Columns are
those of the GeoPackage's layers, the geometry last.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from geoplan import __version__
from geoplan.reports.frames import clean_text, tables_of
from geoplan.reports.gpkg import ShapeArray, to_project_crs
from geoplan.tables import TABLES
from geoplan.text_columns import row_order

if TYPE_CHECKING:
    from pyproj import CRS

    from geoplan.model import CrsReport, Plan

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
    return [write_parquet_table(plan, name, folder) for name in tables_of(plan)]


def write_parquet_table(plan: Plan, name: str, folder: Path) -> Path:
    """Write one table of a plan.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    name : str
        A key of `TABLES`.
    folder : pathlib.Path
        An existing folder.

    Returns
    -------
    pathlib.Path
        ``<name>.parquet``.
    """
    frame: pd.DataFrame = getattr(plan, name)
    order = row_order(frame, TABLES[name].key)
    with TableFile(name, folder, plan.layers.crs) as file:
        for start in range(0, max(len(frame), 1), ROW_GROUP):
            rows = slice(start, start + ROW_GROUP)
            file.add(frame.iloc[rows if order is None else order[rows]])
    return file.path


class TableFile:
    """One table on its way into a file, in parts.

    Rows are written in groups of `ROW_GROUP`, whatever the parts they come in, so that the same
    rows give the same bytes.
    """

    def __init__(self, name: str, folder: Path, crs: CrsReport) -> None:
        self.path = folder / f"{name}.parquet"
        self._table, self._crs = TABLES[name], crs
        self._writer: pq.ParquetWriter | None = None
        self._held: list[pa.Table] = []
        self._types: set[str] = set()
        self._bounds = np.array([np.inf, np.inf, -np.inf, -np.inf])

    def __enter__(self) -> Self:
        """Return the file."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Write what is held and close the file; after an error only close it."""
        try:
            if error is None:
                self._write(0)
        finally:
            if self._writer is not None:
                if self._table.geometry != "none":
                    self._writer.add_key_value_metadata({"geo": json.dumps(self._geo())})
                self._writer.close()

    def add(self, frame: pd.DataFrame) -> None:
        """Add rows.

        Parameters
        ----------
        frame : pandas.DataFrame or geopandas.GeoDataFrame
            At least the declared columns; rows in order of the key, after those added before.
        """
        columns = {column.name: frame[column.name].array for column in self._table.columns}
        for column in self._table.columns:
            if column.kind == "text":
                columns[column.name] = clean_text(pd.Series(columns[column.name])).array
        part = pa.Table.from_pandas(pd.DataFrame(columns, copy=False), preserve_index=False)
        if self._table.geometry != "none":
            shapes = to_project_crs(frame["geometry"].to_numpy(), self._crs.unit_to_metre)
            part = part.append_column("geometry", self._encoded(shapes))
        self._held.append(part)
        self._write(ROW_GROUP)

    def _encoded(self, shapes: ShapeArray) -> pa.Array:
        """Encode geometries, and take note of their types and bounds."""
        kinds = shapely.get_type_id(shapes) + 100 * shapely.has_z(shapes)
        for kind in np.unique(kinds[kinds >= 0]).tolist():
            plain = shapely.from_wkt(f"{shapely.GeometryType(kind % 100).name} EMPTY").geom_type
            self._types.add(plain + (" Z" if kind >= 100 else ""))
        bounds = shapely.bounds(shapes)
        bounds = bounds[np.isfinite(bounds).all(axis=1)]
        self._bounds[:2] = np.minimum(self._bounds[:2], bounds[:, :2].min(axis=0, initial=np.inf))
        self._bounds[2:] = np.maximum(self._bounds[2:], bounds[:, 2:].max(axis=0, initial=-np.inf))
        return pa.array(shapely.to_wkb(shapes, flavor="iso"), pa.binary())

    def _write(self, least: int) -> None:
        """Write whole row groups; with `least` 0 what is left too."""
        rows = sum(len(part) for part in self._held)
        if rows < least or not self._held:
            return
        whole = pa.concat_tables(self._held)
        if self._writer is None:
            self._writer = pq.ParquetWriter(
                self.path,
                whole.schema,
                compression=COMPRESSION,
                # with Arrow's schema, its readers would not see what is told at the end
                store_schema=self._table.geometry == "none",
            )
        start = 0
        while rows - start >= max(least, 1):
            group = whole.slice(start, ROW_GROUP).combine_chunks()
            self._writer.write_table(group, row_group_size=ROW_GROUP)
            start += len(group)
        self._held = [whole.slice(start)]

    def _geo(self) -> dict[str, Any]:
        """Say what GeoParquet wants said of a file."""
        column: dict[str, Any] = {
            "encoding": "WKB",
            "crs": _told(self._crs.project_crs),
            "geometry_types": sorted(self._types),
        }
        if np.isfinite(self._bounds).all():
            column["bbox"] = self._bounds.tolist()
        return {
            "primary_column": "geometry",
            "columns": {"geometry": column},
            "version": SCHEMA_VERSION,
            "creator": {"library": "geoplan", "version": __version__},
        }


def _told(crs: CRS) -> dict[str, Any]:
    """Tell a CRS; older readers don't know the ids of members of a datum ensemble."""
    told = crs.to_json_dict()
    for base in (told, told.get("base_crs", {})):
        for member in base.get("datum_ensemble", {}).get("members", []):
            member.pop("id", None)
    return told
