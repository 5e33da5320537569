"""A plan of a dozen drops in the invented place of Fenmoor Quay, built by hand."""

from __future__ import annotations

import dataclasses
import itertools
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS
from pyproj.crs import ProjectedCRS

from geoplan.model import SPAN_COLUMNS, CrsReport, Layers, Plan
from geoplan.project import Project, project_from_dict
from geoplan.tables import LAYERS, TABLES, Column, CrossingKind, RouteKind
from geoplan.work_tables import WORK_TABLES

FOOT_M = 1200.0 / 3937.0
X0_M = 3_500_000.0 * FOOT_M
Y0_M = 600_000.0 * FOOT_M
PITCH_M = 20.0
HOUSES = 14

SCRIPT = "<script>window.bad = 1</script>"
HOSTILE = (
    f"{SCRIPT} & \"quotes\" 'single'",
    '=HYPERLINK("x","y")',
    "+49 main",
    "-12 back lane",
    "@SUM(A1)",
    "\tTab first",
    "line\nbreak\r\nand more",
    "{{ 7 * 7 }}{% raw %}{# note #}",
    "Gro\u00dfe Stra\u00dfe \u6771\u4eac \U0001f6b2 \u2028 end",
    "</script><img src=x onerror='window.bad=1'>",
    "n" * 10_000,
    "NUL\x00inside",
)
_EMPTY = {"text": None, "float": np.nan, "int": 0, "bool": False}
_DTYPE = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}


def project(units: str = "us", name: str = f"Fenmoor Quay {SCRIPT}") -> Project:
    """Return a project with defaults."""
    layers = {layer: f"{layer}.gpkg" for layer in ("parcels", "addresses", "poles", "roads")}
    return project_from_dict({"name": name, "units": units, "layers": layers}, base=Path("/data"))


def crs_report(*, feet: bool = True) -> CrsReport:
    """Return a CRS in US survey feet, or the same in metres."""
    in_feet = CRS.from_epsg(2264)
    in_metres = ProjectedCRS(in_feet.coordinate_operation, geodetic_crs=in_feet.geodetic_crs)
    if feet:
        return CrsReport(in_feet, in_metres, FOOT_M, 0.9999, was_chosen=False)
    return CrsReport(in_metres, in_metres, 1.0, 0.9999, was_chosen=True)


def typed(rows: list[dict[str, Any]], columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return rows with just the declared columns in their declared types."""
    return pd.DataFrame(
        {
            column.name: pd.Series(
                [row.get(column.name, _EMPTY[column.kind]) for row in rows],
                dtype=_DTYPE[column.kind],
            )
            for column in columns
        }
    )


def table(name: str, rows: list[dict[str, Any]], crs: CRS) -> pd.DataFrame:
    """Return one table of a plan."""
    declared = TABLES[name]
    frame = typed(rows, declared.columns).assign(position=range(len(rows)))
    frame = frame.sort_values(list(declared.key), kind="stable", ignore_index=True)
    order = frame.pop("position")
    if declared.geometry == "none":
        return frame
    shapes = [row["geometry"] for row in rows]
    geometry = gpd.GeoSeries([shapes[number] for number in order], crs=crs)
    return gpd.GeoDataFrame(frame, geometry=geometry, crs=crs)


def layer(name: str, rows: list[dict[str, Any]], crs: CRS) -> gpd.GeoDataFrame:
    """Return one checked layer, indexed by its id."""
    declared = LAYERS[name]
    frame = typed(rows, declared.columns).set_index(declared.id_column)
    geometry = gpd.GeoSeries([row["geometry"] for row in rows], index=frame.index, crs=crs)
    return gpd.GeoDataFrame(frame, geometry=geometry, crs=crs).sort_index()


def point(x: float, y: float) -> shapely.Point:
    return shapely.Point(X0_M + x, Y0_M + y)


def line(*places: tuple[float, ...]) -> shapely.LineString:
    return shapely.LineString([(X0_M + x, Y0_M + y, *rest) for x, y, *rest in places])


def box(x: float, y: float, width: float, height: float) -> shapely.Polygon:
    return shapely.box(X0_M + x, Y0_M + y, X0_M + x + width, Y0_M + y + height)


def _house_x(number: int) -> float:
    return 10.0 + PITCH_M * (number // 2)


def _house_y(number: int) -> float:
    return 20.0 if number % 2 == 0 else -20.0


def _layers(crs: CrsReport) -> Layers:
    metres = crs.working_crs
    pole_x = [0.0, 40.0, 80.0, 120.0, 160.0]
    poles = [
        {
            "pole_id": f"P{number}",
            "height_m": 10.7,
            "ports_total": 8 if number % 2 == 0 else 0,
            "geometry": point(x, 6.0),
        }
        for number, x in enumerate(pole_x)
    ]
    numbers = range(HOUSES)
    rows = {
        "parcels": [
            {
                "parcel_id": f"L{n:02d}",
                "geometry": box(_house_x(n) - 10, 8 if n % 2 == 0 else -38, 20, 30),
            }
            for n in numbers
        ],
        "addresses": [
            {"address_id": f"A{n:02d}", "geometry": point(_house_x(n), _house_y(n))}
            for n in numbers
        ],
        "poles": poles,
        "roads": [
            {
                "road_id": "R1",
                "name": f"Heron Street {SCRIPT}",
                "road_class": "residential",
                "width_m": 8.0,
                "geometry": line((-20, 0), (180, 0)),
            },
            {
                "road_id": "R2",
                "name": "Alder Road",
                "road_class": "collector",
                "width_m": 9.0,
                "geometry": line((-15, -60), (-15, 60)),
            },
        ],
        "buildings": [
            {"building_id": f"B{n:02d}", "geometry": box(_house_x(n) - 5, _house_y(n) - 4, 10, 8)}
            for n in numbers
        ],
        "trees": [{"tree_id": "T1", "crown_radius_m": 3.0, "geometry": point(52, 12)}],
        "power": [
            {"power_id": "E1", "power_kind": "supply_line", "geometry": line((0, 7), (160, 7))}
        ],
        "sidewalks": [{"sidewalk_id": "S1", "width_m": 1.5, "geometry": box(-10, 6.5, 180, 1.5)}],
        "pools": [{"pool_id": "W1", "geometry": box(64, 30, 6, 4)}],
    }
    frames = {name: layer(name, rows.get(name, []), metres) for name in LAYERS}
    frames["addresses"] = frames["addresses"].assign(parcel_id=None, building_id=None)
    spans = gpd.GeoDataFrame(
        [
            (f"S:{n}", "S", f"P{n}", f"P{n + 1}", 40.0, "inferred", np.nan, None, None)
            for n in range(len(pole_x) - 1)
        ],
        columns=["strand_span_id", *SPAN_COLUMNS],
        geometry=[line((a, 6), (b, 6)) for a, b in itertools.pairwise(pole_x)],
        crs=metres,
    ).set_index("strand_span_id")
    return Layers(
        **frames,
        spans=spans,
        terrain=None,
        absent=("strands", "rail", "water", "driveways", "existing_drops", "terrain"),
        crs=crs,
        findings=table("findings", [], metres),
        set_aside=table("set_aside", [], metres),
        counts={"addresses": HOUSES + 1, "poles": 5, "parcels": HOUSES, "roads": 2},
        input_sha256={"addresses": "ab" * 32, "poles": "cd" * 32},
    )


def _drop(number: int) -> dict[str, Any]:
    kind = list(RouteKind)[number % 4]
    terminal = (number // 4) * 2 % 5
    ladder = (None, "allowed", None, "strand_small")[number % 4]
    x = _house_x(number)
    start = (40.0 * terminal, 6.0)
    clamp = (x - 6.0, 6.0)
    end = (x, _house_y(number) - (4.0 if number % 2 == 0 else -4.0))
    is_clamp = kind in (RouteKind.SPAN_CLAMP, RouteKind.OTHER_POLE_SPAN_CLAMP)
    air = line(clamp, end) if is_clamp else line(start, end)
    run = abs(clamp[0] - start[0]) if is_clamp else 0.0
    route = line(start, clamp, end) if is_clamp and run > 0 else air
    return {
        "address_id": f"A{number:02d}",
        "terminal_id": f"P{terminal}",
        "route_kind": kind.value,
        "is_street_crossing": number % 2 == 1,
        "access_pole_id": f"P{terminal}",
        "clamp_at_m": run if is_clamp else np.nan,
        "air_span_m": air.length,
        "strand_run_m": run,
        "route_m": air.length + run,
        "attachment_basis": "wall_face",
        "wall_angle_deg": 64.0,
        "cost": 100.0 + number / 3.0,
        "label": HOSTILE[number % len(HOSTILE)],
        "ports_needed": 1,
        "parcel_id": f"L{number:02d}",
        "hook_height_m": 6.0,
        "attachment_height_m": 3.6 + 0.1 * number,
        "hook_is_raised": number % 6 == 1,
        "attachment_is_raised": number % 6 in (1, 3),
        "height_basis": "default" if number % 3 else "measured",
        "ground_basis": "default",
        "stringing_sag_m": 0.254,
        "stringing_temperature_c": 15.0,
        "stringing_tension_n": 300.0,
        "wire_arc_m": air.length * 1.001,
        "sag_worst_m": 0.4064,
        "sag_worst_case": "clearance_hot",
        "tension_worst_n": 800.0 + 10.0 * number,
        "tension_limit_n": 1000.0,
        "tension_case": "tension_loaded",
        "tension_case_c": -1.0,
        "tension_case_load": "wind",
        "swing_worst_m": 0.8,
        "margin_m": 0.9 - 0.0508 * number,
        "margin_required_m": 4.7,
        "margin_available_m": 5.6 - 0.0508 * number,
        "margin_at_m": air.length / 3,
        "margin_case": "clearance_hot",
        "margin_over": f"road {HOSTILE[number % len(HOSTILE)]}",
        "margin_rule": "Book of Rules (invented), from memory",
        "ladder_sag_m": 0.127 if ladder == "allowed" else np.nan,
        "ladder_tension_n": 270.0 if ladder else np.nan,
        "ladder_shift_m": -0.1 if ladder else np.nan,
        "clamp_shift_m": 0.05 if ladder else np.nan,
        "clamp_sink_m": 0.02 if ladder else np.nan,
        "strand_tension_n": 9000.0 if ladder else np.nan,
        "strand_ladder": ladder,
        "clearance_note": (
            f"direct from P2 would cost 12.00 less, but misses clearance by 3.0 in over {SCRIPT}"
            if number in (2, 7)
            else None
        ),
        "flags": "street_crossing;near_tree" if number % 3 == 0 else None,
        "runner_up": f"from P2, {HOSTILE[(number + 5) % len(HOSTILE)]}",
        "runner_up_extra_cost": -0.0,
        "geometry": route,
        "air": air,
    }


def build(units: str = "us", *, feet: bool = True) -> Plan:
    """Return the plan."""
    crs = crs_report(feet=feet)
    metres = crs.working_crs
    drops = [_drop(number) for number in range(12)]
    air_spans = []
    for number, drop in enumerate(drops):
        known = number % 3 != 0
        places = [(*xy, z) for xy, z in zip(drop["air"].coords, (6.0, 4.0), strict=True)]
        air_spans.append(
            {
                **{key: drop[key] for key in ("address_id", "terminal_id", "route_kind")},
                "air_span_m": drop["air_span_m"],
                "start_z_m": 6.0 if known else np.nan,
                "end_z_m": 4.0 if known else np.nan,
                "height_basis": "default" if known else "not_checked",
                "geometry": shapely.LineString(places) if known else drop["air"],
            }
        )
    crossings, hazards = [], []
    for number, drop in enumerate(drops):
        middle = drop["air"].interpolate(0.5, normalized=True)
        base = {key: drop[key] for key in ("address_id", "terminal_id")}
        place = {"at_m": drop["air_span_m"] / 2, "geometry": middle}
        if drop["is_street_crossing"]:
            crossings.append(
                {
                    **base,
                    **place,
                    "crossing_kind": CrossingKind.ROAD.value,
                    "feature_id": "R1",
                    "feature_name": f"Heron Street {SCRIPT}",
                    "feature_class": "residential",
                    "start_m": 4.0,
                    "end_m": 12.0,
                    "distance_m": 0.0,
                    "angle_deg": 71.5,
                    "width_m": 8.0,
                    "jurisdiction": HOSTILE[number % len(HOSTILE)],
                    "required_m": 4.7,
                    "available_m": 5.1064,
                    "margin_m": 0.4064,
                    "margin_case": "clearance_hot",
                    "rule": f"Book of Rules (invented), {SCRIPT}, from memory",
                    "clearance_basis": "computed",
                }
            )
        if number % 3 == 0:
            crossings.append(
                {
                    **base,
                    **place,
                    "crossing_kind": CrossingKind.TREE.value,
                    "feature_id": "T1",
                    "is_near_miss": True,
                    "start_m": 1.0,
                    "end_m": 2.0,
                    "distance_m": 0.4,
                    "clearance_basis": "none" if number else "not_checked",
                    "clearance_note": None if number else f"no figure for it {SCRIPT}",
                }
            )
        hazards += [
            {
                **base,
                **place,
                "code": code,
                "severity": ("note", "warning", "error")[number % 3],
                "feature_id": "R1",
                "amount": 0.4,
                "setting": "limits.near_tree",
                "what": f"{code}: {HOSTILE[number % len(HOSTILE)]}",
                "remedy": f"trim {HOSTILE[(number + 1) % len(HOSTILE)]}",
            }
            for code in ("street_crossing", "near_tree")[: 1 + number % 2]
        ]
    unserved = [
        {
            "address_id": f"A{number}",
            "label": HOSTILE[number - 12],
            "code": "no_free_port" if number == 12 else "no_clearance",
            "clearance_miss_m": np.nan if number == 12 else 0.1016,
            "reasons": f"no free port within 60 m; {SCRIPT}",
            "remedy": "add 2 ports at P4",
            "nearest_terminal_id": "P4",
            "nearest_terminal_m": 31.25,
            "excess_m": np.nan,
            "geometry": point(_house_x(number), _house_y(number)),
        }
        for number in (12, 13)
    ]
    terminals = [
        {
            "terminal_id": f"P{number}",
            "ports_total": 8,
            "ports_planned": planned,
            "ports_free": 8 - planned,
            "fill": planned / 8.0,
            "port_value_addresses": 2,
            "port_value_cost": -120.5,
            "geometry": point(40.0 * number, 6.0),
        }
        for number, planned in ((0, 3), (2, 4), (4, 8))
    ]
    alternatives = [
        {**drop, "rank": rank, "extra_cost": 12.5 * rank, "why_not": HOSTILE[rank]}
        for drop in drops[:5]
        for rank in (1, 2)
    ]
    stringing = [
        {
            "address_id": drop["address_id"],
            "temperature_c": temperature_c,
            "sag_m": 0.2 + 0.002 * temperature_c,
            "tension_n": 320.0 - 2.0 * temperature_c,
            "ladder_sag_m": np.nan,
            "ladder_tension_n": np.nan,
        }
        for drop in drops
        for temperature_c in (-10.0, 15.0, 40.0)
    ]
    set_aside = [
        {
            "layer": "addresses",
            "row_id": "=1+1",
            "code": "empty_geometry",
            "reason": SCRIPT,
            "remedy": "give it a point",
        }
    ]
    findings = [
        {"layer": "poles", "row_id": row_id, "code": "no_height", "severity": "warning"}
        for row_id in ("P1", "P3", HOSTILE[7])
    ]
    frames = {
        name: table(name, rows, metres)
        for name, rows in {
            "drops": drops,
            "air_spans": air_spans,
            "crossings": crossings,
            "hazards": hazards,
            "unserved": unserved,
            "terminals": terminals,
            "alternatives": alternatives,
            "stringing": stringing,
            "set_aside": set_aside,
            "findings": findings,
        }.items()
    }
    return Plan(
        project=project(units),
        layers=_layers(crs),
        **frames,
        **_work(drops, metres),
        optimality={
            "status": "optimal",
            "lower_bound_cost": 1200.0,
            "served": np.int64(12),
            "gap": 0.0,
            "unknown": float("nan"),
        },
        standards={
            "rule_set": "us",
            "title": "Rules of Fenmoor Quay (invented)",
            "caution": "Verify every figure.",
            "loading_district": "light",
            "tension_cases": {"tension_loaded": 1000.0},
            "clearance_cases": {"clearance_hot": 1.0},
            "figures_by_status": {"read": 3, "from memory": 4},
            "covers_not": ["clearance.water: nothing could be read."],
        },
        unchecked=("Clearances: no heights of buildings.",),
        timings_s={"choice": 0.123},
    )


WORK_WORDS = {
    "job_kind": "same_side",
    "crossing_kind": "road",
    "supply": "bulk",
    "place": "ladder",
    "traffic_class": "beside_road",
    "clearance_basis": "computed",
    "power_approach": "clear",
}
"""Words from closed lists; other texts of the work are hostile."""


def _work(drops: list[dict[str, Any]], crs: CRS) -> dict[str, pd.DataFrame]:
    """Fill the tables of the work: a row per drop, figures that differ from row to row."""
    frames = {}
    for declared in WORK_TABLES:
        rows = []
        for number, drop in enumerate(drops):
            row: dict[str, Any] = {"geometry": point(_house_x(number), _house_y(number))}
            for place, column in enumerate(declared.columns):
                if column.name in ("address_id", "terminal_id"):
                    row[column.name] = drop[column.name]
                elif column.kind == "text":
                    hostile = f"{HOSTILE[(number + place) % len(HOSTILE)]} {number}"
                    row[column.name] = WORK_WORDS.get(column.name, hostile)
                elif column.kind == "float":
                    row[column.name] = 1.25 + number + place / 8
                else:
                    row[column.name] = number + 1 if column.kind == "int" else number % 2 == 0
            rows.append(row)
        frames[declared.name] = table(declared.name, rows, crs)
    return frames


def shuffled(plan: Plan, seed: int) -> Plan:
    """Return the same plan with its rows in another order."""
    random = np.random.default_rng(seed)

    def mix(frame: Any) -> Any:
        return None if frame is None else frame.iloc[random.permutation(len(frame))]

    layers = dataclasses.replace(
        plan.layers, **{name: mix(getattr(plan.layers, name)) for name in (*LAYERS, "spans")}
    )
    return dataclasses.replace(
        plan, layers=layers, **{name: mix(getattr(plan, name)) for name in TABLES}
    )


@pytest.fixture(scope="session")
def fenmoor() -> ModuleType:
    """Return what builds the place and plans in it: this module."""
    return sys.modules[__name__]


@pytest.fixture(scope="session")
def plan() -> Plan:
    """Return the plan with reports in US units, in a CRS in feet."""
    return build()


@pytest.fixture(scope="session")
def metric_plan() -> Plan:
    """Return the same plan with metric reports, in a CRS in metres."""
    return build("metric", feet=False)
