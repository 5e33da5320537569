"""What air spans meet, on scenes that can be checked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import (
    AT_POLE_M,
    KIND_CODE,
    KINDS,
    Crossings,
    find_crossings,
    find_near_buildings,
)
from geoplan.routes.index import build_index
from geoplan.tables import CrossingKind
from tests.towns import layer_frame, random_town

NEAR = {
    "near_power_m": 3.0,
    "near_pool_m": 3.05,
    "near_tree_m": 0.6,
    "min_lot_overlap_m": 0.5,
}
EMPTY = (
    "parcels",
    "buildings",
    "roads",
    "power",
    "trees",
    "rail",
    "water",
    "sidewalks",
    "driveways",
    "pools",
    "existing_drops",
)


def _air(*segments: tuple[float, float, float, float], building: int = -1) -> AirSpans:
    rows = np.array(segments, dtype=np.float64).reshape(-1, 4)
    none, empty = np.full(len(rows), -1, dtype=np.int64), np.full(len(rows), np.nan)
    return AirSpans(
        np.zeros(len(rows), dtype=np.int64),
        none,
        none,
        empty,
        *rows.T,
        np.full(len(rows), building, dtype=np.int64),
        none,
        empty,
    )


def _find(air: AirSpans, **layers: tuple[list, dict]) -> Crossings:
    """Look for crossings with the given layers only, each as geometry and columns."""
    town = random_town(np.random.default_rng(0))
    given_layers = {
        name: layer_frame(name, shapes, **columns) for name, (shapes, columns) in layers.items()
    }
    nothing = {name: layer_frame(name, []) for name in EMPTY if name not in layers}
    addresses = layer_frame("addresses", [shapely.Point(0, 0)], ports_needed=[1])
    own = {
        name: [given_layers[layer].index[0]] if layer in given_layers else [None]
        for name, layer in (("parcel_id", "parcels"), ("building_id", "buildings"))
    }
    town = dataclasses.replace(town, **given_layers, **nothing, addresses=addresses.assign(**own))
    return find_crossings(air, build_index(town, near_power_m=3.0, near_tree_m=0.6), **NEAR)


def _kinds(found: Crossings) -> list[str]:
    return [KINDS[code].value for code in found.kind.tolist()]


ROAD = shapely.LineString([(-50, 10), (50, 10)])


def test_a_square_street_crossing_has_centre_edges_and_angle() -> None:
    found = _find(_air((0, 0, 0, 30)), roads=([ROAD], {"width_m": [8.0]}))
    assert _kinds(found) == ["road"]
    assert found.at_m[0] == pytest.approx(10.0)
    assert (found.start_m[0], found.end_m[0]) == pytest.approx((6.0, 14.0))
    assert found.angle_deg[0] == pytest.approx(90.0)
    assert not found.is_overhang[0]


def test_an_oblique_street_crossing_is_longer_over_the_road() -> None:
    found = _find(_air((0, 0, 40, 30)), roads=([ROAD], {"width_m": [8.0]}))  # 3-4-5
    assert found.angle_deg[0] == pytest.approx(np.degrees(np.arcsin(0.6)))
    assert found.at_m[0] == pytest.approx(10.0 / 0.6)
    assert found.end_m[0] - found.start_m[0] == pytest.approx(8.0 / 0.6)


def test_over_a_carriageway_without_its_centre_line_is_an_overhang() -> None:
    found = _find(_air((0, 0, 0, 8)), roads=([ROAD], {"width_m": [8.0]}))
    assert found.is_overhang.tolist() == [True]
    assert np.isnan(found.angle_deg[0])
    assert (found.start_m[0], found.at_m[0], found.end_m[0]) == pytest.approx((6.0, 7.0, 8.0))


def test_beside_a_carriageway_nothing_is_met() -> None:
    assert len(_find(_air((0, 0, 0, 5.9)), roads=([ROAD], {"width_m": [8.0]}))) == 0


def test_a_start_over_the_carriageway_begins_at_zero() -> None:
    found = _find(_air((0, 8, 0, 40)), roads=([ROAD], {"width_m": [8.0]}))
    assert found.start_m[0] == 0.0
    assert found.end_m[0] == pytest.approx(6.0)


def test_the_pieces_of_one_bent_road_make_one_crossing() -> None:
    bent = shapely.LineString([(-50, 10), (0, 10), (50, 12)])
    found = _find(_air((0, 0, 0, 30)), roads=([bent], {"width_m": [8.0]}))
    assert len(found) == 1
    assert found.at_m[0] == pytest.approx(10.0)


def test_where_a_bend_is_crossed_twice_within_the_carriageway_the_first_angle_counts() -> None:
    bend = shapely.LineString([(-5, 5), (3, 13), (-5, 13)])
    found = _find(_air((0, 0, 0, 30)), roads=([bend], {"width_m": [8.0]}))
    assert len(found) == 1
    assert found.at_m[0] == pytest.approx(10.0)
    assert found.angle_deg[0] == pytest.approx(45.0)


def test_a_road_that_comes_back_is_crossed_twice() -> None:
    loop = shapely.LineString([(-50, 10), (50, 10), (50, 40), (-50, 40)])
    found = _find(_air((0, 0, 0, 55)), roads=([loop], {"width_m": [8.0]}))
    assert found.at_m.tolist() == pytest.approx([10.0, 40.0])


def test_rail_is_met_over_its_whole_strip() -> None:
    found = _find(_air((0, 0, 0, 8)), rail=([ROAD], {"width_m": [6.0]}))
    assert _kinds(found) == ["rail"]
    assert (found.start_m[0], found.end_m[0]) == pytest.approx((7.0, 8.0))


@pytest.mark.parametrize(
    ("layer", "kind"),
    [
        ("water", CrossingKind.WATER),
        ("sidewalks", CrossingKind.SIDEWALK),
        ("driveways", CrossingKind.DRIVEWAY),
        ("pools", CrossingKind.POOL),
    ],
)
def test_an_area_is_met_from_edge_to_edge(layer: str, kind: CrossingKind) -> None:
    found = _find(_air((0, 0, 0, 30)), **{layer: ([shapely.box(-5, 10, 5, 16)], {})})
    assert _kinds(found) == [kind.value]
    assert (found.start_m[0], found.at_m[0], found.end_m[0]) == pytest.approx((10.0, 13.0, 16.0))
    assert found.distance_m[0] == 0.0


def test_an_area_with_two_arms_is_met_twice() -> None:
    fork = shapely.Polygon([(-5, 5), (5, 5), (5, 8), (-3, 8), (-3, 12), (5, 12), (5, 15), (-5, 15)])
    found = _find(_air((0, 0, 0, 30)), water=([fork], {}))
    assert found.start_m.tolist() == pytest.approx([5.0, 12.0])
    assert found.end_m.tolist() == pytest.approx([8.0, 15.0])


def test_an_area_that_is_only_touched_is_not_met() -> None:
    assert len(_find(_air((0, 0, 0, 10)), water=([shapely.box(-5, 10, 5, 16)], {}))) == 0
    corner = shapely.Polygon([(0, 12), (5, 10), (5, 16)])
    assert len(_find(_air((0, 0, 0, 30)), water=([corner], {}))) == 0


def test_ones_own_roof_is_not_crossed_and_the_neighbours_is() -> None:
    houses = [shapely.box(-5, 20, 5, 30), shapely.box(-5, 8, 5, 14)]
    found = _find(_air((0, 0, 0, 20), building=0), buildings=(houses, {}))
    assert _kinds(found) == ["roof"]
    assert found.feature.tolist() == [1]
    assert (found.start_m[0], found.end_m[0]) == pytest.approx((8.0, 14.0))


@pytest.mark.parametrize(("corner", "count"), [(0.49, 0), (0.51, 1)])
def test_a_short_passage_over_a_lot_is_ignored(corner: float, count: int) -> None:
    lots = [shapely.box(-20, 20, 20, 60), shapely.box(-10, 10, 10, 10 + corner)]
    found = _find(_air((0, 0, 0, 30)), parcels=(lots, {}))
    assert found.feature.tolist() == [1] * count


@pytest.mark.parametrize(("gap", "near"), [(0.01, True), (3.04, True), (3.06, False)])
def test_a_pool_is_near_within_its_limit(gap: float, near: bool) -> None:
    found = _find(_air((0, 0, 0, 30)), pools=([shapely.box(gap, 10, 9, 16)], {}))
    assert found.is_near_miss.tolist() == [True] * near
    if near:
        assert found.distance_m[0] == pytest.approx(gap)
        assert 10.0 - 1e-9 <= found.at_m[0] <= 16.0 + 1e-9


def test_power_crossed_has_place_and_angle_and_no_near_miss_besides() -> None:
    line = shapely.LineString([(-50, 10), (50, 10)])
    found = _find(_air((0, 0, 0, 30)), power=([line], {}))
    assert _kinds(found) == ["power"]
    assert not found.is_near_miss[0]
    assert found.at_m[0] == pytest.approx(10.0)
    assert found.angle_deg[0] == pytest.approx(90.0)


@pytest.mark.parametrize(("gap", "count"), [(2.99, 1), (3.01, 0)])
def test_power_is_near_within_its_limit(gap: float, count: int) -> None:
    line = shapely.LineString([(-50, 30 + gap), (50, 30 + gap)])
    found = _find(_air((0, 0, 0, 30)), power=([line], {}))
    assert found.is_near_miss.tolist() == [True] * count
    if count:
        assert found.distance_m[0] == pytest.approx(gap)
        assert found.at_m[0] == pytest.approx(30.0)


def _find_from(is_clamp: bool, **layers: tuple[list, dict]) -> Crossings:
    """Look from the origin to the north, from a pole or from a clamp on a strand to the east."""
    poles = layer_frame("poles", [shapely.Point(-20, 0), shapely.Point(20, 0)])
    town = random_town(np.random.default_rng(0))
    own = {"parcel_id": [None], "building_id": [None]}
    addresses = layer_frame("addresses", [shapely.Point(0, 0)], ports_needed=[1]).assign(**own)
    frames = {name: layer_frame(name, []) for name in EMPTY if name not in layers}
    frames |= {name: layer_frame(name, shapes, **more) for name, (shapes, more) in layers.items()}
    town = dataclasses.replace(town, **frames, addresses=addresses, poles=poles)
    index = build_index(town, near_power_m=3.0, near_tree_m=0.6)
    index = dataclasses.replace(index, span_ends=np.array([[0, 1]]))
    air = _air((0, 0, 0, 30))
    if is_clamp:
        air = dataclasses.replace(air, span=np.array([0]), clamp_from_m=np.array([20.0]))
    return find_crossings(air, index, **NEAR)


ACROSS = shapely.LineString([(-20, -10), (20, 12)])
"""Crosses the air span 1 m from its start and passes within a metre of it."""


@pytest.mark.parametrize(("is_clamp", "count"), [(True, 1), (False, 0)])
def test_power_across_is_met_beside_a_clamp_and_left_to_heights_beside_a_pole(
    is_clamp: bool, count: int
) -> None:
    found = _find_from(is_clamp, power=([ACROSS], {}))
    assert found.is_near_miss.tolist() == [False] * count
    assert found.at_m.tolist() == pytest.approx([1.0] * count)


@pytest.mark.parametrize("north", [0.5, 0.0, -0.5])
def test_power_along_the_strand_over_a_clamp_is_left_to_heights(north: float) -> None:
    line = shapely.LineString([(-20, 0), (20, 2 * north)])
    assert len(_find_from(True, power=([line], {}))) == 0


def test_power_beside_a_clamp_is_near_with_its_least_distance() -> None:
    line = shapely.LineString([(1.5, 0.5), (8.0, 30.0)])
    found = _find_from(True, power=([line], {}))
    assert found.is_near_miss.tolist() == [True]
    assert found.distance_m[0] == pytest.approx(1.5)
    assert found.at_m[0] == pytest.approx(0.5)


def test_power_from_the_source_pole_is_told_with_its_least_distance_beyond_it() -> None:
    line = shapely.LineString([(0.0, 0.0), (2.0, 20.0)])
    found = _find_from(False, power=([line], {}))
    assert found.is_near_miss.tolist() == [True]
    assert found.at_m[0] == pytest.approx(AT_POLE_M)
    assert found.distance_m[0] == pytest.approx(AT_POLE_M * np.sin(np.arctan2(2.0, 20.0)), rel=0.02)


@pytest.mark.parametrize(
    ("aside", "met"), [(0.0, "through"), (2.99, "through"), (3.01, "near"), (3.61, None)]
)
def test_a_crown_is_met_within_its_radius_and_near_within_the_swing(
    aside: float, met: str | None
) -> None:
    tree = {"crown_radius_m": [3.0]}
    found = _find(_air((0, 0, 0, 30)), trees=([shapely.Point(aside, 12)], tree))
    assert found.is_near_miss.tolist() == ([] if met is None else [met == "near"])
    if met is not None:
        assert found.at_m[0] == pytest.approx(12.0)
        half = np.sqrt(max(9.0 - aside**2, 0.0))
        assert found.end_m[0] - found.start_m[0] == pytest.approx(2 * half)
        assert found.distance_m[0] == pytest.approx(max(aside - 3.0, 0.0))


def test_a_crown_over_the_start_is_met_from_zero() -> None:
    found = _find(_air((0, 0, 0, 30)), trees=([shapely.Point(0, 1)], {"crown_radius_m": [3.0]}))
    assert (found.start_m[0], found.end_m[0]) == pytest.approx((0.0, 4.0))


@pytest.mark.parametrize(("y", "count"), [(0.4, 0), (0.6, 1), (29.4, 1), (29.6, 0)])
def test_an_existing_drop_is_not_crossed_at_either_end(y: float, count: int) -> None:
    drop = shapely.LineString([(-10, y), (10, y)])
    found = _find(_air((0, 0, 0, 30)), existing_drops=([drop], {}))
    assert len(found) == count


def test_no_air_spans_meet_nothing() -> None:
    assert len(_find(AirSpans.empty(), roads=([ROAD], {"width_m": [8.0]}))) == 0


def test_each_kind_has_one_code() -> None:
    assert [KINDS[code] for code in KIND_CODE.values()] == list(CrossingKind)


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_rows_are_sorted_lie_on_their_air_span_and_do_not_depend_on_company(seed: int) -> None:
    rng = np.random.default_rng(seed)
    index = build_index(random_town(rng), near_power_m=3.0, near_tree_m=0.6)
    start, turn = rng.uniform(0, 200, (20, 2)), rng.uniform(0, 2 * np.pi, 20)
    length = rng.uniform(1, 60, 20)
    end = start + np.column_stack([np.cos(turn), np.sin(turn)]) * length[:, None]
    air = _air(*np.hstack([start, end]).tolist())
    found = find_crossings(air, index, **NEAR)
    keys = list(zip(found.air, found.kind, found.start_m, found.feature, strict=True))
    assert keys == sorted(keys)
    reach = air.length_m[found.air] + 1e-9
    assert (found.start_m >= -1e-9).all()
    assert (found.start_m <= found.at_m + 1e-9).all()
    assert (found.at_m <= found.end_m + 1e-9).all()
    assert (found.end_m <= reach).all()
    assert (found.distance_m >= 0).all()
    alone = find_crossings(air.take(np.array([7])), index, **NEAR)
    mine = found.take(found.air == 7)
    for field in dataclasses.fields(Crossings)[1:]:
        np.testing.assert_array_equal(getattr(alone, field.name), getattr(mine, field.name))


def test_moving_renumbers_air_spans_only() -> None:
    found = _find(_air((0, 0, 0, 30)), roads=([ROAD], {"width_m": [8.0]}))
    moved = found.moved(40)
    assert moved.air.tolist() == [40]
    assert moved.at_m.tolist() == found.at_m.tolist()
    joined = Crossings.joined([found, moved])
    assert joined.air.tolist() == [0, 40]


BLOCK = shapely.box(2.0, 10.0, 12.0, 20.0)


def _near(air: AirSpans, *blocks: shapely.Polygon, near_m: float = 0.9) -> Crossings:
    """Look for buildings beside air spans that cross nothing else."""
    town = random_town(np.random.default_rng(0))
    nothing = {name: layer_frame(name, []) for name in EMPTY if name != "buildings"}
    addresses = layer_frame("addresses", [shapely.Point(0, 0)], ports_needed=[1])
    buildings = layer_frame("buildings", list(blocks))
    addresses = addresses.assign(parcel_id=[None], building_id=[buildings.index[0]])
    town = dataclasses.replace(town, **nothing, addresses=addresses, buildings=buildings)
    index = build_index(town, near_power_m=3.0, near_tree_m=0.6)
    return find_near_buildings(air, find_crossings(air, index, **NEAR), index, near_m)


def test_a_building_passed_close_by_is_near_where_it_is_within_the_distance() -> None:
    found = _near(_air((1.5, 0, 1.5, 40)), BLOCK)
    assert _kinds(found) == ["roof"]
    assert found.is_near_miss.tolist() == [True]
    assert found.distance_m[0] == pytest.approx(0.5)
    beyond = np.sqrt(0.9**2 - 0.5**2)  # past its corners
    assert found.start_m[0] == pytest.approx(10.0 - beyond, abs=0.02)
    assert found.end_m[0] == pytest.approx(20.0 + beyond, abs=0.02)
    assert found.start_m[0] <= found.at_m[0] <= found.end_m[0]
    assert 10.0 - 1e-9 <= found.at_m[0] <= 20.0 + 1e-9


def test_a_building_touched_at_a_corner_is_near_at_no_distance() -> None:
    found = _near(_air((-8, 20, 12, 0)), BLOCK)
    assert found.distance_m == pytest.approx([0.0], abs=1e-12)
    assert found.at_m == pytest.approx([10 * np.sqrt(2)])


def test_a_building_grazed_along_its_wall_is_passed_over_not_near() -> None:
    air = _air((2.0, 0, 2.0, 40))
    assert _kinds(_find(air, buildings=([BLOCK], {}))) == ["roof"]
    assert len(_near(air, BLOCK)) == 0


def test_neither_a_far_building_nor_one_passed_over_nor_the_own_is_near() -> None:
    assert len(_near(_air((1.0, 0, 1.0, 40)), BLOCK)) == 0
    assert len(_near(_air((5.0, 0, 5.0, 40)), BLOCK)) == 0
    assert len(_near(_air((1.5, 0, 1.5, 40), building=0), BLOCK)) == 0
    assert len(_near(_air((1.0, 0, 1.0, 40)), BLOCK, near_m=1.1)) == 1


def test_near_buildings_come_by_air_span_and_building() -> None:
    other = shapely.box(-9.0, 10.0, 1.0, 20.0)
    found = _near(_air((1.5, 0, 1.5, 40), (1.7, 0, 1.7, 40), (30, 0, 30, 40)), BLOCK, other)
    assert found.air.tolist() == [0, 0, 1, 1]
    assert found.feature.tolist() == [0, 1, 0, 1]
    assert found.distance_m == pytest.approx([0.5, 0.5, 0.3, 0.7])
