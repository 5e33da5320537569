"""Whether each strand run can be worked from a ladder, span by span, and what is on its way.

Enters: strand runs, strand spans with size and condition, carriageways, tracks, water, trees.
Leaves: which runs need a bucket and why; crowns that runs pass.
Does not do: work out how far ladder and person would load a span that only carries a run.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.mechanics.ladder import LadderReason, decide_ladder
from geoplan.model import Plan
from geoplan.rules import available_strands, load_rule_set, load_strand
from geoplan.text_columns import joined, places, texts, worded
from geoplan.work.clamp_spans import LIST_SPLIT
from geoplan.work.clauses import per_row
from geoplan.work.strand_run import RoadsBelow, StrandRuns

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

NO_SPAN = "no_span"
REASONS = (
    LadderReason.ALLOWED.value,
    LadderReason.STRAND_OVERLOADED.value,
    LadderReason.STRAND_UNSOUND.value,
    LadderReason.STRAND_SMALL.value,
    LadderReason.STRAND_UNKNOWN.value,
    NO_SPAN,
)
"""From the least grave; of two strands between the same poles the graver one counts."""
WORDS = (
    "",
    " would be overloaded by a ladder",
    " is in poor condition",
    " is too small for a ladder",
    " has no recorded size",
    " is not in the layers",
)
NOT_RECORDED = " has no recorded condition"


def build_reach(plan: Plan, runs: StrandRuns, below: RoadsBelow) -> pd.DataFrame:
    """Say which strand runs can't be worked from a ladder, and which crowns they pass through.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Their runs.
    below : RoadsBelow
        Carriageways that they hang over.

    Returns
    -------
    pandas.DataFrame
        n rows: ``is_run_bucket``, ``run_reach_note``, ``run_trees``.

    Notes
    -----
    A ladder is leaned on the strand all along the run, so each span has to bear one by the rule
    that holds for a clamp's own span: size recorded and not small, condition good, and not
    overloaded where that was worked out for a clamp on it. No ladder stands on a carriageway, on
    a track or in water.

    References
    ----------
    Refusing small or unmarked strand: trade practice, see `geoplan.mechanics.ladder`.
    """
    drops, layers = plan.drops, plan.layers
    count = len(drops)
    span, reason = _legs(plan, runs)
    bad = np.flatnonzero(reason > 0)
    owner = [runs.drop[bad], below.drop]
    words = [
        _of_strands(plan, runs, bad, span[bad], reason[bad]),
        joined("hangs over ", _names(layers.roads).take(below.road)),
    ]
    for layer in (layers.rail, layers.water):
        drop, row = under_runs(layer, runs)
        owner.append(drop)
        words.append(joined("hangs over ", _names(layer).take(row)))
    said = pd.DataFrame(
        {"drop": np.concatenate(owner), "words": pd.concat([pd.Series(part) for part in words])}
    ).drop_duplicates()
    rows = said["drop"].to_numpy(dtype=np.int64)
    is_bucket = np.zeros(count, dtype=bool)
    is_bucket[rows] = True
    return pd.DataFrame(
        {
            "is_run_bucket": is_bucket,
            "run_reach_note": per_row(rows, said["words"], count, LIST_SPLIT),
            "run_trees": _crowns(layers.trees, runs),
        }
    )


def span_ladders(plan: Plan) -> IntArray:
    """Say for each strand span whether a ladder may lean on it.

    Parameters
    ----------
    plan : Plan
        A finished plan; m strand spans.

    Returns
    -------
    ndarray of int64, shape (m,)
        Place in `REASONS`.
    """
    spans, extra = plan.layers.spans, plan.project.strand_sizes
    strands = {name: load_strand(name, extra) for name in available_strands(extra)}
    strength_n = {
        word.casefold(): entry.breaking_strength_n
        for name, entry in strands.items()
        for word in (name, entry.title, *entry.aliases)
    }
    small = load_rule_set(plan.project.rule_set).require("limits.ladder_strand_strength").value_si
    decision = decide_ladder(
        spans["size"].str.strip().str.casefold().map(strength_n).to_numpy(dtype=np.float64),
        (spans["condition"] == "good").to_numpy(dtype=bool),
        np.zeros(len(spans)),
        small_strand_n=small,
        design_factor=1.0,
    )
    code = places(texts(list(decision.reason)), list(REASONS))
    overloaded = LadderReason.STRAND_OVERLOADED.value
    held = plan.drops["strand_span_id"][plan.drops["strand_ladder"] == overloaded]
    at = places(held, spans.index)
    code[at] = np.maximum(code[at], REASONS.index(overloaded))
    return code


def _legs(plan: Plan, runs: StrandRuns) -> tuple[IntArray, IntArray]:
    """Return the strand span of each leg, -1 without one, and its place in `REASONS`."""
    spans, poles = plan.layers.spans, plan.layers.poles
    code = span_ladders(plan)
    ends = [places(spans[name], poles.index) for name in ("from_pole_id", "to_pole_id")]
    wide = len(poles) + 1
    key = np.minimum(*ends) * wide + np.maximum(*ends)
    order = np.lexsort((-code, key))
    leg = np.minimum(runs.from_pole, runs.to_pole) * wide + np.maximum(runs.from_pole, runs.to_pole)
    at = np.searchsorted(key[order], leg)
    found = np.append(order, -1)[np.minimum(at, len(order))]
    span = np.where(np.append(key, -1)[found] == leg, found, -1)
    by_clamp = places(plan.drops["strand_span_id"], spans.index)[runs.drop]
    span = np.where(runs.from_pole < 0, by_clamp, span)
    return span, np.append(code, REASONS.index(NO_SPAN))[span]


def _of_strands(
    plan: Plan, runs: StrandRuns, leg: IntArray, span: IntArray, reason: IntArray
) -> Any:
    """Name strands by their poles and say why they bear no ladder."""
    spans, names = plan.layers.spans, texts(plan.layers.poles.index)
    told = []
    for column, pole in (("from_pole_id", runs.from_pole), ("to_pole_id", runs.to_pole)):
        of_leg = pd.Series(names.take(pole[leg], allow_fill=True))
        of_span = pd.Series(texts(spans[column]).take(span, allow_fill=True))
        told.append(of_span.where(of_span.notna(), of_leg).fillna("clamp").array)
    has_condition = spans["condition"].fillna("").ne("").to_numpy(dtype=bool)
    is_blank = (reason == REASONS.index("strand_unsound")) & ~np.append(has_condition, True)[span]
    why = worded(np.where(is_blank, len(WORDS), reason), (*WORDS, NOT_RECORDED))
    return joined("strand ", told[0], "-", told[1], why)


def _names(layer: gpd.GeoDataFrame) -> Any:
    return texts(layer["name"].fillna(pd.Series(layer.index, index=layer.index)))


def under_runs(layer: gpd.GeoDataFrame, runs: StrandRuns) -> tuple[IntArray, IntArray]:
    """Find what of a layer strand runs pass over.

    Parameters
    ----------
    layer : geopandas.GeoDataFrame
        Lines or areas.
    runs : StrandRuns
        Runs of drops.

    Returns
    -------
    drop, row : ndarray of int64, shape (k,)
        Pairs, each once.
    """
    shapes = np.asarray(layer.geometry.values, dtype=object)
    leg, row = shapely.STRtree(shapes).query(runs.lines, predicate="intersects")
    pairs = np.unique(np.stack([runs.drop[leg], row], axis=1), axis=0).reshape(-1, 2)
    return pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)


def _crowns(trees: gpd.GeoDataFrame, runs: StrandRuns) -> Any:
    """List the trees whose crown runs pass through, in plan."""
    stem = shapely.centroid(np.asarray(trees.geometry.values, dtype=object))
    radius = np.nan_to_num(trees["crown_radius_m"].to_numpy(dtype=np.float64))
    lines = runs.lines
    leg, tree = shapely.STRtree(stem).query(
        lines, predicate="dwithin", distance=float(radius.max(initial=0.0))
    )
    inside = shapely.distance(lines[leg], stem[tree]) < radius[tree]
    pairs = np.unique(np.stack([runs.drop[leg], tree], axis=1)[inside], axis=0).reshape(-1, 2)
    return per_row(pairs[:, 0], texts(trees.index).take(pairs[:, 1]), runs.count, LIST_SPLIT)
