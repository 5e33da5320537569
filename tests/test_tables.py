"""The declarations of tables, and the schema that is made from them."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
import pandas as pd
import pandera.errors
import pytest

from geoplan.tables import (
    LAYERS,
    TABLES,
    UNIT_SUFFIX,
    Basis,
    Column,
    CrossingKind,
    InputLayer,
    RouteKind,
    Severity,
    Table,
    schema,
)

ALL_COLUMNS = [
    *(
        (f"layers.{layer.name}.{column.name}", column)
        for layer in LAYERS.values()
        for column in layer.columns
    ),
    *(
        (f"tables.{table.name}.{column.name}", column)
        for table in TABLES.values()
        for column in table.columns
    ),
]
UNITS = tuple(UNIT_SUFFIX.values())
DTYPES = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}


def _unit_by_name(name: str) -> str | None:
    """Read the unit off a name; the longest suffix that fits."""
    return max((unit for unit in UNITS if name.endswith(unit)), key=len, default=None)


@pytest.mark.parametrize(("place", "column"), ALL_COLUMNS, ids=[place for place, _ in ALL_COLUMNS])
def test_every_column_has_a_meaning_and_a_name_that_carries_its_unit(
    place: str, column: Column
) -> None:
    assert len(column.meaning) > len("Pole.")
    assert column.meaning.endswith(".")
    assert column.name == column.name.lower()
    if column.kind == "float":
        assert UNIT_SUFFIX.get(column.quantity or "") == _unit_by_name(column.name), place
        assert column.quantity is None or column.quantity in UNIT_SUFFIX, place
    else:
        assert column.quantity is None
        assert not column.name.endswith(UNITS)


@pytest.mark.parametrize(("place", "column"), ALL_COLUMNS, ids=[place for place, _ in ALL_COLUMNS])
def test_bounds_and_defaults_fit_the_kind(place: str, column: Column) -> None:
    if column.minimum is not None and column.maximum is not None:
        assert column.minimum < column.maximum, place
    if column.default is not None:
        assert isinstance(column.default, int if column.kind == "int" else float | int | str)
        assert column.minimum is None or column.default >= column.minimum
    if column.kind in ("text", "bool"):
        assert column.minimum is None
        assert column.maximum is None
    if column.kind == "bool":
        assert not column.nullable
        assert column.name.startswith(("is_", "has_")) or "_is_" in column.name


@pytest.mark.parametrize("layer", LAYERS.values(), ids=list(LAYERS))
def test_every_layer_has_its_id_once_and_says_what_its_absence_means(layer: InputLayer) -> None:
    names = [column.name for column in layer.columns]
    assert len(set(names)) == len(names)
    assert names[0] == layer.id_column
    assert not layer.columns[0].nullable
    assert layer.meaning.endswith(".")
    assert bool(layer.absence) != layer.required
    keys = [column.key for column in layer.columns]
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("table", TABLES.values(), ids=list(TABLES))
def test_every_table_has_unique_columns_and_a_key_among_them(table: Table) -> None:
    names = table.column_names
    assert len(set(names)) == len(names)
    assert set(table.key) <= set(names)
    assert table.meaning.endswith(".")
    assert table.author in ("plan", "choice", "layers", "work")


def test_a_column_goes_by_its_name_or_its_key() -> None:
    poles = LAYERS["poles"]
    assert poles.column("height") is poles.column("height_m")
    assert poles.column("ports_total").key == "ports_total"
    assert LAYERS["roads"].column("speed").name == "speed_m_per_s"
    with pytest.raises(KeyError, match="tall"):
        poles.column("tall")


def test_a_name_that_only_looks_like_it_ends_in_a_unit_keeps_it() -> None:
    assert Column("room", "text", "Text.").key == "room"
    assert Column("from_m", "float", "Plain number.").key == "from_m"
    assert Column("from_m", "float", "Length.", quantity="length").key == "from"


SMALL = Table(
    "small",
    ("who", "number"),
    (
        Column("who", "text", "Who.", nullable=False),
        Column("number", "int", "Number.", minimum=1, maximum=9),
        Column("length_m", "float", "Length.", quantity="length", minimum=0.0),
        Column("is_done", "bool", "Whether done.", nullable=False),
    ),
    "none",
    "plan",
    "For this test.",
)


def _frame(**changes: object) -> pd.DataFrame:
    columns = {
        "who": pd.Series(["a", "a"], dtype="str"),
        "number": pd.Series([1, 9], dtype="int64"),
        "length_m": pd.Series([0.0, np.nan], dtype="float64"),
        "is_done": pd.Series([True, False], dtype="bool"),
        **changes,
    }
    return pd.DataFrame({name: column for name, column in columns.items() if column is not None})


def test_a_frame_as_declared_passes() -> None:
    pd.testing.assert_frame_equal(schema(SMALL).validate(_frame()), _frame())


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"number": pd.Series([1.0, 2.0])}, "number.*int64|int64.*number"),
        ({"length_m": pd.Series([1, 2])}, "length_m.*float64|float64.*length_m"),
        ({"who": pd.Series([1, 2])}, "who"),
        ({"is_done": pd.Series([1, 0])}, "is_done.*bool|bool.*is_done"),
        ({"number": pd.Series([0, 2])}, "greater_than_or_equal_to"),
        ({"number": pd.Series([1, 10])}, "less_than_or_equal_to"),
        ({"length_m": pd.Series([-0.001, 2.0])}, "greater_than_or_equal_to"),
        ({"who": pd.Series(["a", None], dtype="str")}, "non-nullable|not_nullable|null"),
        ({"number": pd.Series([3, 3])}, "not unique|duplicat"),
        ({"length_m": None}, "length_m.*not in dataframe"),
        ({"extra": pd.Series([1, 2])}, "extra"),
    ],
    ids=[
        "float_for_int",
        "int_for_float",
        "number_for_text",
        "number_for_flag",
        "too_small",
        "too_large",
        "negative_length",
        "null_id",
        "duplicate_key",
        "column_missing",
        "column_too_many",
    ],
)
def test_a_frame_not_as_declared_is_refused(changes: dict, complaint: str) -> None:
    with pytest.raises((pandera.errors.SchemaError, pandera.errors.SchemaErrors), match=complaint):
        schema(SMALL).validate(_frame(**changes))


def test_other_columns_pass_where_that_is_asked_for() -> None:
    frame = _frame(extra=pd.Series([1, 2]))
    pd.testing.assert_frame_equal(schema(SMALL, strict=False).validate(frame), frame)


@pytest.mark.parametrize("name", list(TABLES))
def test_an_empty_table_of_the_right_types_passes(name: str) -> None:
    table = TABLES[name]
    frame = pd.DataFrame(
        {column.name: pd.Series([], dtype=DTYPES[column.kind]) for column in table.columns}
    )
    if table.geometry != "none":
        with pytest.raises(pandera.errors.SchemaError, match="geometry"):
            schema(table).validate(frame)
        frame["geometry"] = pd.Series([], dtype="object")
    assert len(schema(table).validate(frame)) == 0


@pytest.mark.parametrize("words", [CrossingKind, RouteKind, Severity, Basis])
def test_words_are_lower_case_and_spelled_as_their_names(words: type[StrEnum]) -> None:
    assert [word.value for word in words] == [word.name.lower() for word in words]
