"""The strand span that a span clamp hangs on: the pole at its other end, other drops on it.

Enters: planned drops, strand spans, poles.
Leaves: far poles by row; other drops by span, as text.
Does not do: judge a pole or a strand.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.text_columns import places, texts
from geoplan.work.clauses import per_row

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

LIST_SPLIT = ";"
"""What splits the ids in a column that holds several."""


def far_poles(
    drops: pd.DataFrame, spans: gpd.GeoDataFrame, poles: gpd.GeoDataFrame
) -> tuple[Any, IntArray]:
    """Find the pole at the other end of each clamp's strand span.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``, n rows.
    spans : geopandas.GeoDataFrame
        Strand spans with ``from_pole_id`` and ``to_pole_id``.
    poles : geopandas.GeoDataFrame
        Columns as declared for the layer.

    Returns
    -------
    far_pole_id : pandas array of str, shape (n,)
        Null without a clamp.
    row : ndarray of int64, shape (n,)
        Its row in `poles`; -1 without one.

    Notes
    -----
    A strand hangs on both poles of its span: a ladder on it, or a clamp, loads both.
    """
    span = places(drops["strand_span_id"], spans.index)
    first, last = (
        pd.Series(texts(spans[name]).take(span, allow_fill=True))
        for name in ("from_pole_id", "to_pole_id")
    )
    near = pd.Series(texts(drops["access_pole_id"]))
    far = texts(last.where((first == near).to_numpy(dtype=bool), first))
    return far, places(far, poles.index)


def span_drops(drops: pd.DataFrame, told: BoolArray | None = None) -> Any:
    """List the other drops with a clamp on the same strand span.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``, n rows.
    told : ndarray of bool, shape (n,), optional
        Drops that are listed; by default all.

    Returns
    -------
    pandas array of str, shape (n,)
        Addresses in the order of the table, split by `LIST_SPLIT`; null where there are none.
    """
    row = np.flatnonzero(drops["strand_span_id"].notna())
    held = pd.DataFrame({"span": drops["strand_span_id"].to_numpy()[row], "row": row})
    both = held.merge(held, on="span", suffixes=("", "_other")).sort_values(["row", "row_other"])
    both = both[both["row"] != both["row_other"]]
    if told is not None:
        both = both[told[both["row_other"].to_numpy(dtype=np.int64)]]
    names = texts(drops["address_id"]).take(both["row_other"].to_numpy(dtype=np.int64))
    return per_row(both["row"].to_numpy(dtype=np.int64), names, len(drops), LIST_SPLIT)
