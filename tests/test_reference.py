"""The reference of keys and columns: everything declared is in it, nothing else."""

from __future__ import annotations

import pytest
from pydantic import BaseModel

from geoplan.project import LayerSource, Project
from geoplan.reference import describe_keys, describe_tables
from geoplan.tables import LAYERS, TABLES


def _sections() -> dict[str, type[BaseModel]]:
    return {
        name: field.annotation
        for name, field in Project.model_fields.items()
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
    }


def _blocks(text: str) -> dict[str, list[str]]:
    """Split the reference of keys at its headings."""
    blocks: dict[str, list[str]] = {"": []}
    name = ""
    for line in text.splitlines():
        if line.startswith("["):
            name = line.split("]")[0].removeprefix("[")
            blocks[name] = []
        elif line.startswith("# Layers"):
            name = "# layers"
            blocks[name] = []
        else:
            blocks[name].append(line)
    return blocks


@pytest.mark.parametrize("section", _sections())
def test_every_key_of_every_section_is_described_with_its_default(section: str) -> None:
    lines = [line for line in _blocks(describe_keys())[section] if line]
    fields = _sections()[section].model_fields
    assert [line.split()[0] for line in lines] == list(fields)
    for line, field in zip(lines, fields.values(), strict=True):
        assert field.description in line
        assert "Default: " in line


def test_defaults_are_shown_as_values_in_si() -> None:
    limits = "\n".join(_blocks(describe_keys())["limits"])
    assert "Default: 60.0." in limits
    assert "object at" not in describe_keys()
    assert "PydanticUndefined" not in describe_keys()


def test_what_has_no_default_is_said_to_be_required_or_none() -> None:
    lines = {line.split()[0]: line for line in _blocks(describe_keys())["layers.NAME"] if line}
    assert list(lines) == list(LayerSource.model_fields)
    assert lines["source"].endswith("Default: none, required.")
    assert lines["crs"].endswith("Default: none.")


def test_top_level_keys_are_described_and_sections_not_repeated_there() -> None:
    top = [line.split()[0] for line in _blocks(describe_keys())[""] if line and line[0] != "#"]
    assert top == [name for name in Project.model_fields if name not in (*_sections(), "layers")]


def test_every_layer_and_column_that_can_be_brought_is_described() -> None:
    text = "\n".join(_blocks(describe_keys())["# layers"])
    for layer in LAYERS.values():
        need = "required" if layer.required else "optional"
        assert f"{layer.name} ({need}, {layer.geometry}): {layer.meaning}" in text
        block = text.split(f"\n{layer.name} (")[1].split("\n\n")[0].splitlines()[1:]
        assert [line.split()[0] for line in block] == [column.key for column in layer.columns]
        for line, column in zip(block, layer.columns, strict=True):
            assert line.endswith(column.meaning)


def test_every_column_that_a_plan_writes_is_described_in_its_order() -> None:
    parts = describe_tables().split("### ")[1:]
    assert [part.split("\n")[0] for part in parts] == list(TABLES)
    for part, table in zip(parts, TABLES.values(), strict=True):
        assert table.meaning in part
        rows = [line for line in part.splitlines() if line.startswith("| `")]
        assert rows == [
            f"| `{column.name}` | {column.kind} | {column.meaning} |" for column in table.columns
        ]


def test_no_meaning_breaks_its_row_of_the_table() -> None:
    rows = [line for line in describe_tables().splitlines() if line.startswith("|")]
    assert all(line.count("|") == 4 for line in rows)


def test_the_reference_is_the_same_each_time() -> None:
    assert describe_keys() == describe_keys()
    assert describe_tables() == describe_tables()
