"""What checks share is worked out once, and forgotten with the rows it is about."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from geoplan.layers.town import Town

RNG = np.random.default_rng(3)
POINTS = gpd.GeoDataFrame(geometry=shapely.points(RNG.integers(0, 20, (30, 2))))
X, Y = RNG.integers(0, 15, (2, 12))
BOXES = gpd.GeoDataFrame(geometry=shapely.box(X, Y, X + 5, Y + 5))


def make_town() -> Town:
    return Town({"poles": POINTS, "buildings": BOXES})


def test_pairs_are_those_that_hold_or_touch_sorted_by_point() -> None:
    points, boxes = (np.asarray(frame.geometry.array) for frame in (POINTS, BOXES))
    wanted = np.argwhere(shapely.intersects(points[:, None], boxes))
    assert make_town().around("poles", "buildings").T.tolist() == wanted.tolist()


def test_trees_and_pairs_are_made_once() -> None:
    town = make_town()
    assert town.tree("poles") is town.tree("poles")
    assert town.around("poles", "buildings") is town.around("poles", "buildings")


def test_other_rows_make_other_trees_and_pairs_and_leave_the_town_as_it_was() -> None:
    town = make_town()
    pairs, tree = town.around("poles", "buildings"), town.tree("poles")
    other = town.with_layer("buildings", BOXES.iloc[:0])
    assert other.around("poles", "buildings").shape == (2, 0)
    assert other.tree("poles") is tree
    assert town.around("poles", "buildings") is pairs
    assert len(town["buildings"]) == len(BOXES)
    assert list(other) == ["poles", "buildings"]
    assert len(other) == len(town)


def test_other_columns_keep_the_trees() -> None:
    town = make_town()
    tree = town.tree("poles")
    town.set_columns("poles", POINTS.assign(height_m=8.0))
    assert town.tree("poles") is tree
    assert "height_m" in town["poles"]
