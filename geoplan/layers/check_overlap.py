"""Outlines that are there twice, or overlap: found among very many that only touch.

Enters: a layer of polygons with its search tree, sorted by id, metres.
Leaves: which outlines are copies, and findings.
Does not do: set anything aside.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.findings import build_findings, join_findings
from geoplan.layers.town import Town
from geoplan.layers.wording import figures
from geoplan.tables import Severity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

MIN_OVERLAP_M2 = 1.0
"""Overlaps up to this area are drawing errors. Common practice, no source."""
MIN_OVERLAP_SHARE = 0.01
"""Overlaps up to this share of the smaller outline are, too. Common practice, no source."""
EDGE_M = 0.01
"""Overlaps thinner than this are not looked for. Common practice, no source."""
DETAILED_VERTICES = 1000
"""Outlines with more vertices are worth preparing; no effect on results. No source."""
MAX_OVERLAP_VERTICES = 50_000_000
"""Vertices compared in search of overlaps in one layer; bounds the time. No source."""

_ODD = np.uint64(0x9E3779B97F4A7C15)
"""Spreads keys over 64 bits: 2 ** 64 over the golden ratio."""


def first_of_each(row: IntArray, match: IntArray, key: FloatArray) -> tuple[IntArray, IntArray]:
    """Return each row once, and where in the pairs its match with the least key is.

    Parameters
    ----------
    row, match : ndarray of intp, shape (k,)
        Pairs.
    key : ndarray of float64, shape (k,)
        What to be least; then the match.

    Returns
    -------
    found : ndarray of intp, shape (n,)
        Rows that have a match, ascending.
    at : ndarray of intp, shape (n,)
        Place of the pair of each.
    """
    order = np.lexsort((match, key, row))
    found, first = np.unique(row[order], return_index=True)
    return found, order[first]


def find_same_outlines(shapes: ObjectArray) -> tuple[IntArray, BoolArray]:
    """Return the first of those with the same outline, and whether that is another one.

    Parameters
    ----------
    shapes : ndarray of polygons, shape (n,)
        Where an outline begins, and which way it runs, has no say.

    Returns
    -------
    first : ndarray of intp, shape (n,)
        Row of the first one with that outline.
    is_copy : ndarray of bool, shape (n,)
        Whether that is another row.

    Notes
    -----
    Only outlines that share bounds and number of vertices are compared.
    """
    first = np.arange(len(shapes), dtype=np.intp)
    alike = np.flatnonzero(_have_shared_bounds(shapes))
    outline = pd.Series(shapely.to_wkb(shapely.normalize(shapes[alike])), dtype=object)
    first[alike] = pd.Series(alike).groupby(outline, sort=False).transform("first").to_numpy()
    return first, first != np.arange(len(shapes))


def _have_shared_bounds(shapes: ObjectArray) -> BoolArray:
    """Return which shapes share bounds and number of vertices, as those of one outline do."""
    return have_shared_key(
        np.column_stack([shapely.get_num_coordinates(shapes), shapely.bounds(shapes)])
    )


def have_shared_key(keys: FloatArray) -> BoolArray:
    """Return which rows equal another one, told by a hash: perhaps too many, never too few.

    Parameters
    ----------
    keys : ndarray of float64, shape (n, k)
        Finite; 0 and -0 are one number.

    Returns
    -------
    ndarray of bool, shape (n,)
        False for rows that no other row equals, but for a chance of about n / 2**64 each.
    """
    parts = np.ascontiguousarray(keys + 0.0).view(np.uint64)  # one zero, not two
    mixed = np.zeros(len(keys), dtype=np.uint64)
    for part in parts.T:
        mixed = (mixed ^ (mixed >> np.uint64(32)) ^ part) * _ODD
    shared: BoolArray = pd.Series(mixed).duplicated(keep=False).to_numpy()
    return shared


def _meetings(inner: ObjectArray, shapes: ObjectArray) -> tuple[IntArray, IntArray]:
    """Return pairs of rows that intersect; very detailed shapes are prepared once, not per pair."""
    is_big = shapely.get_num_coordinates(shapes) > DETAILED_VERTICES
    small, big = np.flatnonzero(~is_big), np.flatnonzero(is_big)
    left, right = shapely.STRtree(shapes[small]).query(inner, predicate="intersects")
    of_big, to_big = shapely.STRtree(inner).query(shapes[big], predicate="intersects")
    return np.concatenate([left, to_big]), np.concatenate([small[right], big[of_big]])


def _crowded(shapes: ObjectArray, tree: shapely.STRtree) -> tuple[IntArray, IntArray]:
    """Return shapes that reach into the bounds of another by half an edge, and those others.

    What is left of a shape inside its edge keeps within its bounds less the edge, so that no
    other shape can overlap. Most lots and houses are spared the work so.
    """
    west, south, east, north = shapely.bounds(shapes).T
    edge = EDGE_M / 2.0
    wide = np.flatnonzero((east - west > 2.0 * edge) & (north - south > 2.0 * edge))
    inner = shapely.box(
        west[wide] + edge, south[wide] + edge, east[wide] - edge, north[wide] - edge
    )
    left, right = tree.query(inner)
    is_other = wide[left] != right
    return np.unique(wide[left[is_other]]), np.unique(right[is_other])


def find_overlaps(town: Town, layer: str, severity: Severity, remedy: str) -> pd.DataFrame:
    """Find outlines that overlap one with a smaller id, with the largest overlap of each.

    Parameters
    ----------
    town : Town
        Layers.
    layer : str
        Polygons, sorted by id.
    severity : Severity
        Of an overlap.
    remedy : str
        What to do about one.

    Returns
    -------
    DataFrame
        Findings, codes ``<layer>_overlap`` and ``<layer>_overlap_not_checked``.
    """
    shapes = town.shapes(layer)
    first, is_copy = find_same_outlines(shapes)
    pair, skipped = within_reason(*meeting_outlines(shapes, town.tree(layer), is_copy))
    pair = with_copies(pair, first, is_copy)
    ids = town[layer].index.to_numpy(dtype=object)
    shared = shared_areas(shapes[pair[:, 0]], shapes[pair[:, 1]], is_copy[pair[:, 0]])
    return tell_overlaps(layer, ids, pair, shared, skipped, severity, remedy)


def meeting_outlines(
    shapes: ObjectArray, tree: shapely.STRtree, is_copy: BoolArray
) -> tuple[IntArray, IntArray]:
    """Return pairs of outlines that may overlap.

    Parameters
    ----------
    shapes : ndarray of polygons, shape (n,)
        Outlines.
    tree : shapely.STRtree
        Of them.
    is_copy : ndarray of bool, shape (n,)
        Those that are left out.

    Returns
    -------
    pair : ndarray of intp, shape (k, 2)
        Rows, the later one first. Whether two make a pair depends on these two alone.
    vertices : ndarray of intp, shape (k,)
        Of both together.
    """
    crowded, crowd = _crowded(shapes, tree)
    crowded, crowd = crowded[~is_copy[crowded]], crowd[~is_copy[crowd]]
    inner = shapely.buffer(shapes[crowded], -EDGE_M, join_style="mitre")
    left, right = _meetings(inner, shapes[crowd])
    left, right = crowded[left], crowd[right]
    pair = np.unique(np.column_stack([np.maximum(left, right), np.minimum(left, right)]), axis=0)
    pair = pair[pair[:, 0] != pair[:, 1]]
    vertices: IntArray = shapely.get_num_coordinates(shapes)[pair].sum(axis=1)
    return pair, vertices


def within_reason(pair: IntArray, vertices: IntArray) -> tuple[IntArray, int]:
    """Leave out the most detailed pairs where all together have too many vertices.

    Parameters
    ----------
    pair : ndarray of intp, shape (k, 2)
        Pairs of a whole layer.
    vertices : ndarray of intp, shape (k,)
        Of each.

    Returns
    -------
    pair : ndarray of intp, shape (m, 2)
        Those to compare, simple ones first.
    skipped : int
        How many were left out.
    """
    order = np.lexsort((pair[:, 1], pair[:, 0], vertices))
    within = order[np.cumsum(vertices[order]) <= MAX_OVERLAP_VERTICES]
    return pair[within], len(pair) - len(within)


def with_copies(pair: IntArray, first: IntArray, is_copy: BoolArray) -> IntArray:
    """Add each copy with the first of its outline to pairs.

    Parameters
    ----------
    pair : ndarray of intp, shape (k, 2)
        Pairs of other rows.
    first, is_copy : ndarray, shape (n,)
        From `find_same_outlines`.

    Returns
    -------
    ndarray of intp, shape (m, 2)
        All pairs.
    """
    return np.concatenate([pair, np.column_stack([np.arange(len(first)), first])[is_copy]])


def shared_areas(one: ObjectArray, other: ObjectArray, is_copy: BoolArray) -> FloatArray:
    """Return the area that outlines share, and what share that is of the smaller of the two.

    Parameters
    ----------
    one, other : ndarray of polygons, shape (k,)
        Pairs.
    is_copy : ndarray of bool, shape (k,)
        Whether both have the same outline.

    Returns
    -------
    ndarray of float64, shape (2, k)
        Square metres; part of one.
    """
    area = shapely.area(one)
    common = area.copy()
    common[~is_copy] = shapely.area(shapely.intersection(one[~is_copy], other[~is_copy]))
    return np.stack([common, common / np.minimum(area, shapely.area(other))])


def tell_overlaps(
    layer: str,
    ids: ObjectArray,
    pair: IntArray,
    shared: FloatArray,
    skipped: int,
    severity: Severity,
    remedy: str,
) -> pd.DataFrame:
    """Put overlaps into findings, the largest one of each outline.

    Parameters
    ----------
    layer : str
        Layer.
    ids : ndarray of str, shape (n,)
        Of its rows.
    pair : ndarray of intp, shape (k, 2)
        Pairs of rows.
    shared : ndarray of float64, shape (2, k)
        From `shared_areas`.
    skipped : int
        Pairs that were not compared.
    severity : Severity
        Of an overlap.
    remedy : str
        What to do about one.

    Returns
    -------
    DataFrame
        As from `find_overlaps`.
    """
    common, share = shared
    is_grave = (common > MIN_OVERLAP_M2) & (share > MIN_OVERLAP_SHARE)
    pair, common, share = pair[is_grave], common[is_grave], share[is_grave]
    found, at = first_of_each(pair[:, 0], pair[:, 1], -common)
    kind = layer.removesuffix("s")
    overlaps = build_findings(
        layer=layer,
        row_ids=ids[found],
        code=f"{layer}_overlap",
        severity=severity,
        reason=f"it overlaps {kind} '"
        + ids[pair[at, 1]]
        + "' by "
        + figures(common[at], 1)
        + " m2, "
        + figures(100.0 * share[at], 0)
        + " % of the smaller of the two",
        remedy=remedy,
    )
    capped = build_findings(
        layer=layer,
        row_ids=[""] if skipped else [],
        code=f"{layer}_overlap_not_checked",
        severity=Severity.NOTE,
        reason=f"{skipped} pairs of the most detailed outlines were not checked for overlap, to"
        f" keep within {MAX_OVERLAP_VERTICES} vertices",
        remedy="Simplify the outlines, or split the layer",
    )
    return join_findings([overlaps, capped])
