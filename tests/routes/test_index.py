"""Layers made ready: row numbers, pieces, edges and boxes that miss nothing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.model import Layers
from geoplan.routes.index import PlantIndex, build_index, row_numbers
from tests.towns import layer_frame, random_town


def _index(layers: Layers) -> PlantIndex:
    return build_index(layers, near_power_m=3.0, near_tree_m=0.6)


TOWN = random_town(np.random.default_rng(5))


def test_ids_become_row_numbers_and_unknown_ones_minus_one() -> None:
    ids = pd.Series(["b", None, "zz", "a", "b"], dtype="str")
    assert row_numbers(ids, pd.Index(["a", "b", "c"], dtype="str")).tolist() == [1, -1, -1, 0, 1]
    assert row_numbers(ids[:0], pd.Index(["a"], dtype="str")).tolist() == []


def test_only_poles_with_ports_carry_terminals() -> None:
    assert _index(TOWN).terminal_pole.tolist() == [0, 3, 6, 9]


def test_lines_are_cut_into_pieces_that_know_their_feature() -> None:
    several = shapely.MultiLineString([[(0, 0), (10, 0), (10, 5)], [(50, 50), (60, 50)]])
    roads = layer_frame(
        "roads", [shapely.LineString([(1, 1), (2, 2)]), several], width_m=[6.0, 8.0]
    )
    pieces = _index(dataclasses.replace(TOWN, roads=roads)).roads
    assert pieces.feature.tolist() == [0, 1, 1, 1]
    assert pieces.half_width_m.tolist() == [3.0, 4.0, 4.0, 4.0]
    assert pieces.segment.tolist() == [
        [1, 1, 2, 2],
        [0, 0, 10, 0],
        [10, 0, 10, 5],
        [50, 50, 60, 50],
    ]


def test_edges_of_holes_and_parts_belong_to_their_polygon() -> None:
    ring = shapely.Polygon(
        shapely.box(0, 0, 10, 10).exterior, [shapely.box(4, 4, 6, 6).exterior.coords]
    )
    pair = shapely.MultiPolygon([shapely.box(20, 0, 21, 1), shapely.box(30, 0, 31, 1)])
    water = layer_frame("water", [ring, shapely.box(50, 50, 60, 60), pair])
    areas = _index(dataclasses.replace(TOWN, water=water)).water
    assert np.diff(areas.first).tolist() == [8, 4, 8]
    assert len(areas.edges) == 20
    for row, polygon in enumerate(areas.polygon):
        edges = areas.edges[areas.first[row] : areas.first[row + 1]]
        length = np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]).sum()
        assert length == pytest.approx(polygon.length)


def test_long_outlines_count_as_intricate() -> None:
    round_pond = shapely.Point(50, 50).buffer(20, quad_segs=16)
    ponds = layer_frame("water", [round_pond])
    boxes = layer_frame("water", [shapely.box(0, 0, 9, 9)])
    assert _index(dataclasses.replace(TOWN, water=ponds)).water.is_intricate
    assert not _index(dataclasses.replace(TOWN, water=boxes)).water.is_intricate


def test_empty_layers_make_empty_pieces_and_areas() -> None:
    names = ("roads", "rail", "power", "existing_drops", "water", "pools", "trees", "buildings")
    empty = {name: layer_frame(name, []) for name in names}
    addresses = TOWN.addresses.assign(building_id=None)
    index = _index(dataclasses.replace(TOWN, **empty, addresses=addresses))
    for pieces in (index.roads, index.rail, index.power, index.existing_drops):
        assert pieces.segment.shape == (0, 4)
        assert len(pieces.tree.query(shapely.box(0, 0, 200, 200))) == 0
    for areas in (index.water, index.pools, index.buildings):
        assert areas.first.tolist() == [0]
    assert len(index.tree_x) == 0


def test_an_address_is_attached_to_its_building_or_else_stands_for_itself() -> None:
    addresses = TOWN.addresses.copy()
    addresses["building_id"] = None
    addresses.loc[addresses.index[2], "building_id"] = TOWN.buildings.index[4]
    index = _index(dataclasses.replace(TOWN, addresses=addresses))
    targets = index.targets(np.array([2, 0, 2], dtype=np.int64))
    house = TOWN.buildings.geometry.iloc[4]
    assert targets[0].equals(house)
    assert targets[2].equals(house)
    assert targets[1].equals(TOWN.addresses.geometry.iloc[0])
    assert index.address_count == len(TOWN.addresses)


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_the_trees_miss_nothing_within_their_widths_and_margins(seed: int) -> None:
    rng = np.random.default_rng(seed)
    layers = random_town(rng)
    index = _index(layers)
    line = shapely.LineString(rng.uniform(0, 200, (2, 2)))
    found = set(index.roads.feature[index.roads.tree.query(line)].tolist())
    width = layers.roads["width_m"].to_numpy()
    near = layers.roads.distance(line).to_numpy() < width / 2
    assert set(np.flatnonzero(near).tolist()) <= found
    found = set(index.power.feature[index.power.tree.query(line)].tolist())
    assert set(np.flatnonzero(layers.power.distance(line).to_numpy() < 3.0).tolist()) <= found
    found = set(index.crown_tree.query(line).tolist())
    radius = layers.trees["crown_radius_m"].to_numpy() + 0.6
    assert set(np.flatnonzero(layers.trees.distance(line).to_numpy() < radius).tolist()) <= found


def test_power_is_found_by_its_margin_and_a_road_by_its_width_alone() -> None:
    line = shapely.LineString([(0, 50), (100, 50)])
    layers = dataclasses.replace(
        TOWN,
        power=layer_frame("power", [line]),
        roads=layer_frame("roads", [line], width_m=[8.0]),
    )
    index = _index(layers)
    for gap, power, road in ((2.9, 1, 1), (3.1, 0, 1), (3.9, 0, 1), (4.1, 0, 0)):
        beside = shapely.LineString([(10, 50 + gap), (90, 50 + gap)])
        assert len(index.power.tree.query(beside)) == power
        assert len(index.roads.tree.query(beside)) == road


def test_a_box_tree_finds_what_a_tree_of_whole_boxes_finds() -> None:
    index = _index(TOWN)
    low, high = (
        np.minimum(index.power.segment[:, :2], index.power.segment[:, 2:]) - 3.0,
        np.maximum(index.power.segment[:, :2], index.power.segment[:, 2:]) + 3.0,
    )
    boxes = shapely.STRtree(shapely.box(*low.T, *high.T))
    asked = shapely.box(*(np.arange(0.0, 200.0, 7.0) + shift for shift in (0, 0, 9, 4)))
    found, expected = index.power.tree.query(asked), boxes.query(asked)
    assert expected.size > 0
    assert sorted(zip(*found, strict=True)) == sorted(zip(*expected, strict=True))


def test_without_its_search_an_index_still_tells_places_and_outlines() -> None:
    index = _index(TOWN)
    bare = index.without_search()
    every = np.arange(index.address_count)
    assert shapely.equals_exact(bare.targets(every), index.targets(every)).all()
    assert (bare.span_ends == index.span_ends).all()
    assert len(index.parcels.edges) > 0
    assert len(index.walls.face) > 0
    for areas in (bare.parcels, bare.buildings, bare.driveways):
        assert len(areas.edges) == len(areas.tree) == 0
    assert len(bare.walls.face) == len(bare.crown_tree) == len(bare.pole_tree) == 0
