"""All layers of a project, read, checked and joined.

Enters: a project.
Leaves: `Layers`, with all findings and all rows set aside.
Does not do: decide what to do about them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from geoplan.collector import collector_off
from geoplan.errors import LayerError, NoPlanError
from geoplan.layers.by_area import Joined, join_by_area
from geoplan.layers.check_geometry import find_not_finite, find_unusable
from geoplan.layers.check_topology import check_town
from geoplan.layers.clean import clean_layer, empty_layer
from geoplan.layers.columns import Match, match_columns
from geoplan.layers.crs import (
    check_coordinates,
    choose_crs,
    layer_crs,
    transform_points,
)
from geoplan.layers.far_away import find_far_layers, find_far_rows
from geoplan.layers.findings import build_findings, join_findings, join_set_aside
from geoplan.layers.locate import locate_in_town
from geoplan.layers.read import RawLayer, checksum, open_source, read_rows
from geoplan.layers.shelf import AREA_LAYERS, DiskShelf, put_away
from geoplan.layers.source import Opened
from geoplan.layers.strands import build_spans
from geoplan.layers.terrain import read_terrain, sample_elevation
from geoplan.layers.town import Town
from geoplan.memory import give_back
from geoplan.model import CrsReport, Layers, Terrain
from geoplan.project import Project
from geoplan.tables import LAYERS, InputLayer, Severity

MOST_COORDINATE = 1e12
"""No CRS has coordinates beyond this, in any unit; larger ones would spoil sums."""

FloatArray = npt.NDArray[np.float64]
Frames = dict[str, gpd.GeoDataFrame]
Progress = Callable[[str], None]


@dataclass(frozen=True)
class _Opened:
    """A layer whose file is there, and which has the columns that it must."""

    layer: InputLayer
    source: Opened
    matches: tuple[Match, ...]


@dataclass(frozen=True)
class _Brought:
    """A layer as read, with its columns matched and its CRS settled."""

    opened: _Opened
    raw: RawLayer
    crs: CRS
    unusable: npt.NDArray[np.object_]
    """Why each geometry cannot be used, from `find_unusable`."""
    bounds: FloatArray
    """Of each geometry, in that CRS; NaN where it has none."""


def read_layers(
    project: Project, progress: Progress | None = None, *, shelf_folder: Path | None = None
) -> Layers:
    """Read, check and join all layers that a project names.

    Parameters
    ----------
    project : Project
        Settings and sources.
    progress : callable, optional
        Told the name of each step as it begins.
    shelf_folder : pathlib.Path, optional
        An empty folder. Where it is given, layers are put away there one by one, and joined and
        checked area by area, so that their shapes never are in memory all at once. It is needed
        as long as the layers are.

    Returns
    -------
    Layers
        In the working CRS, SI, indexed and sorted by id. The order of rows in the files has no
        effect on it, nor has the folder, but for ``shelves``.

    Raises
    ------
    LayerError
        If a file cannot be used as a whole (also `CrsError`, `ColumnError`, `GeometryError`).
    ProjectFileError
        If a unit in the project is none.
    MissingExtraError
        If there is a terrain raster and no package to read it.
    NoPlanError
        If no address, no pole or no terminal is left.
    """
    with collector_off():
        return _read_layers(project, progress or _silent, shelf_folder)


def _read_layers(project: Project, tell: Progress, folder: Path | None) -> Layers:
    named = {name: layer for name, layer in LAYERS.items() if name in project.layers}
    opened = {name: _open(layer, project) for name, layer in named.items()}
    tell("reading addresses")
    brought = {"addresses": _bring(opened["addresses"], project)}
    report = _settle_crs(project, brought["addresses"])
    home = _Home(brought["addresses"], report)
    findings = _chosen_crs(report)

    frames, set_aside, counts = {}, [], {}
    shelves: dict[str, DiskShelf] = {}
    for name, layer in LAYERS.items():
        if name not in named:
            frames[name] = empty_layer(layer, report.working_crs)
        else:
            if name not in brought:
                tell(f"reading {name}")
                brought[name] = _bring(opened[name], project)
            one = brought.pop(name)  # not kept: what was read would double the memory
            counts[name] = len(one.raw.geometry) + len(one.raw.torn)
            findings += _whole_file_findings(name, one) + home.find_far(name, one)
            tell(f"checking {name}")
            cleaned = clean_layer(
                layer,
                one.raw,
                one.crs,
                one.opened.matches,
                unusable=one.unusable,
                project=project,
                report=report,
            )
            del one
            frames[name] = cleaned.frame
            findings += cleaned.findings
            set_aside += cleaned.set_aside
            del cleaned
        if folder is not None and name in AREA_LAYERS:
            frames[name], shelves[name] = put_away(frames[name], folder / f"{name}.arrow")
            give_back()
    _require_something(frames)
    findings += _far_rows(frames["addresses"])

    tell("joining layers")
    spans, found, aside = build_spans(
        frames["strands"],
        frames["poles"],
        frames["roads"],
        settings=project.strands,
        absent="strands" not in counts,
    )
    join = _join if folder is None else join_by_area
    reach_m = project.limits.max_building_distance
    joined = join(frames, spans, shelves, max_building_distance_m=reach_m)
    frames, shelves = joined.frames, joined.shelves
    findings += [found, *joined.findings]
    set_aside += [aside, *joined.set_aside]
    _require_something(frames)
    terrain, missing = _terrain(project, report, frames, tell)
    return Layers(
        **frames,
        spans=spans,
        terrain=terrain,
        absent=tuple(name for name in (*LAYERS, "terrain") if name not in project.layers),
        crs=report,
        findings=join_findings([*findings, *missing]),
        set_aside=join_set_aside(set_aside),
        counts=MappingProxyType(counts),
        input_sha256=MappingProxyType(
            {name: checksum(Path(entry.source)) for name, entry in sorted(project.layers.items())}
        ),
        shelves=MappingProxyType(shelves),
    )


def _silent(step: str) -> None:
    """Do nothing with a step's name."""


def _open(layer: InputLayer, project: Project) -> _Opened:
    source = project.layers[layer.name]
    opened = open_source(layer.name, source)
    matches = match_columns(layer, opened.fields, source, is_truncated=opened.is_truncated)
    return _Opened(layer, opened, matches)


def _bring(opened: _Opened, project: Project) -> _Brought:
    layer = opened.layer
    source = project.layers[layer.name]
    fields = [match.field for match in opened.matches if match.field is not None]
    raw = read_rows(opened.source, fields)
    if source.crs is not None:
        raw = replace(raw, has_assumed_degrees=False)
    if layer.required and not len(raw.geometry):
        raise LayerError(opened.source.where, "the file has no rows", "Export it again.")
    crs = layer_crs(layer.name, raw.crs, source.crs)
    unusable = find_unusable(raw.geometry)
    bounds = _bounds(raw.geometry, unusable == "geometry_not_finite")
    check_coordinates(layer.name, crs, bounds)
    return _Brought(opened, raw, crs, unusable, bounds)


def _bounds(geometry: npt.NDArray[Any], is_not_finite: npt.NDArray[np.bool_]) -> FloatArray:
    """Bounds, NaN for geometries that are missing, empty, not finite or beyond any CRS."""
    bounds = np.asarray(shapely.bounds(geometry), dtype=np.float64)
    bounds[is_not_finite] = np.nan
    with np.errstate(invalid="ignore"):
        bounds[(np.abs(bounds) > MOST_COORDINATE).any(axis=1)] = np.nan
    return bounds


def _whole_file_findings(name: str, one: _Brought) -> list[pd.DataFrame]:
    findings = []
    if not len(one.raw.geometry):
        findings.append(
            build_findings(
                name,
                "",
                "layer_empty",
                Severity.WARNING,
                "the file has no rows",
                "Check the export, or remove the layer from the project.",
            )
        )
    if one.raw.has_assumed_degrees:
        findings.append(
            build_findings(
                name,
                "",
                "crs_assumed",
                Severity.NOTE,
                f"no CRS is said, columns are named as degrees: '{one.crs.name}' taken",
                f'Set crs = "EPSG:..." under [layers.{name}].',
            )
        )
    return findings


def _settle_crs(project: Project, addresses: _Brought) -> CrsReport:
    bounds = addresses.bounds
    if not np.isfinite(bounds).all(axis=1).any():
        where = "layer addresses"
        raise NoPlanError(where, "no address has usable coordinates", "Correct the file.")
    bounds = bounds[np.isfinite(bounds).all(axis=1)]
    return choose_crs(project.crs, addresses.crs, bounds)


def _chosen_crs(report: CrsReport) -> list[pd.DataFrame]:
    if not report.was_chosen:
        return []
    return [
        build_findings(
            "addresses",
            "",
            "crs_chosen",
            Severity.NOTE,
            f"project CRS is 'auto': {report.project_crs.to_string()} "
            f"({report.project_crs.name}) chosen, scale {report.scale_factor:.5f}",
            'Set crs = "EPSG:..." for another one.',
        )
    ]


class _Home:
    """Where the addresses are, to tell which layers lie elsewhere."""

    def __init__(self, addresses: _Brought, report: CrsReport) -> None:
        self._report = report
        self._boxes = _working_boxes(addresses, report)
        self._swapped = self._swap(addresses)

    def find_far(self, name: str, one: _Brought) -> list[pd.DataFrame]:
        """Report a layer that lies far from the addresses."""
        boxes = {"addresses": self._boxes, name: _working_boxes(one, self._report)}
        return find_far_layers(
            boxes, lambda asked: self._swapped if asked == "addresses" else self._swap(one)
        )

    def _swap(self, one: _Brought) -> FloatArray | None:
        return _working_boxes(one, self._report, swap=True) if one.crs.is_geographic else None


def _working_boxes(one: _Brought, report: CrsReport, *, swap: bool = False) -> FloatArray:
    """Bring the middles of a layer's bounds into the working CRS, as boxes without extent."""
    bounds = one.bounds[np.isfinite(one.bounds).all(axis=1)]
    middles = (bounds[:, :2] + bounds[:, 2:]) / 2.0
    moved = transform_points(middles[:, ::-1] if swap else middles, one.crs, report)
    return np.column_stack([moved, moved])


def _boxes(frame: gpd.GeoDataFrame) -> FloatArray:
    """Bounds of the rows of a checked layer."""
    geometry = np.asarray(frame.geometry.array, dtype=object)
    return _bounds(geometry, find_not_finite(geometry))


def _far_rows(addresses: gpd.GeoDataFrame) -> list[pd.DataFrame]:
    is_far = find_far_rows(_boxes(addresses))
    return [
        build_findings(
            "addresses",
            addresses.index[is_far],
            "address_far_away",
            Severity.WARNING,
            "lies more than 50 km from nearly all others",
            "Check its coordinates.",
        )
    ]


def _require_something(frames: Frames) -> None:
    for name in ("addresses", "poles"):
        if not len(frames[name]):
            where = f"layer {name}"
            raise NoPlanError(
                where,
                "no row of it can be used",
                "Mend the rows; each was set aside for a reason of its own.",
            )
    if not (frames["poles"]["ports_total"] > 0).any():
        where = "layer poles"
        raise NoPlanError(
            where,
            "no pole has a terminal (ports_total is 0 or empty everywhere)",
            "Bring the ports of the terminals, or map another column to ports_total.",
        )


def _join(
    frames: Frames,
    spans: gpd.GeoDataFrame,
    shelves: dict[str, DiskShelf],
    *,
    max_building_distance_m: float,
) -> Joined:
    """Locate addresses and check what lies where, all at once."""
    town = Town({**frames, "spans": spans})
    _locate(town, max_building_distance_m)
    copies, findings, set_aside = check_town(town)
    if len(copies):
        town = town.with_layer("buildings", town["buildings"].drop(index=copies))
        _locate(town, max_building_distance_m)
    return Joined({name: town[name] for name in frames}, shelves, [findings], [set_aside])


def _locate(town: Town, max_building_distance_m: float) -> None:
    """Give the addresses of a town their lots and buildings."""
    parcel_id, building_id = locate_in_town(town, max_building_distance_m=max_building_distance_m)
    located = town["addresses"].assign(parcel_id=parcel_id, building_id=building_id)
    last = [column for column in located.columns if column != "geometry"]
    town.set_columns("addresses", located[[*last, "geometry"]])


def _terrain(
    project: Project, report: CrsReport, frames: Frames, tell: Progress
) -> tuple[Terrain | None, list[pd.DataFrame]]:
    source = project.layers.get("terrain")
    if source is None:
        return None, []
    tell("reading terrain")
    boxes = np.concatenate([_boxes(frames[name]) for name in ("addresses", "poles")])
    near = boxes[~find_far_rows(boxes)]
    bounds = (*near[:, :2].min(axis=0).tolist(), *near[:, 2:].max(axis=0).tolist())
    terrain, findings = read_terrain(source, report, bounds)
    if terrain is not None:
        findings += _points_without_ground(terrain, boxes)
    return terrain, findings


def _points_without_ground(terrain: Terrain, boxes: FloatArray) -> list[pd.DataFrame]:
    missing = int(np.isnan(sample_elevation(terrain, boxes[:, 0], boxes[:, 1])).sum())
    if not missing:
        return []
    reason = f"{missing} of {len(boxes)} addresses and poles have no elevation"
    return [
        build_findings(
            "terrain",
            "",
            "terrain_incomplete",
            Severity.WARNING,
            reason,
            "Bring a raster of the whole area; check the ground there on site.",
        )
    ]
