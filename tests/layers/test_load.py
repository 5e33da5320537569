"""Whole layers: formats agree, order has no effect, no row is lost."""

from __future__ import annotations

import gc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from time import perf_counter
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import GeometryCollection, MultiLineString, MultiPolygon, Point, Polygon

from geoplan.errors import LayerError, NoPlanError
from geoplan.layers import read_layers
from geoplan.layers.shelf import AREA_LAYERS, with_shapes
from geoplan.tables import LAYERS, TABLES, schema

Outcome = Callable[[Any], dict[str, Any]]
DTYPES = {"text": "str", "float": "float64", "int": "int64"}


def assert_same(
    one: dict[str, Any], other: dict[str, Any], leave_out: tuple[str, ...] = ()
) -> None:
    for key, value in one.items():
        if key in leave_out:
            continue
        if isinstance(value, pd.DataFrame):
            pd.testing.assert_frame_equal(value, other[key], obj=key)
        else:
            assert value == other[key], key


def messy(desk: Any) -> dict[str, gpd.GeoDataFrame]:
    """Build a hamlet with every kind of bad row the checks know."""
    frames = desk.hamlet()
    bow = desk.outline((0, 60), (20, 80), (20, 60), (0, 80))
    frames["parcels"] = desk.frame(
        [*frames["parcels"].geometry, bow, desk.at(5, 5), None, Polygon()],
        parcel_id=["L0", "L1", "L2", "L3", "bow", "dot", "none", "void"],
        owner=["a", "b", "c", "d", "e", None, "", "  "],
    )
    frames["addresses"] = desk.frame(
        [
            *[desk.at(20.0 * i + 10.0, 20.5) for i in range(4)],
            desk.at(11.0, 21.0),
            desk.at(11.0, 21.0),
            desk.at(12.0, 22.0),
            Point(np.nan, 5.0),
            desk.at(15.0, 22.0),
            desk.at(13.0, 22.0),
        ],
        address_id=["A0", "A1", "A2", "A3", "A1", "A1", None, "A7", "A8", ""],
        ports_needed=["1", "1", "2", "1", "1", "1", "1", "1", "two", "1"],
        label=list("abcdeefghi"),
    )
    frames["poles"] = desk.frame(
        [desk.at(40.0 * i, 6.0) for i in range(5)],
        pole_id=[1.0, 2.0, 3.0, 4.0, 5.0],
        ports_total=["4", "0", "6", "many", "-2"],
        height=["30 ft", "tall", "7,5", "inf", ""],
    )
    frames["buildings"] = desk.frame(
        [
            MultiPolygon([desk.rectangle(25, 18, 8, 8), desk.rectangle(5, 18, 8, 8)]),
            GeometryCollection([desk.rectangle(45, 18, 8, 8), desk.at(1, 1)]),
            desk.line((0, 0), (1, 1)),
            desk.outline((65, 18), (75, 18), (70, 18)),
        ],
        building_id=["B", "C", "D", "E"],
    )
    frames["power"] = desk.frame(
        [
            MultiLineString([desk.line((0, 7), (10, 7)), desk.line((10, 7), (90, 7))]),
            MultiLineString([desk.line((0, 9), (10, 9)), desk.line((20, 9), (90, 9))]),
            desk.line((3, 3), (3, 3)),
        ],
        power_id=["joined", "apart", "still"],
    )
    frames["sidewalks"] = desk.frame(
        [desk.line((0, 5), (80, 5)), desk.rectangle(0, -6, 80, 1.5)], width_m=[2.0, None]
    )
    return frames


def shuffled(frames: dict[str, gpd.GeoDataFrame], seed: int) -> dict[str, gpd.GeoDataFrame]:
    return {
        name: frame.sample(frac=1.0, random_state=seed).reset_index(drop=True)
        for name, frame in frames.items()
    }


def test_all_formats_give_the_same_layers(desk: Any, hamlet: Any, outcome: Outcome) -> None:
    told = {kind: outcome(read_layers(desk.project(hamlet, kind))) for kind in desk.formats}
    for kind in desk.formats:
        # a shapefile cuts 'strand_height_m', so its unit is noted as assumed
        assert_same(told["parquet"], told[kind], ("findings",) if kind == "shp" else ())
    assert len(told["parquet"]["addresses"]) == 4


@pytest.mark.parametrize("kind", ["gpkg", "geojson", "parquet", "csv"])
def test_degrees_give_the_same_layers(desk: Any, hamlet: Any, outcome: Outcome, kind: str) -> None:
    expected = outcome(read_layers(desk.project(hamlet)))
    degrees = {name: frame.to_crs(4326) for name, frame in hamlet.items()}
    for frame in degrees.values():
        frame["geometry"] = frame.geometry.set_precision(1e-10)
    found = outcome(read_layers(desk.project(degrees, kind)))
    assert_same(expected, found, ("parcels", "addresses", "poles", "roads", "spans"))
    for name in ("parcels", "addresses", "poles", "roads"):
        left, right = expected[name].drop(columns="wkt"), found[name].drop(columns="wkt")
        pd.testing.assert_frame_equal(left, right)


@settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**31 - 1))
def test_order_of_rows_has_no_effect(desk: Any, outcome: Outcome, seed: int) -> None:
    expected = outcome(read_layers(desk.project(messy(desk))))
    assert_same(expected, outcome(read_layers(desk.project(shuffled(messy(desk), seed)))))


def test_layers_put_away_are_the_same(desk: Any, outcome: Outcome, tmp_path: Path) -> None:
    project = desk.project(messy(desk))
    folder = tmp_path / "shelf"
    folder.mkdir()
    layers = read_layers(project, shelf_folder=folder)
    assert set(layers.shelves) == set(AREA_LAYERS)
    assert layers.buildings.geometry.isna().all()
    assert len(layers.buildings) > 1
    again = {
        name: with_shapes(getattr(layers, name), shelf, np.arange(len(getattr(layers, name))))
        for name, shelf in layers.shelves.items()
    }
    assert_same(outcome(read_layers(project)), outcome(replace(layers, **again)))


def test_every_row_is_kept_or_set_aside(desk: Any) -> None:
    layers = read_layers(desk.project(messy(desk)))
    for name, count in layers.counts.items():
        aside = (layers.set_aside["layer"] == name).sum()
        kept = getattr(layers, name).index.str.replace(r"#\d+$", "", regex=True).nunique()
        assert kept + aside == count, name


def test_tables_are_as_declared(desk: Any) -> None:
    layers = read_layers(desk.project(messy(desk)))
    for name in ("findings", "set_aside"):
        schema(TABLES[name]).validate(getattr(layers, name))
    for name, declared in LAYERS.items():
        frame = getattr(layers, name)
        columns = [one.name for one in declared.columns if one.name != declared.id_column]
        located = ["parcel_id", "building_id"] if name == "addresses" else []
        assert list(frame.columns) == [*columns, *located, "geometry"]
        assert frame.index.name == declared.id_column
        assert frame.index.dtype == "str"
        assert frame.index.is_unique
        assert frame.index.is_monotonic_increasing
        assert frame.crs == layers.crs.working_crs
        for one in declared.columns:
            if one.name in frame:
                is_open = one.kind == "int" and one.default is None and one.name != "ports_total"
                assert frame[one.name].dtype == ("float64" if is_open else DTYPES[one.kind])


def test_each_bad_row_is_named_with_its_reason(desk: Any) -> None:
    aside = read_layers(desk.project(messy(desk))).set_aside
    found = {(row.layer, row.row_id, row.code) for row in aside.itertuples()}
    assert found == {
        ("parcels", "dot", "geometry_wrong_type"),
        ("parcels", "none", "geometry_missing"),
        ("parcels", "void", "geometry_empty"),
        ("addresses", "A1", "duplicate_id"),
        ("addresses", "A1 (2)", "duplicate_id"),
        ("addresses", "A7", "geometry_not_finite"),
        ("addresses", "A8", "ports_needed_unreadable"),
        ("poles", "4", "ports_total_unreadable"),
        ("poles", "5", "ports_total_unreadable"),
        ("buildings", "D", "geometry_wrong_type"),
        ("buildings", "E", "geometry_no_area"),
        ("power", "still", "geometry_no_length"),
    }
    assert aside["remedy"].str.len().gt(5).all()


def test_identical_repeats_are_told_from_conflicting_ones(desk: Any, hamlet: Any) -> None:
    first = hamlet["addresses"].iloc[[0]]
    other = first.assign(label="elsewhere")
    hamlet["addresses"] = pd.concat([hamlet["addresses"], first, other], ignore_index=True)
    aside = read_layers(desk.project(hamlet)).set_aside
    assert sorted(aside["reason"]) == [
        "another row has this id, with other values or geometry",
        "the same row is there already",
    ]


def test_rows_without_ids_are_named_from_west_to_east(desk: Any) -> None:
    frames = messy(desk)
    frames["sidewalks"] = frames["sidewalks"].iloc[::-1]
    layers = read_layers(desk.project(frames))
    assert list(layers.addresses.index) == ["A0", "A1", "A2", "A3", "row-1", "row-2"]
    assert layers.addresses.loc["row-1", "label"] == "f"
    assert layers.findings.query("code == 'id_missing'")["severity"].tolist() == [
        "warning",
        "warning",
        "note",
    ]


def test_a_taken_name_is_not_given_to_a_nameless_row(desk: Any, hamlet: Any) -> None:
    hamlet["addresses"]["address_id"] = ["row-1", None, "row-2", None]
    layers = read_layers(desk.project(hamlet))
    assert sorted(layers.addresses.index) == ["row-1", "row-2", "row-row-1", "row-row-2"]


def test_bad_cells_become_null_with_a_finding(desk: Any) -> None:
    layers = read_layers(desk.project(messy(desk)))
    heights = layers.poles["height_m"]
    assert heights["1"] == pytest.approx(9.144, abs=1e-12)
    assert heights[["2", "3"]].isna().all()
    told = layers.findings.query("layer == 'poles' and code == 'height_unreadable'")
    assert told["reason"].tolist() == [
        "height is 'tall', not a number: taken as not known",
        "height is '7,5', not a number: taken as not known",
    ]


def test_names_keep_quotes_newlines_and_markup(desk: Any, hamlet: Any) -> None:
    names = ['Å "b", c', "two\nlines", "<script>x</script>", "=1+1"]
    hamlet["addresses"]["label"] = names
    hamlet["addresses"]["address_id"] = [" Ω1 ", "“q”", "a;b", "d'e"]
    for kind in ("csv", "gpkg", "geojson", "parquet"):
        layers = read_layers(desk.project(hamlet, kind))
        assert sorted(layers.addresses["label"]) == sorted(names)
        assert sorted(layers.addresses.index) == sorted(["Ω1", "“q”", "a;b", "d'e"])


def test_parts_are_split_and_lines_joined(desk: Any) -> None:
    layers = read_layers(desk.project(messy(desk)))
    assert list(layers.buildings.index) == ["B#1", "B#2", "C"]
    west = layers.buildings.geometry["B#1"].centroid.x
    assert west < layers.buildings.geometry["B#2"].centroid.x
    assert list(layers.power.index) == ["apart#1", "apart#2", "joined"]
    assert layers.power.geometry["joined"].length == pytest.approx(90.0)


def test_lines_are_widened_to_their_width(desk: Any) -> None:
    walks = read_layers(desk.project(messy(desk))).sidewalks
    assert sorted(walks.area.round(6)) == [120.0, 160.0]
    assert walks["width_m"].isna().sum() == 1


def test_missing_road_width_and_class_are_assumed_once(desk: Any, hamlet: Any) -> None:
    hamlet["roads"] = hamlet["roads"].drop(columns=["width_m", "road_class"])
    layers = read_layers(desk.project(hamlet, defaults={"road_width": "7 m"}))
    told = layers.findings.query("layer == 'roads'").set_index("code")
    assert told.loc["width_assumed", "reason"] == "1 of 1 roads without width: 7 m assumed"
    assert set(told["severity"]) == {"warning"}
    assert layers.roads.loc["R0", "width_m"] == 7.0
    assert layers.roads.loc["R0", "road_class"] == "residential"


def test_checksums_change_with_the_file_only(desk: Any, hamlet: Any) -> None:
    one = read_layers(desk.project(hamlet, "shp")).input_sha256
    two = read_layers(desk.project(hamlet, "shp")).input_sha256
    assert one == two
    hamlet["poles"].loc[0, "ports_total"] = 5
    three = read_layers(desk.project(hamlet, "shp")).input_sha256
    assert {name for name in one if one[name] != three[name]} == {"poles"}


def test_no_terminal_is_no_plan(desk: Any, hamlet: Any) -> None:
    hamlet["poles"]["ports_total"] = 0
    with pytest.raises(NoPlanError, match="map another column to ports_total"):
        read_layers(desk.project(hamlet))


def test_no_usable_address_is_no_plan(desk: Any, hamlet: Any) -> None:
    hamlet["addresses"]["geometry"] = None
    with pytest.raises(NoPlanError, match="no address has usable coordinates"):
        read_layers(desk.project(hamlet))


def test_no_usable_pole_is_no_plan(desk: Any, hamlet: Any) -> None:
    hamlet["poles"]["ports_total"] = "x"
    with pytest.raises(NoPlanError, match="layer poles: no row of it can be used"):
        read_layers(desk.project(hamlet))


def test_required_layer_without_rows_is_refused(desk: Any, hamlet: Any) -> None:
    hamlet["parcels"] = hamlet["parcels"].iloc[:0]
    with pytest.raises(LayerError, match=r"file 'parcels\.gpkg': the file has no rows\. Export"):
        read_layers(desk.project(hamlet, "gpkg"))


def test_optional_layer_without_rows_is_a_finding(desk: Any, hamlet: Any) -> None:
    hamlet["pools"] = desk.frame([], pool_id=[])
    layers = read_layers(desk.project(hamlet))
    assert "pools" not in layers.absent
    assert "layer_empty" in set(layers.findings["code"])


def test_progress_is_told_each_layer(desk: Any, hamlet: Any) -> None:
    steps: list[str] = []
    read_layers(desk.project(hamlet), progress=steps.append)
    assert steps[0] == "reading addresses"
    assert "checking roads" in steps


def test_a_hundred_thousand_rows_take_seconds(desk: Any, hamlet: Any) -> None:
    count = 100_000
    x, y = np.meshgrid(np.arange(500) * 20.0, np.arange(200) * 60.0)
    points = gpd.points_from_xy(desk.east + x.ravel() + 10, desk.north + y.ravel() + 20)
    hamlet["addresses"] = gpd.GeoDataFrame(
        {"address_id": np.arange(count), "label": "x"}, geometry=points, crs=desk.crs
    )
    project = desk.project(hamlet)
    start = perf_counter()
    layers = read_layers(project)
    assert len(layers.addresses) == count
    assert perf_counter() - start < 20.0


@pytest.mark.parametrize("is_on", [True, False])
def test_collection_of_garbage_is_left_as_it_was(desk: Any, hamlet: Any, is_on: bool) -> None:
    def told(step: str) -> None:
        seen.append(gc.isenabled())

    seen: list[bool] = []
    was_on = gc.isenabled()
    try:
        gc.enable() if is_on else gc.disable()
        read_layers(desk.project(hamlet), told)
        assert gc.isenabled() == is_on
        hamlet["poles"]["ports_total"] = 0
        with pytest.raises(NoPlanError, match="map another column"):
            read_layers(desk.project(hamlet), told)
        assert gc.isenabled() == is_on
    finally:
        gc.enable() if was_on else gc.disable()
    assert not any(seen)
