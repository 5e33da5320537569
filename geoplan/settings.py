"""How settings are declared: typed sections, and values that carry their unit.

Enters: values of a project file.
Leaves: `Section` and the types of its fields, in SI.
Does not do: declare any setting; open files.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from geoplan.units import example, parse_quantity


def quantity(name: str) -> BeforeValidator:
    """Read a setting with its unit, such as ``"18 ft"``, to SI."""

    def read(value: Any) -> float:
        if isinstance(value, str):
            return parse_quantity(value, name)
        if isinstance(value, Si):  # our own defaults are in SI already
            return value.value
        message = f'{value!r} has no unit; write for example "{example(name)}"'
        raise ValueError(message)

    return BeforeValidator(read)


class Si:
    """A default that is in SI already."""

    def __init__(self, value: float) -> None:
        self.value = value


def metres(value: float, description: str, **bounds: Any) -> Any:
    """Declare a length with its default in metres."""
    return Field(Si(value), validate_default=True, description=description, **bounds)


def printable(text: str) -> str:
    """Refuse a text that is empty or holds control characters."""
    if not text.isprintable() or not text.strip():
        message = "needs letters on one line, without control characters"
        raise ValueError(message)
    return text


Length = Annotated[float, quantity("length")]
Angle = Annotated[float, quantity("angle")]
Duration = Annotated[float, quantity("time")]
Speed = Annotated[float, quantity("speed")]
Cost = Annotated[float, Field(ge=0.0, le=1e6)]


class Section(BaseModel):
    """One table of a project file: frozen, without unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
