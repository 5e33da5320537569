"""What air spans meet, against one-by-one shapely predicates on random towns."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import KIND_CODE, Crossings, find_crossings
from geoplan.routes.index import PlantIndex, build_index
from geoplan.tables import CrossingKind
from tests.towns import random_town

NEAR = {
    "near_power_m": 3.0,
    "near_pool_m": 3.05,
    "near_tree_m": 0.6,
    "min_lot_overlap_m": 0.5,
}


def _random_air(index: PlantIndex, rng: np.random.Generator, count: int) -> AirSpans:
    x, y = rng.uniform(-10, 210, count), rng.uniform(-10, 210, count)
    address = rng.integers(0, index.address_count, count).astype(np.int64)
    none = np.full(count, -1, dtype=np.int64)
    empty = np.full(count, np.nan)
    angle, length = rng.uniform(0, 2 * np.pi, count), rng.uniform(1, 60, count)
    return AirSpans(
        address,
        none,
        none,
        empty,
        x,
        y,
        x + length * np.cos(angle),
        y + length * np.sin(angle),
        index.address_building[address],
        none,
        empty,
    )


def _met(crossings: Crossings, kind: CrossingKind, *, near: bool | None = None) -> set:
    pick = crossings.kind == KIND_CODE[kind]
    if near is not None:
        pick &= crossings.is_near_miss == near
    return set(zip(crossings.air[pick].tolist(), crossings.feature[pick].tolist(), strict=True))


def _brute(air: AirSpans, frame: gpd.GeoDataFrame, test) -> set:
    lines = shapely.linestrings(air.segment.reshape(-1, 2, 2))
    return {
        (row, feature)
        for row, line in enumerate(lines)
        for feature, shape in enumerate(frame.geometry)
        if test(row, line, feature, shape)
    }


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_what_is_met_equals_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    layers = random_town(rng)
    index = build_index(layers, near_power_m=3.0, near_tree_m=0.6)
    air = _random_air(index, rng, 60)
    found = find_crossings(air, index, **NEAR)

    def longer(row: int, line, feature: int, shape, least: float = 1e-6) -> bool:
        return line.intersection(shape).length >= least

    for kind, frame in (
        (CrossingKind.WATER, layers.water),
        (CrossingKind.DRIVEWAY, layers.driveways),
        (CrossingKind.SIDEWALK, layers.sidewalks),
    ):
        assert _met(found, kind) == _brute(air, frame, longer), kind
    own = index.address_parcel[air.address]
    assert _met(found, CrossingKind.LOT) == _brute(
        air, layers.parcels, lambda r, a, f, b: f != own[r] and longer(r, a, f, b, 0.5)
    )
    assert _met(found, CrossingKind.ROOF) == _brute(
        air, layers.buildings, lambda r, a, f, b: f != air.building[r] and longer(r, a, f, b)
    )
    assert _met(found, CrossingKind.POOL, near=True) == _brute(
        air, layers.pools, lambda r, a, f, b: 0 < a.distance(b) <= 3.05
    )
    radius = layers.trees["crown_radius_m"].to_numpy()
    assert _met(found, CrossingKind.TREE, near=False) == _brute(
        air, layers.trees, lambda r, a, f, b: a.distance(b) < radius[f]
    )
    assert _met(found, CrossingKind.TREE, near=True) == _brute(
        air, layers.trees, lambda r, a, f, b: radius[f] <= a.distance(b) < radius[f] + 0.6
    )


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_roads_and_tracks_equal_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    layers = random_town(rng)
    index = build_index(layers, near_power_m=3.0, near_tree_m=0.6)
    air = _random_air(index, rng, 60)
    found = find_crossings(air, index, **NEAR)
    for kind, frame in ((CrossingKind.ROAD, layers.roads), (CrossingKind.RAIL, layers.rail)):
        pick = found.kind == KIND_CODE[kind]
        crossed = found.take(pick & ~found.is_overhang)
        met = set(zip(crossed.air.tolist(), crossed.feature.tolist(), strict=True))
        assert met == _brute(air, frame, lambda r, a, f, b: a.crosses(b)), kind
        lines = shapely.linestrings(air.segment.reshape(-1, 2, 2))
        width = frame["width_m"].to_numpy()
        for row, feature, at in zip(crossed.air, crossed.feature, crossed.at_m, strict=True):
            point = lines[row].interpolate(at)
            assert point.distance(frame.geometry.iloc[feature]) < 1e-6
        over = found.take(pick)
        for row in range(len(air)):
            for feature, line in enumerate(frame.geometry):
                area = line.buffer(width[feature] / 2, quad_segs=64)
                mine = (over.air == row) & (over.feature == feature)
                length = float((over.end_m - over.start_m)[mine].sum())
                assert length == pytest.approx(lines[row].intersection(area).length, abs=0.2)


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_power_away_from_shared_poles_equals_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    layers = random_town(rng)
    index = build_index(layers, near_power_m=3.0, near_tree_m=0.6)
    air = _random_air(index, rng, 80)
    starts = shapely.points(air.sx, air.sy)
    free = np.array([layers.power.distance(start).min() > 1.0 for start in starts])
    air = air.take(free)
    found = find_crossings(air, index, **NEAR)
    assert _met(found, CrossingKind.POWER, near=False) == _brute(
        air, layers.power, lambda r, a, f, b: a.crosses(b)
    )
    assert _met(found, CrossingKind.POWER, near=True) == _brute(
        air, layers.power, lambda r, a, f, b: 0 < a.distance(b) <= 3.0
    )


def test_power_on_the_source_pole_is_not_a_near_miss_there() -> None:
    layers = random_town(np.random.default_rng(3))
    line = shapely.LineString([(0, 0), (100, 0)])
    power = gpd.GeoDataFrame(
        {"power_kind": ["supply_line"], "voltage_v": [7200.0], "height_m": [9.0]},
        geometry=[line],
        index=["W1"],
        crs=layers.power.crs,
    )
    index = build_index(dataclasses.replace(layers, power=power), near_power_m=3.0, near_tree_m=0.6)
    none, empty = np.full(2, -1, dtype=np.int64), np.full(2, np.nan)
    air = AirSpans(
        np.zeros(2, np.int64),
        none,
        none,
        empty,
        np.array([50.0, 50.0]),
        np.array([0.0, -10.0]),
        np.array([50.0, 50.0]),
        np.array([20.0, 10.0]),
        none,
        none,
        empty,
    )
    found = find_crossings(air, index, **NEAR)
    assert _met(found, CrossingKind.POWER, near=True) == set()
    assert _met(found, CrossingKind.POWER, near=False) == {(1, 0)}


def test_a_bent_power_line_that_is_crossed_twice_is_met_twice() -> None:
    layers = random_town(np.random.default_rng(3))
    bent = shapely.LineString([(0, 0), (100, 0), (100, 10), (0, 10)])
    power = gpd.GeoDataFrame(
        {"power_kind": ["supply_line"], "voltage_v": [7200.0], "height_m": [9.0]},
        geometry=[bent],
        index=["W1"],
        crs=layers.power.crs,
    )
    index = build_index(dataclasses.replace(layers, power=power), near_power_m=3.0, near_tree_m=0.6)
    none, empty = np.full(1, -1, dtype=np.int64), np.full(1, np.nan)
    air = AirSpans(
        np.zeros(1, np.int64),
        none,
        none,
        empty,
        np.array([50.0]),
        np.array([-5.0]),
        np.array([50.0]),
        np.array([20.0]),
        none,
        none,
        empty,
    )
    found = find_crossings(air, index, **NEAR)
    met = found.take(found.kind == KIND_CODE[CrossingKind.POWER])
    assert met.at_m.tolist() == [5.0, 15.0]
    assert not met.is_near_miss.any()
