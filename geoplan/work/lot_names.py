"""Names of lots: the street address on each.

Enters: checked layers.
Leaves: names by lot.
Does not do: know owners; an address tells only where to ask.
"""

from __future__ import annotations

import pandas as pd

from geoplan.model import Layers


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
