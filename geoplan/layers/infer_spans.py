"""Strand spans where no strands were brought: poles joined along one side of a road.

Enters: poles and roads, each sorted by its id, working coordinates, metres.
Leaves: spans marked as inferred, and one finding that says how many.
Does not do: claim that strand hangs there; each span is to be checked on site.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.findings import build_findings
from geoplan.layers.span_table import MIN_SPAN_M, SAME_PLACE_M, build_span_table, one_direction
from geoplan.tables import Basis, Severity

if TYPE_CHECKING:
    from geoplan.project import Strands

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

SIDE_M = 0.01
"""Poles this close to a centre-line are on neither side of it. Common practice, no source."""
HEADING_M = 0.5
"""Stretch of road, each way, that gives its heading. Common practice, no source."""


def infer_spans(
    poles: gpd.GeoDataFrame, roads: gpd.GeoDataFrame, settings: Strands
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Join consecutive poles along the same side of the same road.

    Parameters
    ----------
    poles : GeoDataFrame
        Points indexed by ``pole_id``, sorted; metres.
    roads : GeoDataFrame
        Centre-lines indexed by ``road_id``, sorted.
    settings : Strands
        ``infer_max_span`` and ``infer_max_road_distance``, m.

    Returns
    -------
    spans : GeoDataFrame
        As by `build_span_table`, sorted by id, with ``strand_basis`` 'inferred'.
    findings : DataFrame
        One warning for the layer as a whole.

    Notes
    -----
    Each pole belongs to its nearest road (the smaller id on ties). Of poles at one place along
    one side, the nearest to the road (then the smaller id) is joined and the others are passed
    over, as their order cannot be told. Spans do not go from one road to the next.
    """
    pole, is_tied = _in_order(poles, roads, settings.infer_max_road_distance)
    kept = {name: column[~is_tied] for name, column in pole.items()}
    start, end = _consecutive(poles, kept, settings.infer_max_span)
    ids = poles.index.to_numpy(dtype=object)
    strand_id = pd.Series("inferred-" + ids[start] + "-" + ids[end], dtype="object")
    number = strand_id.groupby(strand_id).cumcount().to_numpy() + 1
    spans = build_span_table(
        poles,
        start,
        end,
        {"strand_id": strand_id.to_numpy(), "strand_basis": Basis.INFERRED.value},
        span_id=strand_id.to_numpy() + ":" + number.astype(str).astype(object),
    ).sort_index()
    findings = build_findings(
        layer="strands",
        row_ids="",
        code="strands_inferred",
        severity=Severity.WARNING,
        reason=f"no strands were brought: {len(spans)} spans inferred between poles along one"
        f" side of a road, each {settings.infer_max_span:.1f} m long at most;"
        f" {len(is_tied)} of {len(poles)} poles are within"
        f" {settings.infer_max_road_distance:.1f} m of a road, {is_tied.sum()} of them share"
        " their place beside it with another and were passed over",
        remedy="Inferred: check on site, or bring a strand layer under [layers.strands]",
    )
    return spans, findings


def _in_order(
    poles: gpd.GeoDataFrame, roads: gpd.GeoDataFrame, max_distance_m: float
) -> tuple[dict[str, IntArray], BoolArray]:
    """Return poles by road, side and place along it, and which share their place."""
    lines, points = one_direction(roads.geometry.to_numpy()), poles.geometry.to_numpy()
    pole, road = shapely.STRtree(lines).query_nearest(
        points, max_distance=max_distance_m, all_matches=True
    )
    order = np.lexsort((road, pole))
    pole, first = np.unique(pole[order], return_index=True)
    road = road[order][first]
    at = shapely.line_locate_point(lines[road], points[pole])
    side = _side_of_road(lines[road], points[pole], at)
    away = shapely.distance(lines[road], points[pole])
    order = np.lexsort((pole, away, at, side, road))
    columns = {"pole": pole[order], "road": road[order], "side": side[order]}
    is_tied = np.zeros(len(pole), dtype=bool)
    is_tied[1:] = _is_same_side(columns) & (np.diff(at[order]) <= MIN_SPAN_M)
    return columns, is_tied


def _is_same_side(pole: dict[str, IntArray]) -> BoolArray:
    """Return whether each pole and the next are on one side of one road."""
    road, side = pole["road"], pole["side"]
    is_same: BoolArray = (road[1:] == road[:-1]) & (side[1:] == side[:-1])
    return is_same


def _consecutive(
    poles: gpd.GeoDataFrame, kept: dict[str, IntArray], max_span_m: float
) -> tuple[IntArray, IntArray]:
    """Return the pairs of next poles that are near enough, the smaller id first, sorted."""
    points, pole = poles.geometry.to_numpy(), kept["pole"]
    length = shapely.distance(points[pole[:-1]], points[pole[1:]])
    is_joined = _is_same_side(kept) & (length <= max_span_m) & (length > MIN_SPAN_M)
    joined = np.flatnonzero(is_joined)
    start = np.minimum(pole[joined], pole[joined + 1])
    end = np.maximum(pole[joined], pole[joined + 1])
    order = np.lexsort((end, start))
    return start[order], end[order]


def _side_of_road(lines: ObjectArray, points: ObjectArray, at_m: FloatArray) -> IntArray:
    """Return 1 left of the line, -1 right of it, 0 on it or straight beyond its end."""
    length = shapely.length(lines)
    behind = shapely.line_interpolate_point(lines, np.maximum(at_m - HEADING_M, 0.0))
    ahead = shapely.line_interpolate_point(lines, np.minimum(at_m + HEADING_M, length))
    start = shapely.get_coordinates(behind)
    along = shapely.get_coordinates(ahead) - start
    beside = shapely.get_coordinates(points) - start
    cross = along[:, 0] * beside[:, 1] - along[:, 1] * beside[:, 0]
    offset = cross / np.maximum(np.hypot(along[:, 0], along[:, 1]), SAME_PLACE_M)
    side: IntArray = np.where(np.abs(offset) < SIDE_M, 0, np.sign(offset)).astype(np.intp)
    return side
