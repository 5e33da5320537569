"""Names of lots: the street address on each.

Enters: checked layers.
Leaves: names by lot; ids of lots with them.
Does not do: know owners; an address tells only where to ask.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from geoplan.model import Layers
from geoplan.text_columns import IntArray, joined, texts
from geoplan.work.clamp_spans import LIST_SPLIT


def lots_with_names(layers: Layers, lot: IntArray) -> Any:
    """Name lots by id and street address.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    lot : ndarray of int64, shape (k,)
        Rows of lots.

    Returns
    -------
    pandas array of str, shape (k,)
        ``id (street address)``, ``id`` alone without one; a `LIST_SPLIT` in it becomes a comma.
    """
    ids = layers.parcels.index[lot]
    label = lot_names(layers).reindex(ids).reset_index(drop=True)
    label = pd.Series(label.str.replace(LIST_SPLIT, ",", regex=False))
    street = (" (" + label.astype("str") + ")").where(label.notna(), "").array
    return joined(texts(ids), street)


def lot_names(layers: Layers) -> pd.Series:
    """Name each lot by the street address on it.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Returns
    -------
    pandas.Series of str
        By ``parcel_id``; the first address in the order of the layer, and how many others there
        are. Lots without an address that has a label are not among them.
    """
    addresses = layers.addresses
    by_lot = addresses["label"].groupby(addresses["parcel_id"])
    first, others = by_lot.first(), by_lot.nunique() - 1
    more = (" and " + others.astype("str") + " more").where(others > 0, "")
    names: pd.Series = (first.astype("str") + more)[first.notna()]
    return names
