"""Addresses that settings name have to be there.

Enters: ids that a setting names, ids of the layer.
Leaves: nothing, or the error.
Does not do: read settings.
"""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from geoplan.errors import ProjectFileError, nearest_name


def refuse_unknown_addresses(given: Iterable[str], known: pd.Index, key: str) -> None:
    """Refuse a setting that names an address which isn't there.

    Parameters
    ----------
    given : iterable of str
        Ids that the setting names.
    known : pandas.Index of str
        Ids of all addresses, served or not.
    key : str
        Key of the setting.

    Raises
    ------
    ProjectFileError
        For the first such id.
    """
    for name in given:
        if name not in known:
            where = f"project, key {key}"
            raise ProjectFileError(
                where, f"there is no address '{name}'", nearest_name(name, known)
            )
