"""Tracks near which somebody works.

Enters: places of the work, strand runs, tracks, crew rules.
Leaves: tracks by drop, each with its nearest place.
Does not do: know whose ground it is; ask the owner.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.text_columns import joined, texts
from geoplan.work.clamp_spans import LIST_SPLIT
from geoplan.work.clauses import in_words, per_row
from geoplan.work.strand_run import StrandRuns

PEOPLE_AT = ("ladder", "bucket", "house_ladder")


def near_rail(plan: Plan, work_places: gpd.GeoDataFrame, runs: StrandRuns, within_m: float) -> Any:
    """List the tracks near places where people stand, and near strand runs.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    work_places : geopandas.GeoDataFrame
        Where ladders and buckets stand.
    runs : StrandRuns
        Ways of the wires along the strand.
    within_m : float
        Distance from a track's line, m.

    Returns
    -------
    pandas array of str, shape (n,)
        ``name, distance from what``, split by `LIST_SPLIT`; null without.
    """
    rail, drops = plan.layers.rail, plan.drops
    lines = np.asarray(rail.geometry.values, dtype=object)
    stood = work_places[work_places["place"].isin(PEOPLE_AT)]
    owner = pd.Index(drops["address_id"]).get_indexer(pd.Index(stood["address_id"]))
    named = stood["place"].str.replace("_", " ", regex=False)
    met = []
    for rows, shapes, words in (
        (owner, np.asarray(stood.geometry.values, dtype=object), texts(named)),
        (runs.drop, runs.lines, texts(["strand run"] * len(runs.drop))),
    ):
        item, track = shapely.STRtree(lines).query(shapes, predicate="dwithin", distance=within_m)
        away = shapely.distance(shapes[item], lines[track])
        met.append(
            pd.DataFrame({"drop": rows[item], "track": track, "away": away, "at": words.take(item)})
        )
    near = pd.concat(met, ignore_index=True).sort_values(["drop", "track", "away", "at"])
    near = near.drop_duplicates(["drop", "track"])
    name = texts(rail["name"].fillna(pd.Series(rail.index, index=rail.index)))
    words = joined(
        name.take(near["track"].to_numpy(dtype=np.int64)),
        ", ",
        in_words(near["away"].to_numpy(dtype=np.float64), "length", plan.project.units),
        " from the ",
        texts(near["at"]),
    )
    return per_row(near["drop"].to_numpy(dtype=np.int64), words, len(drops), LIST_SPLIT)
