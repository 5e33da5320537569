"""The reference of project keys and columns, made from their declarations.

Enters: the typed settings and declared tables.
Leaves: text.
Does not do: hold any description of its own.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from geoplan.project import LayerSource, Project
from geoplan.tables import LAYERS, TABLES

SECTIONS = tuple(
    name
    for name, field in Project.model_fields.items()
    if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
)


def describe_keys() -> str:
    """Describe every key of a project file with its default.

    Returns
    -------
    str
        Plain text, one key a line, lengths in metres.
    """
    lines = ["# Keys of a project file. Lengths need a unit: '18 ft', '150 m'. Defaults in SI.", ""]
    lines += _lines(Project, skip=(*SECTIONS, "layers"))
    for section in SECTIONS:
        model = Project.model_fields[section].annotation
        lines += ["", f"[{section}]"]
        if isinstance(model, type) and issubclass(model, BaseModel):
            lines += _lines(model)
    lines += ["", "[layers.NAME], or NAME = 'path' under [layers]"]
    lines += _lines(LayerSource)
    lines += ["", "# Layers and their columns (map them under [layers.NAME.columns])"]
    for layer in LAYERS.values():
        need = "required" if layer.required else "optional"
        lines += ["", f"{layer.name} ({need}, {layer.geometry}): {layer.meaning}"]
        lines += [f"  {column.key:<24} {column.meaning}" for column in layer.columns]
    lines += ["", "terrain (optional, raster): Elevation of the ground."]
    return "\n".join(lines)


def describe_tables() -> str:
    """Describe every column that a plan writes, as Markdown.

    Returns
    -------
    str
        One table per declared table.
    """
    lines: list[str] = []
    for table in TABLES.values():
        lines += [
            f"### {table.name}",
            "",
            table.meaning,
            "",
            "| column | type | meaning |",
            "| --- | --- | --- |",
        ]
        lines += [
            f"| `{column.name}` | {column.kind} | {column.meaning} |" for column in table.columns
        ]
        lines.append("")
    return "\n".join(lines)


def _lines(model: type[BaseModel], skip: tuple[str, ...] = ()) -> list[str]:
    lines = []
    for name, field in model.model_fields.items():
        if name not in skip:
            default = _shown(field.get_default(call_default_factory=True))
            lines.append(f"{name:<26} {field.description} Default: {default}.")
    return lines


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    if "Undefined" in type(value).__name__:
        return "none, required"
    return str(getattr(value, "value", value))
