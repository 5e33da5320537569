"""The tables of a plan as GeoParquet, one file each, in SI, in the project's CRS.

Enters: a `Plan`, or the rows of its tables a part at a time.
Leaves: ``<name>.parquet`` for each table that the plan holds.
Does not do: convert columns (they stay in SI, as declared); styles.

A table with a geometry is GeoParquet 1.1 with its CRS; one without is plain Parquet. Columns are
those of the GeoPackage's layers, the geometry last.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
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
from geoplan.routes.segments import FloatArray
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
            some = frame.iloc[rows if order is None else order[rows]]
            file.add(EncodedRows.of(some, name, plan.layers.crs))
    return file.path


@dataclass(frozen=True)
class EncodedRows:
    """Rows of a table as they stand in a file."""

    table: pa.Table
    types: frozenset[str]
    """Kinds of geometry among them, in GeoParquet's words."""
    bounds: FloatArray
    """Least x and y, greatest x and y; infinite where there is no geometry."""

    @staticmethod
    def of(frame: pd.DataFrame, name: str, crs: CrsReport) -> EncodedRows:
        """Encode rows.

        Parameters
        ----------
        frame : pandas.DataFrame or geopandas.GeoDataFrame
            At least the declared columns; rows in order of the key.
        name : str
            A key of `TABLES`.
        crs : CrsReport
            Of the project.

        Returns
        -------
        EncodedRows
            With the geometry last.
        """
        columns = {column.name: frame[column.name].array for column in TABLES[name].columns}
        for column in TABLES[name].columns:
            if column.kind == "text":
                columns[column.name] = clean_text(pd.Series(columns[column.name])).array
        table = pa.Table.from_pandas(pd.DataFrame(columns, copy=False), preserve_index=False)
        if TABLES[name].geometry == "none":
            return EncodedRows(table, frozenset(), np.array([np.inf, np.inf, -np.inf, -np.inf]))
        shapes = to_project_crs(frame["geometry"].to_numpy(), crs.unit_to_metre)
        encoded = pa.array(shapely.to_wkb(shapes, flavor="iso"), pa.binary())
        bounds = shapely.bounds(shapes)
        bounds = bounds[np.isfinite(bounds).all(axis=1)]
        least = bounds[:, :2].min(axis=0, initial=np.inf)
        greatest = bounds[:, 2:].max(axis=0, initial=-np.inf)
        return EncodedRows(
            table.append_column("geometry", encoded),
            _kinds(shapes),
            np.concatenate([least, greatest]),
        )


def _kinds(shapes: ShapeArray) -> frozenset[str]:
    kinds = shapely.get_type_id(shapes) + 100 * shapely.has_z(shapes)
    names = set()
    for kind in np.unique(kinds[kinds >= 0]).tolist():
        plain = shapely.from_wkt(f"{shapely.GeometryType(kind % 100).name} EMPTY").geom_type
        names.add(plain + (" Z" if kind >= 100 else ""))
    return frozenset(names)


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

    def add(self, rows: EncodedRows) -> None:
        """Add rows.

        Parameters
        ----------
        rows : EncodedRows
            In order of the key, after those added before.
        """
        self._types |= rows.types
        self._bounds[:2] = np.minimum(self._bounds[:2], rows.bounds[:2])
        self._bounds[2:] = np.maximum(self._bounds[2:], rows.bounds[2:])
        self._held.append(rows.table)
        self._write(ROW_GROUP)

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
