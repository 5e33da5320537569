"""Ground on which nobody may stand, against shapes drawn with shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoplan.work.ground import TRACK_HALF_M, build_ground
from tests.towns import random_town


@pytest.mark.parametrize("seed", range(4))
def test_points_are_free_just_where_no_shape_covers_them(seed: int) -> None:
    random = np.random.default_rng(seed)
    town = random_town(random)
    x, y = random.uniform(-10, 210, (2, 2000))
    keep_off_m = 0.4
    free = build_ground(town).is_free(x, y, keep_off_m)
    points = shapely.points(x, y)
    roads = town.roads
    half = roads["width_m"].to_numpy() / 2
    away = np.array(
        [shapely.distance(line, points) - w for line, w in zip(roads.geometry, half, strict=True)]
    )
    expected = away.min(axis=0) >= keep_off_m
    for frame, keep_m in (
        (town.buildings, keep_off_m),
        (town.pools, keep_off_m),
        (town.water, keep_off_m),
        (town.rail, keep_off_m + TRACK_HALF_M),
    ):
        expected &= ~(shapely.distance(shapely.union_all(frame.geometry.values), points) <= keep_m)
    assert (free == expected).all()
    assert free.any()
    assert not free.all()


def test_walks_and_driveways_are_told_apart_from_free_ground() -> None:
    town = random_town(np.random.default_rng(5))
    x, y = np.random.default_rng(6).uniform(-10, 210, (2, 2000))
    covered = shapely.union_all(
        [shape for frame in (town.sidewalks, town.driveways) for shape in frame.geometry.values]
    )
    off = build_ground(town).is_off_walks(x, y)
    assert (off == ~shapely.intersects(covered, shapely.points(x, y))).all()
    assert 0 < off.sum() < len(off)


@pytest.mark.parametrize("seed", range(4))
def test_the_nearest_road_is_that_of_the_nearest_edge(seed: int) -> None:
    random = np.random.default_rng(seed)
    town = random_town(random)
    x, y = random.uniform(-10, 210, (2, 1000))
    road, edge = build_ground(town).nearest_road(x, y, 20.0)
    half = town.roads["width_m"].to_numpy() / 2
    away = np.array(
        [
            np.maximum(shapely.distance(line, shapely.points(x, y)) - w, 0.0)
            for line, w in zip(town.roads.geometry, half, strict=True)
        ]
    )
    near = away.min(axis=0) <= 20.0
    assert (road >= 0).tolist() == near.tolist()
    assert edge[near] == pytest.approx(away.min(axis=0)[near], abs=1e-9)
    assert away[road[near], np.flatnonzero(near)] == pytest.approx(edge[near], abs=1e-9)
    assert np.isinf(edge[~near]).all()
