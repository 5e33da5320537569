"""Offers: the same route again, to the last bit; what is kept of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import AirSources
from geoplan.offers import (
    CLEARANCE_ONLY,
    Offers,
    air_of,
    best_offers,
    offers_of,
    order_offers,
    routes_of,
    same_offers,
    worth_keeping,
    worth_telling,
)
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.search import Aim, search_routes
from tests.plants import all_offers, lot_town, offer_rows, plant_of, roomy, strand_town

STRICT = Project(layers={})
FREE_WIRE = roomy(
    costs=dict.fromkeys(("air_span_per_m", "strand_run_per_m", "span_clamp", "pole_passed"), 0.0)
)
"""Many routes cost the same."""
in_towns = pytest.mark.parametrize("town", [lot_town, strand_town])
seeds = st.integers(0, 100_000)


def offered(town, seed: int, project: Project) -> tuple[Plant, Offers]:
    plant = plant_of(town(np.random.default_rng(seed)), project)
    return plant, all_offers(plant, project, np.arange(plant.index.address_count))


def shuffled(offers: Offers, seed: int) -> Offers:
    return offers.take(np.random.default_rng(seed).permutation(len(offers)))


def check_equal(one: object, other: object) -> None:
    for field in dataclasses.fields(one):  # type: ignore[arg-type]
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name))


@in_towns
@given(seeds)
@settings(max_examples=4, deadline=None)
def test_air_spans_and_routes_made_of_offers_are_those_searched_to_the_last_bit(
    town, seed: int
) -> None:
    plant = plant_of(town(np.random.default_rng(seed)), STRICT)
    rows = np.arange(plant.index.address_count)
    found = search_routes(plant, STRICT, rows, Aim.everything(len(rows))).found
    offers = offers_of(found, plant)
    air = air_of(offers, AirSources(plant, STRICT))
    searched = found.air.take(found.routes.air)
    for name in AirSpans.__annotations__:
        np.testing.assert_array_equal(getattr(air, name), getattr(searched, name), err_msg=name)
    check_equal(routes_of(offers, plant, found.routes.air), found.routes)


def test_a_route_over_a_run_that_does_not_exist_is_a_defect() -> None:
    plant, offers = offered(lot_town, 1, STRICT)
    wrong = dataclasses.replace(offers, passed=offers.passed + 7)
    with pytest.raises(LookupError, match="run along the strand is not known"):
        routes_of(wrong, plant, np.arange(len(wrong)))


@in_towns
@pytest.mark.parametrize("project", [STRICT, FREE_WIRE])
@given(seeds)
@settings(max_examples=3, deadline=None)
def test_the_best_offer_of_a_pair_is_the_first_in_order_whatever_the_order_of_rows(
    town, project: Project, seed: int
) -> None:
    _, offers = offered(town, seed, project)
    mixed = shuffled(offers, seed)
    free = np.flatnonzero(mixed.forbidden == 0)
    best = mixed.take(best_offers(mixed, free))
    check_equal(best, offers.take(best_offers(offers, np.flatnonzero(offers.forbidden == 0))))
    ordered = mixed.take(free[order_offers(mixed.take(free))])
    _, first = np.unique(np.stack([ordered.address, ordered.terminal]), axis=1, return_index=True)
    check_equal(best, ordered.take(first))
    assert (np.diff(ordered.cents) >= 0).all()


@in_towns
@pytest.mark.parametrize("project", [STRICT, FREE_WIRE])
@given(seeds)
@settings(max_examples=3, deadline=None)
def test_kept_is_the_cheapest_of_each_way_and_of_those_that_clearance_alone_forbids(
    town, project: Project, seed: int
) -> None:
    _, offers = offered(town, seed, project)
    kept = worth_keeping(shuffled(offers, seed))
    check_equal(kept, worth_keeping(offers))
    assert (np.diff(kept.address) >= 0).all()
    ways: dict[tuple[int, ...], int] = {}
    missed: dict[int, int] = {}
    key = ("address", "terminal", "pole", "passed", "span")
    columns = [getattr(offers, name).tolist() for name in (*key, "cents", "forbidden")]
    for *way, cents, forbidden in zip(*columns, strict=True):
        if forbidden == 0:
            ways[tuple(way)] = min(cents, ways.get(tuple(way), cents))
    for number in range(len(offers)):
        who, cents = int(offers.address[number]), int(offers.cents[number])
        only = offers.forbidden[number] != 0 and offers.forbidden[number] & ~CLEARANCE_ONLY == 0
        known = np.isfinite(offers.miss_m[number])
        if only and known:
            missed[who] = min(cents, missed.get(who, cents))
    free = kept.take(kept.forbidden == 0)
    found = zip(*(getattr(free, name).tolist() for name in (*key, "cents")), strict=True)
    assert {tuple(way): cents for *way, cents in found} == ways
    assert len(free) == len(ways)
    barred = kept.take(kept.forbidden != 0)
    assert dict(zip(barred.address.tolist(), barred.cents.tolist(), strict=True)) == missed
    assert len(barred) == len(missed)


@in_towns
@given(seeds)
@settings(max_examples=4, deadline=None)
def test_told_are_all_reasons_and_the_least_miss(town, seed: int) -> None:
    _, offers = offered(town, seed, STRICT)
    told = worth_telling(shuffled(offers, seed))
    assert offer_rows(told) == offer_rows(worth_telling(offers))
    assert len(told) < len(offers)

    def sets(table: Offers) -> set[tuple[int, int]]:
        return set(zip(table.address.tolist(), table.forbidden.tolist(), strict=True))

    def least_miss(table: Offers) -> dict[int, float]:
        only = (table.forbidden != 0) & (table.forbidden & ~CLEARANCE_ONLY == 0)
        only &= np.isfinite(table.miss_m)
        least: dict[int, float] = {}
        for who, miss in zip(
            table.address[only].tolist(), table.miss_m[only].tolist(), strict=True
        ):
            least[who] = min(round(miss, 6), least.get(who, np.inf))
        return least

    assert sets(told) == sets(offers)
    assert least_miss(told) == least_miss(offers)


def test_offers_are_the_same_only_by_the_same_run_clamp_and_attachment() -> None:
    _, offers = offered(lot_town, 2, STRICT)
    every = np.arange(len(offers))
    assert same_offers(offers, offers, every).all()
    assert not same_offers(offers, offers, np.roll(every, 1)).any()
    for name in ("terminal", "pole", "passed", "ex", "ey"):
        other = dataclasses.replace(offers, **{name: getattr(offers, name) + 1})
        assert not same_offers(offers, other, every).any()
    moved = dataclasses.replace(offers, clamp_from_m=offers.clamp_from_m + 0.1)
    np.testing.assert_array_equal(same_offers(offers, moved, every), offers.span < 0)
    dearer = dataclasses.replace(offers, cents=offers.cents + 1)
    assert same_offers(offers, dearer, every).all()
    assert not same_offers(offers, Offers.empty(), every).any()


def test_tables_without_rows_stay_so() -> None:
    plant, _ = offered(lot_town, 2, STRICT)
    nothing = Offers.empty()
    for table in (worth_keeping(nothing), worth_telling(nothing), Offers.joined([nothing] * 2)):
        assert len(table) == 0
    none = np.zeros(0, dtype=np.int64)
    assert len(best_offers(nothing, none)) == len(order_offers(nothing)) == 0
    assert len(air_of(nothing, AirSources(plant, STRICT))) == 0
    assert len(routes_of(nothing, plant, none)) == 0
