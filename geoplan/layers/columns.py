"""Which column of a file is which of ours, and in which unit.

Enters: a declared layer, the file's column names, the project's mapping.
Leaves: one `Match` per declared column.
Does not do: read values or convert them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from geoplan.errors import ColumnError, ProjectFileError, nearest_name
from geoplan.layers.findings import build_findings
from geoplan.project import LayerSource
from geoplan.tables import Column, InputLayer, Severity
from geoplan.units import to_si

SHAPEFILE_NAME_LENGTH = 10
"""Letters that a shapefile keeps of a column's name (dBASE field descriptor)."""

UNIT_WORDS: dict[str, dict[str, str]] = {
    "length": {
        "m": "m",
        "metre": "m",
        "meter": "m",
        "metres": "m",
        "meters": "m",
        "cm": "cm",
        "mm": "mm",
        "km": "km",
        "ft": "ft",
        "foot": "ft",
        "feet": "ft",
        "ftus": "ftUS",
        "usft": "ftUS",
        "us_ft": "ftUS",
        "in": "inch",
        "inch": "inch",
        "inches": "inch",
        "yd": "yard",
    },
    "speed": {
        "m_per_s": "m/s",
        "m/s": "m/s",
        "mps": "m/s",
        "mph": "mph",
        "kmh": "km/h",
        "km_h": "km/h",
        "km/h": "km/h",
        "kph": "km/h",
    },
    "voltage": {"v": "V", "volt": "V", "volts": "V", "kv": "kV"},
    "angle": {"deg": "deg", "degree": "deg", "degrees": "deg", "rad": "rad"},
}
"""Units a column's name or a cell may end in: spelling (lower case) and name for conversion."""

SI_WORD = {"length": "m", "speed": "m/s", "voltage": "V", "angle": "deg"}


@dataclass(frozen=True)
class Match:
    """Where one declared column comes from."""

    column: Column
    field: str | None
    """Name in the file; None where the file has no such column."""
    unit: str | None
    """Unit of its plain numbers; None for columns without unit."""
    unit_basis: Literal["project", "name", "assumed", "none"]


def match_columns(
    layer: InputLayer, fields: Sequence[str], source: LayerSource, *, is_truncated: bool
) -> tuple[Match, ...]:
    """Find the file's column and unit for each declared column.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    fields : sequence of str
        Column names of the file, geometry not among them.
    source : LayerSource
        The project's mapping; what it names goes before anything found by name.
    is_truncated : bool
        Whether the format cuts names to ten letters.

    Returns
    -------
    tuple of Match
        One per declared column, in declared order.

    Raises
    ------
    ColumnError
        If a mapped column is not in the file, several columns fit one of ours, or poles have
        no column of ports.
    ProjectFileError
        If a unit is set for a column without one, or is not a unit of its quantity.

    Notes
    -----
    Without a mapping a column is found, in this order, by its exact name (``height_m``), by
    its name in other case, and then by its name without unit or with another one (``height``,
    ``Height_ft``), whole or cut to ten letters.
    """
    free = [field for field in fields if field not in set(source.columns.values())]
    matches = []
    for column in layer.columns:
        if column.key in source.columns:
            field: str | None = _mapped(layer, column, fields, source.columns[column.key])
            unit = _unit_in_name(column, field or "", is_truncated=is_truncated)
        else:
            field, unit = _found(layer, column, free, is_truncated=is_truncated)
        matches.append(_with_unit(layer, column, field, unit, source.units))
    ports = next((match for match in matches if match.column.name == "ports_total"), None)
    if ports is not None and ports.field is None:
        where = f"layer {layer.name}"
        raise ColumnError(
            where,
            "has no column 'ports_total', so no pole has a terminal",
            f'Map it under [layers.{layer.name}.columns]: ports_total = "name in the file" '
            f"(the file has {_list(fields)}).",
        )
    return tuple(matches)


def check_units_known(layer: InputLayer, matches: Sequence[Match]) -> pd.DataFrame:
    """Return a note for each column whose unit is said nowhere.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    matches : sequence of Match
        From `match_columns`.

    Returns
    -------
    pandas.DataFrame
        Findings, code ``<column>_unit_assumed``.
    """
    notes = [
        build_findings(
            layer.name,
            "",
            f"{match.column.key}_unit_assumed",
            Severity.NOTE,
            f"column '{match.field}' says no unit: {match.unit} assumed",
            f'Set {match.column.key} = "ft" (or its unit) under [layers.{layer.name}.units].',
        )
        for match in matches
        if match.field is not None and match.unit_basis == "assumed"
    ]
    if not notes:
        return build_findings(layer.name, [], "", Severity.NOTE, [], [])
    return pd.concat(notes, ignore_index=True)


def _list(fields: Sequence[str]) -> str:
    return ", ".join(f"'{field}'" for field in sorted(fields)) or "no columns"


def _mapped(layer: InputLayer, column: Column, fields: Sequence[str], wanted: str) -> str:
    if wanted in fields:
        return wanted
    same = [field for field in fields if field.casefold() == wanted.casefold()]
    if len(same) == 1:
        return same[0]
    where = f"layer {layer.name}, key layers.{layer.name}.columns.{column.key}"
    raise ColumnError(
        where,
        f"the file has no column '{wanted}'",
        nearest_name(wanted, fields) if fields else "The file has no columns at all.",
    )


def _forms(column: Column) -> dict[str, str | None]:
    """Names a column may have, lower case, with the unit that each implies."""
    forms: dict[str, str | None] = {column.key: None}
    for word, unit in UNIT_WORDS.get(column.quantity or "", {}).items():
        if "/" not in word:
            forms[f"{column.key}_{word}"] = unit
    return forms


def _truncated_forms(column: Column) -> dict[str, str | None]:
    """Names cut to ten letters; the unit only where all that fit agree on it."""
    units: dict[str, set[str | None]] = {}
    for form, unit in _forms(column).items():
        if len(form) > SHAPEFILE_NAME_LENGTH:
            units.setdefault(form[:SHAPEFILE_NAME_LENGTH], set()).add(unit)
    return {form: next(iter(all_)) if len(all_) == 1 else None for form, all_ in units.items()}


def _unit_in_name(column: Column, field: str, *, is_truncated: bool) -> str | None:
    """Return the unit that a name ends in, whatever it begins with."""
    name = field.casefold()
    for word, unit in UNIT_WORDS.get(column.quantity or "", {}).items():
        if name.endswith(f"_{word}") and not (word == "ft" and name.endswith("us_ft")):
            return unit
    return _truncated_forms(column).get(name) if is_truncated else None


def _found(
    layer: InputLayer, column: Column, fields: Sequence[str], *, is_truncated: bool
) -> tuple[str | None, str | None]:
    forms = _forms(column)
    if column.name in fields:
        return column.name, forms.get(column.name)
    exact = [field for field in fields if field.casefold() == column.name.casefold()]
    if is_truncated:
        forms = {**_truncated_forms(column), **forms}
    hits = exact or [field for field in fields if field.casefold() in forms]
    if len(hits) > 1:
        where = f"layer {layer.name}"
        raise ColumnError(
            where,
            f"several columns could be '{column.key}': {_list(hits)}",
            f'Name one under [layers.{layer.name}.columns]: {column.key} = "{sorted(hits)[0]}".',
        )
    if not hits:
        return None, None
    return hits[0], forms.get(hits[0].casefold())


def _with_unit(
    layer: InputLayer,
    column: Column,
    field: str | None,
    unit: str | None,
    units: dict[str, str],
) -> Match:
    where = f"project, key layers.{layer.name}.units.{column.key}"
    if column.quantity is None:
        if column.key in units:
            raise ProjectFileError(where, "this column has no unit", "Remove the key.")
        return Match(column, field, None, "none")
    if column.key in units:
        given = units[column.key]
        try:
            to_si(1.0, given, column.quantity)
        except ValueError as error:
            words = sorted(set(UNIT_WORDS[column.quantity].values()))
            raise ProjectFileError(where, str(error), f"Valid: {', '.join(words)}.") from error
        return Match(column, field, given, "project")
    if unit is not None:
        return Match(column, field, unit, "name")
    return Match(column, field, SI_WORD[column.quantity], "assumed")
