"""From columns to a declared table: its columns, types and order.

Enters: a frame with at least the declared columns.
Leaves: the frame as its declaration says, sorted by its key.
Does not do: check values; `geoplan.tables.schema` does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoplan.text_columns import row_order, texts

if TYPE_CHECKING:
    import pandas as pd

    from geoplan.declaring import Table


def declared(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Put a frame into its declared columns, types and order.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        At least the declared columns.
    table : Table
        Its declaration.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        Sorted by its key, with a range index.
    """
    import geopandas as gpd
    import pandas as pd

    dtypes = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}
    order = row_order(frame, table.key)
    columns: dict[str, Any] = {}
    for column in table.columns:
        values = frame[column.name]
        array = texts(values) if column.kind == "text" else values.to_numpy(dtypes[column.kind])
        columns[column.name] = array if order is None else array.take(order)
    if table.geometry == "none":
        return pd.DataFrame(columns, copy=False)
    shapes = frame["geometry"].array
    columns["geometry"] = shapes if order is None else shapes.take(order)
    placed: pd.DataFrame = gpd.GeoDataFrame(columns, copy=False)
    return placed
