"""Planned drops that a drop crosses and that hang later, by the crew days.

Enters: jobs, crossings, stops in their order; a `DropCase`.
Leaves: addresses by drop; rows of crossings whose wire is not there yet.
Does not do: compare heights.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from geoplan.text_columns import IntArray, places, texts
from geoplan.work.clauses import per_row
from geoplan.work.drop_case import DropCase, Row
from geoplan.work.site_words import parts_of
from geoplan.work.strand_run import LIST_SPLIT


def with_crossed_later(
    jobs: gpd.GeoDataFrame, crossings: pd.DataFrame, crew_stops: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Name the planned drops that each drop crosses and that hang after it.

    Parameters
    ----------
    jobs : geopandas.GeoDataFrame
        Columns as declared for ``jobs``, n rows.
    crossings : pandas.DataFrame
        Columns as declared for ``crossings``.
    crew_stops : pandas.DataFrame
        Columns as declared; the order of work by crew day and stop.

    Returns
    -------
    geopandas.GeoDataFrame
        The same jobs with ``crossed_later``: addresses split by `LIST_SPLIT`. Null without one,
        and where either of two has no stop: then nobody knows which hangs first.
    """
    rows = crossings[crossings["crossing_kind"] == "planned_drop"]
    order = crew_stops.sort_values(["crew_day_id", "stop"])["address_id"]
    one, other = (places(rows[name], order) for name in ("address_id", "feature_id"))
    is_later = (one >= 0) & (other > one)
    drop = places(rows["address_id"], jobs["address_id"])[is_later]
    later = other[is_later]
    drop, later = _sorted_pairs(drop, later)
    names = per_row(drop, texts(order).take(later), len(jobs), LIST_SPLIT)
    return jobs.assign(crossed_later=names)


def _sorted_pairs(drop: IntArray, later: IntArray) -> tuple[IntArray, IntArray]:
    """Return pairs sorted, each once."""
    pairs = np.unique(np.stack([drop, later], axis=1), axis=0).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def not_up_yet(case: DropCase) -> list[Row]:
    """Return the crossings of planned drops that hang after this one."""
    later = parts_of(case.job.get("crossed_later"))
    return [row for row in case.crossed("planned_drop") if str(row["feature_id"]) in later]
