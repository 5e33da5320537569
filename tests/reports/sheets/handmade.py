"""Tables of the work filled in by hand to their declaration, for plans without the real ones."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.tables import TABLES

_DTYPE = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}
DAY = 12


def declared(name: str, columns: dict[str, object], geometry: object = None, crs: object = None):
    """Return a frame with just the declared columns; what isn't given is unknown."""
    table = TABLES[name]
    count = len(next(iter(columns.values())))
    empty = {"text": None, "float": np.nan, "int": 0, "bool": False}
    frame = pd.DataFrame(
        {
            column.name: pd.Series(
                list(columns.get(column.name, [empty[column.kind]] * count)),
                dtype=_DTYPE[column.kind],
            )
            for column in table.columns
        }
    )
    if geometry is None:
        return frame.sort_values(list(table.key), ignore_index=True)
    frame = gpd.GeoDataFrame(frame, geometry=list(geometry), crs=crs)
    return frame.sort_values(list(table.key), ignore_index=True)


def with_hand_work(plan: Plan) -> Plan:
    """Return the plan with jobs, places, materials, reels and stops made by hand."""
    drops, crs = plan.drops, plan.drops.crs
    count = len(drops)
    clamp = np.isfinite(drops["clamp_at_m"])
    street = drops["is_street_crossing"]
    kind = np.select(
        [street & clamp, street, clamp],
        ["street_crossing_span_clamp", "street_crossing", "span_clamp"],
        "same_side",
    )
    bucket = drops["strand_ladder"].notna() & drops["strand_ladder"].ne("allowed")
    road = plan.crossings[plan.crossings["crossing_kind"].eq("road")]
    road = road.groupby("address_id")["feature_id"].first().reindex(drops["address_id"])
    wire = drops["wire_arc_m"] + drops["strand_run_m"] * 1.02 + 6.0 + 1.2 + 1.5
    day = [f"D{1 + n // DAY:03d}-1p" if n % 7 else None for n in range(count)]
    ids = drops["address_id"].tolist()
    air = plan.air_spans.geometry
    ends = shapely.get_coordinates(air.to_numpy()).reshape(-1, 2, 2)
    jobs = declared(
        "jobs",
        {
            "address_id": ids,
            "terminal_id": drops["terminal_id"],
            "label": drops["label"],
            "job_kind": kind,
            "road_id": road.to_numpy(),
            "first_port": [1 + n % 5 for n in range(count)],
            "last_port": [1 + n % 5 for n in range(count)],
            "building_run_m": [6.0] * count,
            "air_arc_m": drops["wire_arc_m"],
            "strand_wire_m": drops["strand_run_m"] * 1.02,
            "pole_run_m": [1.2] * count,
            "loops_m": [1.5] * count,
            "wire_m": wire,
            "supply": ["bulk"] * count,
            "cut_length_m": np.ceil(wire),
            "drawn_m": np.ceil(wire),
            "coil_m": np.ceil(wire) - wire,
            "coil_at": ["at the network interface"] * count,
            "ground_path_m": np.where(street, drops["air_span_m"] + 4.0, np.nan),
            "hand_line_m": 2 * drops["hook_height_m"],
            "hand_line_house_m": np.where(street, drops["hook_height_m"], np.nan),
            "crew_size": np.where(street, 2, 1),
            "crew_reasons": np.where(street, "two: crosses a road, hand-made", "one: hand-made"),
            "traffic_class": np.where(street, "flaggers", "none"),
            "traffic_reasons": np.where(street, "speed above the limit", "no road"),
            "sign_1_m": np.where(street, 30.48, np.nan),
            "sign_2_m": np.where(street, 30.48, np.nan),
            "sign_3_m": np.where(street, 30.48, np.nan),
            "power_approach": ["none"] * count,
            "is_over_street": street,
            "is_bucket_job": bucket,
            "is_owner_permit_needed": [False] * count,
            "work_s": [3000.0] * count,
            "crew_day_id": day,
        },
        shapely.points(ends[:, 1]),
        crs,
    )
    places = {
        "address_id": [*ids, *ids, *ids],
        "place": [*np.where(bucket, "bucket", "ladder"), *["reel"] * count,
                  *["house_ladder"] * count],
        "note": [*["On the field side"] * count, *["Out of the way"] * count, *[None] * count],
    }  # fmt: skip
    at = np.vstack([ends[:, 0] + 0.05 * (ends[:, 1] - ends[:, 0]), ends[:, 1] + 1.0, ends[:, 1]])
    stops = [n for n in range(count) if day[n] is not None]
    return dataclasses.replace(
        plan,
        jobs=jobs,
        work_places=declared("work_places", places, shapely.points(at), crs),
        drop_materials=declared(
            "drop_materials",
            {
                "address_id": [*ids, *ids],
                "item": [*["drop_clamp"] * count, *["wire"] * count],
                "title": [*["Drop clamp"] * count, *["Drop wire"] * count],
                "quantity": [*[2.0] * count, *np.ceil(wire)],
                "unit": [*["each"] * count, *["m"] * count],
            },
        ),
        reel_cuts=declared(
            "reel_cuts",
            {
                "reel_id": [f"R{n // 8:02d}" for n in range(count)],
                "cut": [1 + n % 8 for n in range(count)],
                "address_id": ids,
                "from_m": [0.0] * count,
                "to_m": np.ceil(wire),
                "crew_day_id": day,
            },
        ),
        crew_stops=declared(
            "crew_stops",
            {
                "crew_day_id": [day[n] for n in stops],
                "stop": [1 + n % DAY for n in stops],
                "address_id": [ids[n] for n in stops],
            },
            shapely.points(ends[stops, 1]),
            crs,
        ),
    )
