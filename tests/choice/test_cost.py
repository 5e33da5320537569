"""Prices and verdicts of air spans and routes, each worked out by hand from the default prices."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.choice.cost import (
    AirPrice,
    cents,
    price_air_spans,
    price_features,
    route_cents,
)
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import KIND_CODE, KINDS, Crossings
from geoplan.tables import CrossingKind
from geoplan.verdicts import REASON_WORDS, Forbidden

PROJECT = Project(layers={})
OPEN = Project(
    layers={}, forbidden={"rail": False, "water": False, "road_classes": (), "pool": False}
)
ROADS = pd.Series(["residential", "highway", "arterial", "towpath"], dtype="str")
POWER = pd.Series(["supply_line", "supply_drop", "neutral", "overhead_tram"], dtype="str")
RESIDENTIAL, HIGHWAY, ARTERIAL, TOWPATH = range(4)


def _air(count: int = 1, *, span: int = -1, wall_angle_deg: float = 90.0) -> AirSpans:
    real, whole = np.zeros(count), np.full(count, -1, dtype=np.int64)
    return AirSpans(
        np.arange(count, dtype=np.int64),
        whole,
        np.full(count, span, dtype=np.int64),
        real,
        real,
        real,
        real + 30.0,
        real,
        whole,
        whole,
        np.full(count, wall_angle_deg),
    )


def _met(
    kind: CrossingKind,
    feature: int = 0,
    *,
    air: int = 0,
    near: bool = False,
    over: bool = False,
    start_m: float = 8.0,
    angle_deg: float = np.nan,
) -> tuple:
    return (air, KIND_CODE[kind], feature, near, over, start_m, start_m, start_m, 0.0, angle_deg)


def _table(rows: list[tuple]) -> Crossings:
    columns = list(zip(*rows, strict=True)) if rows else [()] * 10
    whole, flag, real = np.int64, np.bool_, np.float64
    kinds = (whole, whole, whole, flag, flag, real, real, real, real, real)
    return Crossings(
        *(np.array(column, dtype=kind) for column, kind in zip(columns, kinds, strict=True))
    )


def _price(rows: list[tuple], project: Project = PROJECT, air: AirSpans | None = None) -> AirPrice:
    return price_air_spans(
        _air() if air is None else air,
        _table(rows),
        price_features(ROADS, POWER, project),
        project,
    )


def _one(rows: list[tuple], project: Project = PROJECT, air: AirSpans | None = None) -> tuple:
    price = _price(rows, project, air)
    return int(price.cents[0]), Forbidden(int(price.forbidden[0]))


def test_an_air_span_that_meets_nothing_adds_nothing() -> None:
    assert _one([]) == (0, Forbidden.NOTHING)


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        (_met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=90.0), 8_000),
        (_met(CrossingKind.ROAD, ARTERIAL, angle_deg=90.0), 40_000),
        (_met(CrossingKind.ROAD, TOWPATH, angle_deg=90.0), 16_000),
        (_met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=60.0), 8_000),
        (_met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=59.9), 8_000 + 4_000),
        (_met(CrossingKind.ROAD, ARTERIAL, over=True), 6_000),
        (_met(CrossingKind.RAIL, angle_deg=20.0), 300_000),
        (_met(CrossingKind.WATER), 80_000),
        (_met(CrossingKind.POOL), 50_000),
        (_met(CrossingKind.POOL, near=True), 5_000),
        (_met(CrossingKind.LOT), 15_000),
        (_met(CrossingKind.ROOF), 12_000),
        (_met(CrossingKind.DRIVEWAY), 800),
        (_met(CrossingKind.SIDEWALK), 0),
        (_met(CrossingKind.EXISTING_DROP, angle_deg=10.0), 3_000),
        (_met(CrossingKind.TREE), 9_000),
        (_met(CrossingKind.TREE, near=True), 1_500),
        (_met(CrossingKind.POWER, 0, angle_deg=90.0), 25_000),
        (_met(CrossingKind.POWER, 1, angle_deg=90.0), 6_000),
        (_met(CrossingKind.POWER, 2, angle_deg=90.0), 12_000),
        (_met(CrossingKind.POWER, 1, near=True), 4_000),
    ],
)
def test_each_meeting_has_its_price(row: tuple, expected: int) -> None:
    assert _one([row], OPEN) == (expected, Forbidden.NOTHING)


def test_every_kind_that_an_air_span_can_meet_has_a_price() -> None:
    priced = {name: 1.0 for name in PROJECT.costs.model_dump() if name != "reserve_port"}
    ones = Project(
        layers={},
        costs={
            **priced,
            "street_crossing": {"residential": 1.0},
            "power_crossing": {"supply_line": 1.0},
        },
    )
    for kind in KINDS:
        if kind is not CrossingKind.PLANNED_DROP:  # not known before the choice
            assert _one([_met(kind, angle_deg=90.0)], ones)[0] == 100, kind


def test_power_of_unknown_kind_costs_as_much_as_the_dearest() -> None:
    assert _one([_met(CrossingKind.POWER, 3, angle_deg=90.0)])[0] == 25_000


def test_power_is_free_where_no_kind_has_a_price() -> None:
    free = Project(layers={}, costs={"power_crossing": {}})
    assert _one([_met(CrossingKind.POWER, 0, angle_deg=90.0)], free)[0] == 0


@pytest.mark.parametrize(
    ("row", "bit"),
    [
        (_met(CrossingKind.RAIL, angle_deg=90.0), Forbidden.RAIL),
        (_met(CrossingKind.WATER), Forbidden.WATER),
        (_met(CrossingKind.POOL), Forbidden.POOL),
        (_met(CrossingKind.ROAD, HIGHWAY, angle_deg=90.0), Forbidden.ROAD_CLASS),
        (_met(CrossingKind.ROAD, HIGHWAY, over=True), Forbidden.ROAD_CLASS),
    ],
)
def test_what_is_forbidden_is_so_by_setting_only(row: tuple, bit: Forbidden) -> None:
    assert _one([row])[1] == bit
    assert _one([row], OPEN)[1] == Forbidden.NOTHING


def test_each_setting_lifts_its_own_ban_alone() -> None:
    rows = [
        _met(CrossingKind.RAIL, angle_deg=90.0),
        _met(CrossingKind.WATER),
        _met(CrossingKind.POOL),
        _met(CrossingKind.ROAD, HIGHWAY, angle_deg=90.0),
    ]
    every = Forbidden.RAIL | Forbidden.WATER | Forbidden.POOL | Forbidden.ROAD_CLASS
    assert _one(rows)[1] == every
    for setting, bit in (
        ({"rail": False}, Forbidden.RAIL),
        ({"water": False}, Forbidden.WATER),
        ({"pool": False}, Forbidden.POOL),
        ({"road_classes": ()}, Forbidden.ROAD_CLASS),
    ):
        assert _one(rows, Project(layers={}, forbidden=setting))[1] == every & ~bit


def test_a_pool_nearly_met_is_not_forbidden() -> None:
    assert _one([_met(CrossingKind.POOL, near=True)]) == (5_000, Forbidden.NOTHING)


def test_a_clamp_over_a_carriageway_is_forbidden_and_a_pole_there_is_not() -> None:
    starts_over = [_met(CrossingKind.ROAD, RESIDENTIAL, over=True, start_m=0.0)]
    assert _one(starts_over, OPEN, _air(span=4))[1] == Forbidden.CLAMP_OVER_ROAD
    assert _one(starts_over, OPEN)[1] == Forbidden.NOTHING


def test_a_clamp_beside_a_carriageway_is_allowed() -> None:
    beside = [_met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=90.0, start_m=0.01)]
    assert _one(beside, OPEN, _air(span=4))[1] == Forbidden.NOTHING
    sidewalk = [_met(CrossingKind.SIDEWALK, start_m=0.0)]
    assert _one(sidewalk, OPEN, _air(span=4))[1] == Forbidden.NOTHING


@pytest.mark.parametrize(
    ("kind", "price"),
    [
        (CrossingKind.LOT, 15_000),
        (CrossingKind.ROOF, 12_000),
        (CrossingKind.DRIVEWAY, 800),
        (CrossingKind.WATER, 80_000),
        (CrossingKind.POOL, 50_000),
    ],
)
def test_a_feature_is_charged_once_however_often_it_is_passed(
    kind: CrossingKind, price: int
) -> None:
    assert _one([_met(kind, 2, start_m=3.0), _met(kind, 2, start_m=9.0)], OPEN)[0] == price
    assert _one([_met(kind, 2), _met(kind, 3)], OPEN)[0] == 2 * price


def test_a_road_is_charged_at_each_passage() -> None:
    there_and_back = [
        _met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=80.0, start_m=3.0),
        _met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=40.0, start_m=20.0),
    ]
    assert _one(there_and_back)[0] == 8_000 + 8_000 + 4_000


def test_a_pool_passed_over_is_not_charged_as_near_besides() -> None:
    rows = [_met(CrossingKind.POOL, near=True, start_m=1.0), _met(CrossingKind.POOL, start_m=5.0)]
    assert _one(rows, OPEN)[0] == 50_000


def test_the_same_row_number_in_two_layers_is_two_features() -> None:
    assert _one([_met(CrossingKind.ROOF, 1), _met(CrossingKind.LOT, 1)])[0] == 12_000 + 15_000


def test_a_feature_is_charged_to_each_air_span_that_meets_it() -> None:
    price = _price([_met(CrossingKind.ROOF, air=0), _met(CrossingKind.ROOF, air=2)], air=_air(3))
    assert price.cents.tolist() == [12_000, 0, 12_000]


@pytest.mark.parametrize(
    ("angle_deg", "expected"), [(29.9, 2_500), (30.0, 0), (90.0, 0), (np.nan, 0)]
)
def test_only_a_wall_angle_below_the_limit_is_charged(angle_deg: float, expected: int) -> None:
    assert _one([], air=_air(wall_angle_deg=angle_deg))[0] == expected


def test_the_price_is_the_sum_of_all_that_is_met() -> None:
    rows = [
        _met(CrossingKind.ROAD, RESIDENTIAL, angle_deg=45.0),
        _met(CrossingKind.POWER, 1, angle_deg=90.0),
        _met(CrossingKind.TREE, 7, near=True),
        _met(CrossingKind.LOT, 5),
    ]
    by_hand = 8_000 + 4_000 + 6_000 + 1_500 + 15_000 + 2_500
    assert _one(rows, air=_air(wall_angle_deg=10.0))[0] == by_hand


@st.composite
def _meetings(draw: st.DrawFn) -> list[tuple]:
    count = draw(st.integers(0, 14))
    rows = []
    for _ in range(count):
        kind = draw(st.sampled_from([kind for kind in KINDS if kind != CrossingKind.PLANNED_DROP]))
        near = kind in (CrossingKind.POOL, CrossingKind.POWER, CrossingKind.TREE) and draw(
            st.booleans()
        )
        over = kind is CrossingKind.ROAD and draw(st.booleans())
        rows.append(
            _met(
                kind,
                draw(st.integers(0, 3)),
                air=draw(st.integers(0, 3)),
                near=near,
                over=over,
                start_m=draw(st.sampled_from([0.0, 2.5, 7.25])),
                angle_deg=np.nan if over else draw(st.sampled_from([12.0, 59.0, 60.0, 90.0])),
            )
        )
    return rows


CENTS_AND_A_THIRD = Project(
    layers={},
    costs={"roof": 33.333, "third_party_lot": 0.1, "near_tree": 0.2, "tree": 0.7, "near_pool": 1e6},
)


@given(_meetings(), st.randoms(use_true_random=False))
@settings(max_examples=80, deadline=None)
def test_price_and_verdict_are_whole_and_independent_of_row_order(rows: list, random) -> None:
    shuffled = list(rows)
    random.shuffle(shuffled)
    first = _price(rows, CENTS_AND_A_THIRD, _air(4, span=1))
    second = _price(shuffled, CENTS_AND_A_THIRD, _air(4, span=1))
    assert first.cents.dtype == first.forbidden.dtype == np.int64
    assert first.cents.tolist() == second.cents.tolist()
    assert first.forbidden.tolist() == second.forbidden.tolist()


@given(_meetings())
@settings(max_examples=60, deadline=None)
def test_an_air_span_is_priced_the_same_in_company_and_alone(rows: list) -> None:
    together = _price(rows, PROJECT, _air(4))
    for air in range(4):
        own = [(0, *row[1:]) for row in rows if row[0] == air]
        assert _one(own) == (together.cents[air], Forbidden(int(together.forbidden[air])))


@given(_meetings(), _meetings())
@settings(max_examples=60, deadline=None)
def test_meeting_more_never_costs_less_nor_lifts_a_ban(rows: list, more: list) -> None:
    met = {(row[0], row[1], row[2]) for row in rows}
    fresh = [row for row in more if (row[0], row[1], row[2]) not in met]
    few, many = _price(rows, PROJECT, _air(4)), _price(rows + fresh, PROJECT, _air(4))
    assert (many.cents >= few.cents).all()
    assert (few.forbidden & ~many.forbidden == 0).all()


def test_every_ban_has_words() -> None:
    assert set(REASON_WORDS) == set(Forbidden) - {Forbidden.NOTHING}


@pytest.mark.parametrize(("amount", "expected"), [(0.125, 12), (0.375, 38), (19.999, 2000), (0, 0)])
def test_amounts_round_to_the_nearest_cent_and_halves_to_even(amount: float, expected: int) -> None:
    assert int(cents(amount)) == expected


def _routes(air_m: float, run_m: float, passed: int, *, clamp: bool) -> int:
    return int(
        route_cents(
            np.array([air_m]),
            np.array([run_m]),
            np.array([passed], dtype=np.int64),
            np.array([clamp]),
            PROJECT,
        )[0]
    )


@pytest.mark.parametrize(
    ("air_m", "run_m", "passed", "clamp", "expected"),
    [
        (20.0, 0.0, 0, False, 6_000 + 3_000),
        (20.0, 10.0, 0, True, 6_000 + 3_500 + 3_000 + 2_000),
        (20.0, 40.0, 1, False, 6_000 + 3_000 + 8_000 + 2_500),
        (20.0, 90.0, 2, True, 6_000 + 3_500 + 3_000 + 18_000 + 5_000),
    ],
)
def test_wire_and_hardware_of_each_kind_of_route_by_hand(
    air_m: float, run_m: float, passed: int, clamp: bool, expected: int
) -> None:
    assert _routes(air_m, run_m, passed, clamp=clamp) == expected


def test_wire_is_rounded_once_not_part_by_part() -> None:
    assert _routes(0.016, 0.012, 0, clamp=False) == 6_000 + 5  # 2.4 and 2.4 cents of wire
