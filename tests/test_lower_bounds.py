"""Lower bounds against the price of every route that they speak for."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import AirSources
from geoplan.lower_bounds import NEVER, LowerBounds, lot_bound
from geoplan.offers import Offers, air_of
from geoplan.plant import Plant, cheapest_run
from geoplan.project import Project
from tests.plants import (
    HOUSE,
    PROJECT,
    all_offers,
    bare_town,
    lot_town,
    plant_of,
    roomy,
    strand_town,
)

PRICES: dict[str, dict[str, object]] = {
    "usual": {},
    "cheap_strand": {"strand_run_per_m": 0.4, "span_clamp": 5.0, "pole_passed": 0.0},
    "strand_a_little_cheaper": {"strand_run_per_m": 1.2, "span_clamp": 0.0},
    "free_strand": {"strand_run_per_m": 0.0, "span_clamp": 0.0, "pole_passed": 0.0},
    "free_air": {"air_span_per_m": 0.0},
    "broken_cents": {"direct": 60.001, "span_clamp": 35.004, "air_span_per_m": 1.4999},
    "low_fees": {"third_party_lot": 20.0, "street_crossing": {"residential": 3.0, "alley": 1.0}},
}
in_prices = pytest.mark.parametrize("prices", PRICES)
in_towns = pytest.mark.parametrize("town", [lot_town, strand_town])
seeds = st.integers(0, 100_000)


class Case:
    """A town, all that could be built in it, and its bounds."""

    def __init__(self, town, seed: int, prices: str, strict: bool = False) -> None:
        costs = PRICES[prices]
        self.project = Project(layers={}, costs=costs) if strict else roomy(costs=costs)
        self.plant: Plant = plant_of(town(np.random.default_rng(seed)), self.project)
        self.rows = np.arange(self.plant.index.address_count, dtype=np.int64)
        self.offers: Offers = all_offers(self.plant, self.project, self.rows)
        self.sources = AirSources(self.plant, self.project)
        self.bounds = LowerBounds(self.sources, self.rows)

    def least(self, *names: str) -> dict[tuple[int, ...], int]:
        """Return the least price by some columns of the offers."""
        least: dict[tuple[int, ...], int] = {}
        columns = [getattr(self.offers, name).tolist() for name in names]
        for *key, cents in zip(*columns, self.offers.cents.tolist(), strict=True):
            least[tuple(key)] = min(cents, least.get(tuple(key), cents))
        return least


def check_below(bounds: dict[tuple[int, ...], int], real: dict[tuple[int, ...], int]) -> None:
    """Check that every real price has a bound, not above it."""
    assert real.keys() <= bounds.keys()
    assert [key for key, cents in real.items() if bounds[key] > cents] == []


def by_key(*columns: np.ndarray) -> dict[tuple[int, ...], int]:
    *keys, cents = (column.tolist() for column in columns)
    return dict(zip(zip(*keys, strict=True), cents, strict=True))


@in_prices
@in_towns
@given(seeds, st.booleans())
@settings(max_examples=2, deadline=None)
def test_no_route_costs_less_than_a_bound_that_speaks_for_it(
    prices: str, town, seed: int, strict: bool
) -> None:
    case = Case(town, seed, prices, strict)
    offers, sources, bounds = case.offers, case.sources, case.bounds
    check_below(by_key(*bounds.by_pair(case.rows)), case.least("address", "terminal"))
    air = air_of(offers, sources)
    assert (bounds.of_air(air, to_any_wall=False) + lot_bound(air, sources) <= offers.cents).all()
    poles = sources.from_poles(*sources.poles_near(case.rows))
    any_wall = bounds.of_air(poles, to_any_wall=True)
    case.offers = offers.take(offers.span < 0)
    check_below(by_key(poles.address, poles.pole, any_wall), case.least("address", "pole"))
    case.offers = offers.take(offers.span >= 0)
    address, span = sources.spans_near(case.rows)
    check_below(
        by_key(address, span, bounds.of_spans(address, span)), case.least("address", "span")
    )


@given(st.floats(-20.0, 80.0), st.floats(3.0, 40.0), st.sampled_from([0.3, 1.2, 2.0]))
@settings(max_examples=15, deadline=None)
def test_on_empty_ground_the_bound_of_a_clamp_at_an_address_without_a_house_is_nearly_its_price(
    x: float, y: float, strand: float
) -> None:
    """A bound of nothing would never be wrong."""
    costs = {"strand_run_per_m": strand, "span_clamp": 0.0}
    limits = {"clamp_step": "0.25 m", "max_air_span": "100 m", "max_route": "300 m"}
    project = roomy(costs=costs, limits=limits)
    plant = plant_of(
        bare_town([(0.0, 0.0), (60.0, 0.0)], addresses=[(x, y)], ends=[(0, 1)]), project
    )
    row = np.zeros(1, dtype=np.int64)
    offers = all_offers(plant, project, row)
    bound = LowerBounds(AirSources(plant, project), row).of_spans(row, row)[0]
    assert bound <= offers.cents[offers.span >= 0].min() <= bound + 12


@given(
    st.floats(0.0, 60.0),
    st.floats(-12.0, 40.0),
    st.floats(2.0, 45.0),
    st.floats(2.0, 12.0),
    st.sampled_from([0.0, 0.3, 1.0, 1.4, 1.5, 2.0]),
    st.booleans(),
)
@settings(max_examples=20, deadline=None)
def test_a_clamps_bound_holds_for_long_houses_beside_and_under_the_strand(
    x: float, y: float, wide: float, deep: float, strand: float, from_far_end: bool
) -> None:
    x, y, wide, deep = np.round((x, y, wide, deep), 3).tolist()  # no plan tells less than a mm
    costs = {"strand_run_per_m": strand, "span_clamp": 0.0}
    project = roomy(costs=costs, limits={"clamp_step": "1 m"})
    layers = bare_town(
        [(0.0, 0.0), (60.0, 0.0)],
        houses=[shapely.box(x, y, x + wide, y + deep)],
        ends=[(0, 1)],
        terminals=[1 if from_far_end else 0],
    )
    plant, row = plant_of(layers, project), np.zeros(1, dtype=np.int64)
    offers = all_offers(plant, project, row)
    clamps = offers.cents[offers.span >= 0]
    if len(clamps):
        sources = AirSources(plant, project)
        address, span = sources.spans_near(row)
        assert LowerBounds(sources, row).of_spans(address, span)[0] <= clamps.min()


def test_a_long_house_beside_cheap_strand_is_bounded_by_where_the_strand_reaches_it() -> None:
    """The wire would leave the strand well within the circle around the house."""
    project = roomy(costs={"strand_run_per_m": 1.0})
    house = shapely.box(10.0, 6.0, 50.0, 14.0)
    plant = plant_of(bare_town([(0.0, 0.0), (60.0, 0.0)], houses=[house], ends=[(0, 1)]), project)
    row = np.zeros(1, dtype=np.int64)
    bound = LowerBounds(AirSources(plant, project), row).of_spans(row, row)[0]
    radius, centre = np.hypot(20.0, 4.0), np.array([30.0, 10.0])
    entry = centre[0] - np.sqrt(radius**2 - centre[1] ** 2)
    assert bound == int(6_000 + 3_500 + 100 * entry) - 1


def test_on_empty_ground_the_bound_of_an_air_span_is_its_price_but_for_a_cent() -> None:
    plant = plant_of(bare_town([(0.0, 0.0)], houses=[HOUSE]))
    sources, row = AirSources(plant, PROJECT), np.zeros(1, dtype=np.int64)
    bound = LowerBounds(sources, row).of_air(sources.from_poles(row, row), to_any_wall=True)
    assert bound.tolist() == [6_000 + 20 * 150 - 1]


def test_without_a_run_there_is_no_bound() -> None:
    plant = plant_of(bare_town([(0.0, 0.0), (9.0, 0.0)], houses=[HOUSE], terminals=[1]))
    sources, row = AirSources(plant, PROJECT), np.zeros(1, dtype=np.int64)
    bounds = LowerBounds(sources, row)
    assert bounds.of_air(sources.from_poles(row, row), to_any_wall=True).tolist() == [NEVER]
    assert [column.tolist() for column in bounds.by_pair(row)] == [
        [0],
        [1],
        bounds.by_pair(row)[2].tolist(),
    ]
    assert cheapest_run(plant, PROJECT).tolist() == [np.inf, 0.0]


@pytest.mark.parametrize(
    ("line", "cents"),
    [
        (((-100.0, 10.0), (100.0, 10.0)), 8_000),  # right across
        (((-100.0, 10.0), (0.0, 10.0)), 0),  # ends before some wall is cut off
        (((-100.0, -10.0), (100.0, -10.0)), 0),  # behind the pole
        (((-100.0, 25.0), (100.0, 25.0)), 0),  # through the house
    ],
)
def test_a_street_counts_only_where_no_wall_is_on_its_near_side(line, cents: int) -> None:
    layers = bare_town([(0.0, 0.0)], houses=[HOUSE], roads=[shapely.LineString(line)])
    plant, row = plant_of(layers), np.zeros(1, dtype=np.int64)
    sources = AirSources(plant, PROJECT)
    air = sources.from_poles(row, row)
    bound = LowerBounds(sources, row).of_air(air, to_any_wall=True)
    assert bound.tolist() == [6_000 + 20 * 150 - 1 + cents]


def test_the_neighbours_lot_right_outside_ones_own_counts() -> None:
    """And a street outside does not, nor a pole on ones own lot."""
    counted = {"lot": 0, "none": 0}
    for seed in range(6):
        case = Case(lot_town, seed, "usual")
        air = air_of(case.offers, case.sources)
        bound = lot_bound(air, case.sources)
        assert set(bound.tolist()) <= {0, 15_000}
        counted["lot"] += int((bound > 0).sum())
        counted["none"] += int((bound == 0).sum())
    assert counted["lot"] > 500
    assert counted["none"] > 500
    free = Case(lot_town, 1, "usual")
    free.project = roomy(costs={"third_party_lot": 0.0})
    sources = AirSources(free.plant, free.project)
    assert not lot_bound(air_of(free.offers, sources), sources).any()
