"""The sections of a rule file, from parsed TOML to figures by dotted key.

Enters: the tables of one rule file.
Leaves: figures by dotted key; a `RuleDataError` on the first wrong or missing key.
Does not do: open files or merge a user's file with its base.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import Final

from geoplan.errors import RuleDataError, nearest_name
from geoplan.rules.figures import (
    PROVENANCE_KEYS,
    Entry,
    Figure,
    as_table,
    read_figure,
    refuse_unknown,
)
from geoplan.rules.keys import (
    BAND_EXAMPLE,
    CASE_PURPOSE,
    CASE_QUANTITIES,
    CLEARANCE_CLASSES,
    KERB_KEYS,
    LIMIT_QUANTITIES,
    REQUIRED_CASES,
    REQUIRED_LIMITS,
    TENSION_LIMITS,
    Approach,
    ClearanceKind,
    Purpose,
    SeparationKind,
    Where,
    band_limit_v,
)

OTHER: Final = "other"
"""First word of a `covers_not` key that is about something outside the declared keys."""

_Found = Iterator[tuple[str, object, str]]  # dotted key, entry, quantity


def read_sections(document: Entry, districts: tuple[str, ...], file: str) -> Mapping[str, Figure]:
    """Read every figure of a rule file.

    Parameters
    ----------
    document : mapping of str to object
        The parsed file.
    districts : tuple of str
        Loading districts that `load_cases` may name.
    file : str
        File name, for messages.

    Returns
    -------
    mapping of str to Figure
        Figures by dotted key.

    Raises
    ------
    RuleDataError
        On the first key that is unknown, or figure that is incomplete.
    """
    figures: dict[str, Figure] = {}
    for section, find in _SECTION_READERS.items():
        if section in document:
            table = as_table(document[section], file=file, key=section)
            for key, entry, quantity in find(table, file):
                figures[key] = read_bounded(entry, file=file, key=key, quantity=quantity)
    if "load_cases" in document:
        table = as_table(document["load_cases"], file=file, key="load_cases")
        for key, entry, quantity in _find_load_cases(table, districts, file):
            figures[key] = read_bounded(entry, file=file, key=key, quantity=quantity)
    return MappingProxyType(figures)


def read_bounded(entry: object, *, file: str, key: str, quantity: str) -> Figure:
    """Read a figure and refuse a value that cannot be.

    Parameters
    ----------
    entry : object
        One table of the file.
    file, key, quantity : str
        As for `read_figure`.

    Returns
    -------
    Figure
        The figure.

    Raises
    ------
    RuleDataError
        If the value is negative (but a temperature or an expansion may be), or a fraction
        exceeds 1.
    """
    figure = read_figure(entry, file=file, key=key, quantity=quantity)
    where = f"{file} {key}.value"
    if figure.value_si < 0 and quantity not in {"temperature", "per_temperature"}:
        raise RuleDataError(where, f"'{figure.printed}' is negative", "Give a value of 0 or more")
    is_fraction = quantity == "count" and not key.endswith("slope")
    if is_fraction and figure.value_si > 1:
        remedy = "Give a fraction of at most 1, such as '60 %'"
        raise RuleDataError(where, f"'{figure.printed}' is more than the whole", remedy)
    return figure


def check_complete(figures: Mapping[str, Figure], districts: tuple[str, ...], file: str) -> None:
    """Refuse a rule set that cannot be planned with.

    Parameters
    ----------
    figures : mapping of str to Figure
        Figures by dotted key, base and overrides merged.
    districts : tuple of str
        Loading districts.
    file : str
        File name, for messages.

    Raises
    ------
    RuleDataError
        If there is no district, a district lacks a case, a case lacks a figure, a required
        limit is absent, or the kerb is half given.
    """
    if not districts:
        where = f"{file} districts"
        raise RuleDataError(where, "is empty", "Name at least one loading district")
    for name in REQUIRED_LIMITS:
        _need(f"limits.{name}", figures, file)
    if any(f"kerb.{name}" in figures for name in KERB_KEYS):
        for name in KERB_KEYS:
            _need(f"kerb.{name}", figures, file)
    for district in districts:
        for case, purpose in CASE_PURPOSE.items():
            prefix = f"load_cases.{district}.{case}"
            is_given = any(f"{prefix}.{name}" in figures for name in CASE_QUANTITIES)
            if not is_given and case not in REQUIRED_CASES:
                continue
            for name in _case_keys(purpose):
                _need(f"{prefix}.{name}", figures, file)


def is_covered(key: str, figures: Iterable[str]) -> bool:
    """Return whether a declared key has a figure (in any voltage band, or any load).

    Parameters
    ----------
    key : str
        A declared key.
    figures : iterable of str
        Dotted keys that have a figure.

    Returns
    -------
    bool
        True if the key or one below it has a figure.
    """
    return any(name == key or name.startswith(f"{key}.") for name in figures)


def _need(key: str, figures: Mapping[str, Figure], file: str) -> None:
    if key not in figures:
        where = f"{file} {key}"
        raise RuleDataError(where, "has no figure", _remedy(key))


def _remedy(key: str) -> str:
    parent, _, name = key.rpartition(".")
    if key.startswith("load_cases."):
        return f"Give {name} in [{parent}], with document and status"
    return f"Give [{key}] with value, document and status"


def _case_keys(purpose: Purpose) -> tuple[str, ...]:
    keys = tuple(CASE_QUANTITIES)
    if purpose is Purpose.CLEARANCE:
        return keys
    return tuple(name for name in keys if name != "clearance_fraction")


def _find_clearances(table: Entry, file: str) -> _Found:
    kinds = tuple(map(str, ClearanceKind))
    for kind, row in _rows(table, kinds, "clearance", file):
        classes = CLEARANCE_CLASSES[ClearanceKind(kind)]
        refuse_unknown(row, classes, file=file, key=f"clearance.{kind}")
        for name, entry in row.items():
            yield f"clearance.{kind}.{name}", entry, "length"


def _find_separations(table: Entry, file: str) -> _Found:
    kinds = tuple(map(str, SeparationKind))
    for kind, places in _rows(table, kinds, "separation", file):
        key = f"separation.{kind}"
        for place, row in _rows(places, tuple(map(str, Where)), key, file):
            yield from _find_bands(row, f"{key}.{place}", file)


def _find_approaches(table: Entry, file: str) -> _Found:
    for who, row in _rows(table, tuple(map(str, Approach)), "approach", file):
        yield from _find_bands(row, f"approach.{who}", file)


def _find_bands(row: Entry, key: str, file: str) -> _Found:
    for band, entry in row.items():
        if band_limit_v(band) is None:
            remedy = f"Name the band by its upper end, such as {BAND_EXAMPLE}, or any_voltage"
            where = f"{file} {key}.{band}"
            raise RuleDataError(where, "is not a voltage band", remedy)
        yield f"{key}.{band}", entry, "length"


def _find_kerb(table: Entry, file: str) -> _Found:
    refuse_unknown(table, KERB_KEYS, file=file, key="kerb")
    for name, entry in table.items():
        yield f"kerb.{name}", entry, "length"


def _find_tensions(table: Entry, file: str) -> _Found:
    refuse_unknown(table, TENSION_LIMITS, file=file, key="tension")
    for name, entry in table.items():
        yield f"tension.{name}", entry, "count"


def _find_limits(table: Entry, file: str) -> _Found:
    refuse_unknown(table, tuple(LIMIT_QUANTITIES), file=file, key="limits")
    for name, entry in table.items():
        yield f"limits.{name}", entry, LIMIT_QUANTITIES[name]


def _find_load_cases(table: Entry, districts: tuple[str, ...], file: str) -> _Found:
    """Split each case into figures; all of them share the provenance of the case."""
    for district, cases in _rows(table, districts, "load_cases", file):
        key = f"load_cases.{district}"
        for case, entry in _rows(cases, tuple(CASE_PURPOSE), key, file):
            names = _case_keys(CASE_PURPOSE[case])
            refuse_unknown(entry, (*names, *PROVENANCE_KEYS), file=file, key=f"{key}.{case}")
            shared = {name: entry[name] for name in PROVENANCE_KEYS if name in entry}
            for name in names:
                if name in entry:
                    figure = {"value": entry[name], **shared}
                    yield f"{key}.{case}.{name}", figure, CASE_QUANTITIES[name]


def _rows(table: Entry, valid: tuple[str, ...], key: str, file: str) -> Iterator[tuple[str, Entry]]:
    refuse_unknown(table, valid, file=file, key=key)
    for name, row in table.items():
        yield name, as_table(row, file=file, key=f"{key}.{name}")


_SECTION_READERS: Final[Mapping[str, Callable[[Entry, str], _Found]]] = MappingProxyType(
    {
        "clearance": _find_clearances,
        "kerb": _find_kerb,
        "separation": _find_separations,
        "approach": _find_approaches,
        "tension": _find_tensions,
        "limits": _find_limits,
    }
)
SECTIONS: Final = (*_SECTION_READERS, "load_cases")
"""Sections of a rule file that hold figures."""


def check_not_covered_key(key: str, declared: tuple[str, ...], file: str) -> None:
    """Refuse a `covers_not` key that names nothing.

    Parameters
    ----------
    key : str
        A declared key, the start of some, one voltage band, or ``"other.<word>"``.
    declared : tuple of str
        Keys that a rule set can have.
    file : str
        File name, for the message.

    Raises
    ------
    RuleDataError
        If it is none of these.
    """
    is_start = any(name == key or name.startswith(f"{key}.") for name in declared)
    parent, _, band = key.rpartition(".")
    is_band = parent in declared and band_limit_v(band) is not None
    if not (is_start or is_band or key.startswith(f"{OTHER}.")):
        where = f"{file} covers_not.{key}"
        raise RuleDataError(where, "is not a key of a rule set", nearest_name(key, declared))
