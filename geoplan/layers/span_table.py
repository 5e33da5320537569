"""The table of strand spans, assembled from pairs of poles.

Enters: poles, and the positions of the two poles of each span.
Leaves: a frame with `geoplan.model.SPAN_COLUMNS`, straight from pole to pole.
Does not do: decide which poles are joined.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import SPAN_COLUMNS

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

SAME_PLACE_M = 1e-6
"""Places along a line closer than this are one place; below any survey, above rounding."""
MIN_SPAN_M = 1e-3
"""A shorter span has no length to speak of. Common practice, no source."""
NUMBER_COLUMNS = ("length_m", "height_m")


def one_direction(lines: ObjectArray) -> ObjectArray:
    """Turn lines so that a line and its reverse become the same.

    Parameters
    ----------
    lines : ndarray of LineString, shape (n,)
        Lines in either direction.

    Returns
    -------
    ndarray of LineString, shape (n,)
        The same lines, each in the direction whose WKB is the smaller.
    """
    reverse = shapely.reverse(lines)
    is_turned = np.asarray(shapely.to_wkb(lines) > shapely.to_wkb(reverse), dtype=bool)
    turned: ObjectArray = np.where(is_turned, reverse, lines)
    return turned


def build_span_table(
    poles: gpd.GeoDataFrame,
    start: IntArray,
    end: IntArray,
    values: dict[str, Any],
    *,
    span_id: ObjectArray | None = None,
) -> gpd.GeoDataFrame:
    """Assemble the table of spans between poles given by position.

    Parameters
    ----------
    poles : GeoDataFrame
        Points indexed by ``pole_id``; metres.
    start, end : ndarray of int, shape (n,)
        Positions of the poles in `poles`; the start has the smaller id.
    values : dict of str to array or str
        Further columns of `geoplan.model.SPAN_COLUMNS`; null where they are missing.
    span_id : ndarray of str, shape (n,), optional
        Names of the spans; left out where there are none.

    Returns
    -------
    GeoDataFrame
        Indexed by ``strand_span_id``, in the order given; ``length_m`` is that of the geometry.
    """
    place = shapely.get_coordinates(poles.geometry.to_numpy())
    geometry = shapely.linestrings(np.stack([place[start], place[end]], axis=1))
    ids = poles.index.to_numpy(dtype=object)
    index = pd.Index(np.empty(0, dtype=object) if span_id is None else span_id, dtype="str")
    columns = {
        "from_pole_id": ids[start],
        "to_pole_id": ids[end],
        "length_m": shapely.length(geometry),
        "height_m": np.nan,
        **values,
    }
    data = {
        name: pd.Series(
            columns.get(name, np.nan),
            index=index,
            dtype="float64" if name in NUMBER_COLUMNS else "str",
        )
        for name in SPAN_COLUMNS
    }
    frame = gpd.GeoDataFrame(data, geometry=geometry, index=index, crs=poles.crs)
    frame.index.name = "strand_span_id"
    return frame
