"""Jobs made by hand for the schedule, the reels and the materials: invented places and figures."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from geoplan.project import Project, project_from_dict
from geoplan.text_columns import texts

METRIC = CRS.from_epsg(32615)
LAYERS = {name: f"{name}.gpkg" for name in ("parcels", "addresses", "poles", "roads")}
KINDS = ("same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp")


def project(**sections: Any) -> Project:
    return project_from_dict({"layers": LAYERS, "units": "metric", **sections}, base=Path("/x"))


def town_jobs(count: int, seed: int = 1, *, side_m: float = 2000.0) -> gpd.GeoDataFrame:
    """Return jobs of a town of straight roads 100 m apart, a third of them over a road."""
    random = np.random.default_rng(seed)
    x, y = np.round(random.uniform(0, side_m, (2, count)), 2)
    kind = random.choice(4, count, p=[0.4, 0.3, 0.2, 0.1])
    crosses = kind >= 2
    traffic = np.where(crosses, random.choice(["short_stop", "flaggers"], count), "none")
    ports = np.ones(count, dtype=np.int64)
    air_m = np.round(random.uniform(15, 60, count), 2)
    strand_m = np.where(kind % 2 == 1, np.round(random.uniform(5, 70, count), 2), 0.0)
    return gpd.GeoDataFrame(
        {
            "address_id": [f"A{number:06d}" for number in range(count)],
            "job_kind": np.array(KINDS)[kind],
            "road_id": texts([f"road {round(value / 100):03d}" for value in y]),
            "first_port": ports,
            "last_port": ports,
            "building_run_m": 6.0,
            "air_arc_m": air_m,
            "strand_wire_m": strand_m,
            "supply": "bulk",
            "cut_length_m": np.ceil(air_m + strand_m + 9.0),
            "drawn_m": np.ceil(air_m + strand_m + 9.0) + np.where(crosses, 1.3, 0.0),
            "coil_m": 0.0,
            "flaggers": np.where(traffic == "flaggers", 2, 0),
            "crew_size": np.where(traffic == "flaggers", 2, 1),
            "traffic_class": traffic,
            "flaggers_below": np.where(crosses, 2, 0),
            "span_drops_first": texts(np.full(count, None, dtype=object)),
            "work_s": np.array([3000.0, 4200.0, 4500.0, 5400.0])[kind],
            "crew_day_id": texts(np.full(count, None, dtype=object)),
        },
        geometry=gpd.points_from_xy(x, y),
        crs=METRIC,
    )


def town_plan(
    jobs: gpd.GeoDataFrame,
    *,
    side_m: float = 2000.0,
    spans: list[str | None] | None = None,
    **sections: Any,
) -> Any:
    """Return what the stores need of a plan with these jobs."""
    import shapely

    rows = np.arange(0, side_m + 50, 100)
    ends = np.stack([np.column_stack([np.full(len(rows), x), rows]) for x in (0, side_m)], axis=1)
    roads = gpd.GeoDataFrame(
        geometry=shapely.linestrings(ends),
        index=pd.Index([f"road {round(y / 100):03d}" for y in rows], name="road_id"),
        crs=METRIC,
    )
    return SimpleNamespace(
        project=project(**sections),
        layers=SimpleNamespace(roads=roads, crs=SimpleNamespace(unit_to_metre=1.0)),
        drops=pd.DataFrame(
            {
                "address_id": jobs["address_id"].array,
                "ports_needed": 1,
                "strand_span_id": pd.array(spans or [None] * len(jobs), dtype="str"),
            }
        ),
    )
