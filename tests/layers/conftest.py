"""A hamlet on invented ground, built from code, and its project."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box

from geoplan.model import Layers
from geoplan.project import Project, project_from_dict
from geoplan.tables import LAYERS

EAST, NORTH = 600_000.0, 1_000_000.0
"""Corner of the hamlet in UTM zone 15 north: open ocean."""
CRS = "EPSG:32615"

Frames = dict[str, gpd.GeoDataFrame]


def frame(geometry: list[Any], crs: str = CRS, **columns: list[Any]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=crs)


def at(x: float, y: float) -> Point:
    return Point(EAST + x, NORTH + y)


def line(*xy: tuple[float, float]) -> LineString:
    return LineString([(EAST + x, NORTH + y) for x, y in xy])


def outline(*xy: tuple[float, float]) -> Polygon:
    return Polygon([(EAST + x, NORTH + y) for x, y in xy])


def rectangle(x: float, y: float, width: float, depth: float) -> Polygon:
    return box(EAST + x, NORTH + y, EAST + x + width, NORTH + y + depth)


def build_hamlet() -> Frames:
    """Four lots north of one road, three poles along it."""
    lots = range(4)

    return {
        "parcels": frame(
            [rectangle(20.0 * i, 8.0, 20.0, 35.0) for i in lots],
            parcel_id=[f"L{i}" for i in lots],
            owner=["Ostrà Vell", 'The "Quay" Trust', "Orrin, Pell & Daughters", None],
        ),
        "addresses": frame(
            [at(20.0 * i + 10.0, 20.5) for i in lots],
            address_id=[f"A{i}" for i in lots],
            label=[f"{i} Tarn Wend" for i in lots],
            ports_needed=[1, 1, 2, 1],
        ),
        "poles": frame(
            [at(40.0 * i, 6.0) for i in range(3)],
            pole_id=["P0", "P1", "P2"],
            height_m=[9.0, 9.5, 10.25],
            strand_height_m=[6.0, 6.1, 6.2],
            ports_total=[4, 0, 6],
            ports_in_use=[1, 0, 2],
            ports_reserved=[0, 0, 1],
        ),
        "roads": frame(
            [line((-20.0, 0.0), (100.0, 0.0))],
            road_id=["R0"],
            name=["Tarn Wend"],
            road_class=["residential"],
            width_m=[8.0],
        ),
    }


WRITERS: dict[str, Callable[[gpd.GeoDataFrame, Path], Any]] = {
    "gpkg": lambda frame, path: frame.to_file(path, driver="GPKG"),
    "shp": lambda frame, path: frame.rename(columns=lambda name: str(name)[:10]).to_file(path),
    "geojson": lambda frame, path: frame.to_file(path, driver="GeoJSON", COORDINATE_PRECISION=9),
    "fgb": lambda frame, path: frame.to_file(path, driver="FlatGeobuf", SPATIAL_INDEX="NO"),
    "parquet": lambda frame, path: frame.to_parquet(path),
    "csv": lambda frame, path: (
        frame.drop(columns="geometry").assign(wkt=frame.geometry.to_wkt()).to_csv(path, index=False)
    ),
}


class Desk:
    """Draws on the hamlet's ground, writes frames to files and names them in a project."""

    crs, east, north = CRS, EAST, NORTH
    at, line, outline, rectangle = map(staticmethod, (at, line, outline, rectangle))
    frame, hamlet = map(staticmethod, (frame, build_hamlet))
    formats = tuple(WRITERS)

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def project(
        self,
        frames: Frames,
        kind: str = "parquet",
        entries: dict[str, dict[str, Any]] | None = None,
        **settings: Any,
    ) -> Project:
        layers: dict[str, Any] = {}
        for name, frame in frames.items():
            path = self.folder / f"{name}.{kind}"
            WRITERS[kind](frame, path)
            layers[name] = {"source": path.name}
            if kind == "csv":
                layers[name]["crs"] = str(frame.crs)
        for name, entry in (entries or {}).items():
            layers[name] = {**layers.get(name, {}), **entry}
        return project_from_dict(
            {"crs": CRS, "layers": layers, **settings}, base=self.folder.resolve()
        )


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.fixture
def hamlet() -> Frames:
    return build_hamlet()


@pytest.fixture
def outcome() -> Callable[[Layers], dict[str, Any]]:
    """Everything that layers hold but checksums, in a form that compares."""
    return _outcome


def _outcome(layers: Layers) -> dict[str, Any]:
    told: dict[str, Any] = {"counts": dict(layers.counts), "absent": layers.absent}
    for name in (*LAYERS, "spans"):
        table = getattr(layers, name)
        wkt = shapely.to_wkt(shapely.normalize(table.geometry.to_numpy()), rounding_precision=3)
        told[name] = (
            pd.DataFrame(table.drop(columns="geometry")).round(6).assign(wkt=wkt).reset_index()
        )
    return {**told, "findings": layers.findings, "set_aside": layers.set_aside}
