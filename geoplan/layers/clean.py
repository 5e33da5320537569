"""One layer from file to frame: values, geometry, ids, in that order.

Enters: a declared layer, its rows as read, the project's CRS.
Leaves: a frame with the declared columns, sorted by id, in working coordinates; its reports.
Does not do: open files; compare a layer with another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from geoplan.errors import GeometryError
from geoplan.layers import check_fields, check_geometry, defaults
from geoplan.layers.check_geometry import REFUSED, WANTED, Shaped
from geoplan.layers.check_whole import check_whole_layer, set_torn_lines_aside, tell_widened
from geoplan.layers.columns import Match
from geoplan.layers.findings import build_findings, build_set_aside
from geoplan.layers.identity import find_repeats, is_ascending, name_rows
from geoplan.layers.place import place_geometry
from geoplan.layers.read import RawLayer
from geoplan.model import CrsReport
from geoplan.project import Project
from geoplan.tables import InputLayer, Severity

GeometryArray = npt.NDArray[Any]

SPLIT_LAYERS = frozenset({"roads", "buildings", "strands", "power", "rail", "existing_drops"})
"""Layers whose rows must be of one part; others may keep several."""


@dataclass
class Cleaned:
    """A layer on its way: rows that are left, and what happened to the others."""

    frame: gpd.GeoDataFrame
    findings: list[pd.DataFrame]
    set_aside: list[pd.DataFrame]


def empty_layer(layer: InputLayer, crs: CRS) -> gpd.GeoDataFrame:
    """Return a layer without rows, with its columns and their types.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    crs : pyproj.CRS
        Working CRS.

    Returns
    -------
    geopandas.GeoDataFrame
        Index named as the id.
    """
    no_rows = pd.DataFrame(index=pd.RangeIndex(0))
    matches = [Match(column, None, None, "none") for column in layer.columns]
    values = check_fields.check_fields(layer, no_rows, matches).values
    return _frame(layer, values, np.zeros(0, dtype=object), crs)


def clean_layer(
    layer: InputLayer,
    raw: RawLayer,
    crs: CRS,
    matches: Sequence[Match],
    *,
    unusable: npt.NDArray[np.object_],
    project: Project,
    report: CrsReport,
) -> Cleaned:
    """Bring one layer into its declared form.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    raw : RawLayer
        Rows as read.
    crs : pyproj.CRS
        CRS they are in.
    matches : sequence of Match
        Which column is which.
    unusable : ndarray of str, shape (n,)
        From `geoplan.layers.check_geometry.find_unusable`, of the geometry as read.
    project : Project
        Settings: defaults, prices.
    report : CrsReport
        Project's CRS.

    Returns
    -------
    Cleaned
        Each row of the file is in the frame or in ``set_aside``, once. Nothing depends on the
        order of rows.

    Raises
    ------
    GeometryError
        If all geometries are of the wrong type.
    """
    fields = check_fields.check_fields(layer, raw.columns, matches)
    flat = raw.geometry
    if shapely.has_z(flat).any() or shapely.has_m(flat).any():
        flat = np.asarray(shapely.force_2d(flat), dtype=object)
    placed, unusable = place_geometry(flat, unusable, crs, report)

    def tell_apart(rows: npt.NDArray[np.intp]) -> pd.DataFrame:
        parts = [fields.values.iloc[rows], raw.columns.iloc[rows]]
        keys = pd.concat(parts, axis=1, ignore_index=True)
        shown = flat[rows]
        shown[unusable[rows] == ""] = None
        keys[len(keys.columns)] = shapely.to_wkt(shown)
        return keys

    identity = name_rows(fields.values[layer.id_column], placed, tell_apart)
    rows = slice(None) if identity.is_sorted else identity.order
    values = fields.values.assign(**{layer.id_column: identity.ids})
    if not identity.is_sorted:
        values = values.iloc[rows].reset_index(drop=True)
    found = check_whole_layer(layer, matches, values, identity.is_generated[rows], raw)
    work = _Work(
        layer,
        values,
        placed[rows],
        source=flat[rows],
        unusable=unusable[rows],
        cells=_moved(fields.cells, identity.order),
    )
    cleaned = work.finish(project, report.working_crs)
    found += defaults.check_counts_known(layer, cleaned.frame, matches)
    cleaned.findings.extend(found)
    cleaned.set_aside.extend(set_torn_lines_aside(layer, raw.torn))
    return cleaned


def _moved(cells: pd.DataFrame, order: npt.NDArray[np.intp]) -> pd.DataFrame:
    """Cells with positions in the new order, sorted by it."""
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    moved = cells.assign(position=place[cells["position"].to_numpy()])
    return moved.sort_values(["position", "key"], kind="stable", ignore_index=True)


def _frame(
    layer: InputLayer, values: pd.DataFrame, geometry: GeometryArray, crs: CRS
) -> gpd.GeoDataFrame:
    indexed = values.set_index(layer.id_column)
    indexed.index = indexed.index.astype("str").rename(layer.id_column)
    return gpd.GeoDataFrame(indexed, geometry=gpd.GeoSeries(geometry, index=indexed.index, crs=crs))


class _Work:
    """Rows of one layer in canonical order, losing those that cannot be used."""

    def __init__(
        self,
        layer: InputLayer,
        values: pd.DataFrame,
        geometry: GeometryArray,
        *,
        source: GeometryArray,
        unusable: npt.NDArray[np.object_],
        cells: pd.DataFrame,
    ) -> None:
        self.layer = layer
        self.values = values
        self.geometry = geometry
        self.source = source
        self.cells = cells
        self.unusable = unusable
        self.findings: list[pd.DataFrame] = []
        self.set_aside: list[pd.DataFrame] = []

    @property
    def ids(self) -> npt.NDArray[Any]:
        return self.id_texts.to_numpy(dtype=object)

    @property
    def id_texts(self) -> pd.Series[Any]:
        return self.values[self.layer.id_column]

    def finish(self, project: Project, crs: CRS) -> Cleaned:
        """Check geometry, cells and ids in turn, then fill, widen, split and sort."""
        layer = self.layer
        self._refuse(self.unusable)
        shaped = self._shape()
        shaped = self._drop_bad_cells(shaped)
        shaped = self._drop_repeats(shaped)
        self._tell_mended(shaped)
        frame = self.values.set_index(layer.id_column)
        frame, unknown = defaults.check_words(layer, frame, project)
        is_line = shaped.is_line if layer.geometry == "line_or_polygon" else None
        frame, assumed = defaults.fill_defaults(layer, frame, project, is_line=is_line)
        self.findings += [*unknown, *assumed]
        geometry = shaped.geometry
        if layer.geometry == "line_or_polygon" and shaped.is_line.any():
            width_m = frame["width_m"].to_numpy(dtype=np.float64)
            geometry = check_geometry.widen_lines(geometry, width_m, shaped.is_line)
            self.findings.append(tell_widened(layer, int(shaped.is_line.sum())))
        values = frame.reset_index()
        if layer.name in SPLIT_LAYERS:
            values, geometry = self._split(values, geometry)
        if not is_ascending(values[layer.id_column]):
            order = np.argsort(pd.factorize(values[layer.id_column], sort=True)[0], kind="stable")
            values, geometry = values.iloc[order].reset_index(drop=True), geometry[order]
        return Cleaned(_frame(layer, values, geometry, crs), self.findings, self.set_aside)

    def _keep(self, keep: npt.NDArray[np.bool_]) -> None:
        place = np.cumsum(keep) - 1
        self.values = self.values[keep].reset_index(drop=True)
        self.geometry, self.source = self.geometry[keep], self.source[keep]
        cells = self.cells[keep[self.cells["position"].to_numpy()]]
        self.cells = cells.assign(position=place[cells["position"].to_numpy()])

    def _refuse(self, codes: npt.NDArray[np.object_], wrong: str = "") -> None:
        bad = codes != ""
        if not bad.any():
            return
        told = pd.Series(codes[bad])
        reason = told.map({code: text for code, (text, _) in REFUSED.items()}) + wrong
        remedy = told.map({code: text for code, (_, text) in REFUSED.items()})
        self.set_aside.append(
            build_set_aside(
                self.layer.name, self.ids[bad], codes[bad], reason, remedy, self.source[bad]
            )
        )
        self._keep(~bad)

    def _shape(self) -> Shaped:
        layer, kind = self.layer, self.layer.geometry
        given = self.geometry
        shaped = check_geometry.shape_geometry(given, kind)
        wrong = shaped.refused == "geometry_wrong_type"
        if len(wrong) and wrong.all():
            types = sorted(set(shapely.get_type_id(given).tolist()))
            names = ", ".join(shapely.GeometryType(one).name.lower() for one in types)
            where = f"layer {layer.name}"
            raise GeometryError(
                where,
                f"all its geometries are of the wrong type ({names}); {WANTED[kind]}",
                "Name another file or layer, or convert it.",
            )
        codes = shaped.refused.copy()
        if wrong.any():
            codes[wrong] = ""
            self._refuse_wrong(wrong)
            shaped = _subset(shaped, ~wrong)
            codes, given = codes[~wrong], given[~wrong]
        keep = codes == ""
        self._refuse(codes)
        shaped, given = _subset(shaped, keep), given[keep]
        if layer.name == "trees" and shaped.was_polygon.any():
            stems = check_geometry.tree_stems(given, shaped.was_polygon, shaped.geometry)
            shaped = Shaped(**{**vars(shaped), "geometry": stems})
        return shaped

    def _refuse_wrong(self, wrong: npt.NDArray[np.bool_]) -> None:
        types = shapely.get_type_id(self.geometry[wrong])
        names = {int(one): shapely.GeometryType(one).name.lower() for one in np.unique(types)}
        text, _ = REFUSED["geometry_wrong_type"]
        wanted = WANTED[self.layer.geometry]
        reason = f"{text}: " + pd.Series(types).map(names) + f"; {wanted}"
        self.set_aside.append(
            build_set_aside(
                self.layer.name,
                self.ids[wrong],
                "geometry_wrong_type",
                reason,
                "Draw it again as that type.",
                self.source[wrong],
            )
        )
        self._keep(~wrong)

    def _drop_bad_cells(self, shaped: Shaped) -> Shaped:
        """Set rows aside whose essential cells are bad; report the other bad cells."""
        cells = self.cells
        bad = cells[cells["is_essential"].to_numpy(dtype=bool)]
        if not len(bad):
            return shaped
        told = (
            bad.assign(reason=bad["key"] + " " + bad["problem"])
            .groupby("position", sort=True)
            .agg(key=("key", "first"), reason=("reason", "; ".join))
        )
        at = told.index.to_numpy()
        self.set_aside.append(
            build_set_aside(
                self.layer.name,
                self.ids[at],
                told["key"] + "_unreadable",
                told["reason"],
                "Correct the value.",
                self.source[at],
            )
        )
        keep = np.ones(len(self.values), dtype=bool)
        keep[at] = False
        self._keep(keep)
        return _subset(shaped, keep)

    def _drop_repeats(self, shaped: Shaped) -> Shaped:
        """Keep the first row of each id; then report the bad cells of rows that are kept."""
        is_repeat, first = find_repeats(self.id_texts)
        if is_repeat.any():
            at = np.flatnonzero(is_repeat)
            is_same = self._is_same(at, first[at])
            reason = np.where(
                is_same,
                "the same row is there already",
                "another row has this id, with other values or geometry",
            )
            remedy = np.where(is_same, "Remove it.", "Give one of them another id.")
            self.set_aside.append(
                build_set_aside(
                    self.layer.name,
                    self.ids[at],
                    "duplicate_id",
                    reason,
                    remedy,
                    self.source[at],
                )
            )
            self._keep(~is_repeat)
            shaped = _subset(shaped, ~is_repeat)
        for key, cells in self.cells.groupby("key", sort=True):
            self.findings.append(
                build_findings(
                    self.layer.name,
                    self.ids[cells["position"].to_numpy()],
                    f"{key}_unreadable",
                    Severity.WARNING,
                    f"{key} " + cells["problem"] + ": taken as not known",
                    "Correct the value.",
                )
            )
        return shaped

    def _is_same(
        self, left: npt.NDArray[np.intp], right: npt.NDArray[np.intp]
    ) -> npt.NDArray[np.bool_]:
        one = self.values.iloc[left].reset_index(drop=True)
        other = self.values.iloc[right].reset_index(drop=True)
        is_same = ((one == other) | (one.isna() & other.isna())).all(axis=1).to_numpy()
        bad = self.cells["position"].to_numpy()
        is_same = is_same & ~np.isin(left, bad) & ~np.isin(right, bad)
        return np.asarray(
            is_same & shapely.equals_exact(self.source[left], self.source[right], normalize=True)
        )

    def _tell_mended(self, shaped: Shaped) -> None:
        layer = self.layer
        mended = shaped.mended != ""
        if mended.any():
            area = pd.Series(np.round(shapely.area(shaped.geometry[mended]), 1)).astype("str")
            reason = "broken outline (" + pd.Series(shaped.mended[mended]) + ") mended, area now "
            self.findings.append(
                build_findings(
                    layer.name,
                    self.ids[mended],
                    "outline_mended",
                    Severity.WARNING,
                    reason + area + " m2",
                    "Check the outline, and draw it again if it is not what you meant.",
                )
            )
        count = int(shaped.was_polygon.sum())
        if not count:
            return
        if layer.name == "trees":
            radius_m = pd.Series(np.sqrt(shaped.area_m2 / np.pi), index=self.values.index)
            self.values = self.values.assign(
                crown_radius_m=self.values["crown_radius_m"].fillna(radius_m)
            )
        what = "crown as wide as its area says" if layer.name == "trees" else "point inside"
        self.findings.append(
            build_findings(
                layer.name,
                "",
                "polygon_as_point",
                Severity.NOTE if layer.name == "trees" else Severity.WARNING,
                f"{count} {layer.name} came as polygons: {what} taken",
                "Bring points for a true place.",
            )
        )

    def _split(
        self, values: pd.DataFrame, geometry: GeometryArray
    ) -> tuple[pd.DataFrame, GeometryArray]:
        layer = self.layer
        if (shapely.get_type_id(geometry) <= shapely.GeometryType.POLYGON).all():
            return values, geometry
        ids = values[layer.id_column].to_numpy(dtype=object)
        parts, names, owner, is_split = check_geometry.split_parts(geometry, ids)
        if not is_split.any():
            return values, parts
        count = pd.Series(np.bincount(owner, minlength=len(ids))[is_split]).astype("str")
        self.findings.append(
            build_findings(
                layer.name,
                ids[is_split],
                "parts_split",
                Severity.NOTE,
                "has " + count + " parts: each is a row of its own, named id#1, id#2, ...",
                "Nothing to do, unless the parts belong together.",
            )
        )
        split = values.iloc[owner].reset_index(drop=True)
        return split.assign(**{layer.id_column: pd.Series(names, dtype="str")}), parts


def _subset(shaped: Shaped, keep: npt.NDArray[np.bool_]) -> Shaped:
    if keep.all():
        return shaped
    return Shaped(**{name: array[keep] for name, array in vars(shaped).items()})
