"""How tables are declared: columns with type, unit, bounds and meaning.

Enters: nothing.
Leaves: `Column`, `InputLayer`, `Table`, the word lists of columns, and makers of columns.
Does not do: declare any table; read or write files.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

DataKind = Literal["text", "float", "int", "bool"]
GeometryKind = Literal["point", "line", "polygon", "line_or_polygon", "raster"]

UNIT_SUFFIX = {
    "length": "_m",
    "sag": "_m",
    "travel": "_m",
    "duration": "_s",
    "force": "_n",
    "temperature": "_c",
    "speed": "_m_per_s",
    "voltage": "_v",
    "angle": "_deg",
}
"""How the names of columns in SI end, by quantity. Sag and travel are lengths too.

A sag is shown finely by reports, a travel in miles or kilometres.
"""


class RouteKind(StrEnum):
    """How a drop gets from its terminal to the premises."""

    DIRECT = "direct"
    SPAN_CLAMP = "span_clamp"
    OTHER_POLE = "other_pole"
    OTHER_POLE_SPAN_CLAMP = "other_pole_span_clamp"


class CrossingKind(StrEnum):
    """What an air span meets on its way."""

    ROAD = "road"
    RAIL = "rail"
    WATER = "water"
    POWER = "power"
    TREE = "tree"
    ROOF = "roof"
    DRIVEWAY = "driveway"
    SIDEWALK = "sidewalk"
    POOL = "pool"
    LOT = "lot"
    EXISTING_DROP = "existing_drop"
    PLANNED_DROP = "planned_drop"


class Severity(StrEnum):
    """How grave a finding or hazard is."""

    NOTE = "note"
    WARNING = "warning"
    ERROR = "error"


class Basis(StrEnum):
    """Where a figure comes from."""

    MEASURED = "measured"
    DEFAULT = "default"
    INFERRED = "inferred"
    NOT_CHECKED = "not_checked"


@dataclass(frozen=True)
class Column:
    """One column: its name carries the unit."""

    name: str
    kind: DataKind
    meaning: str
    quantity: str | None = None
    required: bool = False
    default: float | int | str | None = None
    minimum: float | None = None
    maximum: float | None = None
    nullable: bool = True

    @property
    def key(self) -> str:
        """Name without the unit, as used in the project file's mapping."""
        suffix = UNIT_SUFFIX.get(self.quantity or "", "")
        return self.name.removesuffix(suffix) if suffix else self.name


@dataclass(frozen=True)
class InputLayer:
    """One layer that a user may bring."""

    name: str
    id_column: str
    geometry: GeometryKind
    columns: tuple[Column, ...]
    required: bool
    meaning: str
    absence: str = ""

    def column(self, name: str) -> Column:
        """Return the declaration of one column by its full name or its key."""
        for column in self.columns:
            if name in (column.name, column.key):
                return column
        raise KeyError(name)


@dataclass(frozen=True)
class Table:
    """One table that geoplan writes."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    geometry: Literal["point", "line", "polygon", "none"]
    author: str
    meaning: str

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names in their order of output, geometry not among them."""
        return tuple(column.name for column in self.columns)


def text(name: str, meaning: str, **more: Any) -> Column:
    """Declare a text."""
    return Column(name, "text", meaning, **more)


def length(name: str, meaning: str, **more: Any) -> Column:
    """Declare a length that is 0 or more, in metres."""
    return Column(name, "float", meaning, quantity="length", **{"minimum": 0.0, **more})


def sag(name: str, meaning: str, **more: Any) -> Column:
    """Declare a sag or margin, in metres, shown finely."""
    return Column(name, "float", meaning, quantity="sag", **more)


def force(name: str, meaning: str) -> Column:
    """Declare a force, in newtons."""
    return Column(name, "float", meaning, quantity="force", minimum=0.0)


def temperature(name: str, meaning: str) -> Column:
    """Declare a temperature, in degrees Celsius."""
    return Column(name, "float", meaning, quantity="temperature")


def number(name: str, meaning: str, **more: Any) -> Column:
    """Declare a plain number, or one of the quantity given."""
    return Column(name, "float", meaning, **more)


def count(name: str, meaning: str, **more: Any) -> Column:
    """Declare a whole number that is 0 or more."""
    return Column(name, "int", meaning, **{"minimum": 0, **more})


def flag(name: str, meaning: str) -> Column:
    """Declare a yes or no that is never unknown."""
    return Column(name, "bool", meaning, nullable=False)


def identifier(name: str, meaning: str) -> Column:
    """Declare a text that is never unknown."""
    return Column(name, "text", meaning, nullable=False)


def duration(name: str, meaning: str, **more: Any) -> Column:
    """Declare a time span that is 0 or more, in seconds."""
    return Column(name, "float", meaning, quantity="duration", **{"minimum": 0.0, **more})


def travel(name: str, meaning: str, **more: Any) -> Column:
    """Declare a distance along roads that is 0 or more, in metres, shown in miles or kilometres."""
    return Column(name, "float", meaning, quantity="travel", **{"minimum": 0.0, **more})
