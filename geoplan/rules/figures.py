"""One figure of the trade: its value in SI, its printed form and where it comes from.

Enters: one table entry of a rule, wire or strand file.
Leaves: a frozen `Figure`, or a `RuleDataError` that names file, key and cure.
Does not do: open files, or judge whether a figure suits a place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from geoplan.errors import RuleDataError, nearest_name
from geoplan.units import SI_UNIT, parse_quantity, to_si

Entry = Mapping[str, object]
"""One table of a TOML file, as it was parsed."""

PROVENANCE_KEYS = ("document", "rule", "edition", "status", "note", "address")
FIGURE_KEYS = ("value", "printed", *PROVENANCE_KEYS)
DENSITY_UNIT = "kg/m**3"


class Status(StrEnum):
    """How a figure was come by."""

    READ = "read"
    SECONDARY = "secondary"
    MEMORY = "memory"
    PRACTICE = "practice"
    COMPUTED = "computed"

    @property
    def label(self) -> str:
        """Wording for reports and documentation."""
        return _LABELS[self.value]

    @property
    def is_verified(self) -> bool:
        """Whether the figure was read in its document, or in a quotation of it."""
        return self in {Status.READ, Status.SECONDARY}


_LABELS = {
    "read": "read",
    "secondary": "secondary",
    "memory": "from memory",
    "practice": "common practice, no source",
    "computed": "computed",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its unit and its provenance.

    Parameters
    ----------
    key : str
        Dotted key, for example ``"clearance.road.local"``.
    value_si : float
        Value in `unit`.
    unit : str
        SI unit of `value_si`; empty for a fraction.
    printed : str
        Value and unit as the document prints them.
    document, rule, edition : str
        Where it stands; `rule` and `edition` may be empty.
    status : Status
        How it was come by.
    note : str
        Limits of use, or how a computed figure was made; may be empty.
    address : str
        Public address at which it was read; may be empty.
    file : str
        Name of the file that holds the entry.
    """

    key: str
    value_si: float
    unit: str
    printed: str
    document: str
    rule: str
    edition: str
    status: Status
    note: str
    address: str
    file: str

    def citation(self) -> str:
        """Return document, rule, edition and status in one line.

        Returns
        -------
        str
            For example ``"GO 95, Table 1 case 3 (as first issued); read"``.
        """
        place = ", ".join(part for part in (self.document, self.rule) if part)
        edition = f" ({self.edition})" if self.edition else ""
        return f"{place}{edition}; {self.status.label}"


def read_figure(entry: object, *, file: str, key: str, quantity: str) -> Figure:
    """Turn one table entry into a figure in SI.

    Parameters
    ----------
    entry : object
        The parsed TOML value; has to be a table with `value`, `document` and `status`.
    file : str
        File name, for messages.
    key : str
        Dotted key of the entry.
    quantity : str
        A key of `geoplan.units.SI_UNIT`, or ``"density"``.

    Returns
    -------
    Figure
        Value in SI with its provenance.

    Raises
    ------
    RuleDataError
        If a key is missing, unknown or of the wrong kind, or the value has no such unit.
    """
    table = as_table(entry, file=file, key=key)
    refuse_unknown(table, FIGURE_KEYS, file=file, key=key)
    printed_value = text_of(table, "value", file=file, key=key)
    try:
        value_si = _to_si(printed_value, quantity)
    except ValueError as error:
        where = f"{file} {key}.value"
        raise RuleDataError(where, str(error), f"Give it as {_wanted(quantity)}") from error
    return Figure(
        key=key,
        value_si=value_si,
        unit=DENSITY_UNIT if quantity == "density" else SI_UNIT[quantity],
        printed=text_of(table, "printed", file=file, key=key, default=printed_value),
        document=text_of(table, "document", file=file, key=key),
        rule=text_of(table, "rule", file=file, key=key, default=""),
        edition=text_of(table, "edition", file=file, key=key, default=""),
        status=_status_of(table, file=file, key=key),
        note=text_of(table, "note", file=file, key=key, default=""),
        address=text_of(table, "address", file=file, key=key, default=""),
        file=file,
    )


def as_table(entry: object, *, file: str, key: str) -> Entry:
    """Return the entry if it is a table, else refuse it.

    Parameters
    ----------
    entry : object
        A parsed TOML value.
    file, key : str
        For the message.

    Returns
    -------
    mapping of str to object
        The same table.

    Raises
    ------
    RuleDataError
        If it is not a table.
    """
    if isinstance(entry, Mapping):
        return entry
    problem = f"is {entry!r}, not a table"
    remedy = "Write a table with value, document and status"
    where = f"{file} {key}"
    raise RuleDataError(where, problem, remedy)


def refuse_unknown(table: Entry, valid: tuple[str, ...], *, file: str, key: str) -> None:
    """Refuse a table that holds a key nobody reads.

    Parameters
    ----------
    table : mapping of str to object
        A parsed TOML table.
    valid : tuple of str
        Keys that are read.
    file, key : str
        For the message; `key` may be empty for the top of the file.

    Raises
    ------
    RuleDataError
        On the first unknown key, with the nearest valid one.
    """
    for name in table:
        if name not in valid:
            where = f"{file} {key}.{name}" if key else f"{file} {name}"
            raise RuleDataError(where, "is not a key that is read", nearest_name(name, valid))


def text_of(table: Entry, name: str, *, file: str, key: str, default: str | None = None) -> str:
    """Return a text of a table.

    Parameters
    ----------
    table : mapping of str to object
        A parsed TOML table.
    name : str
        Key within it.
    file, key : str
        For the message.
    default : str, optional
        What an absent key means; without it the key is required.

    Returns
    -------
    str
        The text, stripped.

    Raises
    ------
    RuleDataError
        If it is required and absent or empty, or not text.
    """
    where = f"{file} {key}.{name}" if key else f"{file} {name}"
    if name not in table:
        if default is not None:
            return default
        raise RuleDataError(where, "is missing", f"Add {name} to [{key or 'the file'}]")
    value = table[name]
    if not isinstance(value, str):
        remedy = f"Put it in quotes, for example {name} = '{_EXAMPLES.get(name, 'text')}'"
        raise RuleDataError(where, f"is {value!r}, not text", remedy)
    if not value.strip() and default is None:
        raise RuleDataError(where, "is empty", f"Fill in {name}")
    return value.strip()


_EXAMPLES = {"value": "18 ft", "status": "read", "edition": "2020", "rule": "Table 1"}


def _status_of(table: Entry, *, file: str, key: str) -> Status:
    text = text_of(table, "status", file=file, key=key)
    try:
        return Status(text)
    except ValueError as error:
        where = f"{file} {key}.status"
        raise RuleDataError(
            where, f"'{text}' is not a status", nearest_name(text, list(Status))
        ) from error


def _to_si(text: str, quantity: str) -> float:
    """Read the value; a density is a mass unit over a length unit cubed."""
    if quantity != "density":
        return parse_quantity(text, quantity)
    mass_text, slash, volume_text = text.partition("/")
    length_unit, cube, _ = volume_text.partition("**3")
    if not slash or not cube:
        message = f"'{text}' is not a density"
        raise ValueError(message)
    density = parse_quantity(mass_text, "mass") / float(to_si(1.0, length_unit, "length")) ** 3
    if not math.isfinite(density):
        message = f"'{text}' is not a finite number"
        raise ValueError(message)
    return density


def _wanted(quantity: str) -> str:
    examples = {
        "length": "'18 ft' or '5.5 m'",
        "pressure": "'4 psf' or '190 Pa'",
        "weight_per_length": "'36 lb/kft' or '54 kg/km'",
        "per_temperature": "'12e-6 1/K'",
        "density": "'57 lb/ft**3' or '913 kg/m**3'",
        "count": "a fraction or per cent in quotes, '0.6' or '60 %'",
        "temperature": "'60 degF' or '15 degC'",
        "force": "'340 lbf' or '1500 N'",
        "speed": "'25 mph' or '40 km/h'",
    }
    return examples[quantity]
