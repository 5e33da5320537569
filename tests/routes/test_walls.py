"""Attachments on outer walls."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.routes.walls import build_walls, nearest_wall_points, other_wall_points

SQUARE = shapely.box(0, 0, 10, 10)
ELL = shapely.Polygon([(0, 0), (12, 0), (12, 5), (5, 5), (5, 12), (0, 12)])


def _one(polygon: shapely.Polygon, x: float, y: float) -> tuple:
    walls = build_walls(np.array([polygon], dtype=object))
    return walls, np.zeros(1, dtype=np.int64), np.array([x]), np.array([y])


def test_a_pole_opposite_a_face_gets_a_square_attachment() -> None:
    points = nearest_wall_points(*_one(SQUARE, 5.0, 30.0))
    assert (points.x[0], points.y[0]) == pytest.approx((5.0, 10.0))
    assert points.angle_deg[0] == pytest.approx(90.0)
    assert not points.is_corner[0]


def test_a_pole_off_the_corner_gets_the_corner_and_its_better_face() -> None:
    points = nearest_wall_points(*_one(SQUARE, 30.0, 20.0))
    assert (points.x[0], points.y[0]) == pytest.approx((10.0, 10.0))
    assert points.is_corner[0]
    assert points.angle_deg[0] == pytest.approx(np.degrees(np.arctan2(20.0, 10.0)))


def test_a_pole_inside_the_building_gets_nothing() -> None:
    assert len(nearest_wall_points(*_one(SQUARE, 5.0, 5.0)).pair) == 0


def test_direction_of_the_ring_makes_no_difference() -> None:
    forward = nearest_wall_points(*_one(SQUARE, 30.0, 20.0))
    backward = nearest_wall_points(*_one(shapely.reverse(SQUARE), 30.0, 20.0))
    assert forward.angle_deg[0] == pytest.approx(backward.angle_deg[0])


def test_the_hidden_walls_of_a_concave_house_are_not_offered() -> None:
    points = other_wall_points(*_one(ELL, 30.0, -20.0), most=20, apart_m=0.5)
    inner = (points.x < 11.9) & (points.y > 5.1)
    assert len(points.x) > 0
    assert not inner.any()


def test_walls_of_no_buildings_are_empty() -> None:
    walls = build_walls(np.zeros(0, dtype=object))
    assert walls.first.tolist() == [0]


@given(
    st.integers(0, 10_000),
    st.floats(-40, 40),
    st.floats(-40, 40),
)
@settings(max_examples=60, deadline=None)
def test_no_offered_span_passes_through_its_own_building(seed: int, x: float, y: float) -> None:
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
    radius = rng.uniform(3, 12, 9)
    polygon = shapely.make_valid(
        shapely.Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    )
    if polygon.geom_type != "Polygon" or shapely.distance(polygon, shapely.Point(x, y)) < 0.1:
        return
    arguments = _one(polygon, x, y)
    first = nearest_wall_points(*arguments)
    others = other_wall_points(*arguments, most=5, apart_m=1.0)
    assert len(first.pair) == 1
    assert first.distance_m[0] == pytest.approx(
        shapely.distance(polygon, shapely.Point(x, y)), abs=1e-9
    )
    for points in (first, others):
        for px, py in zip(points.x, points.y, strict=True):
            line = shapely.LineString([(x, y), (px, py)])
            assert shapely.length(shapely.intersection(line, polygon)) < 1e-6
            assert shapely.distance(polygon.exterior, shapely.Point(px, py)) < 1e-9


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_of_faces_equally_near_the_one_looked_at_more_squarely_is_taken(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, np.pi, 12)
    boxes = [
        shapely.affinity.rotate(shapely.box(0, 0, 8, 5), float(angle), use_radians=True)
        for angle in turn
    ]
    walls = build_walls(np.array(boxes, dtype=object))
    building = np.repeat(np.arange(12), 6)
    away = rng.uniform(0, 2 * np.pi, len(building))
    sx, sy = 4 + 15 * np.cos(away), 2.5 + 15 * np.sin(away)
    points = nearest_wall_points(walls, building, sx, sy)
    assert points.pair.tolist() == list(range(len(building)))
    source = shapely.points(sx, sy)
    shapes = np.array(boxes, dtype=object)[building]
    np.testing.assert_allclose(points.distance_m, shapely.distance(source, shapes), atol=1e-6)
    at_corner = points.is_corner
    assert (points.angle_deg[~at_corner] > 89.999).all()
    assert (points.angle_deg[at_corner] > 45.0 - 1e-6).all()
