"""Driveways along whose edge a wire runs without being over them.

Enters: planned drops, their air spans, driveways, the rule set.
Leaves: driveways by drop in words, with the height asked over them.
Does not do: work out a clearance: the plan judges ground that is no driveway as yard.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.rules import RuleSet
from geoplan.text_columns import joined, texts
from geoplan.units import ReportUnits, say
from geoplan.work.clauses import in_words, per_row
from geoplan.work.strand_run import LIST_SPLIT

BESIDE_M = 0.6
"""A wire nearer than this to a driveway in plan runs along its edge: what drives there overhangs
it as far; our own default, no source."""
LEAST_ALONG_M = 1.5
"""A wire that is so near over less than this only passes its corner; our own default, no source."""
FULL, REDUCED = "clearance.driveway.residential", "clearance.driveway.reduced"


def drives_beside(plan: Plan, rule_set: RuleSet) -> Any:
    """Name the driveways along whose edge air spans run.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rule_set : RuleSet
        With the height asked over driveways.

    Returns
    -------
    pandas array of str, shape (n,)
        ``driveway D1, 0.3 ft aside, 30.0 ft to 52.1 ft out (15.5 ft asked over it)``, split by
        ``LIST_SPLIT``, by place in the layer; null without one. Driveways that the drop passes
        over don't count: their own clearance is asked there.
    """
    drives, units = plan.layers.driveways, plan.project.units
    wires = shapely.force_2d(np.asarray(plan.air_spans.geometry.values, dtype=object))
    shapes = np.asarray(drives.geometry.values, dtype=object)
    near = shapely.STRtree(shapes).query(wires, predicate="dwithin", distance=BESIDE_M)
    drop, drive = near[:, np.lexsort(near[::-1])]
    ids = plan.drops["address_id"].astype("str").to_numpy(dtype=object)
    names = drives.index.astype("str").to_numpy(dtype=object)
    met = plan.crossings
    over = met[(met["crossing_kind"] == "driveway") & ~met["is_near_miss"]]
    crossed = pd.MultiIndex.from_arrays([over["address_id"], over["feature_id"]])
    other = ~pd.MultiIndex.from_arrays([ids[drop], names[drive]]).isin(crossed)
    drop, drive = drop[other], drive[other]
    along = shapely.intersection(wires[drop], shapely.buffer(shapes[drive], BESIDE_M))
    long = shapely.length(along) >= LEAST_ALONG_M
    drop, drive, along = drop[long], drive[long], along[long]
    start = shapely.get_point(wires[drop], 0)
    words = joined(
        "driveway ",
        texts(drives.index).take(drive),
        ", ",
        in_words(shapely.distance(wires[drop], shapes[drive]), "length", units),
        " aside, ",
        in_words(shapely.distance(start, along), "length", units),
        " to ",
        in_words(shapely.hausdorff_distance(start, along), "length", units),
        f" out ({_asked(rule_set, units)})",
    )
    return per_row(drop.astype(np.int64), words, len(wires), LIST_SPLIT)


def _asked(rule_set: RuleSet, units: ReportUnits) -> str:
    """Say which height is asked over a driveway."""
    figures = [rule_set.figures.get(key) for key in (FULL, REDUCED)]
    full, reduced = (None if f is None else say(f.value_si, "length", units) for f in figures)
    if full is None:
        return "no height known that is asked over it"
    lower = f", {reduced} where the house is too low for that" if reduced is not None else ""
    return f"{full} asked over it{lower}"
