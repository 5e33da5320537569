"""Clamps shifted to where they cost less."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import AirSources
from geoplan.offers import Offers
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.shifting import HALVINGS, shift_clamps
from tests.plants import (
    PROJECT,
    all_offers,
    bare_town,
    cheapest_offers,
    lot_town,
    plant_of,
    priced_again,
    roomy,
    strand_town,
)

STRICT = Project(layers={})
WIDE_GAPS = roomy(limits={"min_clamp_to_terminal": "2 m", "min_clamp_to_pole": "5 m"})
SAME = ("address", "terminal", "pole", "passed", "span", "building")
in_projects = pytest.mark.parametrize("project", [PROJECT, STRICT, WIDE_GAPS])
in_towns = pytest.mark.parametrize("town", [lot_town, strand_town])
seeds = st.integers(0, 100_000)


def chosen(town, seed: int, project: Project) -> tuple[Plant, Offers]:
    """Return the cheapest way by a clamp of each address; some by a pole instead."""
    plant = plant_of(town(np.random.default_rng(seed)), project)
    offers = all_offers(plant, project, np.arange(plant.index.address_count))
    by_clamp = (offers.span >= 0) == (offers.address % 4 != 1)
    return plant, cheapest_offers(offers, np.flatnonzero((offers.forbidden == 0) & by_clamp))


@in_projects
@in_towns
@given(seeds)
@settings(max_examples=2, deadline=None)
def test_a_shifted_clamp_is_never_dearer_and_keeps_its_way_and_the_limits(
    town, project: Project, seed: int
) -> None:
    plant, offers = chosen(town, seed, project)
    shifted = shift_clamps(offers, plant, project)
    for name in SAME:
        np.testing.assert_array_equal(getattr(shifted, name), getattr(offers, name))
    assert (shifted.cents <= offers.cents).all()
    assert (shifted.forbidden == 0).all()
    moved = shifted.clamp_from_m - offers.clamp_from_m
    is_clamp = offers.span >= 0
    assert np.isnan(moved[~is_clamp]).all()
    assert (np.abs(moved[is_clamp]) < project.limits.clamp_step).all()
    low, high = AirSources(plant, project).clamp_limits(shifted.span[is_clamp])
    at = shifted.clamp_from_m[is_clamp]
    assert ((at >= low - 1e-9) & (at <= high + 1e-9)).all()
    again = priced_again(shifted, plant, project)
    np.testing.assert_array_equal(again.cents, shifted.cents)
    np.testing.assert_array_equal(again.forbidden, shifted.forbidden)


def test_most_clamps_are_shifted_and_cost_less() -> None:
    plant, offers = chosen(lot_town, 3, PROJECT)
    shifted = shift_clamps(offers, plant, PROJECT)
    clamp = offers.span >= 0
    assert (shifted.cents[clamp] < offers.cents[clamp]).mean() > 0.4
    np.testing.assert_array_equal(shifted.cents[~clamp], offers.cents[~clamp])


@given(st.floats(12.0, 88.0), st.floats(20.0, 59.9), st.floats(100.0, 119.0), st.floats(0.3, 2.0))
@settings(max_examples=12, deadline=None)
def test_on_empty_ground_the_clamp_is_within_one_last_step_of_the_best_place(
    x: float, y: float, length: float, strand: float
) -> None:
    project = roomy(costs={"strand_run_per_m": strand}, limits={"max_strand_run": "120 m"})
    layers = bare_town([(0.0, 0.0), (length, 0.0)], addresses=[(x, y)], ends=[(0, 1)])
    plant, row = plant_of(layers, project), np.zeros(1, dtype=np.int64)
    offers = all_offers(plant, project, row)
    best = cheapest_offers(offers, np.flatnonzero(offers.span >= 0))
    price = int(shift_clamps(best, plant, project).cents[0])
    low, high = AirSources(plant, project).clamp_limits(row)
    place = np.linspace(low[0], high[0], 100_001)
    air = np.hypot(place - x, y)
    within = (air <= 60.0) & (air + place <= 150.0)
    exact = (95.0 + 1.5 * air + strand * place)[within].min() * 100
    last_step = project.limits.clamp_step / 2**HALVINGS
    assert exact - 1 <= price <= exact + (strand + 1.5) * last_step * 100 + 1


@given(seeds)
@settings(max_examples=1, deadline=None)
def test_a_clamps_place_does_not_depend_on_who_else_is_shifted(seed: int) -> None:
    plant, offers = chosen(lot_town, seed, STRICT)
    together = shift_clamps(offers, plant, STRICT)
    order = np.random.default_rng(seed).permutation(len(offers))
    alone = [shift_clamps(offers.take(order[n : n + 1]), plant, STRICT) for n in range(len(order))]
    joined = Offers.joined(alone)
    for name in Offers.__annotations__:
        np.testing.assert_array_equal(getattr(joined, name), getattr(together, name)[order])


def test_nothing_to_shift_stays_as_it_is() -> None:
    plant, offers = chosen(lot_town, 3, PROJECT)
    poles = offers.take(offers.span < 0)
    assert len(poles) > 0
    assert shift_clamps(poles, plant, PROJECT) is poles
    assert len(shift_clamps(Offers.empty(), plant, PROJECT)) == 0
