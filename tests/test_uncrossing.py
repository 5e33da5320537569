"""Planned drops re-chosen so that fewer of them cross."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import AirSources
from geoplan.choice.drop_crossings import find_drop_crossings
from geoplan.choice.solve import Ports
from geoplan.choosing import Book, choose_offers
from geoplan.offers import air_of
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.uncrossing import Uncrossed, undo_crossings
from geoplan.working import Here
from tests.plants import all_offers, bare_town, lot_town, plant_of, roomy, route_rows

seeds = st.integers(0, 100_000)


def silent(stage: str, done: int, total: int) -> None:
    del stage, done, total


def undone(
    plant: Plant, project: Project, free: np.ndarray, reserve: np.ndarray | None = None
) -> tuple[Uncrossed, Book, Ports]:
    reserve = np.zeros_like(free) if reserve is None else reserve
    ports = Ports(free, reserve, 500)
    needed = plant.index.ports_needed
    book = Book(Here(plant, project), len(needed), 1, silent)
    _, row = choose_offers(book, needed, ports)
    chosen = book.offers.take(row[row >= 0])
    sources = AirSources(plant, project)
    return undo_crossings(chosen, book, sources, needed, ports, project), book, ports


def crossed(most: str, ports_each: int) -> Uncrossed:
    """Give each of two addresses the pole that the other is nearer to."""
    layers = bare_town(
        [(0.0, 0.0), (20.0, 0.0)],
        addresses=[(2.0, 20.0), (18.0, 20.0)],
        terminals=[0, 1],
    )
    project = roomy(choice={"max_extra_per_drop_crossing": float(most)})
    plant = plant_of(layers, project)
    needed, free = plant.index.ports_needed, np.full(2, ports_each)
    book = Book(Here(plant, project), 2, 1, silent)
    book.extend(np.array([0, 1]), np.full(2, 100_000))
    offers, ports = book.offers, Ports(free, np.zeros(2, dtype=np.int64), 0)
    other = offers.take(offers.terminal == 1 - offers.address)
    other = other.take(np.argsort(other.address))
    assert other.address.tolist() == [0, 1]
    return undo_crossings(other, book, AirSources(plant, project), needed, ports, project)


def test_drops_that_cross_are_re_chosen_where_ports_are_left() -> None:
    result = crossed("30", 2)
    assert (result.crossings_before, result.crossings_after) == (1, 0)
    assert result.changed >= 1
    assert result.cents == int(result.offers.cents.sum())


def test_without_a_port_left_they_stay() -> None:
    result = crossed("30", 1)
    assert (result.crossings_before, result.crossings_after, result.changed) == (1, 1, 0)


@pytest.mark.parametrize(("most", "left"), [(60.0, 1), (100.0, 0)])
def test_a_crossing_is_undone_only_by_a_drop_that_is_not_too_much_dearer(
    most: float, left: int
) -> None:
    """A tree stands before the near pole of address 0; the far one has a single port."""
    layers = bare_town(
        [(0.0, 0.0), (20.0, 0.0)],
        addresses=[(2.0, 20.0), (18.0, 20.0)],
        terminals=[0, 1],
        trees=[(1.0, 10.0)],
    )
    choice = {"max_extra_per_drop_crossing": most}
    project = roomy(choice=choice, costs={"drop_crossing": 200.0})
    result, _, _ = undone(plant_of(layers, project), project, np.array([2, 1]))
    assert (result.crossings_before, result.crossings_after) == (1, left)
    far, near = 60 + 1.5 * np.hypot(18, 20), 60 + 1.5 * np.hypot(2, 20) + 90
    extra = (near - far) * (1 - left)
    assert result.cents == pytest.approx(100 * (2 * far + extra), abs=2)


def test_nothing_is_changed_where_undoing_may_cost_nothing() -> None:
    """In a town, by what the optimum cost."""
    for seed in range(3):
        project = roomy(choice={"max_extra_per_drop_crossing": 0.0})
        plant = plant_of(lot_town(np.random.default_rng(seed)), project)
        free = np.zeros(plant.poles, dtype=np.int64)
        free[plant.index.terminal_pole] = 2
        result, book, ports = undone(plant, project, free)
        assignment, _ = choose_offers(book, plant.index.ports_needed, ports)
        assert result.cents <= assignment.cents


@pytest.mark.parametrize("most", [5.0, 300.0])
@given(seeds, st.integers(1, 3), st.booleans())
@settings(max_examples=3, deadline=None)
def test_undoing_crossings_keeps_service_ports_and_its_price(
    most: float, seed: int, ports_each: int, two_ports: bool
) -> None:
    project = roomy(choice={"max_extra_per_drop_crossing": most})
    rng = np.random.default_rng(seed)
    plant = plant_of(lot_town(rng, two_ports=two_ports), project)
    free = np.zeros(plant.poles, dtype=np.int64)
    free[plant.index.terminal_pole] = ports_each
    reserve = (free > 0) * rng.integers(0, 2, len(free))
    result, book, ports = undone(plant, project, free, reserve)
    needed = plant.index.ports_needed
    assignment, _ = choose_offers(book, needed, ports)
    offers = result.offers
    assert len(np.unique(offers.address)) == len(offers) == assignment.served
    assert (np.diff(offers.address) > 0).all()
    load = np.zeros_like(free)
    np.add.at(load, offers.terminal, needed[offers.address])
    assert (load <= free + reserve).all()
    over = int(np.maximum(load - free, 0).sum())
    assert result.cents == int(offers.cents.sum()) + over * ports.reserve_cents
    assert result.crossings_after <= result.crossings_before
    undone_count = result.crossings_before - result.crossings_after
    assert assignment.cents <= result.cents
    assert result.cents - assignment.cents <= undone_count * int(most * 100)
    segment = air_of(offers, AirSources(plant, project)).segment
    assert len(find_drop_crossings(segment, segment, same=True)[0]) == result.crossings_after
    long = all_offers(plant, project, np.arange(len(needed)))
    allowed = set(route_rows(long.take(long.forbidden == 0)))
    assert set(route_rows(offers)) <= allowed


def test_some_crossings_of_those_towns_are_undone() -> None:
    before = after = 0
    project = roomy(choice={"max_extra_per_drop_crossing": 300.0})
    for seed in range(5):
        plant = plant_of(lot_town(np.random.default_rng(seed)), project)
        free = np.zeros(plant.poles, dtype=np.int64)
        free[plant.index.terminal_pole] = 3
        result, _, _ = undone(plant, project, free)
        before, after = before + result.crossings_before, after + result.crossings_after
    assert after < before
