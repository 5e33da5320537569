"""What the map page shows: the plan's layers as plain values, each mark with its popup.

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
from geoplan.reports.clearances import clearance_counts, describe_rules
from geoplan.reports.frames import cut, declared_frame, storable
from geoplan.reports.gpkg import ShapeArray, to_project_crs
from geoplan.reports.palette import FILL_BANDS
from geoplan.reports.popups import (
    ID_LETTERS,
    NAME_LETTERS,
    Rows,
    address_title,
    drop_rows,
    flag_rows,
    other_crossing_rows,
    rank,
    street_crossing_rows,
    terminal_rows,
    unserved_rows,
    words,
)
from geoplan.reports.summary import counts
from geoplan.tables import CrossingKind
from geoplan.units import FloatArray, ReportUnits, say

if TYPE_CHECKING:
    from geoplan.model import Plan

DECIMALS = 7
"""Of degrees: about a centimetre."""

CONTEXT_M = 150.0
"""Lots, roads and the like farther than this from every address are left out of the page."""

LABEL_LETTERS = 32
"""Most letters of a name written on the map; popups have all of it."""

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
    drops, hazards = declared_frame(plan, "drops"), declared_frame(plan, "hazards")
    numbers = {address: number for number, address in enumerate(_drawable(drops)["address_id"])}
    streets, others = _crossings(plan, numbers, to_degrees)
    layers = {
        **{name: _context_features(name, frame, to_degrees) for name, frame in near.items()},
        "terminals": _terminals(plan, to_degrees),
        "drops": _drops(drops, hazards, plan.project.units, to_degrees),
        "street_crossings": streets,
        "other_crossings": others,
        "hazards": _hazards(hazards, numbers, to_degrees),
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
        scaled = to_project_crs(geometry.to_numpy(), crs.unit_to_metre)

        def turn(xy: FloatArray) -> FloatArray:
            return np.round(np.column_stack(transformer.transform(xy[:, 0], xy[:, 1])), DECIMALS)

        turned: ShapeArray = shapely.transform(scaled, turn)
        return turned

    return to_degrees


def _feature(
    shape: shapely.Geometry,
    style: str,
    title: str,
    rows: Rows,
    label: str = "",
    *,
    drop: int | None = None,
) -> dict[str, Any]:
    properties: dict[str, Any] = {"style": style}
    if title:
        properties["title"] = title
        properties["rows"] = rows
    if label:
        properties["label"] = label
    if drop is not None:
        properties["drop"] = drop
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


def _records(frame: gpd.GeoDataFrame) -> tuple[list[dict[str, Any]], gpd.GeoSeries]:
    frame = _drawable(frame)
    return frame.drop(columns="geometry").to_dict("records"), frame.geometry


def _drops(
    drops: gpd.GeoDataFrame, hazards: gpd.GeoDataFrame, units: ReportUnits, to_degrees: ToDegrees
) -> list[dict[str, Any]]:
    records, shapes = _records(drops)
    flags: dict[str, list[Mapping[Any, Any]]] = {}
    for flag in hazards.drop(columns="geometry").to_dict("records"):
        flags.setdefault(flag["address_id"], []).append(flag)
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        rows = drop_rows(row, flags.get(row["address_id"], []), units)
        label = cut(row["address_id"], LABEL_LETTERS)
        features.append(_feature(shape, row["route_kind"], address_title(row), rows, label))
    return features


def _terminals(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(declared_frame(plan, "terminals"))
    features = []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        fill = row["fill"]
        band = next((band for band in FILL_BANDS if band.lower <= fill < band.upper), None)
        title = f"Terminal {cut(row['terminal_id'], ID_LETTERS)}"
        label = cut(row["terminal_id"], LABEL_LETTERS)
        style = band.key if band else "unknown"
        features.append(_feature(shape, style, title, terminal_rows(row), label))
    return features


def _crossings(
    plan: Plan, drops: Mapping[str, int], to_degrees: ToDegrees
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the roads crossed, and all else that is crossed or near.

    Each mark points at its drop's place in the page's list, `drops`.
    """
    records, shapes = _records(declared_frame(plan, "crossings"))
    units = plan.project.units
    streets, others = [], []
    for row, shape in zip(records, to_degrees(shapes), strict=True):
        drop = drops.get(row["address_id"])
        if row["crossing_kind"] == CrossingKind.ROAD.value and not row["is_near_miss"]:
            name = row["feature_id"] if pd.isna(row["feature_name"]) else row["feature_name"]
            title = f"Crosses {cut(name, NAME_LETTERS)}"
            rows = street_crossing_rows(row, units)
            streets.append(_feature(shape, "street_crossing", title, rows, drop=drop))
        else:
            verb = "Near" if row["is_near_miss"] else "Crosses"
            title = f"{verb}: {words(row['crossing_kind'])}"
            rows = other_crossing_rows(row, units)
            others.append(_feature(shape, "other_crossing", title, rows, drop=drop))
    return streets, others


def _hazards(
    hazards: gpd.GeoDataFrame, drops: Mapping[str, int], to_degrees: ToDegrees
) -> list[dict[str, Any]]:
    """Put the flags of one address at one place into one mark, in the gravest one's style."""
    records, shapes = _records(hazards)
    places = to_degrees(shapes)
    groups: dict[tuple[str, bytes], list[int]] = {}
    for number, (row, shape) in enumerate(zip(records, places, strict=True)):
        groups.setdefault((row["address_id"], shapely.to_wkb(shape)), []).append(number)
    features = []
    for (address, _), numbers in groups.items():
        flags = sorted((records[number] for number in numbers), key=rank)
        rows = [entry for row in flags for entry in flag_rows(row)]
        title = f"{cut(address, ID_LETTERS)}: {len(flags)} flag{'s' if len(flags) > 1 else ''}"
        style, drop = flags[0]["severity"], drops.get(address)
        features.append(_feature(places[numbers[0]], style, title, rows, drop=drop))
    return features


def _unserved(plan: Plan, to_degrees: ToDegrees) -> list[dict[str, Any]]:
    records, shapes = _records(declared_frame(plan, "unserved"))
    return [
        _feature(
            shape,
            "unserved",
            f"Unserved: {address_title(row)}",
            unserved_rows(row, plan.project.units),
            cut(row["address_id"], LABEL_LETTERS),
        )
        for row, shape in zip(records, to_degrees(shapes), strict=True)
    ]


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
    count, hanging = counts(plan), clearance_counts(plan)
    notes = [
        f"{count['served']} served, {count['unserved']} unserved,"
        f" {count['addresses_set_aside']} addresses set aside"
        f" ({len(plan.set_aside)} rows of all layers, see set_aside.csv).",
        f"Raised hooks: {hanging.raised_hooks}; raised attachments: {hanging.raised_attachments};"
        f" bucket jobs: {hanging.bucket_jobs}; routes changed by clearance:"
        f" {hanging.routes_changed}.",
        describe_rules(plan),
        "North is up.",
    ]
    if left_out:
        far = say(CONTEXT_M, "length", plan.project.units)
        notes.append(f"{left_out} features farther than {far} from every address are not drawn.")
    return notes + [cut(sentence) for sentence in plan.unchecked]
