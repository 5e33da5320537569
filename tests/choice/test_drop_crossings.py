"""Crossings of planned drops, and what undoing them must keep."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.choice.drop_crossings import (
    END_M,
    Options,
    find_drop_crossings,
    reduce_drop_crossings,
)

ACROSS = (0.0, 0.0, 20.0, 0.0)
UPRIGHT = (5.0, -10.0, 5.0, 20.0)


def _segments(*rows: tuple[float, ...]) -> np.ndarray:
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def _pairs(first: np.ndarray, second: np.ndarray, *, same: bool) -> list[tuple[int, int]]:
    i, j, _, _ = find_drop_crossings(first, second, same=same)
    return list(zip(i.tolist(), j.tolist(), strict=True))


def test_a_crossing_is_found_with_its_distance_along_each() -> None:
    both = _segments(ACROSS, UPRIGHT)
    i, j, at_i, at_j = find_drop_crossings(both, both, same=True)
    assert (i.tolist(), j.tolist()) == ([0], [1])
    assert at_i[0] == pytest.approx(5.0)
    assert at_j[0] == pytest.approx(10.0)


def test_between_two_tables_distances_belong_to_their_own_table() -> None:
    i, j, at_i, at_j = find_drop_crossings(
        _segments((50.0, 50.0, 60.0, 60.0), UPRIGHT), _segments(ACROSS), same=False
    )
    assert (i.tolist(), j.tolist()) == ([1], [0])
    assert at_i[0] == pytest.approx(10.0)
    assert at_j[0] == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("other", "crosses"),
    [
        ((0.0, 0.0, 10.0, 20.0), False),  # same pole
        ((20.0, 0.0, 10.0, 20.0), False),  # same house
        ((END_M - 0.01, -5.0, END_M - 0.01, 5.0), False),
        ((END_M + 0.01, -5.0, END_M + 0.01, 5.0), True),
        ((20.0 - END_M + 0.01, -5.0, 20.0 - END_M + 0.01, 5.0), False),
        ((10.0, -END_M + 0.01, 10.0, 5.0), False),  # the other's own end
        ((10.0, -END_M - 0.01, 10.0, 5.0), True),
        ((10.0, 5.0, 10.0, -END_M - 0.01), True),
        ((10.0, 5.0, 10.0, -END_M + 0.01), False),
        ((0.0, 1.0, 20.0, 1.0), False),  # side by side
    ],
)
def test_ends_do_not_count_as_crossings(other: tuple, crosses: bool) -> None:
    both = _segments(ACROSS, other)
    assert bool(_pairs(both, both, same=True)) == crosses
    assert bool(_pairs(both[:1], both[1:], same=False)) == crosses


def test_no_drops_have_no_crossings() -> None:
    none = _segments()
    assert _pairs(none, none, same=True) == []
    assert _pairs(_segments(ACROSS), none, same=False) == []


@given(st.integers(0, 100_000))
@settings(max_examples=40, deadline=None)
def test_crossings_equal_those_that_shapely_finds_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = rng.uniform(0, 40, (15, 4)), rng.uniform(0, 40, (12, 4))
    expected = set()
    for i, one in enumerate(shapely.linestrings(first.reshape(-1, 2, 2))):
        for j, two in enumerate(shapely.linestrings(second.reshape(-1, 2, 2))):
            point = one.intersection(two)
            ends = [shapely.Point(end) for line in (one, two) for end in line.coords]
            if not point.is_empty and min(point.distance(end) for end in ends) > END_M:
                expected.add((i, j))
    assert set(_pairs(first, second, same=False)) == expected
    assert _pairs(first, first, same=True) == sorted(
        (i, j) for i, j in _pairs(first, first, same=False) if i < j
    )


def _reduce(
    extra: int,
    *,
    to: int = 0,
    spare: tuple[int, int] = (0, 0),
    needed: int = 1,
    crossing_cents: int = 3_000,
    most_extra_cents: int = 3_000,
    segment: tuple[float, ...] = (5.0, -10.0, 5.0, -1.0),
) -> list[int]:
    """Two drops cross; address 1 has another way, which by default crosses nothing."""
    return reduce_drop_crossings(
        np.array([10, 11]),
        np.array([0, 0]),
        np.array([9_000, 9_000]),
        _segments(ACROSS, UPRIGHT),
        np.array([1, needed]),
        np.array(spare),
        Options(
            np.array([77]),
            np.array([1]),
            np.array([to]),
            np.array([9_000 + extra]),
            _segments(segment),
        ),
        crossing_cents=crossing_cents,
        most_extra_cents=most_extra_cents,
    ).tolist()


KEPT, MOVED = [10, 11], [10, 77]


def test_a_crossing_is_undone_where_that_costs_less_than_the_crossing() -> None:
    assert _reduce(2_999) == MOVED
    assert _reduce(3_000) == KEPT
    assert _reduce(3_001) == KEPT


def test_a_crossing_is_undone_only_within_what_the_user_allows() -> None:
    assert _reduce(500, most_extra_cents=500) == MOVED
    assert _reduce(501, most_extra_cents=500) == KEPT


def test_moving_to_another_terminal_needs_ports_there() -> None:
    assert _reduce(0, to=1) == KEPT
    assert _reduce(0, to=1, spare=(0, 1)) == MOVED
    assert _reduce(0, to=1, spare=(0, 1), needed=2) == KEPT
    assert _reduce(0, to=1, spare=(0, 2), needed=2) == MOVED


def test_a_port_that_a_move_sets_free_can_be_taken_by_another() -> None:
    # 0 crosses 1 and leaves terminal 0; 2 crosses 3, and its other way needs that port
    route = reduce_drop_crossings(
        np.arange(4),
        np.array([0, 2, 2, 2]),
        np.zeros(4, dtype=np.int64),
        _segments(ACROSS, UPRIGHT, (100.0, 0.0, 120.0, 0.0), (105.0, -10.0, 105.0, 20.0)),
        np.ones(4, dtype=np.int64),
        np.array([0, 1, 0]),
        Options(
            np.array([70, 72]),
            np.array([0, 2]),
            np.array([1, 0]),
            np.array([10, 20]),
            _segments((0.0, -50.0, 20.0, -50.0), (100.0, -50.0, 120.0, -50.0)),
        ),
        crossing_cents=100,
        most_extra_cents=100,
    )
    assert route.tolist() == [70, 1, 72, 3]


def test_a_way_that_crosses_as_much_is_no_gain() -> None:
    assert _reduce(0, segment=(6.0, -10.0, 6.0, 20.0)) == KEPT


def test_what_was_given_is_not_changed() -> None:
    route, spare = np.array([10, 11]), np.array([0])
    reduce_drop_crossings(
        route,
        np.array([0, 0]),
        np.array([9_000, 9_000]),
        _segments(ACROSS, UPRIGHT),
        np.array([1, 1]),
        spare,
        Options(
            np.array([77]),
            np.array([1]),
            np.array([0]),
            np.array([9_000]),
            _segments((5.0, -10.0, 5.0, -1.0)),
        ),
        crossing_cents=3_000,
        most_extra_cents=3_000,
    )
    assert route.tolist() == [10, 11]
    assert spare.tolist() == [0]


def test_two_drops_that_move_at_once_do_not_end_up_crossing_each_other() -> None:
    # 0 crosses 2 and 1 crosses 3; the new way of 0 and that of 1 meet nothing that hangs now,
    # but would cross each other: moving both would save one crossing for the price of two
    now = _segments(
        (0.0, 0.0, 10.0, 0.0),
        (0.0, 40.0, 10.0, 40.0),
        (5.0, -5.0, 5.0, 5.0),
        (5.0, 35.0, 5.0, 45.0),
    )
    instead = _segments((0.0, 10.0, 10.0, 30.0), (0.0, 30.0, 10.0, 10.0))
    price = np.array([100, 100, 100, 100])
    route = reduce_drop_crossings(
        np.arange(4),
        np.zeros(4, dtype=np.int64),
        price,
        now,
        np.ones(4, dtype=np.int64),
        np.zeros(1, dtype=np.int64),
        Options(
            np.array([10, 11]),
            np.array([0, 1]),
            np.array([0, 0]),
            np.array([190, 190]),
            instead,
        ),
        crossing_cents=100,
        most_extra_cents=100,
    )
    assert route.tolist() == [10, 1, 2, 3]


@st.composite
def _scenes(draw: st.DrawFn) -> tuple:
    rng = np.random.default_rng(draw(st.integers(0, 1_000_000)))
    addresses, terminals = int(rng.integers(2, 14)), int(rng.integers(1, 4))
    count = addresses * int(rng.integers(1, 9))
    pole = rng.uniform(0, 30, (terminals, 2))

    def ways(terminal: np.ndarray) -> np.ndarray:
        return np.concatenate([pole[terminal], rng.uniform(0, 60, (len(terminal), 2))], axis=1)

    terminal = rng.integers(0, terminals, addresses)
    segment = ways(terminal)
    unserved = rng.random(addresses) < 0.15
    route = np.where(unserved, -1, np.arange(addresses))
    segment[unserved] = np.nan
    address = np.sort(rng.choice(np.flatnonzero(~unserved), count)) if (~unserved).any() else []
    address = np.array(address, dtype=np.int64)
    to = rng.integers(0, terminals, len(address))
    options = Options(
        np.arange(len(address)) + 1000, address, to, rng.integers(0, 400, len(address)), ways(to)
    )
    return (
        route,
        np.where(unserved, 0, terminal),
        np.where(unserved, 0, rng.integers(0, 400, addresses)),
        segment,
        rng.integers(1, 3, addresses),
        rng.integers(0, 4, terminals),
        options,
        int(rng.integers(0, 300)),
        int(rng.integers(0, 300)),
    )


def _outcome(scene: tuple, after: np.ndarray) -> tuple[int, int, np.ndarray]:
    """Return price, crossings and load by terminal of a choice."""
    _, terminal, cents, segment, needed, spare, options, _, _ = scene
    served = np.flatnonzero(after >= 0)
    moved = served[after[served] >= 1000]
    row = after[moved] - 1000
    assert (options.address[row] == moved).all()
    terminal, cents, segment = terminal.copy(), cents.copy(), segment.copy()
    terminal[moved], cents[moved] = options.terminal[row], options.cents[row]
    segment[moved] = options.segment[row]
    load = np.zeros(len(spare), dtype=np.int64)
    np.add.at(load, terminal[served], needed[served])
    crossings = len(_pairs(segment[served], segment[served], same=True))
    return int(cents[served].sum()), crossings, load


@given(_scenes())
@settings(max_examples=150, deadline=None)
def test_undoing_keeps_service_and_ports_and_never_costs_more_than_it_saves(scene: tuple) -> None:
    route, terminal, cents, segment, needed, spare, options, crossing_cents, most = scene
    after = reduce_drop_crossings(
        route,
        terminal,
        cents,
        segment,
        needed,
        spare,
        options,
        crossing_cents=crossing_cents,
        most_extra_cents=most,
    )
    assert ((after >= 0) == (route >= 0)).all()
    price, crossings, load = _outcome(scene, route)
    price_after, crossings_after, load_after = _outcome(scene, after)
    assert (load_after <= load + spare).all()
    assert crossings_after <= crossings
    assert price_after + crossings_after * crossing_cents <= price + crossings * crossing_cents
    assert price_after - price <= most * (crossings - crossings_after)
