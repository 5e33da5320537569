"""Shapes of a layer put away on disk, near ones side by side, and fetched again by row.

Enters: shapes, a folder.
Leaves: `DiskShelf`, a `geoplan.model.Shelf`.
Does not do: know what a layer is about.

What is fetched equals what was put away to the last bit. Only the boxes stay in memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from geoplan.layers.split_points import rows_by_area
from geoplan.model import Layers, Shelf

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]

AREA_LAYERS = (
    "parcels",
    "buildings",
    "trees",
    "water",
    "sidewalks",
    "driveways",
    "pools",
    "existing_drops",
)
"""Layers that are looked at near an address only; of the others all is known everywhere."""
CHUNK = 4_000
"""Shapes read from the disk together."""
_SCHEMA = pa.schema([pa.field("wkb", pa.large_binary())])


@dataclass(frozen=True)
class DiskShelf:
    """Shapes in a file, by row of their layer."""

    path: Path
    bounds: FloatArray
    place: IntArray
    """Place of each row in the file."""

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.place)

    def take(self, rows: IntArray) -> ObjectArray:
        """Fetch the shapes of some rows, in the order asked for."""
        shapes: ObjectArray = np.empty(len(rows), dtype=object)
        if not len(rows):
            return shapes
        place = self.place[rows]
        with pa.OSFile(str(self.path)) as file, pa.ipc.open_file(file) as chunks:
            for at in rows_by_area(place // CHUNK):
                number = int(place[at[0]]) // CHUNK
                column = chunks.get_batch(number).column(0)
                wkb = column.take(pa.array(place[at] - number * CHUNK))
                shapes[at] = shapely.from_wkb(wkb.to_numpy(zero_copy_only=False))
        return shapes

    def keep(self, rows: IntArray) -> DiskShelf:
        """Return the shelf of some rows alone."""
        return replace(self, bounds=self.bounds[rows], place=self.place[rows])

    def groups(self, size: int) -> list[IntArray]:
        """Return the rows, in groups that lie side by side."""
        order = np.argsort(self.place, kind="stable").astype(np.int64)
        return [order[start : start + size] for start in range(0, len(order), size)]


def put_away(frame: gpd.GeoDataFrame, path: Path) -> tuple[gpd.GeoDataFrame, DiskShelf]:
    """Put the shapes of a layer away.

    Parameters
    ----------
    frame : GeoDataFrame
        A checked layer.
    path : pathlib.Path
        File to write.

    Returns
    -------
    frame : GeoDataFrame
        The same without shapes.
    shelf : DiskShelf
        The shapes.

    Raises
    ------
    OSError
        If the disk is full or may not be written to.
    """
    shapes: ObjectArray = frame.geometry.to_numpy()
    order = np.arange(len(frame))
    if len(frame):
        order = np.argsort(frame.geometry.hilbert_distance().to_numpy(), kind="stable")
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_file(file, _SCHEMA) as chunks:
        for start in range(0, len(order), CHUNK):
            wkb = shapely.to_wkb(shapes[order[start : start + CHUNK]])
            chunks.write_batch(pa.record_batch([pa.array(wkb, pa.large_binary())], schema=_SCHEMA))
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    nothing = gpd.GeoSeries([None] * len(frame), index=frame.index, crs=frame.crs)
    return frame.set_geometry(nothing), DiskShelf(path, shapely.bounds(shapes), place)


def with_shapes(frame: gpd.GeoDataFrame, shelf: Shelf | None, rows: IntArray) -> gpd.GeoDataFrame:
    """Return some rows of a layer with their shapes.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer.
    shelf : Shelf or None
        Its shapes, where they are put away.
    rows : ndarray of int64
        Rows.

    Returns
    -------
    GeoDataFrame
        In the order asked for.
    """
    part = frame.iloc[rows]
    if shelf is None:
        return part
    return part.set_geometry(gpd.GeoSeries(shelf.take(rows), index=part.index, crs=frame.crs))


def refuse_shelves(layers: Layers) -> None:
    """Refuse layers whose shapes are put away, where all of them are needed.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Raises
    ------
    ValueError
        If any are.
    """
    if layers.shelves:
        message = "the layers' shapes are put away; read them without shelf_folder"
        raise ValueError(message)
