"""Vector files of any format, read to the columns that are wanted.

Enters: a layer's source in the project.
Leaves: a `RawLayer`: columns and geometry as the file holds them, CRS, and a checksum.
Does not do: check or change values.
"""

from __future__ import annotations

import hashlib
import json
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from geoplan.errors import LayerError, nearest_name
from geoplan.layers.read_csv import open_csv, read_csv
from geoplan.layers.source import Opened, Rows, unreadable
from geoplan.project import LayerSource

SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
"""Files that make up one shapefile."""

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
PARQUET_SUFFIXES = (".parquet", ".geoparquet")
"""Endings that say the format; all other files are left to GDAL to tell."""

_OGR_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    OSError,
)


@dataclass(frozen=True)
class RawLayer:
    """A layer as its file holds it."""

    columns: pd.DataFrame
    geometry: npt.NDArray[Any]
    crs: CRS | None
    has_assumed_degrees: bool
    """Whether the CRS follows from columns named longitude and latitude only."""
    warnings: tuple[str, ...]
    """What the reader warned of."""
    torn: tuple[str, ...]
    """Lines of a CSV with too few or too many cells, as they stand; not among the rows."""


def open_source(name: str, source: LayerSource) -> Opened:
    """Find out what a file holds, without reading its rows.

    Parameters
    ----------
    name : str
        Our name of the layer.
    source : LayerSource
        Where it is.

    Returns
    -------
    Opened
        Format, layer and names of columns.

    Raises
    ------
    LayerError
        If the file is missing, empty or unreadable, or the layer inside is not found.
    ColumnError
        If a CSV has no columns of coordinates, or several.
    """
    path = Path(source.source)
    where = f"layer {name}, file '{path.name}'"
    if not path.exists():
        raise LayerError(
            where, "there is no such file", f"Correct the path under [layers]: {name} = ..."
        )
    if path.is_file() and path.stat().st_size == 0:
        raise LayerError(where, "the file is empty", "Export it again.")
    suffix = path.suffix.lower()
    _check_keys(name, source, suffix)
    if suffix in TEXT_SUFFIXES:
        return open_csv(name, path, source)
    if suffix in PARQUET_SUFFIXES:
        return _open_parquet(name, path)
    return _open_ogr(name, path, source)


def read_rows(opened: Opened, fields: Sequence[str]) -> RawLayer:
    """Read the rows of a source, with some of its columns.

    Parameters
    ----------
    opened : Opened
        From `open_source`.
    fields : sequence of str
        Names of the columns to read.

    Returns
    -------
    RawLayer
        Rows in the file's order; a geometry that cannot be decoded is None.

    Raises
    ------
    LayerError
        If the file breaks off or cannot be decoded.
    """
    reader = {"csv": read_csv, "parquet": _read_parquet, "ogr": _read_ogr}[opened.format]
    wanted = sorted(set(fields), key=opened.fields.index)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        rows = reader(opened, wanted)
    folder = str(opened.path.parent)
    texts = sorted({str(one.message).replace(f"{folder}/", "") for one in caught})
    columns = rows.columns.reset_index(drop=True)
    return RawLayer(
        columns, rows.geometry, rows.crs, rows.has_assumed_degrees, tuple(texts), rows.torn
    )


def checksum(path: Path) -> str:
    """Return the SHA-256 of a source; of a shapefile or folder, over all its files.

    Parameters
    ----------
    path : pathlib.Path
        File or folder.

    Returns
    -------
    str
        Hexadecimal. For several files it is taken over their kinds and checksums, sorted, so
        that it doesn't depend on their names.
    """
    if path.is_dir():
        parts = sorted(part for part in path.rglob("*") if part.is_file())
        named = [(str(part.relative_to(path)), part) for part in parts]
    elif path.suffix.lower() == ".shp":
        named = sorted(
            (part.suffix.lower(), part)
            for part in path.parent.iterdir()
            if part.stem == path.stem and part.suffix.lower() in SHAPEFILE_PARTS
        )
    else:
        return _file_checksum(path)
    whole = hashlib.sha256()
    for kind, part in named:
        whole.update(f"{kind} {_file_checksum(part)}\n".encode())
    return whole.hexdigest()


def _file_checksum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _check_keys(name: str, source: LayerSource, suffix: str) -> None:
    """Refuse keys that the file's format has no use for, rather than pass over them."""
    given = {"x": source.x, "y": source.y, "layer": source.layer}
    useless: tuple[str, ...] = ("layer",) if suffix in TEXT_SUFFIXES else ("x", "y")
    if suffix in PARQUET_SUFFIXES:
        useless = ("x", "y", "layer")
    for key in useless:
        if given[key] is not None:
            where = f"project, key layers.{name}.{key}"
            raise LayerError(
                where, f"has no use for a file that ends in '{suffix}'", "Remove the key."
            )


def _open_ogr(name: str, path: Path, source: LayerSource) -> Opened:
    where = f"layer {name}, file '{path.name}'"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # they come again, and are reported, with the rows
            inside = [str(row[0]) for row in pyogrio.list_layers(path)]
            layer = _pick_layer(name, where, inside, source.layer)
            info = pyogrio.read_info(path, layer=layer)
    except _OGR_ERRORS as error:
        raise unreadable(where, error, path) from error
    return Opened(
        name,
        path,
        "ogr",
        tuple(str(field) for field in info["fields"]),
        layer=layer,
    )


def _pick_layer(name: str, where: str, inside: list[str], wanted: str | None) -> str:
    if not inside:
        raise LayerError(where, "there is no layer in the file", "Export it again.")
    if wanted is not None:
        if wanted not in inside:
            raise LayerError(
                where, f"there is no layer '{wanted}' in the file", nearest_name(wanted, inside)
            )
        return wanted
    if len(inside) == 1:
        return inside[0]
    if name in inside:
        return name
    listed = ", ".join(f"'{one}'" for one in sorted(inside))
    raise LayerError(
        where,
        f"the file has several layers: {listed}",
        f'Name one under [layers.{name}]: layer = "{sorted(inside)[0]}".',
    )


def _read_ogr(opened: Opened, fields: list[str]) -> Rows:
    def read(*, use_arrow: bool) -> pd.DataFrame:
        frame: pd.DataFrame = pyogrio.read_dataframe(
            opened.path,
            layer=opened.layer,
            columns=fields,
            use_arrow=use_arrow,
            on_invalid="fix",
        )
        return frame

    try:
        try:
            frame = read(use_arrow=True)
        except NotImplementedError:  # arcs: only the slower way draws them as chords
            frame = read(use_arrow=False)
    except (*_OGR_ERRORS, ValueError, RuntimeError) as error:
        raise unreadable(opened.where, error, opened.path) from error
    if not isinstance(frame, gpd.GeoDataFrame):
        raise LayerError(
            opened.where, "the file has no geometry", "Export the layer with its geometry."
        )
    return _split(frame, fields)


def _split(frame: gpd.GeoDataFrame, fields: list[str]) -> Rows:
    geometry = np.asarray(frame.geometry.array, dtype=object)
    return Rows(pd.DataFrame(frame[fields]), geometry, frame.crs)


def _open_parquet(name: str, path: Path) -> Opened:
    where = f"layer {name}, file '{path.name}'"
    try:
        schema = pq.read_schema(path)
    except (pa.ArrowException, OSError) as error:
        raise unreadable(where, error, path) from error
    meta = (schema.metadata or {}).get(b"geo")
    if meta is None:
        raise LayerError(
            where, "the file says no geometry column", "Export it as GeoParquet, or as CSV."
        )
    geometries = json.loads(meta).get("columns", {})
    return Opened(
        name, path, "parquet", tuple(field for field in schema.names if field not in geometries)
    )


def _read_parquet(opened: Opened, fields: list[str]) -> Rows:
    try:
        with pq.ParquetFile(opened.path) as file:
            meta = json.loads((file.schema_arrow.metadata or {})[b"geo"])
            primary = meta["primary_column"]
            column = meta["columns"][primary]
            if column["encoding"] != "WKB":
                return _split(gpd.read_parquet(opened.path, columns=[*fields, primary]), fields)
            table = file.read(columns=[*fields, primary])
        columns = table.drop([primary]).to_pandas()
        geometry = shapely.from_wkb(np.asarray(table[primary], dtype=object), on_invalid="fix")
        crs = _crs_of_json(json.dumps(column.get("crs", "OGC:CRS84")))
    except (pa.ArrowException, OSError, ValueError, KeyError, CRSError) as error:
        raise unreadable(opened.where, error, opened.path) from error
    if not set(fields) <= set(columns.columns):  # pandas keeps some as an index
        columns = columns.reset_index()
    return Rows(columns[fields], np.asarray(geometry, dtype=object), crs)


@cache
def _crs_of_json(text: str) -> CRS | None:
    """Read a CRS as GeoParquet says it; layers of one project mostly share one."""
    said = json.loads(text, object_hook=_without_member_ids)
    return None if said is None else CRS.from_user_input(said)


def _without_member_ids(part: dict[str, Any]) -> dict[str, Any]:
    """Drop ids of a datum ensemble's members, which an older PROJ may not know."""
    if not isinstance(part.get("members"), list):
        return part
    members = [{key: one[key] for key in one if key != "id"} for one in part["members"]]
    return {**part, "members": members}
