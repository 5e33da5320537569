"""Strand spans from pole to pole: cut out of strand lines, or inferred along roads.

Enters: strands, poles and roads, each indexed by its id, in working coordinates, metres.
Leaves: spans (`geoplan.model.SPAN_COLUMNS`), findings, and strands set aside.
Does not do: read files; judge whether a strand is fit to carry a drop.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.findings import (
    build_findings,
    build_set_aside,
    join_findings,
    join_set_aside,
)
from geoplan.layers.infer_spans import infer_spans
from geoplan.layers.span_table import (
    MIN_SPAN_M,
    SAME_PLACE_M,
    build_span_table,
    one_direction,
)
from geoplan.layers.wording import figures
from geoplan.tables import Basis, Severity

if TYPE_CHECKING:
    from geoplan.project import Strands

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]
Built = tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame]

MOVED_M = 0.01
"""Ends moved by less are not reported. Common practice, no source."""
NO_POLE = -1


@dataclass(frozen=True)
class _Search:
    """Lines and poles to be joined, with the ends of each line and the poles they go to."""

    lines: ObjectArray
    points: ObjectArray
    tree: shapely.STRtree
    ends: ObjectArray
    end_pole: IntArray
    tolerance_m: float


@dataclass(frozen=True)
class _Chain:
    """Visits of lines at poles, sorted by line and place along it; pieces between two visits."""

    line: IntArray
    at_m: FloatArray
    pole: IntArray

    @property
    def piece(self) -> IntArray:
        """Visits that another visit of the same line follows."""
        return np.flatnonzero(self.line[:-1] == self.line[1:])


def build_spans(
    strands: gpd.GeoDataFrame,
    poles: gpd.GeoDataFrame,
    roads: gpd.GeoDataFrame,
    *,
    settings: Strands,
    absent: bool,
) -> Built:
    """Build the strand spans between poles, from strand lines or inferred along roads.

    Parameters
    ----------
    strands : GeoDataFrame
        Lines indexed by ``strand_id``, with ``height_m``, ``size`` and ``condition``; metres.
    poles : GeoDataFrame
        Points indexed by ``pole_id``; metres.
    roads : GeoDataFrame
        Centre-lines indexed by ``road_id``; used only to infer.
    settings : Strands
        Tolerances and limits, m.
    absent : bool
        Whether the user brought no strands; only then spans may be inferred.

    Returns
    -------
    spans : GeoDataFrame
        Indexed by ``strand_span_id``, sorted, with `geoplan.model.SPAN_COLUMNS` and straight
        lines from ``from_pole_id`` to ``to_pole_id``, the smaller id first.
    findings : DataFrame
        As declared in `geoplan.tables`.
    set_aside : DataFrame
        As declared in `geoplan.tables`; a strand named here may have kept other spans.

    Notes
    -----
    A line is cut at every pole within the tolerance beside it; each end goes to the nearest
    pole within the tolerance (the smaller id on ties). A pole beyond the end of a line that is
    not the nearest to that end is not on the line. A line that comes back to a pole it has
    passed is cut there once, but for a line whose both ends are at the same pole. The order of
    rows and the direction of lines have no effect. Cost O(n log n) in poles and lines.
    """
    poles = poles.sort_index()
    if not absent:
        return _measured(strands.sort_index(), poles, settings.snap_tolerance)
    if settings.infer == "when_missing":
        spans, findings = infer_spans(poles, roads.sort_index(), settings)
        return spans, join_findings([findings]), join_set_aside([])
    nothing = np.empty(0, dtype=np.intp)
    spans = build_span_table(poles, nothing, nothing, {})
    return spans, join_findings([]), join_set_aside([])


def _measured(strands: gpd.GeoDataFrame, poles: gpd.GeoDataFrame, tolerance_m: float) -> Built:
    """Cut strand lines at poles."""
    search = _search(strands, poles, tolerance_m)
    chain = _visits(search)
    line, pole, next_pole = (
        chain.line[chain.piece],
        chain.pole[chain.piece],
        chain.pole[chain.piece + 1],
    )
    strand_id = _ids(strands)[line]
    span_id = strand_id + ":" + _numbers(chain).astype(str).astype(object)
    carried = {name: strands[name].to_numpy()[line] for name in ("height_m", "size", "condition")}
    spans = build_span_table(
        poles,
        np.minimum(pole, next_pole),
        np.maximum(pole, next_pole),
        {"strand_id": strand_id, "strand_basis": Basis.MEASURED.value, **carried},
        span_id=span_id,
    )
    is_empty = spans["length_m"].to_numpy() <= MIN_SPAN_M
    used = spans[~is_empty].sort_index()
    is_again = used.duplicated(["from_pole_id", "to_pole_id"]).to_numpy()
    findings = [
        _find_bends(search, chain, span_id),
        _find_moved_ends(search),
        _find_doubles(used, is_again),
    ]
    set_aside = [_missed_ends(strands, search, chain), _empty_spans(spans[is_empty])]
    return used[~is_again], join_findings(findings), join_set_aside(set_aside)


def _ids(frame: pd.DataFrame) -> ObjectArray:
    ids: ObjectArray = frame.index.to_numpy(dtype=object)
    return ids


def _search(strands: gpd.GeoDataFrame, poles: gpd.GeoDataFrame, tolerance_m: float) -> _Search:
    """Prepare lines, poles, and the poles of the lines' ends."""
    lines, points = one_direction(strands.geometry.to_numpy()), poles.geometry.to_numpy()
    ends = np.column_stack([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    tree = shapely.STRtree(points)
    end_pole = _poles_of_ends(tree, points, ends, tolerance_m)
    return _Search(lines, points, tree, ends, end_pole, tolerance_m)


def _poles_of_ends(
    tree: shapely.STRtree, points: ObjectArray, ends: ObjectArray, tolerance_m: float
) -> IntArray:
    """Return the nearest pole within the tolerance of each end, `NO_POLE` where none is."""
    flat = ends.ravel()
    end, pole = tree.query(flat, predicate="dwithin", distance=tolerance_m)
    order = np.lexsort((pole, shapely.distance(flat[end], points[pole]), end))
    end, first = np.unique(end[order], return_index=True)
    nearest = np.full(len(flat), NO_POLE, dtype=np.intp)
    nearest[end] = pole[order][first]
    return nearest.reshape(ends.shape)


def _visits(search: _Search) -> _Chain:
    """Return the poles along each line, those of its ends among them."""
    lines, end_pole = search.lines, search.end_pole
    line, pole = search.tree.query(lines, predicate="dwithin", distance=search.tolerance_m)
    at = shapely.line_locate_point(lines[line], search.points[pole])
    length = shapely.length(lines)
    is_between = (at > SAME_PLACE_M) & (at < length[line] - SAME_PLACE_M)
    is_between &= (end_pole[line] != pole[:, None]).all(axis=1)
    first, last = (np.flatnonzero(end_pole[:, side] != NO_POLE) for side in (0, 1))
    line = np.concatenate([first, line[is_between], last])
    at = np.concatenate([np.zeros(len(first)), at[is_between], length[last]])
    pole = np.concatenate([end_pole[first, 0], pole[is_between], end_pole[last, 1]])
    rank = np.repeat([0, 1, 2], [len(first), is_between.sum(), len(last)])
    order = np.lexsort((pole, at, rank, line))
    return _Chain(line[order], at[order], pole[order])


def _numbers(chain: _Chain) -> IntArray:
    """Return the number of each piece, from 1 at the end of its line with the smaller pole id."""
    _, first, which, count = np.unique(
        chain.line, return_index=True, return_inverse=True, return_counts=True
    )
    last = first + count - 1
    inner = np.minimum(1, count - 1)
    start, end = chain.pole[first], chain.pole[last]
    second, second_last = chain.pole[first + inner], chain.pole[last - inner]
    is_flipped = (start > end) | ((start == end) & (second > second_last))
    line = which[chain.piece]
    from_start = chain.piece - first[line] + 1
    numbers: IntArray = np.where(is_flipped[line], count[line] - from_start, from_start)
    return numbers


def _find_bends(search: _Search, chain: _Chain, span_id: ObjectArray) -> pd.DataFrame:
    """Find spans whose line strays from the straight one between its poles."""
    piece, tolerance_m = chain.piece, search.tolerance_m
    vertex, on_piece = _pieces_of_vertices(search.lines, chain)
    visit = piece[on_piece]
    place = shapely.get_coordinates(search.points)
    ends = np.stack([place[chain.pole[visit]], place[chain.pole[visit + 1]]], axis=1)
    away = shapely.distance(shapely.points(vertex), shapely.linestrings(ends))
    farthest = np.zeros(len(piece))
    np.maximum.at(farthest, on_piece, away)
    bent = np.flatnonzero(farthest > tolerance_m)
    return build_findings(
        layer="strands",
        row_ids=span_id[bent],
        code="strand_bends_between_poles",
        severity=Severity.NOTE,
        reason="the line strays " + figures(farthest[bent], 2) + " m from the straight line"
        f" between its poles, more than {tolerance_m:.2f} m; the straight line is used",
        remedy="Check whether a pole is missing at the bend",
    )


def _pieces_of_vertices(lines: ObjectArray, chain: _Chain) -> tuple[FloatArray, IntArray]:
    """Return the vertices that lie between two visits, and the number of the piece they are on."""
    vertex, line = shapely.get_coordinates(lines, return_index=True)
    step = np.zeros(len(vertex))
    step[1:] = np.where(line[1:] == line[:-1], np.hypot(*np.diff(vertex, axis=0).T), 0.0)
    travelled = np.cumsum(step)
    at = travelled - travelled[np.searchsorted(line, np.arange(len(lines)))][line]
    # Vertices and visits in one order, a visit before a vertex at the same place.
    is_vertex = np.repeat([True, False], [len(vertex), len(chain.line)])
    order = np.lexsort(
        (is_vertex, np.concatenate([at, chain.at_m]), np.concatenate([line, chain.line]))
    )
    last_visit = np.empty(len(order), dtype=np.intp)
    last_visit[order] = np.cumsum(~is_vertex[order]) - 1
    last_visit = last_visit[: len(vertex)]
    number = np.full(len(chain.line) + 1, -1, dtype=np.intp)  # the last stands for no visit
    number[chain.piece] = np.arange(len(chain.piece))
    inside = np.flatnonzero(number[last_visit] >= 0)
    inside = inside[chain.line[last_visit[inside]] == line[inside]]
    return vertex[inside], number[last_visit[inside]]


def _find_moved_ends(search: _Search) -> pd.DataFrame:
    """Say how many ends were moved to their poles, and how far."""
    is_snapped = search.end_pole != NO_POLE
    pole = search.end_pole[is_snapped]
    moved = shapely.distance(search.ends[is_snapped], search.points[pole])
    moved = moved[moved > MOVED_M]
    count = np.array([len(moved)] if len(moved) else [], dtype=np.intp)
    return build_findings(
        layer="strands",
        row_ids=np.full(len(count), "", dtype=object),
        code="strand_ends_moved",
        severity=Severity.NOTE,
        reason=figures(count, 0) + f" ends of strands were moved to the nearest pole, by "
        f"{moved.max(initial=0.0):.2f} m at most",
        remedy="Correct the strands' ends, or change strands.snap_tolerance",
    )


def _find_doubles(spans: gpd.GeoDataFrame, is_again: BoolArray) -> pd.DataFrame:
    """Find spans between two poles that another span joins already."""
    pair = ["from_pole_id", "to_pole_id"]
    kept = spans.index.to_series().groupby([spans[name] for name in pair]).transform("first")
    again = spans[is_again]
    return build_findings(
        layer="strands",
        row_ids=_ids(again),
        code="strand_span_double",
        severity=Severity.NOTE,
        reason="span '"
        + kept[is_again].to_numpy(dtype=object)
        + "' joins poles '"
        + again["from_pole_id"].to_numpy(dtype=object)
        + "' and '"
        + again["to_pole_id"].to_numpy(dtype=object)
        + "' already; that one is used",
        remedy="Remove one of the two, unless there are two strands",
    )


def _missed_ends(strands: gpd.GeoDataFrame, search: _Search, chain: _Chain) -> pd.DataFrame:
    """Set aside what lies between a strand's outermost poles and an end without one."""
    is_missed = search.end_pole == NO_POLE
    missed = np.flatnonzero(is_missed.any(axis=1))
    is_both = is_missed[missed].all(axis=1)
    gap = _gaps(search, is_missed)[missed]
    low, high = figures(np.fmin(*gap.T), 2), figures(np.fmax(*gap.T), 2)
    distance = np.where(is_both, low + " m and " + high + " m", low + " m")
    nearest = np.where(
        np.isnan(gap).all(axis=1), "there is no pole", "the nearest is " + distance + " away"
    )
    left_out_m, spans_used = _left_out(search, chain, is_missed)
    return build_set_aside(
        layer="strands",
        row_ids=_ids(strands)[missed],
        code="strand_end_without_pole",
        reason=f"no pole within {search.tolerance_m:.2f} m of "
        + np.where(is_both, "either end", "one end").astype(object)
        + "; "
        + nearest
        + "; "
        + figures(left_out_m[missed], 2)
        + " m of it is left out, "
        + figures(spans_used[missed], 0)
        + " of its spans are used",
        remedy="Add the missing pole, or raise strands.snap_tolerance",
        geometry=strands.geometry.to_numpy()[missed],
    )


def _gaps(search: _Search, is_missed: BoolArray) -> FloatArray:
    """Return the distance to the nearest pole of the ends that missed, NaN for all others."""
    gap = np.full(is_missed.shape, np.nan)
    line, side = np.nonzero(is_missed)
    which, pole = search.tree.query_nearest(search.ends[line, side], all_matches=False)
    line, side = line[which], side[which]
    gap[line, side] = shapely.distance(search.ends[line, side], search.points[pole])
    return gap


def _left_out(search: _Search, chain: _Chain, is_missed: BoolArray) -> tuple[FloatArray, IntArray]:
    """Return by line the length beyond its outermost poles, and the spans between them."""
    length = shapely.length(search.lines)
    visited, first, count = np.unique(chain.line, return_index=True, return_counts=True)
    spans = np.zeros(len(length), dtype=np.intp)
    spans[visited] = count - 1
    head, tail = np.zeros(len(length)), np.zeros(len(length))
    head[visited] = chain.at_m[first]
    tail[visited] = length[visited] - chain.at_m[first + count - 1]
    beyond = head * is_missed[:, 0] + tail * is_missed[:, 1]
    return np.where(spans > 0, beyond, length), spans


def _empty_spans(spans: gpd.GeoDataFrame) -> pd.DataFrame:
    """Set aside spans that end where they begin."""
    return build_set_aside(
        layer="strands",
        row_ids=_ids(spans),
        code="strand_span_without_length",
        reason="it goes from pole '"
        + spans["from_pole_id"].to_numpy(dtype=object)
        + "' to pole '"
        + spans["to_pole_id"].to_numpy(dtype=object)
        + "', "
        + figures(spans["length_m"].to_numpy(), 3)
        + " m away",
        remedy="Correct the line, or remove the pole that is there twice",
        geometry=spans.geometry.to_numpy(),
    )
