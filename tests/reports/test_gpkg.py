"""GeoPackage: declared columns, project CRS, styles, the same bytes each time."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from geoplan.model import Plan
from geoplan.reports.gpkg import LAYER_ORDER, to_project_crs, write_gpkg
from geoplan.reports.gpkg_styles import style_documents
from geoplan.tables import TABLES, RouteKind, Severity


@pytest.fixture(scope="module")
def path(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_gpkg(plan, tmp_path_factory.mktemp("gpkg") / "plan.gpkg")


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_every_table_is_a_layer() -> None:
    assert set(LAYER_ORDER) == set(TABLES)


@pytest.mark.parametrize("name", LAYER_ORDER)
def test_columns_are_exactly_as_declared(plan: Plan, path: Path, name: str) -> None:
    info = pyogrio.read_info(path, layer=name)
    assert list(info["fields"]) == list(TABLES[name].column_names)
    assert info["features"] == len(getattr(plan, name))
    kinds = {"text": {"object", "str"}, "float": {"float64"}, "int": {"int64"}, "bool": {"bool"}}
    for column, dtype in zip(TABLES[name].columns, info["dtypes"], strict=True):
        assert str(dtype) in kinds[column.kind], column.name


def test_geometry_and_elevation_are_in_feet_of_the_project(
    fenmoor: Any, plan: Plan, path: Path
) -> None:
    layer = gpd.read_file(path, layer="air_spans")
    assert layer.crs == plan.layers.crs.project_crs
    first = layer.set_index("address_id").geometry["A01"]
    source = plan.air_spans.set_index("address_id").geometry["A01"]
    assert shapely.get_coordinates(first, include_z=True) == pytest.approx(
        shapely.get_coordinates(source, include_z=True) / fenmoor.FOOT_M, rel=1e-12
    )
    assert shapely.get_coordinates(first, include_z=True)[0, 2] == pytest.approx(
        6.0 / fenmoor.FOOT_M
    )


def test_unknown_heights_stay_flat(path: Path) -> None:
    layer = gpd.read_file(path, layer="air_spans")
    assert layer.loc[layer["height_basis"] == "not_checked"].geometry.has_z.sum() == 0
    assert layer.loc[layer["height_basis"] == "default"].geometry.has_z.all()


def test_elevations_are_declared_optional(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        flags = dict(connection.execute("SELECT table_name, z FROM gpkg_geometry_columns"))
    assert flags.pop("air_spans") == 2
    assert set(flags.values()) == {0}


def test_metres_are_not_scaled() -> None:
    shapes = np.array([shapely.Point(1.25, 2.5)], dtype=object)
    assert to_project_crs(shapes, 1.0)[0].equals(shapes[0])


def test_hostile_text_and_nulls_come_through(fenmoor: Any, path: Path) -> None:
    drops = gpd.read_file(path, layer="drops").set_index("address_id")
    assert drops["label"]["A00"] == fenmoor.HOSTILE[0]
    assert drops["label"]["A10"] == "n" * 10_000
    assert drops["label"]["A11"] == "NUL\ufffdinside"
    assert drops["flags"].isna().sum() == 8
    assert drops["clamp_at_m"].isna().sum() == 6


def test_same_plan_gives_the_same_bytes(
    fenmoor: Any, plan: Plan, path: Path, tmp_path: Path
) -> None:
    assert _hash(write_gpkg(plan, tmp_path / "again.gpkg")) == _hash(path)
    assert _hash(write_gpkg(fenmoor.shuffled(plan, 11), tmp_path / "mixed.gpkg")) == _hash(path)


def test_another_plan_gives_other_bytes(fenmoor: Any, path: Path, tmp_path: Path) -> None:
    plan = fenmoor.build()
    plan.drops.loc[0, "cost"] += 0.01
    assert _hash(write_gpkg(plan, tmp_path / "other.gpkg")) != _hash(path)


def test_the_clock_of_the_writer_is_set_free_again(path: Path) -> None:
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_empty_tables_make_empty_layers(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    crs = plan.layers.crs.working_crs
    empty = dataclasses.replace(plan, **{name: fenmoor.table(name, [], crs) for name in TABLES})
    made = write_gpkg(empty, tmp_path / "empty.gpkg")
    for name in LAYER_ORDER:
        info = pyogrio.read_info(made, layer=name)
        assert info["features"] == 0
        assert list(info["fields"]) == list(TABLES[name].column_names)


def test_each_style_belongs_to_a_layer_and_names_every_value(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        rows = dict(
            connection.execute("SELECT f_table_name, styleQML FROM layer_styles WHERE useAsDefault")
        )
        layers = {row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")}
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    styled = {name: text for name, text in style_documents().items() if name in layers}
    assert rows == styled
    assert len(styled) >= 7
    values = {
        name: [category.get("value") for category in ET.fromstring(text).iter("category")]
        for name, text in rows.items()
    }
    assert values["drops"] == [kind.value for kind in RouteKind]
    assert sorted(values["hazards"]) == sorted(kind.value for kind in Severity)


def test_every_symbol_a_style_names_exists() -> None:
    for text in style_documents().values():
        root = ET.fromstring(text)
        symbols = {symbol.get("name") for symbol in root.iter("symbol")}
        used = {entry.get("symbol") for tag in ("category", "range") for entry in root.iter(tag)}
        assert symbols
        assert used <= symbols


def test_fill_ranges_leave_no_gap() -> None:
    ranges = list(ET.fromstring(style_documents()["terminals"]).iter("range"))
    for lower, upper in itertools.pairwise(ranges):
        assert lower.get("upper") == upper.get("lower")
