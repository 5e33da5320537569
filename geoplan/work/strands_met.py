"""Other strands that air spans cross, and how flat wires leave their own strand.

Enters: planned drops, their air spans, strand spans.
Leaves: strands by drop, also in words; the angle between wire and strand.
Does not do: compare heights: what is crossed is told as not checked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.routes.crossings import ON_POLE_M
from geoplan.text_columns import joined, places, texts
from geoplan.work.clauses import in_words, per_row
from geoplan.work.strand_run import LIST_SPLIT

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Meetings:
    """Where k air spans cross strands of other spans, in plan."""

    drop: IntArray
    span: IntArray
    at_m: FloatArray
    """From hook or clamp to the strand."""


def find_meetings(plan: Plan) -> Meetings:
    """Find the strands of other spans that air spans cross.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.

    Returns
    -------
    Meetings
        In the order of drops, then of the layer. The clamp's own span doesn't count, nor do spans
        within `ON_POLE_M` of where the wire starts: they end on its own pole.
    """
    spans = plan.layers.spans
    wires = shapely.force_2d(np.asarray(plan.air_spans.geometry.values, dtype=object))
    lines = shapely.force_2d(np.asarray(spans.geometry.values, dtype=object))
    drop, span = shapely.STRtree(lines).query(wires, predicate="intersects")
    order = np.lexsort((span, drop))
    drop, span = drop[order], span[order]
    own = places(plan.drops["strand_span_id"], spans.index)[drop]
    start = shapely.get_point(wires, 0)
    other = (span != own) & (shapely.distance(start[drop], lines[span]) > ON_POLE_M)
    drop, span = drop[other], span[other]
    at_m = shapely.distance(start[drop], shapely.intersection(wires[drop], lines[span]))
    return Meetings(drop.astype(np.int64), span.astype(np.int64), at_m)


def strand_names(plan: Plan, span: IntArray) -> Any:
    """Name spans by their poles."""
    spans = plan.layers.spans
    ends = (texts(spans[name]).take(span) for name in ("from_pole_id", "to_pole_id"))
    return joined(next(ends), "-", next(ends))


def strands_met(plan: Plan) -> Any:
    """Name the strands of other spans that air spans cross.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.

    Returns
    -------
    pandas array of str, shape (n,)
        ``strand PE08-PE09, 16.0 ft out``, split by ``LIST_SPLIT``, in the order of the layer; null
        without one.
    """
    met = find_meetings(plan)
    words = joined(
        "strand ",
        strand_names(plan, met.span),
        ", ",
        in_words(met.at_m, "length", plan.project.units),
        " out",
    )
    return per_row(met.drop, words, len(plan.drops), LIST_SPLIT)


def strand_angles(plan: Plan) -> FloatArray:
    """Return how far each wire turns off the strand that its clamp hangs on.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.

    Returns
    -------
    ndarray of float64, shape (n,)
        0 along the strand to 90 square to it, degrees, in plan; NaN without a clamp.
    """
    spans = plan.layers.spans
    row = places(plan.drops["strand_span_id"], spans.index)
    has = np.flatnonzero(row >= 0)
    along = _way(np.asarray(spans.geometry.values, dtype=object)[row[has]])
    wire = _way(np.asarray(plan.air_spans.geometry.values, dtype=object)[has])
    cosine = np.abs((along * wire).sum(axis=1)) / np.maximum(
        np.hypot(*along.T) * np.hypot(*wire.T), 1e-9
    )
    angle = np.full(len(row), np.nan)
    angle[has] = np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0)))
    return angle


def _way(lines: ObjectArray) -> FloatArray:
    ends = [shapely.get_coordinates(shapely.get_point(lines, side)) for side in (0, -1)]
    return np.asarray(ends[1] - ends[0], dtype=np.float64)
