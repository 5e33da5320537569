"""The two things that pass between stages: checked layers and a finished plan.

Enters: nothing.
Leaves: the frozen dataclasses `Layers` and `Plan`.
Does not do: compute, read or write.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from pyproj import CRS

FloatArray = npt.NDArray[np.float64]


class Shelf(Protocol):
    """Shapes of a layer that are put away, to be fetched by row."""

    @property
    def bounds(self) -> FloatArray:
        """Boxes of all shapes: least x and y, greatest x and y, in metres."""

    def take(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.object_]:
        """Fetch the shapes of some rows, in the order asked for."""


@dataclass(frozen=True)
class Terrain:
    """Ground elevations on a regular grid, in working coordinates.

    ``elevation_m[row, column]`` belongs to the cell centre at
    ``(x0_m + column * dx_m, y0_m + row * dy_m)``; NaN where there is no data.
    """

    elevation_m: FloatArray
    x0_m: float
    y0_m: float
    dx_m: float
    dy_m: float


@dataclass(frozen=True)
class CrsReport:
    """Which CRS is used, and what it does to lengths."""

    project_crs: CRS
    """As the user knows it; outputs are in it."""
    working_crs: CRS
    """The same in metres; all of the middle works in it."""
    unit_to_metre: float
    """Metres in one unit of the project CRS."""
    scale_factor: float
    """Grid length over ground length at the middle of the addresses."""
    was_chosen: bool
    """Whether 'auto' chose it."""


@dataclass(frozen=True)
class Layers:
    """Checked layers in the working CRS, SI, each indexed by its id, sorted and unique.

    Every frame has just the columns of `geoplan.tables.LAYERS` (the id is the index) and
    ``geometry``, and besides those:

    - ``addresses``: ``parcel_id`` and ``building_id`` (text, null where none fits);
    - ``roads``, ``rail``: lines; ``water``, ``sidewalks``, ``driveways``: polygons (lines are
      widened by their width); ``trees``: points;
    - ``spans``: strand spans between two poles, see `SPAN_COLUMNS`.

    A layer that was not brought is an empty frame with the same columns, named in ``absent``.

    ``set_aside`` holds geometry as text: as the file had it, in the layer's own CRS, for rows
    refused by themselves; in the working CRS for those refused for their place among others
    (strands without poles, buildings with the outline of another one).
    """

    parcels: gpd.GeoDataFrame
    addresses: gpd.GeoDataFrame
    poles: gpd.GeoDataFrame
    roads: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    strands: gpd.GeoDataFrame
    power: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    rail: gpd.GeoDataFrame
    water: gpd.GeoDataFrame
    sidewalks: gpd.GeoDataFrame
    driveways: gpd.GeoDataFrame
    pools: gpd.GeoDataFrame
    existing_drops: gpd.GeoDataFrame
    spans: gpd.GeoDataFrame
    terrain: Terrain | None
    absent: tuple[str, ...]
    crs: CrsReport
    findings: pd.DataFrame
    set_aside: pd.DataFrame
    counts: Mapping[str, int]
    """Rows read per layer, before any was set aside."""
    input_sha256: Mapping[str, str]
    shelves: Mapping[str, Shelf] = field(default_factory=dict)
    """Layers whose shapes are put away; their frames hold no geometry but None."""


SPAN_COLUMNS = (
    "strand_id",
    "from_pole_id",
    "to_pole_id",
    "length_m",
    "strand_basis",
    "height_m",
    "size",
    "condition",
)
"""Columns of ``Layers.spans``; index ``strand_span_id``; geometry runs from pole to pole."""


@dataclass(frozen=True)
class Plan:
    """A finished plan: declared tables, the layers behind them, and the figures of the choice.

    Frames are named as in `geoplan.tables.TABLES`, sorted by their keys, with a plain range
    index; geometries are in the working CRS. Tables of the work are None until they are worked
    out (`geoplan.office`).
    """

    project: Any
    layers: Layers
    drops: gpd.GeoDataFrame
    air_spans: gpd.GeoDataFrame
    crossings: gpd.GeoDataFrame
    hazards: gpd.GeoDataFrame
    unserved: gpd.GeoDataFrame
    terminals: gpd.GeoDataFrame
    alternatives: gpd.GeoDataFrame
    stringing: pd.DataFrame
    set_aside: pd.DataFrame
    findings: pd.DataFrame
    optimality: Mapping[str, Any]
    """Served count, cost, dual bound, gap, certificate, drop crossings before and after."""
    standards: Mapping[str, Any]
    """Rule set, wire and load cases by name, with what the rules don't cover."""
    unchecked: tuple[str, ...]
    """Sentences that say what was not checked, and why."""
    timings_s: Mapping[str, float]
    """Seconds per stage; shown on the terminal, never written into outputs."""
    jobs: gpd.GeoDataFrame | None = None
    work_places: gpd.GeoDataFrame | None = None
    crossing_audit: gpd.GeoDataFrame | None = None
    drop_materials: pd.DataFrame | None = None
    day_materials: pd.DataFrame | None = None
    materials: pd.DataFrame | None = None
    reels: pd.DataFrame | None = None
    reel_cuts: pd.DataFrame | None = None
    crew_days: pd.DataFrame | None = None
    crew_stops: gpd.GeoDataFrame | None = None
    work: Mapping[str, Any] | None = None
    """Figures about the work as a whole: bounds of the reel plan, rules in force, cautions."""
