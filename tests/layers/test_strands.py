"""Tests of spans cut out of strand lines, and of spans inferred along roads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from geoplan.layers.strands import build_spans
from geoplan.model import SPAN_COLUMNS
from geoplan.project import Strands
from geoplan.tables import TABLES

CRS = "EPSG:32615"
Line = Sequence[tuple[float, float]]
Built = tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame]


def make_poles(places: Mapping[str, tuple[float, float]]) -> gpd.GeoDataFrame:
    index = pd.Index(list(places), dtype="str", name="pole_id")
    points = [shapely.Point(place) for place in places.values()]
    return gpd.GeoDataFrame(index=index, geometry=points, crs=CRS)


def make_strands(lines: Mapping[str, Line], **columns: Any) -> gpd.GeoDataFrame:
    index = pd.Index(list(lines), dtype="str", name="strand_id")
    data = {"height_m": np.nan, "size": np.nan, "condition": np.nan, **columns}
    frame = pd.DataFrame(data, index=index)
    frame = frame.astype({"height_m": "float64", "size": "str", "condition": "str"})
    shapes = [shapely.LineString(line) for line in lines.values()]
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)


def make_roads(lines: Mapping[str, Line]) -> gpd.GeoDataFrame:
    index = pd.Index(list(lines), dtype="str", name="road_id")
    shapes = [shapely.LineString(line) for line in lines.values()]
    return gpd.GeoDataFrame(index=index, geometry=shapes, crs=CRS)


def cut(lines: Mapping[str, Line], places: Mapping[str, tuple[float, float]], **keys: Any) -> Built:
    options = Strands.model_validate(keys)
    return build_spans(
        make_strands(lines), make_poles(places), make_roads({}), settings=options, absent=False
    )


def infer(
    places: Mapping[str, tuple[float, float]], roads: Mapping[str, Line], **keys: Any
) -> Built:
    options = Strands.model_validate(keys)
    return build_spans(
        make_strands({}), make_poles(places), make_roads(roads), settings=options, absent=True
    )


def joins(spans: gpd.GeoDataFrame) -> dict[str, tuple[str, str]]:
    ends = zip(spans["from_pole_id"], spans["to_pole_id"], strict=True)
    return dict(zip(spans.index, ends, strict=True))


THREE = {"P1": (0.0, 0.0), "P2": (40.0, 1.0), "P3": (80.0, 0.0)}


def test_a_line_over_three_poles_gives_two_spans() -> None:
    spans, findings, set_aside = cut({"S": [(0, 0), (80, 0)]}, THREE)
    assert joins(spans) == {"S:1": ("P1", "P2"), "S:2": ("P2", "P3")}
    assert spans["length_m"].to_list() == pytest.approx([np.hypot(40, 1)] * 2)
    assert list(spans.columns) == [*SPAN_COLUMNS, "geometry"]
    assert spans.index.name == "strand_span_id"
    assert spans.crs == CRS
    assert set(spans["strand_basis"]) == {"measured"}
    assert spans.geometry.iloc[0].coords[:] == [(0.0, 0.0), (40.0, 1.0)]
    assert findings.empty
    assert set_aside.empty


def test_columns_of_the_strand_go_to_each_of_its_spans() -> None:
    strands = make_strands(
        {"A": [(0, 0), (40, 1)], "B": [(40, 1), (80, 0)]},
        height_m=[6.5, np.nan],
        size=["quarter", np.nan],
        condition=["good", "poor"],
    )
    spans, _, _ = build_spans(
        strands, make_poles(THREE), make_roads({}), settings=Strands(), absent=False
    )
    assert spans.loc["A:1", ["height_m", "size", "condition"]].to_list() == [
        6.5,
        "quarter",
        "good",
    ]
    assert pd.isna(spans.loc["B:1", "height_m"])
    assert pd.isna(spans.loc["B:1", "size"])
    assert spans["height_m"].dtype == "float64"
    assert all(spans[name].dtype == "str" for name in SPAN_COLUMNS if name[-2:] != "_m")


def test_an_end_a_metre_off_snaps_and_is_reported() -> None:
    spans, findings, set_aside = cut({"S": [(1.5, 0), (79, 0)]}, THREE)
    assert joins(spans) == {"S:1": ("P1", "P2"), "S:2": ("P2", "P3")}
    assert findings["code"].to_list() == ["strand_ends_moved"]
    assert findings["row_id"].to_list() == [""]
    assert findings["reason"][0].startswith("2 ends of strands were moved")
    assert "1.50 m at most" in findings["reason"][0]
    assert set_aside.empty


def test_a_line_that_overshoots_its_pole_a_little_ends_there() -> None:
    spans, _, set_aside = cut({"S": [(-1.5, 0), (80, 0)]}, THREE)
    assert joins(spans) == {"S:1": ("P1", "P2"), "S:2": ("P2", "P3")}
    assert set_aside.empty


def test_an_end_without_pole_is_set_aside_and_the_rest_kept() -> None:
    spans, _, set_aside = cut({"S": [(0, 0), (95, 0)]}, THREE)
    assert joins(spans) == {"S:1": ("P1", "P2"), "S:2": ("P2", "P3")}
    assert set_aside[["layer", "row_id", "code"]].to_numpy().tolist() == [
        ["strands", "S", "strand_end_without_pole"]
    ]
    reason = set_aside["reason"][0]
    assert "no pole within 2.00 m of one end; the nearest is 15.00 m away" in reason
    assert "15.00 m of it is left out, 2 of its spans are used" in reason
    assert shapely.from_wkt(set_aside["geometry_wkt"][0]).length == pytest.approx(95.0)


def test_a_line_without_any_pole_is_set_aside_whole() -> None:
    spans, _, set_aside = cut({"S": [(0, 50), (80, 40)]}, THREE)
    assert spans.empty
    reason = set_aside["reason"][0]
    assert "either end; the nearest is 40.00 m and 50.00 m away" in reason
    assert "80.62 m of it is left out, 0 of its spans are used" in reason


def test_strands_without_any_pole_in_the_layer_are_set_aside() -> None:
    spans, _, set_aside = cut({"S": [(0, 50), (80, 40)]}, {})
    assert spans.empty
    assert "there is no pole" in set_aside["reason"][0]


def test_a_line_past_one_pole_only_gives_no_span() -> None:
    spans, _, set_aside = cut({"S": [(-20, 0), (30, 0)]}, THREE)
    assert spans.empty
    assert "50.00 m of it is left out" in set_aside["reason"][0]


def test_numbers_start_at_the_end_with_the_smaller_pole_id() -> None:
    places = {"Z": (0.0, 0.0), "M": (40.0, 0.0), "A": (80.0, 0.0)}
    spans, _, _ = cut({"S": [(0, 0), (80, 0)]}, places)
    assert joins(spans) == {"S:1": ("A", "M"), "S:2": ("M", "Z")}
    assert spans.geometry.iloc[0].coords[0] == (80.0, 0.0)


def test_a_closed_line_comes_back_to_its_pole() -> None:
    ring = [(0, 0), (40, 0), (40, 40), (0, 0)]
    places = {"A": (0.0, 0.0), "B": (40.0, 0.0), "C": (40.0, 40.0)}
    spans, _, set_aside = cut({"S": ring}, places)
    assert joins(spans) == {"S:1": ("A", "B"), "S:2": ("B", "C"), "S:3": ("A", "C")}
    assert set_aside.empty
    assert_geodataframe_equal(spans, cut({"S": ring[::-1]}, places)[0])


def test_two_poles_abreast_of_a_line_keep_their_order_when_it_is_reversed() -> None:
    line = [(0, 0), (80, 0)]
    places = {"A": (0.0, 0.0), "B": (40.0, 1.0), "C": (40.0, -1.0), "D": (80.0, 0.0)}
    spans = cut({"S": line}, places)[0]
    assert len(spans) == 3
    assert_geodataframe_equal(spans, cut({"S": line[::-1]}, places)[0])


def test_the_nearer_pole_takes_the_end_and_one_beyond_it_is_not_on_the_line() -> None:
    places = {"A": (-1.5, 0.0), "B": (-0.5, 0.0), "C": (40.0, 0.0)}
    spans, _, _ = cut({"S": [(0, 0), (40, 0)]}, places)
    assert joins(spans) == {"S:1": ("B", "C")}


def test_the_smaller_id_takes_the_end_when_two_poles_are_as_near() -> None:
    places = {"B": (0.0, 1.0), "A": (0.0, -1.0), "C": (40.0, 0.0)}
    spans, _, _ = cut({"S": [(0, 0), (40, 0)]}, places)
    assert joins(spans) == {"S:1": ("A", "C")}


def test_a_second_span_between_two_poles_is_dropped_with_a_note() -> None:
    line = [(0, 0), (40, 1)]
    spans, findings, set_aside = cut({"T": line, "S": line[::-1]}, THREE)
    assert joins(spans) == {"S:1": ("P1", "P2")}
    assert findings[["row_id", "code", "severity"]].to_numpy().tolist() == [
        ["T:1", "strand_span_double", "note"]
    ]
    assert "span 'S:1' joins poles 'P1' and 'P2' already" in findings["reason"][0]
    assert set_aside.empty


def test_a_span_without_length_is_set_aside() -> None:
    places = {"A": (0.0, 0.0), "B": (40.0, 0.0), "B2": (40.0, 0.0), "C": (80.0, 0.0)}
    spans, _, set_aside = cut({"S": [(0, 0), (80, 0)], "T": [(0.2, 0), (0, 0.2)]}, places)
    assert joins(spans) == {"S:1": ("A", "B"), "S:3": ("B2", "C")}
    assert set_aside[["row_id", "code"]].to_numpy().tolist() == [
        ["S:2", "strand_span_without_length"],
        ["T:1", "strand_span_without_length"],
    ]


def test_a_line_that_strays_between_poles_is_noted_for_its_span_only() -> None:
    line = [(0, 0), (40, 1), (60, 9), (80, 0)]
    spans, findings, _ = cut({"S": line, "R": [(0, 0), (20, 1.9), (40, 1)]}, THREE)
    assert len(spans) == 2
    bends = findings[findings["code"] == "strand_bends_between_poles"]
    assert bends["row_id"].to_list() == ["S:2"]
    away = shapely.distance(shapely.Point(60, 9), shapely.LineString([(40, 1), (80, 0)]))
    assert f"strays {away:.2f} m" in bends["reason"].iloc[0]


def test_zero_tolerance_joins_only_what_meets_exactly() -> None:
    spans, _, set_aside = cut({"S": [(0, 0), (80, 0)]}, THREE, snap_tolerance="0 m")
    assert joins(spans) == {"S:1": ("P1", "P3")}
    assert set_aside.empty


def test_reports_have_the_declared_columns_even_when_empty() -> None:
    for built in (cut({}, THREE), cut({}, {}), infer(THREE, {}), infer(THREE, {}, infer="never")):
        spans, findings, set_aside = built
        assert spans.empty
        assert list(spans.columns) == [*SPAN_COLUMNS, "geometry"]
        assert tuple(findings.columns) == TABLES["findings"].column_names
        assert tuple(set_aside.columns) == TABLES["set_aside"].column_names
        assert set(findings.dtypes.astype(str)) == {"str"}
        assert set(set_aside.dtypes.astype(str)) == {"str"}


# Inferred spans

STREET = {"R1": [(0.0, 0.0), (200.0, 0.0)]}


def test_poles_along_one_side_are_joined_and_the_other_side_is_not() -> None:
    places = {
        "N1": (10.0, 5.0),
        "N2": (50.0, 5.0),
        "N3": (90.0, 6.0),
        "S1": (30.0, -5.0),
        "S2": (70.0, -5.0),
    }
    spans, findings, set_aside = infer(places, STREET)
    assert set(joins(spans).values()) == {("N1", "N2"), ("N2", "N3"), ("S1", "S2")}
    assert "inferred-N1-N2:1" in spans.index
    assert spans.loc["inferred-N1-N2:1", "strand_id"] == "inferred-N1-N2"
    assert set(spans["strand_basis"]) == {"inferred"}
    assert findings[["row_id", "code", "severity"]].to_numpy().tolist() == [
        ["", "strands_inferred", "warning"]
    ]
    assert "3 spans inferred" in findings["reason"][0]
    assert "5 of 5 poles" in findings["reason"][0]
    assert set_aside.empty


def test_a_gap_longer_than_the_limit_is_not_joined() -> None:
    places = {"A": (0.0, 5.0), "B": (75.0, 5.0), "C": (150.1, 5.0)}
    spans, _, _ = infer(places, STREET)
    assert set(joins(spans).values()) == {("A", "B")}


def test_poles_far_from_the_road_are_not_joined() -> None:
    spans, findings, _ = infer({"A": (10.0, 20.0), "B": (50.0, 20.5), "C": (60.0, 5.0)}, STREET)
    assert set(joins(spans).values()) == {("A", "C")}
    assert "2 of 3 poles" in findings["reason"][0]


def test_poles_at_one_place_beside_the_road_are_not_joined_to_each_other() -> None:
    places = {"A": (10.0, 5.0), "A2": (10.0, 5.0), "B": (50.0, 5.0), "C": (50.0, 9.0)}
    spans, findings, _ = infer(places, STREET)
    assert set(joins(spans).values()) == {("A", "B")}
    assert "2 of them share their place" in findings["reason"][0]


def test_of_poles_at_one_place_the_nearest_to_the_road_is_joined() -> None:
    spans, _, _ = infer({"A": (10.0, 5.0), "B": (50.0, 9.0), "C": (50.0, 5.0)}, STREET)
    assert set(joins(spans).values()) == {("A", "C")}


def test_nothing_is_inferred_when_told_not_to() -> None:
    spans, findings, _ = infer({"A": (10.0, 5.0), "B": (50.0, 5.0)}, STREET, infer="never")
    assert spans.empty
    assert findings.empty


def test_nothing_is_inferred_when_strands_were_brought() -> None:
    spans, _, _ = build_spans(
        make_strands({"S": [(0, 50), (80, 50)]}),
        make_poles({"A": (10.0, 5.0), "B": (50.0, 5.0)}),
        make_roads(STREET),
        settings=Strands(),
        absent=False,
    )
    assert spans.empty


def test_ids_of_inferred_spans_stay_unique_when_pole_ids_hold_hyphens() -> None:
    places = {"a-b": (0.0, 5.0), "c": (40.0, 5.0), "a": (100.0, -5.0), "b-c": (140.0, -5.0)}
    spans, _, _ = infer(places, STREET)
    assert spans.index.to_list() == ["inferred-a-b-c:1", "inferred-a-b-c:2"]


# Properties

grid = st.integers(0, 12).map(lambda step: step * 5.0)
place = st.tuples(grid, grid)
names = st.sampled_from(["A", "B", "C", "D", "E", "F", "G", "H"])
poles_drawn = st.dictionaries(names, place, min_size=1, max_size=8)
line_drawn = st.lists(place, min_size=2, max_size=5).filter(
    lambda line: shapely.LineString(line).length > 0
)
lines_drawn = st.dictionaries(st.sampled_from(["S", "T", "U"]), line_drawn, max_size=3)


@settings(max_examples=60, deadline=None)
@given(lines_drawn, poles_drawn, st.sampled_from(["0 m", "2 m", "6 m"]), st.randoms())
def test_neither_direction_nor_order_changes_the_spans(
    lines: dict[str, Line], places: dict[str, tuple[float, float]], tolerance: str, random: Any
) -> None:
    spans, findings, set_aside = cut(lines, places, snap_tolerance=tolerance)
    keys, pole_keys = list(lines), list(places)
    random.shuffle(keys)
    random.shuffle(pole_keys)
    again, findings_again, set_aside_again = cut(
        {key: lines[key][:: random.choice([1, -1])] for key in keys},
        {key: places[key] for key in pole_keys},
        snap_tolerance=tolerance,
    )
    assert_geodataframe_equal(spans, again)
    assert_frame_equal(findings, findings_again)
    columns = ["layer", "row_id", "code", "reason", "remedy"]
    assert_frame_equal(set_aside[columns], set_aside_again[columns])


@settings(max_examples=60, deadline=None)
@given(lines_drawn, poles_drawn, st.sampled_from([0.0, 2.0, 6.0]))
def test_spans_join_two_poles_near_their_line_and_no_strand_is_lost(
    lines: dict[str, Line], places: dict[str, tuple[float, float]], tolerance_m: float
) -> None:
    spans, findings, set_aside = cut(lines, places, snap_tolerance=f"{tolerance_m} m")
    assert spans.index.is_unique
    assert spans.index.is_monotonic_increasing
    assert (spans["from_pole_id"] < spans["to_pole_id"]).all()
    assert not spans.duplicated(["from_pole_id", "to_pole_id"]).any()
    assert not set_aside.duplicated(["layer", "row_id", "code"]).any()
    for row in spans.itertuples():
        line = shapely.LineString(lines[row.strand_id])
        for pole_id, end in ((row.from_pole_id, 0), (row.to_pole_id, -1)):
            assert row.geometry.coords[end] == places[pole_id]
            assert shapely.distance(line, shapely.Point(places[pole_id])) <= tolerance_m + 1e-9
        assert row.length_m == pytest.approx(row.geometry.length)
    doubles = findings.loc[findings["code"] == "strand_span_double", "row_id"]
    named = {*spans["strand_id"], *doubles.str.split(":").str[0]}
    named |= set(set_aside["row_id"].str.split(":").str[0])
    assert named == set(lines)


@settings(max_examples=60, deadline=None)
@given(poles_drawn, lines_drawn, st.randoms())
def test_inferring_does_not_depend_on_order_or_direction(
    places: dict[str, tuple[float, float]], roads: dict[str, Line], random: Any
) -> None:
    spans, findings, _ = infer(places, roads)
    keys, pole_keys = list(roads), list(places)
    random.shuffle(keys)
    random.shuffle(pole_keys)
    again, findings_again, _ = infer(
        {key: places[key] for key in pole_keys},
        {key: roads[key][:: random.choice([1, -1])] for key in keys},
    )
    assert_geodataframe_equal(spans, again)
    assert_frame_equal(findings, findings_again)
    assert spans.index.is_unique
    assert spans["length_m"].between(1e-3, 75.0).all()
    assert len(spans) < len(places)
