"""Faults of a project file in words: what is wrong, what is wanted, or which key is meant.

Enters: what validation found.
Leaves: a `ProjectFileError`.
Does not do: validate.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ValidationError

from geoplan.errors import ProjectFileError, nearest_name

_LONGEST_SHOWN = 60


def shown(value: Any) -> str:
    """Return a value for a message, cut where it is long.

    Parameters
    ----------
    value : object
        As given.

    Returns
    -------
    str
        One line.
    """
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}…"


_WANTED = {
    "tuple_type": "has to be a list in square brackets",
    "list_type": "has to be a list in square brackets",
    "dict_type": "has to be a table of keys and values, such as { key = value }",
    "model_type": "has to be a table of keys and values, such as { key = value }",
    "model_attributes_type": "has to be a table of keys and values, such as { key = value }",
    "float_type": "has to be a number",
    "float_parsing": "has to be a number",
    "int_type": "has to be a whole number",
    "int_parsing": "has to be a whole number",
    "int_from_float": "has to be a whole number",
    "bool_type": "has to be true or false",
    "bool_parsing": "has to be true or false",
    "string_type": "has to be a text in quotes",
    "too_long": "has too many entries",
    "too_short": "has too few entries",
}
"""What is wanted where a value is of the wrong sort, by the kind of fault."""


def as_project_error(
    error: ValidationError, where: str, project: type[BaseModel], entry: type[BaseModel]
) -> ProjectFileError:
    """Tell the gravest fault of a project file in one line, with what is wanted.

    Parameters
    ----------
    error : pydantic.ValidationError
        What the models found.
    where : str
        How messages name the file.
    project, entry : type
        Model of the file, and of one layer in it, which is there under names of its own.

    Returns
    -------
    ProjectFileError
        To be raised.
    """
    faults = error.errors(include_url=False)
    first = next((fault for fault in faults if fault["type"] == "extra_forbidden"), faults[0])
    location = [str(part) for part in first["loc"]]
    key = ".".join(location)
    if first["type"] == "extra_forbidden":
        return ProjectFileError(
            f"{where}, key {key}",
            "unknown key",
            nearest_name(location[-1], _keys(location[:-1], project, entry)),
        )
    given = first.get("input")
    kind = first["type"]
    if kind == "missing" and location[-1].isdigit():
        kind, key = "too_short", ".".join(location[:-1])
    if kind == "missing":
        return ProjectFileError(f"{where}, key {key}", "is missing", "Add it.")
    said = first["msg"].removeprefix("Value error, ").replace("Input should be", "has to be")
    problem = _WANTED.get(kind, said)
    about = _described(location, project) if kind in _WANTED else ""
    return ProjectFileError(
        f"{where}, key {key}",
        f"{problem} (given: {shown(given)})",
        f"It is: {about}" if about else "Correct the value.",
    )


def _described(location: list[str], model: type[BaseModel]) -> str:
    """Return the sentence that describes a key, or the section or table around a part of it."""
    about = ""
    for part in location:
        field = model.model_fields.get(part)
        if field is None:
            break
        about = field.description or ""
        if not (isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)):
            break
        model = field.annotation
    return about


def _keys(location: list[str], model: type[BaseModel], entry: type[BaseModel]) -> list[str]:
    """Return the keys that are known at a place."""
    for part in location:
        field = model.model_fields.get(part)
        if field is None:
            return list(entry.model_fields)
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            model = field.annotation
        else:
            model = entry
            break
    return list(model.model_fields)
