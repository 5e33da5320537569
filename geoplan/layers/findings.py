"""The two tables that tell what became of rows: findings, and rows set aside.

Enters: ids, codes and texts, as scalars or arrays.
Leaves: frames with just the columns of ``TABLES["findings"]`` and ``TABLES["set_aside"]``.
Does not do: decide what is wrong.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.tables import TABLES, Severity

Texts: TypeAlias = "str | Sequence[str] | npt.NDArray[Any] | pd.Series[Any] | pd.Index[Any]"

WKT_DECIMALS = 8
"""Decimals of coordinates in ``geometry_wkt``: about a millimetre where they are degrees."""


def build_findings(
    layer: str,
    row_ids: Texts,
    code: str,
    severity: Severity,
    reason: Texts,
    remedy: Texts,
) -> pd.DataFrame:
    """Return findings, one per row id.

    Parameters
    ----------
    layer : str
        Layer they belong to.
    row_ids : str or array of str, shape (n,)
        Ids of the rows; an empty string stands for the layer as a whole.
    code : str
        Stable word for the finding.
    severity : Severity
        How grave it is.
    reason : str or array of str, shape (n,)
        What was found.
    remedy : str or array of str, shape (n,)
        What to do about it.

    Returns
    -------
    pandas.DataFrame
        Columns of ``TABLES["findings"]``, all text.
    """
    ids = [row_ids] if isinstance(row_ids, str) else row_ids
    return _texts(
        "findings",
        len(ids),
        {
            "layer": layer,
            "row_id": ids,
            "code": code,
            "severity": severity.value,
            "reason": reason,
            "remedy": remedy,
        },
    )


def build_set_aside(
    layer: str,
    row_ids: Texts,
    code: Texts,
    reason: Texts,
    remedy: Texts,
    geometry: npt.NDArray[Any],
) -> pd.DataFrame:
    """Return rows set aside, one per row id.

    Parameters
    ----------
    layer : str
        Layer they belong to.
    row_ids : array of str, shape (n,)
        Ids of the rows.
    code, reason, remedy : str or array of str, shape (n,)
        Stable word, what is wrong, how to mend it.
    geometry : ndarray of object, shape (n,)
        Geometries as they came, in the layer's own CRS; None where there was none.

    Returns
    -------
    pandas.DataFrame
        Columns of ``TABLES["set_aside"]``, all text.
    """
    wkt = shapely.to_wkt(geometry, rounding_precision=WKT_DECIMALS)
    return _texts(
        "set_aside",
        len(row_ids),
        {
            "layer": layer,
            "row_id": row_ids,
            "code": code,
            "reason": reason,
            "remedy": remedy,
            "geometry_wkt": wkt,
        },
    )


def join_findings(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Join findings into one sorted table with a unique key.

    Parameters
    ----------
    frames : iterable of pandas.DataFrame
        Tables of findings.

    Returns
    -------
    pandas.DataFrame
        Sorted by layer, row id and code; findings with the same key become one, their reasons
        joined by a semicolon.
    """
    table = _joined("findings", frames)
    key = list(TABLES["findings"].key)
    repeated = table.duplicated(key, keep=False)
    if not repeated.any():
        return table
    merged = (
        table[repeated]
        .drop_duplicates([*key, "reason", "severity"])
        .groupby(key, as_index=False, sort=False)
        .agg({"severity": _gravest, "reason": "; ".join, "remedy": "first"})
    )
    return _joined("findings", [table[~repeated], merged])


def join_set_aside(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Join rows set aside into one sorted table with a unique key, keeping every row.

    Parameters
    ----------
    frames : iterable of pandas.DataFrame
        Tables of rows set aside.

    Returns
    -------
    pandas.DataFrame
        Sorted by layer, row id and code; where several rows share all three, the second and
        later ones are told apart as ``"<id> (2)"``, ``"<id> (3)"``.
    """
    table = _joined("set_aside", frames)
    if not len(table):
        return table
    number = table.groupby(list(TABLES["set_aside"].key)).cumcount() + 1
    later = number > 1
    if later.any():
        table.loc[later, "row_id"] += " (" + number[later].astype("str") + ")"
        table = _joined("set_aside", [table])
    return table


def _gravest(severities: pd.Series[Any]) -> str:
    present = set(severities)
    return [one.value for one in Severity if one.value in present][-1]


def _texts(name: str, rows: int, columns: dict[str, Any]) -> pd.DataFrame:
    if not rows:
        return _no_texts(name).copy()
    index = pd.RangeIndex(rows)
    return pd.DataFrame(
        {
            column: (
                np.full(rows, columns[column], dtype=object)
                if isinstance(columns[column], str)
                else np.asarray(columns[column], dtype=object)
            )
            for column in TABLES[name].column_names
        },
        index=index,
    ).astype("str")


@cache
def _no_texts(name: str) -> pd.DataFrame:
    """Return a table without rows; most checks find nothing."""
    columns = TABLES[name].column_names
    return pd.DataFrame({column: pd.Series(dtype="str") for column in columns})


def _joined(name: str, frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    names = list(TABLES[name].column_names)
    parts = [frame[names].astype("str") for frame in frames if len(frame)]
    if not parts:
        return _texts(name, 0, dict.fromkeys(names, ""))
    key = list(TABLES[name].key)
    rest = [column for column in names if column not in key]
    table = pd.concat(parts, ignore_index=True)
    return table.sort_values([*key, *rest], kind="stable", ignore_index=True)
