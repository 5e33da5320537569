"""Places on the page's grid are true to the centimetre."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.model import Plan
from geoplan.reports.map.pack import Pack, unpack
from geoplan.reports.map.places import add_rings, degrees, line_parts, make_grid, world_cells


@given(st.floats(-179.9, 179.9), st.floats(-84.9, 84.9))
@settings(max_examples=100, deadline=None)
def test_degrees_come_back_to_a_centimetre(longitude: float, latitude: float) -> None:
    x, y = world_cells(np.array([longitude]), np.array([latitude]))
    back = degrees(x, y)
    assert back[0][0] == pytest.approx(longitude, abs=1e-7)
    assert back[1][0] == pytest.approx(latitude, abs=1e-7)


def test_the_middle_of_the_world_is_its_middle_cell() -> None:
    x, y = world_cells(np.array([0.0]), np.array([0.0]))
    assert (x[0], y[0]) == (2**31, 2**31)


def test_a_metre_is_as_many_cells_as_the_grid_says(plan: Plan) -> None:
    bounds = plan.drops.total_bounds
    grid = make_grid(plan.layers.crs, bounds)
    here = bounds[:2] + np.array([[0.0, 0.0], [50.0, 0.0], [0.0, 50.0]])
    cells = grid.cells(here)
    across, up = np.hypot(*(cells[1] - cells[0])), np.hypot(*(cells[2] - cells[0]))
    # the projection takes the ellipsoid for a sphere, which is wrong by its squared eccentricity
    # at most: 0.0067; and the plan's own projection by a few in ten thousand
    assert across / 50.0 == pytest.approx(grid.cells_per_m, rel=7e-3)
    assert up / 50.0 == pytest.approx(grid.cells_per_m, rel=7e-3)
    assert cells[2][1] < cells[0][1], "y grows southward"


def test_holes_turn_the_other_way_and_the_last_corner_is_left_out(plan: Plan) -> None:
    grid = make_grid(plan.layers.crs, plan.drops.total_bounds)
    x, y = plan.drops.total_bounds[:2]
    outer, inner = shapely.box(x, y, x + 30, y + 30), shapely.box(x + 5, y + 5, x + 9, y + 9)
    pack = Pack()
    add_rings(pack, "a", np.array([shapely.Polygon(outer.exterior, [inner.exterior])]), grid)
    found = unpack(pack.text())
    assert found["a.n"] == [4, 4]
    corners = np.column_stack([found["a.x"], found["a.y"]])
    rings = [shapely.LinearRing(corners[:4]), shapely.LinearRing(corners[4:])]
    assert rings[0].is_ccw != rings[1].is_ccw


def test_lines_in_parts_are_told_apart_with_their_rows() -> None:
    two = shapely.MultiLineString([[(0, 0), (1, 0)], [(2, 0), (3, 0)]])
    parts, rows = line_parts(np.array([shapely.LineString([(9, 9), (8, 8)]), two], dtype=object))
    assert len(parts) == 3
    assert rows.tolist() == [0, 1, 1]
