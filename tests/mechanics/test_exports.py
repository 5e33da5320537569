"""Test that the room's export list is true, and that the room stays apart."""

from __future__ import annotations

import ast
from pathlib import Path

import geoplan.mechanics as room


def test_every_exported_name_exists_once():
    assert sorted(set(room.__all__)) == sorted(room.__all__)
    for name in room.__all__:
        assert hasattr(room, name), name


def test_room_imports_only_numpy_the_standard_library_and_itself():
    allowed = {"numpy", "geoplan", "_typeshed"}
    standard = {"__future__", "collections", "dataclasses", "enum", "math", "typing"}
    for path in Path(room.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                assert name.split(".")[0] in allowed | standard, (path.name, name)
                if name.startswith("geoplan"):
                    assert name.startswith("geoplan.mechanics"), (path.name, name)
