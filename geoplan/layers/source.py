"""What the readers of all formats hand on, and how they refuse a file.

Enters: nothing.
Leaves: the dataclasses `Opened` and `Rows`, and the error for a file that cannot be read.
Does not do: read.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from geoplan.errors import LayerError


@dataclass(frozen=True)
class Opened:
    """A source that can be read: what is inside."""

    name: str
    path: Path
    format: Literal["csv", "parquet", "ogr"]
    fields: tuple[str, ...]
    layer: str | None = None
    separator: str = ","
    xy: tuple[str, str] | None = None
    wkt: str | None = None

    @property
    def is_truncated(self) -> bool:
        """Whether the format cuts names of columns to ten letters."""
        return self.path.suffix.lower() in (".shp", ".dbf") or self.path.name.endswith(".shp.zip")

    @property
    def where(self) -> str:
        """How messages name it."""
        return f"layer {self.name}, file '{self.path.name}'"


@dataclass(frozen=True)
class Rows:
    """Rows as a reader finds them."""

    columns: pd.DataFrame
    geometry: npt.NDArray[Any]
    crs: CRS | None
    has_assumed_degrees: bool = False
    torn: tuple[str, ...] = ()


def unreadable(where: str, error: Exception, path: Path) -> LayerError:
    """Return the error to raise for a file that a library could not read.

    Parameters
    ----------
    where : str
        How messages name the file.
    error : Exception
        What the library raised.
    path : pathlib.Path
        File; its folder is left out of the message.

    Returns
    -------
    LayerError
        In one line.
    """
    first = str(error).replace(f"{path.parent}/", "").strip().splitlines()
    problem = f"the file cannot be read ({first[0] if first else type(error).__name__})"
    remedy = (
        "A shapefile needs .shp, .shx, .dbf and .prj side by side; export it again."
        if path.suffix.lower() == ".shp"
        else "Check that it opens in a GIS, or export it again."
    )
    return LayerError(where, problem, remedy)
