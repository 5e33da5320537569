"""Flags of planned drops as columns, and the sentences they carry.

Enters: the rows that flags follow from.
Leaves: the hazards table's columns.
Does not do: decide what is flagged.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geoplan.project import Project
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.tables import Severity
from geoplan.text_columns import joined, numbers, worded
from geoplan.units import for_report, report_unit

HAZARD_COLUMNS = (
    "address_id",
    "terminal_id",
    "code",
    "severity",
    "feature_id",
    "at_m",
    "amount",
    "setting",
    "what",
    "remedy",
)


@dataclass(frozen=True)
class Flags:
    """Flags of one kind: the rows they follow from, and what to say of each."""

    code: str
    severity: Severity
    setting: str
    remedy: str
    is_of_crossing: bool
    """Whether `rows` are crossings; else they are drops."""
    rows: IntArray
    at_m: FloatArray
    amount: FloatArray
    what: Any
    """Column of text."""


def flag_table(
    flags: Sequence[Flags], crossings: pd.DataFrame, drops: pd.DataFrame
) -> pd.DataFrame:
    """Put flags of all kinds into one table.

    Parameters
    ----------
    flags : sequence of Flags
        At least one.
    crossings, drops : pandas.DataFrame
        What their rows count.

    Returns
    -------
    pandas.DataFrame
        Columns `HAZARD_COLUMNS`, kind by kind.
    """
    kind = np.repeat(np.arange(len(flags)), [len(part.rows) for part in flags])
    row = np.concatenate(
        [part.rows + (0 if part.is_of_crossing else len(crossings)) for part in flags]
    )

    def of_row(crossing: str, drop: str) -> Any:
        both = pd.concat([crossings[crossing], drops[drop]], ignore_index=True)
        return both.array.take(row)

    return pd.DataFrame(
        {
            "address_id": of_row("address_id", "address_id"),
            "terminal_id": of_row("terminal_id", "terminal_id"),
            "code": worded(kind, [part.code for part in flags]),
            "severity": worded(kind, [part.severity.value for part in flags]),
            "feature_id": of_row("feature_id", "building_id"),
            "at_m": np.concatenate([part.at_m for part in flags]),
            "amount": np.concatenate([part.amount for part in flags]),
            "setting": worded(kind, [part.setting for part in flags]),
            "what": pd.concat([pd.Series(part.what) for part in flags], ignore_index=True).array,
            "remedy": worded(kind, [part.remedy for part in flags]),
        },
        columns=list(HAZARD_COLUMNS),
        copy=False,
    )


def lengths(values_m: FloatArray, project: Project, quantity: str = "length") -> Any:
    """Write lengths with their unit, for sentences.

    Parameters
    ----------
    values_m : ndarray of float64, shape (n,)
        Metres; NaN gives ``unknown``.
    project : Project
        Settings.
    quantity : str
        ``length`` or ``sag``; the latter in inches where the reports are US customary.

    Returns
    -------
    pandas array of str, shape (n,)
        One text each.
    """
    shown = report_unit(quantity, project.units)
    text = numbers(for_report(values_m, quantity, project.units), shown.decimals)
    ends = worded(np.isfinite(values_m), ["", f" {shown.unit}"])
    return joined(text, ends)


def sentences(sentence: str, words: Mapping[str, Callable[[], Any]], count: int) -> Any:
    """Fill a sentence's blanks, making only the words that it needs.

    Parameters
    ----------
    sentence : str
        Text with blanks such as ``{name}``.
    words : dict of str to callable
        Blank to what gives its words, a column of text of shape (count,).
    count : int
        Sentences wanted.

    Returns
    -------
    pandas array of str, shape (count,)
        One sentence each. What a word contains is never taken for a blank.
    """
    pieces: list[Any] = []
    rest = sentence
    while rest:
        found = {blank: rest.find(blank) for blank in words if blank in rest}
        if not found:
            pieces.append(rest)
            break
        blank = min(found, key=found.__getitem__)
        pieces += [rest[: found[blank]], words[blank]()]
        rest = rest[found[blank] + len(blank) :]
    if all(isinstance(piece, str) for piece in pieces):
        return worded(np.zeros(count, dtype=np.int64), [sentence])
    return joined(*pieces)
