"""Mending and refusing of geometry."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import (
    GeometryCollection,
    LineString,
    MultiLineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
    box,
)

from geoplan.layers.check_geometry import (
    find_unusable,
    shape_geometry,
    split_parts,
    tree_stems,
    widen_lines,
)

BOW = Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
RING = Polygon(box(0, 0, 4, 4).exterior, [box(1, 1, 2, 2).exterior])


def array(*geometries: Any) -> Any:
    packed = np.empty(len(geometries), dtype=object)
    packed[:] = geometries
    return packed


def test_missing_empty_and_not_finite_are_told_apart() -> None:
    found = find_unusable(
        array(None, Polygon(), Point(np.nan, 1), LineString([(0, 0), (1, np.inf)]), Point(1, 1))
    )
    assert found.tolist() == [
        "geometry_missing",
        "geometry_empty",
        "geometry_not_finite",
        "geometry_not_finite",
        "",
    ]


def test_polygon_is_represented_by_a_point_inside() -> None:
    u_shape = Polygon([(0, 0), (9, 0), (9, 9), (8, 9), (8, 1), (1, 1), (1, 9), (0, 9)])
    shaped = shape_geometry(array(u_shape, BOW), "point")
    assert shaped.was_polygon.all()
    assert u_shape.contains(shaped.geometry[0])
    assert shaped.area_m2.tolist() == [u_shape.area, 2.0]


def test_crown_keeps_its_middle() -> None:
    crown = Point(3, 4).buffer(2.0)
    shaped = shape_geometry(array(crown), "point")
    stem = tree_stems(array(crown), shaped.was_polygon, shaped.geometry)[0]
    assert (stem.x, stem.y) == pytest.approx((3.0, 4.0))


@pytest.mark.parametrize(
    ("geometry", "kind", "code"),
    [
        (LineString([(0, 0), (1, 1)]), "point", "geometry_wrong_type"),
        (MultiPoint([(0, 0), (1, 1)]), "point", "geometry_wrong_type"),
        (Polygon([(0, 0), (1, 1), (2, 2)]), "point", "geometry_no_area"),
        (Point(0, 0), "line", "geometry_wrong_type"),
        (box(0, 0, 1, 1), "line", "geometry_wrong_type"),
        (LineString([(1, 1), (1, 1)]), "line", "geometry_no_length"),
        (Point(0, 0), "polygon", "geometry_wrong_type"),
        (LineString([(0, 0), (1, 1)]), "polygon", "geometry_wrong_type"),
        (Polygon([(0, 0), (1, 1), (2, 2)]), "polygon", "geometry_no_area"),
        (Point(0, 0), "line_or_polygon", "geometry_wrong_type"),
        (LineString([(1, 1), (1, 1)]), "line_or_polygon", "geometry_no_length"),
    ],
)
def test_refused_geometry_is_named(geometry: Any, kind: Any, code: str) -> None:
    assert shape_geometry(array(geometry), kind).refused.tolist() == [code]


@pytest.mark.parametrize(
    ("geometry", "kind", "expected"),
    [
        (MultiPoint([(1, 2)]), "point", Point(1, 2)),
        (
            MultiLineString([[(0, 0), (1, 0)], [(1, 0), (2, 0)]]),
            "line",
            LineString([(0, 0), (1, 0), (2, 0)]),
        ),
        (GeometryCollection([Point(0, 0), LineString([(0, 0), (1, 0)])]), "line",
         LineString([(0, 0), (1, 0)])),
        (MultiPolygon([box(0, 0, 1, 1)]), "polygon", box(0, 0, 1, 1)),
        (RING, "polygon", RING),
        (GeometryCollection([Point(0, 0), MultiPolygon([box(0, 0, 1, 1)])]), "polygon",
         box(0, 0, 1, 1)),
    ],
)  # fmt: skip
def test_geometry_is_reduced_to_its_kind(geometry: Any, kind: Any, expected: Any) -> None:
    shaped = shape_geometry(array(geometry), kind)
    assert shaped.refused.tolist() == [""]
    assert shapely.equals(shaped.geometry[0], expected)
    assert shaped.geometry[0].geom_type == expected.geom_type


def test_crossing_outline_is_mended_and_told() -> None:
    shaped = shape_geometry(array(BOW, box(0, 0, 1, 1)), "polygon")
    assert shaped.geometry[0].is_valid
    assert shaped.geometry[0].area == pytest.approx(2.0)
    assert shaped.mended[0].startswith("Self-intersection")
    assert shaped.mended[1] == ""


def test_lines_and_polygons_keep_their_places() -> None:
    shaped = shape_geometry(
        array(box(0, 0, 1, 1), LineString([(0, 0), (5, 0)]), BOW), "line_or_polygon"
    )
    assert shaped.is_line.tolist() == [False, True, False]
    widened = widen_lines(shaped.geometry, np.array([np.nan, 2.0, np.nan]), shaped.is_line)
    assert shapely.area(widened).tolist() == pytest.approx([1.0, 10.0, 2.0])


def test_corner_of_a_widened_line_is_sharp() -> None:
    bend = array(LineString([(0, 0), (10, 0), (10, 10)]))
    widened = widen_lines(bend, np.array([2.0]), np.array([True]))[0]
    assert widened.equals(Polygon([(0, -1), (11, -1), (11, 10), (9, 10), (9, 1), (0, 1)]))


def test_parts_are_named_from_west_to_east() -> None:
    parts, ids, owner, is_split = split_parts(
        array(MultiPolygon([box(5, 0, 6, 1), box(0, 0, 1, 1)]), box(9, 9, 10, 10)),
        np.array(["b", "a"], dtype=object),
    )
    assert ids.tolist() == ["b#1", "b#2", "a"]
    assert shapely.bounds(parts)[:, 0].tolist() == [0.0, 5.0, 9.0]
    assert owner.tolist() == [0, 0, 1]
    assert is_split.tolist() == [True, False]


def test_name_of_a_part_avoids_ids_in_use() -> None:
    several = array(MultiPolygon([box(5, 0, 6, 1), box(0, 0, 1, 1)]), box(9, 9, 10, 10))
    _, ids, _, _ = split_parts(several, np.array(["b", "b#2"], dtype=object))
    assert ids.tolist() == ["b##1", "b##2", "b#2"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=3, max_size=9),
        min_size=1,
        max_size=5,
    )
)
def test_any_outline_is_valid_polygon_or_refused(rings: list[list[tuple[int, int]]]) -> None:
    shaped = shape_geometry(array(*map(Polygon, rings)), "polygon")
    kept = shaped.geometry[shaped.refused == ""]
    assert shapely.is_valid(kept).all()
    assert np.isin(shapely.get_type_id(kept), [3, 6]).all()
    assert (shapely.area(kept) > 0).all()


@settings(max_examples=60, deadline=None)
@given(
    start=st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)),
    length_m=st.floats(0.05, 500.0),
    heading=st.floats(0.0, 6.3),
    width_m=st.floats(0.1, 20.0),
)
def test_straight_lines_widen_to_what_a_buffer_gives(
    start: tuple[float, float], length_m: float, heading: float, width_m: float
) -> None:
    end = (start[0] + length_m * np.cos(heading), start[1] + length_m * np.sin(heading))
    lines = array(LineString([start, end]))
    widened = widen_lines(lines, np.array([width_m]), np.array([True]))
    wanted = shapely.buffer(lines, width_m / 2.0, cap_style="flat", join_style="mitre")
    assert shapely.equals_exact(widened, wanted, tolerance=1e-9, normalize=True).all()


def test_whole_parts_are_handed_on_as_they_are() -> None:
    shapes = array(box(0, 0, 1, 1), LineString([(0, 0), (5, 0)]))
    parts, ids, owner, is_split = split_parts(shapes, np.array(["a", "b"], dtype=object))
    assert parts.tolist() == shapes.tolist()
    assert ids.tolist() == ["a", "b"]
    assert owner.tolist() == [0, 1]
    assert not is_split.any()
