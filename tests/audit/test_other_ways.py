"""Routes without a crossing, against everything that could be built, found the long way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.audit.other_ways import ACROSS_CENTS, OtherWays, find_other_ways
from geoplan.model import Layers, Plan
from geoplan.offers import Offers
from geoplan.plan import make_plan, terminal_ports
from geoplan.project import Costs, Project
from geoplan.routes.index import row_numbers
from tests.audit.streets import TALL_HOUSES, street_town
from tests.plants import PROJECT, all_offers, lot_town, plant_of, roomy, standards_for, strand_town

STRICT = Project(layers={})
RESERVE = roomy(choice={"use_reserve": True}, costs={"reserve_port": 30.0})
OVER_WATER = roomy(forbidden={"water": False, "rail": False}, costs={"water_crossing": 1.0})
PROJECTS = {
    "roomy": PROJECT,
    "strict": STRICT,
    "reserve": RESERVE,
    "over_water": OVER_WATER,
    "tall": TALL_HOUSES,
}
TOWNS = {"lots": lot_town, "strand": strand_town, "street": street_town}
seeds = st.integers(0, 100_000)


def town_of(town: str, seed: int, *, ports: int, reserved: int = 0) -> Layers:
    """Lay out a town whose terminals have few ports."""
    layers = TOWNS[town](np.random.default_rng(seed))
    poles = layers.poles.copy()
    has = poles["ports_total"] > 0
    poles["ports_total"] = np.where(has, ports, 0)
    poles["ports_reserved"] = np.where(has, reserved, 0)
    return dataclasses.replace(layers, poles=poles)


def planned(layers: Layers, project: Project) -> tuple[Plan, OtherWays, np.ndarray]:
    """Plan a town, and look for other ways of all that have a drop."""
    plan = make_plan(layers, project, standards=standards_for(project))
    rows = np.sort(row_numbers(plan.drops["address_id"], layers.addresses.index))
    return plan, find_other_ways(plan, rows, standards_for(project)), rows


def long_way(plan: Plan, project: Project, rows: np.ndarray) -> Offers:
    """Return every route of some addresses that crosses nothing and that nothing forbids."""
    forbidden = project.forbidden.model_copy(update={"rail": True, "water": True})
    strict = project.model_copy(update={"forbidden": forbidden})
    offers = all_offers(plant_of(plan.layers, strict), strict, rows)
    return offers.take((offers.forbidden == 0) & ~offers.over_street)


def port_price(plan: Plan, project: Project, address: int, terminal: int) -> float:
    """Price the reserved ports of the whole plan after a move, less before; inf: no room."""
    layers = plan.layers
    ports = terminal_ports(layers, project)
    load = dict.fromkeys(range(len(layers.poles)), 0)
    needed = layers.addresses["ports_needed"].tolist()
    taken = {}
    for name, at in zip(plan.drops["address_id"], plan.drops["terminal_id"], strict=True):
        row = layers.addresses.index.get_loc(name)
        taken[row] = layers.poles.index.get_loc(at)
        load[taken[row]] += needed[row]

    def reserved() -> int:
        return sum(max(load[pole] - int(ports.free[pole]), 0) for pole in load)

    before = reserved()
    load[taken[address]] -= needed[address]
    load[terminal] += needed[address]
    if load[terminal] > ports.free[terminal] + ports.reserve[terminal]:
        return np.inf
    return (reserved() - before) * ports.reserve_cents


CASES = [
    ("lots", "roomy"),
    ("lots", "strict"),
    ("strand", "reserve"),
    ("strand", "over_water"),
    ("street", "tall"),
    ("street", "reserve"),
]


@pytest.mark.parametrize(("town", "name"), CASES)
@given(seed=seeds, ports=st.integers(1, 4))
@settings(max_examples=2, deadline=None)
def test_the_best_other_way_is_the_cheapest_of_all_without_a_crossing(
    town: str, name: str, seed: int, ports: int
) -> None:
    project = PROJECTS[name]
    reserved = 1 if name == "reserve" else 0
    plan, ways, rows = planned(town_of(town, seed, ports=ports, reserved=reserved), project)
    every = long_way(plan, project, rows)
    best = dict(zip(ways.best.address.tolist(), ways.best_cents.tolist(), strict=True))
    full = dict(zip(ways.full.address.tolist(), ways.full.cents.tolist(), strict=True))
    none = set(ways.none.tolist())
    assert set(best) | set(full) | none == set(rows.tolist())
    assert len(best) + len(full) + len(none) == len(rows)
    for address in rows.tolist():
        mine = every.take(every.address == address)
        prices = [
            cents + port_price(plan, project, address, terminal)
            for terminal, cents in zip(mine.terminal.tolist(), mine.cents.tolist(), strict=True)
        ]
        least = min(prices, default=np.inf)
        if np.isfinite(least):
            assert best[address] == least
        elif prices:
            assert full[address] == int(mine.cents.min())
        else:
            assert address in none


def test_towns_hold_addresses_of_all_three_kinds() -> None:
    best = full = none = 0
    for town, ports, project in (("lots", 2, PROJECT), ("street", 3, TALL_HOUSES)):
        for seed in range(2):
            _, ways, _ = planned(town_of(town, seed, ports=ports), project)
            best, full, none = best + len(ways.best), full + len(ways.full), none + len(ways.none)
    assert min(best, full, none) >= 3


def test_what_is_found_beyond_the_first_look_is_the_same_however_far_that_was(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    layers = town_of("strand", 3, ports=2)
    _, usual, _ = planned(layers, PROJECT)
    monkeypatch.setattr("geoplan.audit.other_ways.AHEAD_CENTS", -100_000)
    _, late, _ = planned(layers, PROJECT)
    assert usual.best_cents.tolist() == late.best_cents.tolist()
    assert usual.best.terminal.tolist() == late.best.terminal.tolist()
    assert usual.full.cents.tolist() == late.full.cents.tolist()
    assert usual.none.tolist() == late.none.tolist()


def test_a_thousand_things_met_at_the_highest_price_cost_less_than_crossing_stands_for() -> None:
    limits = Costs.model_fields["rail_crossing"].metadata
    (highest,) = [limit.le for limit in limits if hasattr(limit, "le")]
    assert 1_000 * 100 * highest < ACROSS_CENTS


def test_nobody_asked_for_gives_nothing() -> None:
    layers = town_of("lots", 1, ports=2)
    plan = make_plan(layers, PROJECT, standards=standards_for(PROJECT))
    ways = find_other_ways(plan, np.zeros(0, dtype=np.int64), standards_for(PROJECT))
    assert len(ways.best) == len(ways.full) == len(ways.none) == 0
