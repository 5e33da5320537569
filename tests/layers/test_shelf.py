"""Shapes put away: what is fetched is what was put there, to the last bit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoplan.layers import shelf as module
from geoplan.layers.shelf import put_away, with_shapes

number = st.floats(-1e7, 1e7)
corner = st.tuples(number, number)
shape = st.one_of(
    corner.map(shapely.Point),
    st.lists(corner, min_size=2, max_size=5).map(shapely.LineString),
    st.lists(corner, min_size=3, max_size=6).map(shapely.Polygon),
)


def layer(shapes: list[Any]) -> gpd.GeoDataFrame:
    ids = [f"id{number}" for number in range(len(shapes))]
    return gpd.GeoDataFrame(
        {"height_m": np.arange(float(len(shapes)))}, geometry=shapes, index=ids, crs="EPSG:32615"
    )


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(shape, min_size=1, max_size=20), st.data())
def test_shapes_come_back_as_they_went(tmp_path: Path, shapes: list[Any], data: Any) -> None:
    frame = layer(shapes)
    wanted = frame.geometry.to_numpy()
    rows = np.array(
        data.draw(st.lists(st.integers(0, len(shapes) - 1), max_size=30)), dtype=np.int64
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "CHUNK", 3)
        bare, shelf = put_away(frame, tmp_path / "some.arrow")
        fetched = shelf.take(rows)
        again = with_shapes(bare, shelf, rows)
        some = shelf.keep(np.arange(0, len(shapes), 2)).take(np.arange(-(-len(shapes) // 2)))
    assert shapely.to_wkb(fetched).tolist() == shapely.to_wkb(wanted[rows]).tolist()
    assert shapely.to_wkb(some).tolist() == shapely.to_wkb(wanted[::2]).tolist()
    assert np.array_equal(shelf.bounds, shapely.bounds(wanted))
    assert bare.geometry.isna().all()
    assert bare["height_m"].equals(frame["height_m"])
    assert again.index.tolist() == frame.index[rows].tolist()
    assert again.crs == frame.crs
    assert shapely.to_wkb(again.geometry.to_numpy()).tolist() == shapely.to_wkb(fetched).tolist()


def test_groups_hold_near_shapes_and_all_of_them(tmp_path: Path) -> None:
    x, y = (part.ravel().astype(float) for part in np.meshgrid(range(32), range(32)))
    shuffled = np.random.default_rng(5).permutation(len(x))
    _, shelf = put_away(layer(list(shapely.points(x, y)[shuffled])), tmp_path / "grid.arrow")
    groups = shelf.groups(64)
    assert sorted(np.concatenate(groups).tolist()) == list(range(len(x)))
    sides = [np.ptp(shelf.bounds[rows], axis=0)[:2].max() for rows in groups]
    assert np.median(sides) <= 16


def test_a_layer_without_rows_is_put_away_too(tmp_path: Path) -> None:
    bare, shelf = put_away(layer([]), tmp_path / "none.arrow")
    assert len(bare) == len(shelf) == 0
    assert len(shelf.take(np.zeros(0, dtype=np.int64))) == 0
    assert shelf.groups(5) == []


def test_rows_of_a_layer_in_memory_are_taken_as_they_are() -> None:
    frame = layer([shapely.Point(0, 0), shapely.Point(1, 1)])
    assert with_shapes(frame, None, np.array([1])).equals(frame.iloc[[1]])
