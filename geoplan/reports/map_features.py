"""What the map page shows: the plan's layers as plain values, with the text of each popup.

Enters: a `Plan`.
Leaves: a dict for JSON: layers of features, legend, notes.
Does not do: HTML; the page's script puts every text in as text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from geoplan.reports.caution import CAUTION
from geoplan.reports.frames import cut, declared_frame, storable
from geoplan.reports.gpkg import ShapeArray, to_project_crs
from geoplan.reports.palette import FILL_BANDS, ROUTE_STYLE, SEVERITY_STYLE
from geoplan.reports.summary import counts
from geoplan.tables import CrossingKind, RouteKind, Severity
from geoplan.units import FloatArray, say

if TYPE_CHECKING:
    from geoplan.model import Plan

DECIMALS = 7
"""Of degrees: about a centimetre."""

CONTEXT_M = 150.0
"""Lots, roads and the like farther than this from every address are left out of the page."""

LABEL_LETTERS = 32
"""Most letters of a name written on the map; popups have all of it."""

Rows = list[list[str]]
ToDegrees = Callable[[gpd.GeoSeries], ShapeArray]


def page_data(plan: Plan) -> dict[str, Any]:
    """Return all that the map page shows.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    dict
        ``layers`` (name to list of features: geometry in EPSG:4326, style key, popup),
        ``bounds``, ``units``, ``caution``, ``notes``.
    """
    to_degrees = _degrees(plan)
    near, left_out = _context(plan)
    layers = {
        **{name: _context_features(name, frame, to_degrees) for name, frame in near.items()},
        "terminals": _terminals(plan, to_degrees),
        "drops": _drops(plan, to_degrees),
        "street_crossings": _street_crossings(plan, to_degrees),
        "other_crossings": _other_crossings(plan, to_degrees),
        "hazards": _hazards(plan, to_degrees),
        "unserved": _unserved(plan, to_degrees),
    }
    return {
        "name": storable(plan.project.name),
        "units": plan.project.units,
        "layers": layers,
        "bounds": _bounds(layers),
        "caution": list(CAUTION),
        "notes": _notes(plan, left_out),
    }


def _degrees(plan: Plan) -> ToDegrees:
    """Return the function that turns working coordinates into degrees."""
    crs = plan.layers.crs
    transformer = Transformer.from_crs(crs.project_crs, "EPSG:4326", always_xy=True)

    def to_degrees(geometry: gpd.GeoSeries) -> ShapeArray:
        flat = shapely.force_2d(geometry.to_numpy())
        scaled = to_project_crs(flat, crs.unit_to_metre)

        def turn(xy: FloatArray) -> FloatArray:
            return np.round(np.column_stack(transformer.transform(xy[:, 0], xy[:, 1])), DECIMALS)

        turned: ShapeArray = shapely.transform(scaled, turn)
        return turned

    return to_degrees


def _feature(
    shape: shapely.Geometry, style: str, title: str, rows: Rows, label: str = ""
) -> dict[str, Any]:
    properties: dict[str, Any] = {"style": style}
    if title:
        properties["title"] = title
        properties["rows"] = rows
    if label:
        properties["label"] = label
    return {
        "type": "Feature",
        "geometry": shapely.geometry.mapping(shape),
        "properties": properties,
    }


def _drawable(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    shapes = frame.geometry
    return frame[~(shapes.isna() | shapes.is_empty)]


def _context(plan: Plan) -> tuple[dict[str, gpd.GeoDataFrame], int]:
    """Pick what stands near an address, and count what is left out."""
    layers = plan.layers
    frames = {
        "parcels": layers.parcels,
        "water": layers.water,
        "roads": layers.roads,
        "rail": layers.rail,
        "sidewalks": layers.sidewalks,
        "driveways": layers.driveways,
        "buildings": layers.buildings,
        "pools": layers.pools,
        "trees": layers.trees,
        "power": layers.power,
        "strands": layers.spans,
        "existing_drops": layers.existing_drops,
        "poles": layers.poles,
    }
    places = shapely.STRtree(layers.addresses.geometry.array)
    near = {}
    left_out = 0
    for name, whole in frames.items():
        frame = _drawable(whole.sort_index())
        hits = places.query(frame.geometry.array, predicate="dwithin", distance=CONTEXT_M)
        near[name] = frame.iloc[np.unique(hits[0])]
        left_out += len(frame) - len(near[name])
    return near, left_out


def _wide(frame: gpd.GeoDataFrame, column: str, share: float) -> gpd.GeoSeries:
    """Widen lines and points by a column, where it is known."""
    width = frame[column].to_numpy(dtype=np.float64) * share
    known = np.isfinite(width) & (width > 0.0)
    shapes = frame.geometry.copy()
    shapes[known] = shapely.buffer(
        shapes[known].array, width[known], quad_segs=4, cap_style="flat" if share < 1 else "round"
    )
    return shapes


def _context_features(
    name: str, frame: gpd.GeoDataFrame, to_degrees: ToDegrees
) -> list[dict[str, Any]]:
    shapes = frame.geometry
    if name == "roads":
        shapes = _wide(frame, "width_m", 0.5)
    elif name == "trees":
        shapes = _wide(frame, "crown_radius_m", 1.0)
    features = [
        _feature(shape, name, title, [], label)
        for shape, title, label in zip(
            to_degrees(shapes),
            _context_titles(name, frame),
            _context_labels(name, frame),
            strict=True,
        )
    ]
    if name == "roads":
        lines = to_degrees(frame.geometry)
        for feature, line in zip(features, lines, strict=True):
            feature["properties"]["lines"] = [
                shapely.get_coordinates(part).tolist() for part in shapely.get_parts(line)
            ]
    return features


def _context_labels(name: str, frame: gpd.GeoDataFrame) -> list[str]:
    """Return what is written on the map at large scale; empty: nothing."""
    if name == "roads":
        return ["" if pd.isna(label) else cut(label, LABEL_LETTERS) for label in frame["name"]]
    if name == "poles":
        return [cut(row_id, LABEL_LETTERS) for row_id in frame.index]
    return [""] * len(frame)


def _context_titles(name: str, frame: gpd.GeoDataFrame) -> list[str]:
    ids = [cut(row_id, 80) for row_id in frame.index]
    if name == "roads":
        named = frame["name"].where(frame["name"].notna(), frame.index.to_series())
        return [
            f"{cut(label, 80)} ({cut(kind, 40)})"
            for label, kind in zip(named, frame["road_class"], strict=True)
        ]
    words = {"poles": "Pole", "power": "Power", "strands": "Strand", "existing_drops": "Drop"}
    if name not in words:
        return [""] * len(frame)
    return [f"{words[name]} {row_id}" for row_id in ids]


def _records(plan: Plan, name: str) -> tuple[list[dict[str, Any]], gpd.GeoSeries]:
    frame = _drawable(declared_frame(plan, name))
    return frame.drop(columns="geometry").to_dict("records"), frame.geometry


def _length(plan: Plan, value: float) -> str:
    return say(value, "length", plan.project.units)


def _drops(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(plan, "drops")
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        rows = [
            ["Terminal", cut(row["terminal_id"], 80)],
            ["Route", ROUTE_STYLE[RouteKind(row["route_kind"])].label],
            ["Across a street", "yes" if row["is_street_crossing"] else "no"],
            ["Air span", _length(plan, row["air_span_m"])],
            ["Along strand", _length(plan, row["strand_run_m"])],
        ]
        if np.isfinite(row["clamp_at_m"]):
            at = f"{_length(plan, row['clamp_at_m'])} from pole {cut(row['access_pole_id'], 80)}"
            rows.append(["Span clamp", at])
        rows.append(["Cost", f"{row['cost']:.2f}"])
        for label, key in (("Flags", "flags"), ("Runner-up", "runner_up")):
            if not pd.isna(row[key]) and row[key]:
                rows.append([label, cut(row[key])])
        label = cut(row["address_id"], LABEL_LETTERS)
        features.append(_feature(shape, row["route_kind"], _address(row), rows, label))
    return features


def _address(row: Mapping[str, Any]) -> str:
    label = row.get("label")
    address_id = cut(row["address_id"], 80)
    return address_id if label is None or pd.isna(label) else f"{address_id}: {cut(label, 120)}"


def _terminals(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(plan, "terminals")
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        fill = row["fill"]
        band = next((band for band in FILL_BANDS if band.lower <= fill < band.upper), None)
        rows = [
            ["Ports", str(row["ports_total"])],
            ["In use before", str(row["ports_in_use"])],
            ["Planned", str(row["ports_planned"])],
            ["Free", str(row["ports_free"])],
            ["Reserved", str(row["ports_reserved"])],
            ["Fill", "unknown" if pd.isna(fill) else f"{fill:.0%}"],
        ]
        style = band.key if band else "unknown"
        title = f"Terminal {cut(row['terminal_id'], 80)}"
        label = cut(row["terminal_id"], LABEL_LETTERS)
        features.append(_feature(shape, style, title, rows, label))
    return features


def _street_crossings(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(plan, "crossings")
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        if row["crossing_kind"] != CrossingKind.ROAD.value or row["is_near_miss"]:
            continue
        name = row["feature_id"] if pd.isna(row["feature_name"]) else row["feature_name"]
        owner = "the road's owner" if pd.isna(row["jurisdiction"]) else row["jurisdiction"]
        rows = [
            ["What", f"The drop of {cut(row['address_id'], 80)} crosses this road"],
            ["Class", cut(row["feature_class"], 80)],
            ["From", f"{_length(plan, row['start_m'])} to {_length(plan, row['end_m'])} out"],
            ["Angle", say(row["angle_deg"], "angle", "metric")],
            ["Carriageway", _length(plan, row["width_m"])],
            ["Why", "Clearance over traffic and a permit are needed"],
            ["To do", f"Check the height over its full width; permit: {cut(owner, 120)}"],
        ]
        features.append(_feature(shape, "street_crossing", f"Crosses {cut(name, 120)}", rows))
    return features


def _other_crossings(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(plan, "crossings")
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        if row["crossing_kind"] == CrossingKind.ROAD.value and not row["is_near_miss"]:
            continue
        kind = row["crossing_kind"].replace("_", " ")
        verb = "Near" if row["is_near_miss"] else "Crosses"
        rows = [["Address", cut(row["address_id"], 80)], ["Which", cut(row["feature_id"], 80)]]
        if row["is_near_miss"]:
            rows.append(["Distance in plan", _length(plan, row["distance_m"])])
        features.append(_feature(shape, "other_crossing", f"{verb}: {kind}", rows))
    return features


def _hazards(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    """Put the flags of one address at one place into one mark, in the gravest one's style."""
    records, shapes = _records(plan, "hazards")
    places = to_degrees(shapes)
    groups: dict[tuple[str, bytes], list[int]] = {}
    for number, (row, shape) in enumerate(zip(records, places, strict=True)):
        groups.setdefault((row["address_id"], shapely.to_wkb(shape)), []).append(number)
    features = []
    for (address, _), numbers in groups.items():
        flags = sorted((records[number] for number in numbers), key=_rank)
        rows = [entry for row in flags for entry in _flag_rows(row)]
        title = f"{cut(address, 80)}: {len(flags)} flag{'s' if len(flags) > 1 else ''}"
        features.append(_feature(places[numbers[0]], flags[0]["severity"], title, rows))
    return features


def _rank(row: Mapping[str, Any]) -> int:
    return list(SEVERITY_STYLE).index(Severity(row["severity"]))


def _flag_rows(row: Mapping[str, Any]) -> Rows:
    return [
        [SEVERITY_STYLE[Severity(row["severity"])].label, cut(row["what"])],
        ["Why", f"{cut(row['code'], 80)}, by {cut(row['setting'], 120)}"],
        ["To do", cut(row["remedy"])],
    ]


def _unserved(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(plan, "unserved")
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        rows = [["Reasons", cut(row["reasons"])], ["To do", cut(row["remedy"])]]
        if not pd.isna(row["nearest_terminal_id"]):
            far = _length(plan, row["nearest_terminal_m"])
            rows.append(["Nearest terminal", f"{cut(row['nearest_terminal_id'], 80)}, {far} off"])
        label = cut(row["address_id"], LABEL_LETTERS)
        features.append(_feature(shape, "unserved", f"Unserved: {_address(row)}", rows, label))
    return features


def _bounds(layers: Mapping[str, list[dict[str, Any]]]) -> list[list[float]] | None:
    """Return [[south, west], [north, east]] of what was planned, or of all when nothing was."""
    planned = ("drops", "unserved", "terminals")
    for names in (planned, tuple(layers)):
        shapes = [
            shapely.geometry.shape(feature["geometry"])
            for name in names
            for feature in layers[name]
        ]
        if shapes:
            west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
            return [[float(south), float(west)], [float(north), float(east)]]
    return None


def _notes(plan: Plan, left_out: int) -> list[str]:
    count = counts(plan)
    notes = [
        f"{count['served']} served, {count['unserved']} unserved,"
        f" {count['addresses_set_aside']} addresses set aside"
        f" ({len(plan.set_aside)} rows of all layers, see set_aside.csv).",
        "North is up.",
    ]
    if left_out:
        far = _length(plan, CONTEXT_M)
        notes.append(f"{left_out} features farther than {far} from every address are not drawn.")
    return notes + [cut(sentence) for sentence in plan.unchecked]
