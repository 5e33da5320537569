"""Planned drops worked out in full, in any groups."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.finishing import NOT_BY_CLAMP, Finished, by_strand_span, finish_offers
from geoplan.offers import Offers
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.working import sorted_by_address
from tests.plants import all_offers, cheapest_offers, lot_town, plant_of, strand_town

STRICT = Project(layers={})
seeds = st.integers(0, 100_000)


def planned(town, seed: int) -> tuple[Plant, Offers]:
    """Return a drop of each address, most from span clamps, several on the same span."""
    plant = plant_of(town(np.random.default_rng(seed)), STRICT)
    offers = all_offers(plant, STRICT, np.arange(plant.index.address_count))
    by_clamp = (offers.span >= 0) == (offers.address % 5 != 1)
    # what the search forbids is finished too, so that some fail
    plan_free = offers.forbidden & 31 == 0
    return plant, cheapest_offers(offers, np.flatnonzero(plan_free & by_clamp))


def columns(table: object, skip: tuple[str, ...] = ()) -> dict[str, np.ndarray]:
    return {
        field.name: getattr(table, field.name)
        for field in dataclasses.fields(table)  # type: ignore[arg-type]
        if field.name not in skip
    }


def check_same(one: Finished, other: Finished) -> None:
    """Check that two tables of drops are the same to the last bit."""
    pairs = [
        (columns(one.offers), columns(other.offers)),
        (columns(one.air), columns(other.air)),
        (columns(one.crossings), columns(other.crossings)),
        (columns(one.hung), columns(other.hung)),
        (columns(one.ends), columns(other.ends)),
        (columns(one.final, ("clamps",)), columns(other.final, ("clamps",))),
        (
            columns(one.final.clamps, NOT_BY_CLAMP) | {"row": one.final.clamps.row},
            columns(other.final.clamps, NOT_BY_CLAMP) | {"row": other.final.clamps.row},
        ),
    ]
    for mine, theirs in pairs:
        for name, values in mine.items():
            np.testing.assert_array_equal(values, theirs[name], err_msg=name)


@pytest.mark.parametrize("town", [lot_town, strand_town])
@given(seeds, st.sampled_from([1, 3, 5]))
@settings(max_examples=2, deadline=None)
def test_groups_joined_in_any_order_are_the_same_as_one_call(town, seed: int, most: int) -> None:
    plant, offers = planned(town, seed)
    whole = finish_offers(offers, plant, STRICT)
    groups = by_strand_span(offers.span, most)
    order = np.random.default_rng(seed).permutation(len(groups)).tolist()
    parts = [finish_offers(offers.take(groups[number]), plant, STRICT) for number in order]
    check_same(sorted_by_address(parts), whole)
    assert parts == [], "they are let go as they are joined"


@given(seeds)
@settings(max_examples=2, deadline=None)
def test_drops_taken_in_any_order_and_put_back_are_the_same(seed: int) -> None:
    plant, offers = planned(lot_town, seed)
    whole = finish_offers(offers, plant, STRICT)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(whole))
    back = np.argsort(order)
    check_same(whole.take(order).take(back), whole)
    cut = int(rng.integers(0, len(whole) + 1))
    parts = [whole.take(order[:cut]), whole.take(order[cut:])]
    check_same(Finished.gathered([*parts], np.arange(len(whole))), whole.take(order))
    some = back[: len(whole) // 2]
    check_same(Finished.gathered([*parts], some), whole.take(np.arange(len(some))))
    np.testing.assert_array_equal(Finished.gathered(parts, back).fails(STRICT), whole.fails(STRICT))


def test_the_drops_of_those_towns_share_spans_cross_things_and_some_fail() -> None:
    plant, offers = planned(lot_town, 3)
    whole = finish_offers(offers, plant, STRICT)
    span = offers.span[offers.span >= 0]
    assert len(np.unique(span)) < len(span)
    assert len(whole.final.clamps.row) == len(span)
    assert len(whole.crossings) > 5
    assert (whole.final.margin_crossing >= 0).any()
    assert 0 < whole.fails(STRICT).sum() < len(whole)


def test_a_crossing_that_governs_belongs_to_its_drop_after_taking_some() -> None:
    plant, offers = planned(lot_town, 3)
    whole = finish_offers(offers, plant, STRICT)
    some = whole.take(np.flatnonzero(np.arange(len(whole)) % 3 != 0)[::-1])
    governed = np.flatnonzero(some.final.margin_crossing >= 0)
    assert len(governed) > 0
    row = some.final.margin_crossing[governed]
    np.testing.assert_array_equal(some.crossings.air[row], governed)
    np.testing.assert_array_equal(some.final.crossing_margin_m[row], some.final.margin_m[governed])
    assert len(some.final.crossing_margin_m) == len(some.crossings)


def test_nobodys_drops_are_finished_without_complaint() -> None:
    plant, _ = planned(lot_town, 3)
    nothing = finish_offers(Offers.empty(), plant, STRICT)
    assert len(nothing) == 0
    assert len(Finished.gathered([nothing, nothing], np.zeros(0, dtype=np.int64))) == 0


@given(st.lists(st.integers(-1, 8), max_size=60), st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_groups_hold_every_drop_once_and_never_part_a_strand_span(
    spans: list[int], most: int
) -> None:
    span = np.array(spans, dtype=np.int64)
    groups = by_strand_span(span, most)
    together = np.concatenate([np.zeros(0, dtype=np.int64), *groups])
    assert sorted(together.tolist()) == list(range(len(span)))
    seen: set[int] = set()
    for group in groups:
        assert (np.diff(group) > 0).all()
        own = set(span[group].tolist()) - {-1}
        assert not own & seen
        seen |= own
        largest = max(np.bincount(span[group][span[group] >= 0]).tolist(), default=0)
        assert len(group) <= most + max(largest, 1)
