"""Walks and driveways along a strand run, where ladder or bucket is moved over people's way.

Enters: strand runs, walks, driveways, crew rules.
Leaves: walks and driveways by drop in words; the sentence on them.
Does not do: choose where each ladder stands; look at carriageways.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, texts
from geoplan.work.clauses import per_row
from geoplan.work.drop_case import DropCase
from geoplan.work.site_words import in_a_row, parts_of
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

BoolArray = npt.NDArray[np.bool_]


def run_walks(plan: Plan, runs: StrandRuns, by_bucket: BoolArray, rules: CrewRules) -> Any:
    """Name the walks and driveways that are worked over along strand runs.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand, m legs.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket.
    rules : CrewRules
        Room that a ladder or a bucket takes.

    Returns
    -------
    pandas array of str, shape (n,)
        ``walk id`` and ``driveway id``, in the order of their layers, split by `LIST_SPLIT`; null
        without one.

    Notes
    -----
    From a ladder: nearer to the strand in plan than its foot, whose distance is the leg's height
    over the tangent of ``[ladder] angle``, and ``places.kerb_keep_off`` more; on whichever side.
    From a bucket: nearer to the strand than ``places.bucket_keep_off``: the truck's own place is
    not known.

    References
    ----------
    Common practice, no source.
    """
    foot_m = runs.high_m / np.tan(np.radians(plan.project.ladder.angle))
    within = np.where(
        by_bucket[runs.drop],
        rules.value("places.bucket_keep_off"),
        foot_m + rules.value("places.kerb_keep_off"),
    )
    drops, words = [], []
    for kind, layer in (("walk ", plan.layers.sidewalks), ("driveway ", plan.layers.driveways)):
        shapes = np.asarray(layer.geometry.values, dtype=object)
        leg, row = shapely.STRtree(shapes).query(runs.lines, predicate="dwithin", distance=within)
        pairs = np.unique(np.stack([runs.drop[leg], row], axis=1), axis=0).reshape(-1, 2)
        drops.append(pairs[:, 0].astype(np.int64))
        words.append(joined(kind, texts(layer.index).take(pairs[:, 1])))
    both = np.concatenate([np.asarray(part, dtype=object) for part in words])
    return per_row(np.concatenate(drops), texts(both), runs.count, LIST_SPLIT)


def guarded(case: DropCase) -> str:
    """Tell to guard the walks and driveways along the strand run; empty: none is known.

    Parameters
    ----------
    case : DropCase
        The drop.

    Returns
    -------
    str
        One sentence, things of a kind told together.
    """
    named: dict[str, list[str]] = {}
    for words in parts_of(case.job.get("run_walks")):
        kind, _, name = words.partition(" ")
        named.setdefault(kind, []).append(name)
    told = [f"{kind}{'s' if len(ids) > 1 else ''} {in_a_row(ids)}" for kind, ids in named.items()]
    return f"Guard {', '.join(told)} along it." if told else ""
