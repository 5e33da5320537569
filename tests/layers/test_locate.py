"""Tests of the lot and the building found for each address."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_series_equal
from shapely.geometry import Point, Polygon, box

from geoplan.layers.locate import find_around, locate_addresses

CRS = "EPSG:32615"
Box = tuple[float, float, float, float]


def make_layer(name: str, shapes: Mapping[str, Any]) -> gpd.GeoDataFrame:
    index = pd.Index(list(shapes), dtype="str", name=name)
    return gpd.GeoDataFrame(index=index, geometry=list(shapes.values()), crs=CRS)


def locate(
    addresses: Mapping[str, tuple[float, float]],
    parcels: Mapping[str, Box | Polygon],
    buildings: Mapping[str, Box | Polygon],
    max_m: float = 40.0,
) -> tuple[pd.Series, pd.Series]:
    def shape(given_as: Box | Polygon) -> Polygon:
        return given_as if isinstance(given_as, Polygon) else box(*given_as)

    return locate_addresses(
        make_layer("address_id", {key: Point(at) for key, at in addresses.items()}),
        make_layer("parcel_id", {key: shape(at) for key, at in parcels.items()}),
        make_layer("building_id", {key: shape(at) for key, at in buildings.items()}),
        max_building_distance_m=max_m,
    )


def locate_one(
    at: tuple[float, float],
    parcels: Mapping[str, Box | Polygon],
    buildings: Mapping[str, Box | Polygon],
    max_m: float = 40.0,
) -> tuple[str | None, str | None]:
    parcel, building = locate({"A": at}, parcels, buildings, max_m)
    return tuple(None if pd.isna(column["A"]) else column["A"] for column in (parcel, building))


LOT = {"L": (0.0, 0.0, 20.0, 40.0)}
HOUSE = (4.0, 20.0, 14.0, 30.0)
SHED = (16.0, 4.0, 19.0, 7.0)


def test_an_address_in_its_house_gets_lot_and_house() -> None:
    assert locate_one((6, 25), LOT, {"H": HOUSE}) == ("L", "H")


def test_an_address_in_the_yard_gets_the_house_of_its_lot() -> None:
    near_but_next_door = (20.5, 0.0, 30.0, 10.0)
    assert locate_one((19.9, 1), LOT, {"H": HOUSE, "N": near_but_next_door}) == ("L", "H")


def test_the_smallest_of_the_lots_around_it_wins_then_the_smaller_id() -> None:
    lots = {"A": (0.0, 0.0, 100.0, 100.0), "C": (0.0, 0.0, 20.0, 40.0), "B": (0.0, 0.0, 40.0, 20.0)}
    assert locate_one((5, 5), lots, {}) == ("B", None)


def test_an_address_on_the_line_between_two_lots_gets_one_of_them() -> None:
    lots = {"B": (0.0, 0.0, 20.0, 40.0), "A": (20.0, 0.0, 40.0, 40.0)}
    assert locate_one((20, 5), lots, {}) == ("A", None)


def test_the_house_is_taken_though_the_shed_is_nearer() -> None:
    assert locate_one((15, 5), LOT, {"H": HOUSE, "A": SHED}) == ("L", "H")


def test_a_shed_alone_is_taken() -> None:
    assert locate_one((15, 5), LOT, {"A": SHED}) == ("L", "A")


def test_a_shed_stays_when_the_house_is_beyond_the_limit() -> None:
    assert locate_one((15, 5), LOT, {"H": HOUSE, "A": SHED}, max_m=10.0) == ("L", "A")


def test_a_shed_stays_when_the_other_building_is_no_house() -> None:
    assert locate_one((15, 5), LOT, {"H": (4.0, 20.0, 10.0, 26.0), "A": SHED}) == ("L", "A")


def test_a_middling_building_is_not_passed_over() -> None:
    middling = (12.0, 4.0, 17.0, 9.0)
    assert locate_one((11, 5), LOT, {"H": HOUSE, "M": middling}) == ("L", "M")


def test_a_point_in_house_and_porch_gets_the_house() -> None:
    assert locate_one((5, 21), LOT, {"H": HOUSE, "A": (4.0, 20.0, 7.0, 23.0)}) == ("L", "H")


def test_a_building_beyond_the_limit_is_not_taken() -> None:
    assert locate_one((5, 9.5), LOT, {"H": HOUSE}, max_m=10.0) == ("L", None)
    assert locate_one((5, 10), LOT, {"H": HOUSE}, max_m=10.0) == ("L", "H")


def test_off_the_lots_only_a_building_within_fifteen_metres_is_taken() -> None:
    off_lot = {"H": (40.0, 0.0, 50.0, 10.0)}
    assert locate_one((25, 5), LOT, off_lot) == (None, "H")
    assert locate_one((24.9, 5), LOT, off_lot) == (None, None)
    assert locate_one((31, 5), LOT, off_lot, max_m=8.0) == (None, None)


def test_an_address_in_the_street_gets_the_lot_of_its_building() -> None:
    assert locate_one((-5, 25), LOT, {"H": (2.0, 20.0, 12.0, 30.0)}) == ("L", "H")


def test_a_building_on_two_overlapping_lots_counts_for_both() -> None:
    lots = {"BIG": (0.0, 0.0, 40.0, 40.0), "SMALL": (0.0, 15.0, 20.0, 40.0)}
    assert locate_one((30, 5), lots, {"H": HOUSE}) == ("BIG", "H")


def test_equal_distances_go_to_the_smaller_id() -> None:
    pair = {"B": (0.0, 0.0, 8.0, 8.0), "A": (12.0, 0.0, 20.0, 8.0)}
    assert locate_one((10, 4), LOT, pair) == ("L", "A")
    assert locate_one((10, 4), {}, pair) == (None, "A")


def test_columns_are_text_by_address_even_when_nothing_is_there() -> None:
    parcel, building = locate({"A": (0.0, 0.0), "B": (1.0, 1.0)}, {}, {})
    for column, name in ((parcel, "parcel_id"), (building, "building_id")):
        assert column.name == name
        assert column.dtype == "str"
        assert column.index.to_list() == ["A", "B"]
        assert column.isna().all()
    assert [len(column) for column in locate({}, LOT, {"H": HOUSE})] == [0, 0]


def test_a_negative_distance_is_refused() -> None:
    with pytest.raises(ValueError, match=r"max_building_distance_m is -1\.0, must be 0 or more"):
        locate({}, {}, {}, -1.0)
    with pytest.raises(ValueError, match="is nan, must be 0 or more"):
        locate({}, {}, {}, float("nan"))


# Against the rules spelled out one address at a time

step = st.integers(0, 14).map(lambda count: count * 4.0)
size = st.sampled_from([2.0, 4.0, 6.0, 8.0, 12.0, 24.0])
drawn_box = st.tuples(step, step, size, size).map(lambda b: (b[0], b[1], b[0] + b[2], b[1] + b[3]))
ids = st.sampled_from([f"{letter}{number}" for letter in "ABC" for number in (1, 2, 10)])
town = st.tuples(
    st.dictionaries(ids, st.tuples(step, step), min_size=1, max_size=6),
    st.dictionaries(ids, drawn_box, max_size=6),
    st.dictionaries(ids, drawn_box, max_size=8),
    st.sampled_from([0.0, 5.0, 10.0, 20.0, 40.0]),
)


def by_hand(
    at: tuple[float, float], parcels: Mapping[str, Box], buildings: Mapping[str, Box], max_m: float
) -> tuple[str | None, str | None]:
    point = Point(at)
    lots = {key: box(*parcels[key]) for key in parcels}
    houses = {key: box(*buildings[key]) for key in buildings}
    around = sorted((lots[key].area, key) for key in lots if lots[key].intersects(point))
    lot = around[0][1] if around else None
    holding = sorted(
        (houses[key].area < 25.0, houses[key].area, key)
        for key in houses
        if houses[key].intersects(point)
    )
    reach = max_m if lot else min(max_m, 15.0)
    near = sorted(
        (houses[key].distance(point), key)
        for key in houses
        if houses[key].distance(point) <= reach
        and (lot is None or lots[lot].intersects(houses[key].point_on_surface()))
    )
    house: str | None = None
    if holding:
        house = holding[0][2]
    elif near:
        house = near[0][1]
        big = [key for _, key in near if houses[key].area >= 40.0]
        if lot and houses[house].area < 25.0 and big:
            house = big[0]
    if lot is None and house is not None:
        inner = houses[house].point_on_surface()
        under = sorted((lots[key].area, key) for key in lots if lots[key].intersects(inner))
        lot = under[0][1] if under else None
    return lot, house


@settings(max_examples=150, deadline=None)
@given(town)
def test_the_search_agrees_with_the_rules_spelled_out(drawn: tuple[Any, ...]) -> None:
    addresses, parcels, buildings, max_m = drawn
    parcel, building = locate(addresses, parcels, buildings, max_m)
    for key, at in addresses.items():
        found = tuple(
            None if pd.isna(column[key]) else column[key] for column in (parcel, building)
        )
        assert found == by_hand(at, parcels, buildings, max_m)


@settings(max_examples=60, deadline=None)
@given(town, st.randoms())
def test_the_order_of_rows_has_no_effect(drawn: tuple[Any, ...], random: Any) -> None:
    *layers, max_m = drawn
    shuffled = []
    for layer in layers:
        keys = list(layer)
        random.shuffle(keys)
        shuffled.append({key: layer[key] for key in keys})
    for column, again in zip(locate(*layers, max_m), locate(*shuffled, max_m), strict=True):
        assert_series_equal(column, again.reindex(column.index))


def test_blocks_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    generator = np.random.default_rng(7)
    addresses = {f"A{k}": tuple(generator.uniform(0, 200, 2)) for k in range(60)}
    parcels = {f"L{k}": (20.0 * k, 0.0, 20.0 * k + 19.0, 150.0) for k in range(10)}
    buildings = {f"H{k}": (9.0 * k, 60.0, 9.0 * k + 7.0, 70.0) for k in range(20)}
    whole = locate(addresses, parcels, buildings)
    monkeypatch.setattr("geoplan.layers.locate.BLOCK", 7)
    for column, again in zip(whole, locate(addresses, parcels, buildings), strict=True):
        assert column.notna().any()
        assert_series_equal(column, again)


def test_pairs_of_points_and_polygons_are_those_of_the_predicate() -> None:
    rng = np.random.default_rng(4)
    points = shapely.points(rng.uniform(0, 10, (60, 2)))
    points[:3] = shapely.points([[1, 1], [2, 1], [2, 2]])  # corner, edge, shared corner
    x, y = rng.integers(0, 9, (2, 40)).astype(float)
    polygons = np.append(shapely.box(x, y, x + 1, y + 1), shapely.box(1, 1, 2, 2))
    wanted = np.argwhere(shapely.intersects(points[:, None], polygons)).T
    np.testing.assert_array_equal(find_around(points, polygons), wanted)
