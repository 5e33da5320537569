"""Work in groups of any size and order: the same results."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoplan.lower_bounds import NEVER
from geoplan.offers import Offers
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.search import Aim
from geoplan.working import Here, joined_bounds, joined_offers, pair_bounds, search_offers
from tests.plants import lot_town, offer_rows, plant_of

STRICT = Project(layers={})
seeds = st.integers(0, 100_000)


def silent(done: int, total: int) -> None:
    del done, total


def place(seed: int) -> tuple[Plant, np.ndarray]:
    plant = plant_of(lot_town(np.random.default_rng(seed)), STRICT)
    return plant, np.arange(plant.index.address_count, dtype=np.int64)


def check_equal(one: object, other: object) -> None:
    for field in dataclasses.fields(one):  # type: ignore[arg-type]
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name))


@given(seeds, st.sampled_from([2, 7]))
@example(27, 2)  # some addresses have no route that is allowed, others have
@settings(max_examples=2, deadline=None)
def test_the_size_of_groups_has_no_say(seed: int, chunk: int) -> None:
    plant, rows = place(seed)
    one, many = Here(plant, STRICT), Here(plant, STRICT, chunk)
    aim = Aim.first(len(rows), 2)
    offers, reached = one.search(rows, aim, silent)
    again, far = many.search(rows, aim, silent)
    check_equal(again, offers)
    np.testing.assert_array_equal(far, reached)
    for mine, theirs in zip(many.bounds(rows), one.bounds(rows), strict=True):
        np.testing.assert_array_equal(mine, theirs)
    check_equal(many.explain(rows), one.explain(rows))
    allowed = offers.take(offers.forbidden == 0)
    best = allowed.take(np.unique(allowed.address, return_index=True)[1])
    shifted = one.shift(best)
    check_equal(many.shift(best), shifted)
    whole, parts = one.finish(shifted, silent), many.finish(shifted, silent)
    check_equal(parts.offers, whole.offers)
    for name in ("margin_m", "sag_m", "length_m", "tension_worst_n", "margin_crossing"):
        np.testing.assert_array_equal(getattr(parts.final, name), getattr(whole.final, name))


@given(seeds)
@settings(max_examples=2, deadline=None)
def test_the_order_of_addresses_has_no_say(seed: int) -> None:
    plant, rows = place(seed)
    mixed = np.random.default_rng(seed).permutation(rows)
    aim = Aim.first(len(rows), 3)
    offers, reached = search_offers(rows, aim, plant, STRICT)
    again, far = search_offers(mixed, aim, plant, STRICT)
    assert offer_rows(again) == offer_rows(offers)
    np.testing.assert_array_equal(far, reached[mixed])
    parts = [pair_bounds(mixed[:5], plant, STRICT), pair_bounds(mixed[5:], plant, STRICT)]
    for mine, theirs in zip(joined_bounds(parts), pair_bounds(rows, plant, STRICT), strict=True):
        np.testing.assert_array_equal(mine, theirs)


def test_steps_are_told_in_order_up_to_all() -> None:
    plant, rows = place(1)
    told: list[tuple[int, int]] = []
    Here(plant, STRICT, 5).search(rows, Aim.first(len(rows)), lambda *step: told.append(step))
    assert told == [(5, 16), (10, 16), (15, 16), (16, 16)]


def test_an_error_in_one_group_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    plant, rows = place(1)

    def fails(*_: object) -> None:
        message = "a group failed"
        raise ArithmeticError(message)

    monkeypatch.setattr("geoplan.working.search_routes", fails)
    with pytest.raises(ArithmeticError, match="a group failed"):
        Here(plant, STRICT, 5).search(rows, Aim.first(len(rows)), silent)


def test_nobody_is_worked_on_without_complaint() -> None:
    plant, rows = place(1)
    here, none = Here(plant, STRICT), rows[:0]
    offers, reached = here.search(none, Aim.first(0), silent)
    assert len(offers) == len(reached) == 0
    assert [len(column) for column in here.bounds(none)] == [0, 0, 0]
    assert len(here.explain(none)) == len(here.shift(Offers.empty())) == 0
    assert len(here.finish(Offers.empty(), silent)) == 0
    assert len(joined_offers([])) == 0


def test_explanations_tell_of_every_reason_of_those_without_a_route() -> None:
    plant, rows = place(1)
    told = Here(plant, STRICT).explain(rows)
    assert set(told.address.tolist()) == set(rows.tolist())
    assert (told.forbidden != 0).any()
    _, reached = Here(plant, STRICT).search(rows, Aim.first(len(rows), 10**6), silent)
    assert (reached == NEVER).all()
