"""Ladders at houses: square to a wall, beside a corner, on the side of the wire first."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoplan.work.house_walls import HALF_LADDER_M, wall_feet

HOUSE = shapely.box(0, 0, 10, 8)
OUT_M = 1.2


def feet(x: float, y: float, way: tuple[float, float], shape=HOUSE):
    outlines = np.array([shape], dtype=object)
    made = wall_feet(np.array([[x, y]]), outlines, np.array([way]), np.array([OUT_M]))
    return made, [xy[0] for xy in made.xy]


def test_at_a_wall_the_ladder_is_square_before_the_attachment() -> None:
    made, xy = feet(4.0, 0.0, (0.0, 1.0))
    assert made.has_wall[0]
    assert not made.is_corner[0]
    assert xy[0] == pytest.approx([4.0, -OUT_M])
    assert np.isnan(xy[1]).all()
    assert made.facing[0][0] == pytest.approx([0.0, -1.0])


@pytest.mark.parametrize(
    ("way", "first", "second"),
    [
        ((0.1, 1.0), [HALF_LADDER_M, -OUT_M], [-OUT_M, HALF_LADDER_M]),
        ((1.0, 0.1), [-OUT_M, HALF_LADDER_M], [HALF_LADDER_M, -OUT_M]),
    ],
)
def test_at_a_corner_it_is_beside_it_on_the_wall_that_faces_the_wire(
    way: tuple[float, float], first: list[float], second: list[float]
) -> None:
    made, xy = feet(0.0, 0.0, way)
    assert made.is_corner[0]
    assert xy[0] == pytest.approx(first)
    assert xy[1] == pytest.approx(second)


def test_no_candidate_is_on_a_diagonal_or_in_the_house() -> None:
    for corner in ((0, 0), (10, 0), (10, 8), (0, 8)):
        _, xy = feet(*corner, (0.6, 0.8))
        for point in xy:
            if np.isfinite(point).all():
                assert shapely.distance(HOUSE, shapely.Point(point)) == pytest.approx(OUT_M)


def test_an_inner_corner_has_walls_that_face_outside() -> None:
    shape = shapely.Polygon([(0, 0), (10, 0), (10, 4), (4, 4), (4, 8), (0, 8)])
    made, xy = feet(4.0, 4.0, (-0.7, -0.7), shape)
    assert made.is_corner[0]
    for point in xy[:2]:
        assert not shape.covers(shapely.Point(point))


def test_a_point_on_a_straight_wall_is_no_corner() -> None:
    shape = shapely.Polygon([(0, 0), (5, 0), (10, 0), (10, 8), (0, 8)])
    made, xy = feet(5.0, 0.0, (0.0, 1.0), shape)
    assert not made.is_corner[0]
    assert xy[0] == pytest.approx([5.0, -OUT_M])


def test_without_a_building_there_is_no_wall() -> None:
    made, xy = feet(5.0, 0.0, (0.0, 1.0), None)
    assert not made.has_wall[0]
    assert np.isnan(np.array(xy)).all()
