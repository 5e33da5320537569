"""CSV tables with coordinates.

Enters: a path and the project's names of columns.
Leaves: rows as text, with points or WKT geometries.
Does not do: turn anything but coordinates into numbers.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import shapely
from pyproj import CRS

from geoplan.errors import ColumnError, LayerError, nearest_name
from geoplan.layers.source import Opened, Rows, unreadable
from geoplan.project import LayerSource

XY_NAMES = (
    ("x", "y"),
    ("lon", "lat"),
    ("longitude", "latitude"),
    ("easting", "northing"),
)
DEGREE_NAMES = frozenset({"lon", "longitude"})
WKT_NAMES = ("wkt", "geometry")


def open_csv(name: str, path: Path, source: LayerSource) -> Opened:
    """Find the separator, the columns and the coordinates of a CSV.

    Parameters
    ----------
    name : str
        Our name of the layer.
    path : pathlib.Path
        File.
    source : LayerSource
        May name the columns of x and y.

    Returns
    -------
    Opened
        With either ``xy`` or ``wkt``.

    Raises
    ------
    LayerError
        If it is not UTF-8 or has no header.
    ColumnError
        If a column is named twice, or coordinates are missing or in several places.
    """
    where = f"layer {name}, file '{path.name}'"
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
        separator = max(",;\t|", key=first.count) if first.strip() else ","
        with pa_csv.open_csv(path, parse_options=_parse_options(separator, [])) as reader:
            names = [str(column) for column in reader.schema.names]
    except (OSError, UnicodeDecodeError, pa.ArrowException) as error:
        raise _csv_fault(where, error, path) from error
    twice = sorted({one for one in names if names.count(one) > 1})
    if twice:
        raise ColumnError(where, f"several columns are named '{twice[0]}'", "Rename all but one.")
    wkt, xy = _coordinates(name, where, names, source)
    used = {wkt} if wkt else set(xy or ())
    fields = tuple(column for column in names if column not in used)
    return Opened(name, path, "csv", fields, separator=separator, xy=xy, wkt=wkt)


def _parse_options(separator: str, torn: list[str]) -> pa_csv.ParseOptions:
    """Options that collect lines with too few or too many cells instead of stopping."""

    def collect(row: pa_csv.InvalidRow) -> str:
        torn.append(str(row.text))
        return "skip"

    return pa_csv.ParseOptions(
        delimiter=separator, newlines_in_values=True, invalid_row_handler=collect
    )


def _csv_fault(where: str, error: Exception, path: Path) -> LayerError:
    if isinstance(error, UnicodeDecodeError):
        return LayerError(where, f"the file is not UTF-8 (byte {error.start})", "Save it as UTF-8.")
    return unreadable(where, error, path)


def _coordinates(
    name: str, where: str, names: list[str], source: LayerSource
) -> tuple[str | None, tuple[str, str] | None]:
    key = f"[layers.{name}]"
    if (source.x is None) != (source.y is None):
        raise ColumnError(where, "only one of x and y is set", f"Set both under {key}.")
    if source.x is not None and source.y is not None:
        for wanted in (source.x, source.y):
            if wanted not in names:
                raise ColumnError(
                    where, f"the file has no column '{wanted}'", nearest_name(wanted, names)
                )
        return None, (source.x, source.y)
    lower: dict[str, str] = {}
    for column in names:
        lower.setdefault(column.strip().casefold(), column)
    wkt = [lower[word] for word in WKT_NAMES if word in lower]
    pairs = [(lower[x], lower[y]) for x, y in XY_NAMES if x in lower and y in lower]
    if len(wkt) + len(pairs) > 1:
        found = ", ".join([f"'{one}'" for one in wkt] + [f"'{x}' and '{y}'" for x, y in pairs])
        raise ColumnError(
            where, f"coordinates could be in {found}", f"Name them under {key}: x = ..., y = ..."
        )
    if not wkt and not pairs:
        raise ColumnError(
            where,
            "the file has no columns of coordinates",
            f'Name them under {key}: x = "...", y = "...", or bring a column wkt.',
        )
    return (wkt[0], None) if wkt else (None, pairs[0])


def read_csv(opened: Opened, fields: list[str]) -> Rows:
    """Read columns as text, and the geometry.

    Parameters
    ----------
    opened : Opened
        From `open_csv`.
    fields : list of str
        Columns wanted.

    Returns
    -------
    Rows
        Lines with too few or too many cells apart, in ``torn``.

    Raises
    ------
    LayerError
        If it is not UTF-8 or not a table.
    """
    places = [opened.wkt] if opened.wkt else list(opened.xy or ())
    wanted = [*fields, *(one for one in places if one is not None)]
    torn: list[str] = []
    convert = pa_csv.ConvertOptions(
        include_columns=wanted,
        column_types=dict.fromkeys(wanted, pa.string()),
        strings_can_be_null=True,
        null_values=[""],
    )
    try:
        table = pa_csv.read_csv(
            opened.path,
            parse_options=_parse_options(opened.separator, torn),
            convert_options=convert,
        )
    except (OSError, pa.ArrowException) as error:
        raise _csv_fault(opened.where, error, opened.path) from error
    frame = table.to_pandas().astype("str")
    crs, has_assumed_degrees = None, False
    if opened.wkt:
        text = frame[opened.wkt].to_numpy(dtype=object, na_value=None)
        geometry = shapely.from_wkt(text, on_invalid="ignore")
    else:
        x, y = (pd.to_numeric(frame[place], errors="coerce") for place in places)
        geometry = shapely.points(x.to_numpy(np.float64), y.to_numpy(np.float64))
        geometry[(x.isna() | y.isna()).to_numpy()] = None
        if places[0].strip().casefold() in DEGREE_NAMES:
            crs, has_assumed_degrees = CRS.from_epsg(4326), True
    return Rows(
        frame[fields],
        np.asarray(geometry, dtype=object),
        crs,
        has_assumed_degrees,
        tuple(sorted(torn)),
    )
