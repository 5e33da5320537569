"""Plots in a row, built from plain figures: a pole, a house, and what lies between them.

Every plot has its own strip of land, so that no air span meets what belongs to another. All
distances are along the air span, from the pole straight to the middle of the house's near wall.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.clearance.demands import Demands, build_demands
from geoplan.clearance.final import Final, finish, fixed_sag, tune_sags
from geoplan.clearance.heights import choose_heights
from geoplan.clearance.hung import Hung
from geoplan.clearance.supports import Ends, Supports, build_supports, find_ends
from geoplan.model import SPAN_COLUMNS, CrsReport, Layers, Terrain
from geoplan.project import Project
from geoplan.routes.air_spans import WALL_FACE, AirSpans
from geoplan.routes.crossings import Crossings, find_crossings
from geoplan.routes.index import PlantIndex, build_index
from geoplan.standards import Standards, load_standards
from geoplan.tables import TABLES
from tests.towns import CRS_M, layer_frame

APART_M = 200.0
ORIGIN = (500_000.0, 4_000_000.0)
STRAND_HALF_M = 20.0


@dataclass(frozen=True)
class Plot:
    """One air span and all it meets; metres, heights above the ground right below."""

    span_m: float
    strand_m: float | None = 6.4
    power_on_pole_m: float | None = None
    eave_m: float | None = 4.5
    top_m: float | None = 7.0
    road: tuple[float, float] | None = None
    """Distance of the middle, and width."""
    road_class: str = "residential"
    walk: tuple[float, float] | None = None
    driveway: tuple[float, float] | None = None
    pool: tuple[float, float] | None = None
    water: tuple[float, float] | None = None
    rail: tuple[float, float] | None = None
    roof: tuple[float, float] | None = None
    roof_top_m: float | None = 3.0
    roof_slope_deg: float | None = None
    power_at_m: float | None = None
    power_m: float | None = None
    power_kind: str = "supply_line"
    voltage_v: float | None = None
    strand_lowest_m: float | None = None
    strand_size: str | None = "6m_5_16"
    strand_condition: str | None = "good"
    clamp_m: float | None = None
    """Place of a span clamp from the west pole of a strand 40 m long; None: from the pole."""
    pole_ground_m: float | None = None
    east_ground_m: float | None = None
    building_ground_m: float | None = None


@dataclass(frozen=True)
class Place:
    """Everything that the functions of the room take."""

    plots: list[Plot]
    layers: Layers
    project: Project
    standards: Standards
    index: PlantIndex
    supports: Supports
    demands: Demands
    air: AirSpans
    crossings: Crossings

    def ends(self) -> Ends:
        return find_ends(self.air, self.index, self.supports, self.project.heights.clamp_settlement)

    def hung(self) -> Hung:
        return choose_heights(
            self.air,
            self.crossings,
            self.index,
            self.supports,
            self.demands,
            self.standards,
            self.project,
        )

    def final(self, hung: Hung | None = None, *, tune: bool = True) -> Final:
        hung = hung or self.hung()
        work = (
            self.air,
            self.crossings,
            hung,
            self.ends(),
            self.index,
            self.supports,
            self.demands,
            self.standards,
            self.project,
        )
        sag = tune_sags(*work) if tune else fixed_sag(self.air, hung, self.standards)
        return finish(*work, sag)

    def taken(self, rows: np.ndarray) -> Place:
        """Keep some air spans with what they meet."""
        place = np.full(len(self.air), -1, dtype=np.int64)
        place[rows] = np.arange(len(rows))
        met = self.crossings.take(place[self.crossings.air] >= 0)
        met = dataclasses.replace(met, air=place[met.air])
        plots = [self.plots[row] for row in rows]
        return dataclasses.replace(self, plots=plots, air=self.air.take(rows), crossings=met)


@dataclass
class _Shapes:
    """Geometry and columns of one layer, gathered plot by plot."""

    geometry: list[Any] = field(default_factory=list)
    columns: dict[str, list[Any]] = field(default_factory=dict)

    def add(self, geometry: Any, **columns: Any) -> None:
        self.geometry.append(geometry)
        for name, value in columns.items():
            self.columns.setdefault(name, []).append(value)


def plane(slope_east: float, slope_north: float, *, count: int, height: float = 100.0) -> Terrain:
    """Return a plane of ground under all plots; bilinear sampling gives it exactly."""
    x = ORIGIN[0] - 100.0 + 20.0 * np.arange(int(count * APART_M / 20) + 10)
    y = ORIGIN[1] - 100.0 + 20.0 * np.arange(20)
    ground = height + slope_east * (x - ORIGIN[0]) + slope_north * (y[:, None] - ORIGIN[1])
    return Terrain(ground, float(x[0]), float(y[0]), 20.0, 20.0)


def build_place(plots: list[Plot], terrain: Terrain | None = None, **project: Any) -> Place:
    """Build layers from plots and run everything up to the choice of heights."""
    settings = Project(layers={}, **project)
    layers = _layers(plots, terrain)
    limits = settings.limits
    index = build_index(layers, near_power_m=limits.near_power, near_tree_m=limits.near_tree)
    standards = load_standards(settings)
    air = _air(plots)
    return Place(
        plots,
        layers,
        settings,
        standards,
        index,
        build_supports(layers, index, settings, standards),
        build_demands(layers, settings.heights, standards.rule_set),
        air,
        find_crossings(
            air,
            index,
            near_power_m=limits.near_power,
            near_pool_m=limits.near_pool,
            near_tree_m=limits.near_tree,
            min_lot_overlap_m=limits.min_lot_overlap,
        ),
    )


def _left(number: int) -> float:
    return ORIGIN[0] + APART_M * number


def _air(plots: list[Plot]) -> AirSpans:
    count = len(plots)
    number = np.arange(count, dtype=np.int64)
    clamp = np.array([np.nan if plot.clamp_m is None else plot.clamp_m for plot in plots])
    is_clamp = np.isfinite(clamp)
    x = ORIGIN[0] + APART_M * number
    sx = np.where(is_clamp, x - STRAND_HALF_M + np.nan_to_num(clamp), x)
    return AirSpans(
        number,
        np.where(is_clamp, -1, 3 * number),
        np.where(is_clamp, number, -1),
        clamp,
        sx,
        np.full(count, ORIGIN[1]),
        sx,
        ORIGIN[1] + np.array([plot.span_m for plot in plots]),
        _own_rows(plots),
        np.full(count, WALL_FACE, dtype=np.int64),
        np.full(count, 90.0),
    )


def _own_rows(plots: list[Plot]) -> np.ndarray:
    """Rows of the houses: a plot's roof in between stands right after its house."""
    extra = np.array([plot.roof is not None for plot in plots], dtype=np.int64)
    return np.arange(len(plots), dtype=np.int64) + np.cumsum(extra) - extra


def _layers(plots: list[Plot], terrain: Terrain | None) -> Layers:
    shapes = {
        name: _Shapes()
        for name in (
            "addresses",
            "poles",
            "buildings",
            "roads",
            "sidewalks",
            "driveways",
            "pools",
            "water",
            "rail",
            "power",
        )
    }
    for number, plot in enumerate(plots):
        _add(shapes, plot, _left(number), ORIGIN[1])
    frames = {
        name: layer_frame(name, part.geometry, **part.columns) for name, part in shapes.items()
    }
    addresses, buildings = frames.pop("addresses"), frames["buildings"]
    own = buildings.index[_own_rows(plots)].to_numpy(dtype=object)
    addresses = addresses.assign(parcel_id=None, building_id=own).astype(
        {"parcel_id": "str", "building_id": "str"}
    )
    empty = {
        name: pd.DataFrame(columns=list(TABLES[name].column_names))
        for name in ("findings", "set_aside")
    }
    return Layers(
        parcels=layer_frame("parcels", []),
        addresses=addresses,
        **frames,
        strands=layer_frame("strands", []),
        trees=layer_frame("trees", []),
        existing_drops=layer_frame("existing_drops", []),
        spans=_spans(plots, frames["poles"]),
        terrain=terrain,
        absent=(),
        crs=CrsReport(CRS_M, CRS_M, 1.0, 1.0, was_chosen=False),
        findings=empty["findings"],
        set_aside=empty["set_aside"],
        counts={},
        input_sha256={},
    )


def _add(shapes: dict[str, _Shapes], plot: Plot, x: float, y: float) -> None:
    def across(part: tuple[float, float]) -> Any:
        return shapely.box(x - 40.0, y + part[0], x + 40.0, y + part[1])

    end = y + plot.span_m
    shapes["addresses"].add(shapely.Point(x, end + 5.0), ports_needed=1)
    # The plot's own pole in the middle, then the west and the east pole of its strand.
    for dx, ground in (
        (0.0, plot.pole_ground_m),
        (-STRAND_HALF_M, plot.pole_ground_m),
        (STRAND_HALF_M, plot.east_ground_m),
    ):
        shapes["poles"].add(
            shapely.Point(x + dx, y),
            strand_height_m=plot.strand_m,
            power_height_m=plot.power_on_pole_m,
            ground_m=ground,
            ports_total=8,
        )
    shapes["buildings"].add(
        shapely.box(x - 25.0, end, x + 25.0, end + 10.0),
        eave_height_m=plot.eave_m,
        height_m=plot.top_m,
        roof_slope_deg=None,
        ground_m=plot.building_ground_m,
    )
    if plot.roof is not None:
        shapes["buildings"].add(
            across(plot.roof),
            eave_height_m=None,
            height_m=plot.roof_top_m,
            roof_slope_deg=plot.roof_slope_deg,
            ground_m=None,
        )
    for name in ("walk", "driveway", "pool", "water"):
        part = getattr(plot, name)
        if part is not None:
            layer = {"walk": "sidewalks", "driveway": "driveways", "pool": "pools"}.get(name, name)
            shapes[layer].add(across(part))
    for name, part in (("roads", plot.road), ("rail", plot.rail)):
        if part is not None:
            line = shapely.LineString([(x - 60.0, y + part[0]), (x + 60.0, y + part[0])])
            more = {"road_class": plot.road_class} if name == "roads" else {}
            shapes[name].add(line, width_m=part[1], **more)
    if plot.power_at_m is not None:
        at = y + plot.power_at_m
        shapes["power"].add(
            shapely.LineString([(x - 60.0, at), (x + 60.0, at)]),
            power_kind=plot.power_kind,
            height_m=plot.power_m,
            voltage_v=plot.voltage_v,
        )


def _spans(plots: list[Plot], poles: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    count = len(plots)
    west, east = poles.index[1::3], poles.index[2::3]
    lines = [
        shapely.LineString([a, b])
        for a, b in zip(poles.geometry[west], poles.geometry[east], strict=True)
    ]
    ids = pd.Index([f"sp{row:03d}" for row in range(count)], name="strand_span_id", dtype="str")
    frame = gpd.GeoDataFrame(
        {
            "strand_id": pd.Series(ids, dtype="str").to_numpy(),
            "from_pole_id": west.to_numpy(),
            "to_pole_id": east.to_numpy(),
            "length_m": np.full(count, 2 * STRAND_HALF_M),
            "strand_basis": "measured",
            "height_m": pd.Series([p.strand_lowest_m for p in plots], dtype="float64").to_numpy(),
            "size": pd.Series([p.strand_size for p in plots], dtype="str").to_numpy(),
            "condition": pd.Series([p.strand_condition for p in plots], dtype="str").to_numpy(),
        },
        geometry=gpd.GeoSeries(lines, index=ids, crs=CRS_M),
        index=ids,
    )
    return frame[[*SPAN_COLUMNS, "geometry"]]
