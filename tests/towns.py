"""Small random towns, built from code, with every layer and nothing in its proper place."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geoplan.layers.locate import locate_addresses
from geoplan.model import SPAN_COLUMNS, CrsReport, Layers
from geoplan.tables import LAYERS, TABLES

CRS_M = CRS.from_epsg(32615)
DTYPES = {"text": "str", "float": "float64", "int": "int64"}


def layer_frame(name: str, geometry: list, **columns: object) -> gpd.GeoDataFrame:
    """Build a layer with all its declared columns; those not given are null or 0."""
    declared = LAYERS[name]
    count = len(geometry)
    data = {}
    for column in declared.columns:
        if column.name == declared.id_column:
            continue
        given = columns.get(column.name)
        if given is None:
            given = [column.default if column.default is not None else 0] * count
            given = given if column.kind == "int" else [None] * count
        data[column.name] = pd.Series(given, dtype=DTYPES[column.kind])
    index = pd.Index(
        [f"{name[:2]}{row:03d}" for row in range(count)], name=declared.id_column, dtype="str"
    )
    frame = pd.DataFrame(data)
    frame.index = index
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(geometry, index=index, crs=CRS_M))


def _boxes(rng: np.random.Generator, count: int, low: float, high: float) -> list:
    boxes = []
    for _ in range(count):
        x, y = rng.uniform(0, 200, 2)
        w, h = rng.uniform(low, high, 2)
        boxes.append(shapely.affinity.rotate(shapely.box(x, y, x + w, y + h), rng.uniform(0, 90)))
    return boxes


def _paths(rng: np.random.Generator, count: int) -> list:
    return [
        shapely.LineString(rng.uniform(0, 200, (int(rng.integers(2, 5)), 2))) for _ in range(count)
    ]


def random_town(rng: np.random.Generator) -> Layers:
    """Scatter features of every layer over 200 m by 200 m."""
    parcels = layer_frame(
        "parcels", [shapely.box(x, y, x + 25, y + 40) for x in (0, 60, 120) for y in (0, 70, 140)]
    )
    inside = [geometry.centroid for geometry in parcels.geometry]
    addresses = layer_frame("addresses", inside, ports_needed=[1] * len(inside))
    buildings = layer_frame("buildings", _boxes(rng, 8, 6, 15))
    parcel, building = locate_addresses(addresses, parcels, buildings, max_building_distance_m=40.0)
    poles = layer_frame(
        "poles", list(shapely.points(rng.uniform(0, 200, (12, 2)))), ports_total=[4, 0, 0] * 4
    )
    spans = gpd.GeoDataFrame(
        {
            name: pd.Series(dtype="float64" if name.endswith("_m") else "str")
            for name in SPAN_COLUMNS
        },
        geometry=gpd.GeoSeries([], crs=CRS_M),
    )
    trees = list(shapely.points(rng.uniform(0, 200, (15, 2))))
    empty = {
        name: pd.DataFrame(columns=list(TABLES[name].column_names))
        for name in ("findings", "set_aside")
    }
    return Layers(
        parcels=parcels,
        addresses=addresses.assign(parcel_id=parcel, building_id=building),
        poles=poles,
        roads=layer_frame(
            "roads", _paths(rng, 3), width_m=rng.uniform(4, 12, 3), road_class=["residential"] * 3
        ),
        buildings=buildings,
        strands=layer_frame("strands", []),
        power=layer_frame("power", _paths(rng, 3), power_kind=["supply_line"] * 3),
        trees=layer_frame("trees", trees, crown_radius_m=rng.uniform(1, 5, 15)),
        rail=layer_frame("rail", _paths(rng, 1), width_m=[6.0]),
        water=layer_frame("water", _boxes(rng, 2, 5, 40)),
        sidewalks=layer_frame("sidewalks", _boxes(rng, 4, 2, 50)),
        driveways=layer_frame("driveways", _boxes(rng, 5, 3, 12)),
        pools=layer_frame("pools", _boxes(rng, 4, 3, 8)),
        existing_drops=layer_frame("existing_drops", _paths(rng, 3)),
        spans=spans,
        terrain=None,
        absent=(),
        crs=CrsReport(CRS_M, CRS_M, 1.0, 1.0, was_chosen=False),
        findings=empty["findings"],
        set_aside=empty["set_aside"],
        counts={},
        input_sha256={},
    )
