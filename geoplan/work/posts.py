"""Posts that people besides the first have at the same time while a drop is hung.

Enters: what planned drops cross, traffic control, power on the way, how runs are reached.
Leaves: the most posts at once by drop, and what they are.
Does not do: say how many people a single post takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import texts, worded
from geoplan.work.clauses import chained
from geoplan.work.over_roads import has_clamp
from geoplan.work.places import is_bucket_job
from geoplan.work.traffic import Traffic

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Posts:
    """Posts at once, n drops."""

    most: IntArray
    """While the wire is raised or while it is led along the strand, whichever has more."""
    words: Any
    """What they are; null where there is none."""


def find_posts(
    plan: Plan,
    rules: CrewRules,
    traffic: Traffic,
    approach: pd.DataFrame,
    reach: pd.DataFrame,
) -> Posts:
    """Count the posts of people besides the one at hook, clamp or strand.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rules : CrewRules
        Longest air span that one raises alone.
    traffic : Traffic
        Traffic control by drop.
    approach : pandas.DataFrame
        Power by drop, see `geoplan.work.approach.build_approach`.
    reach : pandas.DataFrame
        How runs are reached, see `geoplan.work.run_reach.build_reach`.

    Returns
    -------
    Posts
        By drop. Flaggers come besides the crew: where they hold traffic, that is no post. Where
        one person may cross alone, but there is another post, the second would hold traffic too.
        On a clamp's span the ladder of the strand run has traffic held once more.
    """
    drops = plan.drops
    span = drops["air_span_m"].to_numpy(dtype=np.float64)
    pull = span > rules.value("alone.max_pull")
    pull |= _met(plan, "roof") | _met(plan, "tree")
    power = _met(plan, "power") | (approach["power_approach"] == "within").to_numpy()
    power |= pd.Series(texts(approach["power_beside"])).notna().to_numpy()
    bucket = is_bucket_job(drops)
    alone = traffic.is_over_road & (traffic.people == 1)
    sides = [
        (traffic.side_posts > k, "holding a side road")
        for k in range(traffic.side_posts.max(initial=0))
    ]
    by_bucket = bucket | reach["is_run_bucket"].to_numpy(dtype=bool)
    again = has_clamp(plan) & ~by_bucket & traffic.is_held
    raising = (
        (traffic.is_held | (alone & (power | pull | bucket)), "holding traffic"),
        *sides,
        (power, "watching power"),
        (pull, "helping with the pull"),
        (bucket, "staying with the bucket"),
    )
    leading = (
        (traffic.is_run_held | again, "holding traffic"),
        *((mask & again, word) for mask, word in sides),
        (pd.Series(texts(approach["run_power"])).notna().to_numpy(), "watching power"),
        (reach["is_run_bucket"].to_numpy(dtype=bool), "staying with the bucket"),
    )
    up, along = (np.sum([mask for mask, _ in posts], axis=0) for posts in (raising, leading))
    is_along = along > up
    parts = []
    for posts, chosen in ((raising, ~is_along), (leading, is_along)):
        for mask, word in posts:
            rows = np.flatnonzero(mask & chosen)
            parts.append((rows, worded(np.zeros(len(rows)), (word,))))
    return Posts(np.maximum(up, along).astype(np.int64), chained(len(drops), parts, ", "))


def _met(plan: Plan, kind: str) -> BoolArray:
    """Tell which air spans pass over, under or through something of a kind."""
    crossings = plan.crossings
    rows = (crossings["crossing_kind"] == kind) & ~crossings["is_near_miss"]
    return np.asarray(plan.drops["address_id"].isin(crossings["address_id"][rows]), dtype=bool)
