"""Planned drops whose hooks go on one pole at one height.

Enters: the table ``drops``.
Leaves: the other drops by address.
Does not do: say on which side of the pole; hooks of clamps are on the strand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

SAME_HEIGHT_M = 0.1
"""Hooks whose heights are alike when rounded to this are set beside each other."""


def find_hook_mates(drops: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    """Find drops that have their hook on the same pole at the same height.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``.

    Returns
    -------
    dict of str to tuple of str
        Other addresses, ascending, by address; only those that have any.
    """
    hooks = drops[drops["strand_span_id"].isna() & drops["hook_height_m"].notna()]
    height = np.rint(hooks["hook_height_m"].to_numpy(dtype=np.float64) / SAME_HEIGHT_M)
    keys = [hooks["access_pole_id"].to_numpy(dtype=object), height]
    ids = hooks["address_id"].astype("str")
    shared = ids.groupby(keys).transform("size").to_numpy() > 1
    together = ids[shared].groupby([key[shared] for key in keys]).agg(sorted)
    return {
        one: tuple(other for other in some if other != one) for some in together for one in some
    }
