"""The search on plants small enough to follow, and on random towns against the long way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import AirSources
from geoplan.candidates import Found, PairRules
from geoplan.lower_bounds import NEVER, lot_bound
from geoplan.model import Layers
from geoplan.offers import Offers, best_offers, offers_of
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import ADDRESS_POINT, WALL_CORNER, WALL_FACE
from geoplan.search import Aim, Searched, search_routes
from geoplan.verdicts import Forbidden
from tests.plants import (
    HEIGHT_BITS,
    HOUSE,
    LONG_REACH,
    PROJECT,
    all_offers,
    bare_town,
    lot_town,
    offer_rows,
    plant_of,
    roomy,
    route_rows,
    strand_town,
)
from tests.towns import layer_frame


def look(
    layers: Layers,
    project: Project = PROJECT,
    *,
    rules: PairRules | None = None,
    rows: list[int] | None = None,
) -> Found:
    """Find all that could be built for some addresses."""
    plant = plant_of(layers, project, rules=rules)
    wanted = np.array(range(plant.index.address_count) if rows is None else rows, dtype=np.int64)
    return search_routes(plant, project, wanted, Aim.everything(len(wanted))).found


def best(found: Found, layers: Layers, project: Project = PROJECT) -> dict[tuple[int, int], int]:
    """Return the least price of each address and terminal."""
    offers = offers_of(found, plant_of(layers, project))
    kept = offers.take(best_offers(offers, np.flatnonzero(offers.forbidden == 0)))
    keys = zip(kept.address.tolist(), kept.terminal.tolist(), strict=True)
    return dict(zip(keys, kept.cents.tolist(), strict=True))


# -- direct, by hand ------------------------------------------------------------------------


def test_a_direct_drop_goes_square_to_the_nearest_wall() -> None:
    found = look(bare_town([(0.0, 0.0)], houses=[HOUSE]))
    assert len(found.routes) == 1
    assert found.air.length_m[0] == pytest.approx(20.0)
    assert (found.air.ex[0], found.air.ey[0]) == pytest.approx((0.0, 20.0))
    assert found.air.wall_angle_deg[0] == pytest.approx(90.0)
    assert found.air.basis[0] == WALL_FACE
    assert found.routes.cents[0] == 6_000 + 20 * 150
    assert found.routes.forbidden[0] == 0


def test_a_direct_drop_from_the_side_goes_to_the_corner() -> None:
    found = look(bare_town([(20.0, 0.0)], houses=[HOUSE]))
    nearest = int(np.argmin(found.air.length_m))
    assert found.air.length_m[nearest] == pytest.approx(25.0)  # 15, 20, 25
    assert found.air.basis[nearest] == WALL_CORNER
    assert best(found, bare_town([(20.0, 0.0)], houses=[HOUSE])) == {(0, 0): 6_000 + 25 * 150}


def test_an_address_without_a_building_is_met_at_its_point() -> None:
    found = look(bare_town([(0.0, 0.0)], addresses=[(30.0, 40.0)]))
    assert found.air.length_m.tolist() == pytest.approx([50.0])
    assert found.air.basis.tolist() == [ADDRESS_POINT]
    assert np.isnan(found.air.wall_angle_deg[0])


@pytest.mark.parametrize(("distance", "count"), [(59.99, 1), (60.0, 1), (60.01, 0)])
def test_an_air_span_is_allowed_up_to_its_limit(distance: float, count: int) -> None:
    assert len(look(bare_town([(0.0, 0.0)], addresses=[(0.0, distance)])).routes) == count


def test_a_street_between_pole_and_house_is_priced() -> None:
    road = shapely.LineString([(-100.0, 10.0), (100.0, 10.0)])
    layers = bare_town([(0.0, 0.0)], houses=[HOUSE], roads=[road])
    assert best(look(layers), layers) == {(0, 0): 6_000 + 20 * 150 + 8_000}


def test_a_pole_without_a_terminal_or_strand_serves_nobody() -> None:
    layers = bare_town([(0.0, 0.0), (500.0, 0.0)], houses=[HOUSE], terminals=[1])
    assert len(look(layers).routes) == 0


def test_by_way_of_the_next_pole_the_run_and_the_pole_are_paid() -> None:
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)], addresses=[(40.0, 50.0)], ends=[(0, 1)], terminals=[0]
    )
    found = look(layers, roomy(limits={"clamp_step": "1000 m"}))
    rows = np.flatnonzero(found.air.pole[found.routes.air] == 1)
    assert len(rows) == 1
    assert found.routes.cents[rows[0]] == 6_000 + 50 * 150 + 40 * 200 + 2_500


def test_a_clamp_route_pays_clamp_run_and_air_span() -> None:
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)], addresses=[(20.0, 58.0)], ends=[(0, 1)], terminals=[0]
    )
    found = look(layers)
    clamp = np.flatnonzero(found.air.span[found.routes.air] >= 0)
    assert len(clamp) > 0
    for row in clamp.tolist():
        side, air = found.routes.side_m[row], found.air.length_m[found.routes.air[row]]
        assert air == pytest.approx(np.hypot(20.0 - side, 58.0))
        by_hand = 6_000 + 3_500 + 150 * air + 200 * side
        assert found.routes.cents[row] == pytest.approx(by_hand, abs=0.51)


def test_a_drop_never_runs_along_a_span_to_hang_from_a_clamp_on_the_same_span() -> None:
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)], addresses=[(35.0, 50.0)], ends=[(0, 1)], terminals=[0]
    )
    found, reach = look(layers), plant_of(layers).reach
    clamp = found.air.span[found.routes.air] >= 0
    assert clamp.any()
    assert (reach.spans_passed[found.routes.reach[clamp]] == 0).all()


def test_where_the_nearest_wall_lies_behind_a_tree_another_wall_is_offered() -> None:
    layers = bare_town([(0.0, 0.0)], houses=[HOUSE], trees=[(0.0, 10.0)])
    found = look(layers)
    straight, others = found.routes.cents[0], found.routes.cents[1:]
    assert straight == 6_000 + 3_000 + 9_000
    assert len(others) > 0
    clear = look(bare_town([(0.0, 0.0)], houses=[HOUSE]))
    assert len(clear.routes) == 1


def test_a_clamp_over_a_carriageway_is_found_and_marked() -> None:
    road = shapely.LineString([(20.0, -50.0), (20.0, 100.0)])
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)],
        addresses=[(20.0, 45.0)],
        ends=[(0, 1)],
        terminals=[0],
        roads=[road],
    )
    found = look(layers)
    over = np.abs(found.air.sx[found.routes.air] - 20.0) < 4.0
    bits = found.routes.forbidden & int(Forbidden.CLAMP_OVER_ROAD)
    assert over.any()
    assert ((bits != 0) == over).all()
    kept = found.routes.take(found.routes.forbidden == 0)
    assert len(kept) > 0
    assert (np.abs(found.air.sx[kept.air] - 20.0) >= 4.0).all()


# -- limits ---------------------------------------------------------------------------------


@given(st.integers(0, 10_000), st.booleans())
@settings(max_examples=5, deadline=None)
def test_clamps_keep_their_distance_from_terminals_and_other_poles(seed: int, wide: bool) -> None:
    limits = {"min_clamp_to_terminal": "2 m", "min_clamp_to_pole": "5 m"} if wide else {}
    project = roomy(limits=limits)
    layers = strand_town(np.random.default_rng(seed))
    found, index = look(layers, project), plant_of(layers, project).index
    rows = np.flatnonzero(found.air.span >= 0)
    at = shapely.points(found.air.sx[rows], found.air.sy[rows])
    terminals = set(index.terminal_pole.tolist())
    for row, point in zip(rows.tolist(), at, strict=True):
        for pole in index.span_ends[found.air.span[row]].tolist():
            least = (
                project.limits.min_clamp_to_terminal
                if pole in terminals
                else project.limits.min_clamp_to_pole
            )
            assert point.distance(layers.poles.geometry.iloc[pole]) >= least - 1e-9
    on_strand = shapely.distance(at, index.span_line[found.air.span[rows]])
    assert on_strand.max(initial=0.0) < 1e-9


def test_a_span_too_short_for_both_distances_gets_no_clamp() -> None:
    limits = {"min_clamp_to_terminal": "3 m", "min_clamp_to_pole": "3 m"}
    for length, has in ((6.0, False), (6.5, True)):
        layers = bare_town(
            [(0.0, 0.0), (length, 0.0)], addresses=[(3.0, 59.95)], ends=[(0, 1)], terminals=[0]
        )
        found = look(layers, roomy(limits=limits))
        assert (found.air.span >= 0).any() == has


@given(st.integers(0, 10_000))
@settings(max_examples=5, deadline=None)
def test_every_route_holds_the_limits_and_starts_where_its_run_ends(seed: int) -> None:
    project = roomy(limits={"max_route": "95 m", "max_strand_run": "60 m"})
    layers = strand_town(np.random.default_rng(seed))
    found, plant = look(layers, project), plant_of(layers, project)
    index, reach = plant.index, plant.reach
    routes, air = found.routes, found.air
    length, run = air.length_m[routes.air], reach.run_m[routes.reach] + routes.side_m
    assert (length <= 60.0).all()
    assert (run <= 60.0 + 1e-9).all()
    assert (run + length <= 95.0 + 1e-9).all()
    assert (reach.spans_passed[routes.reach] <= project.limits.max_spans_passed).all()
    assert (reach.terminal[routes.reach] == routes.terminal).all()
    assert (air.address[routes.air] == routes.address).all()
    access = reach.pole[routes.reach]
    gap = np.hypot(
        air.sx[routes.air] - index.pole_x[access], air.sy[routes.air] - index.pole_y[access]
    )
    np.testing.assert_allclose(gap, routes.side_m, atol=1e-9)


# -- locked and forbidden pairs -------------------------------------------------------------


def test_a_locked_address_has_routes_to_its_terminal_only() -> None:
    layers = bare_town([(-10.0, 0.0), (10.0, 0.0)], houses=[HOUSE], terminals=[0, 1])
    assert set(look(layers).routes.terminal.tolist()) == {0, 1}
    locked = PairRules(np.array([1]), np.zeros(0, dtype=np.int64))
    assert set(look(layers, rules=locked).routes.terminal.tolist()) == {1}
    unknown = PairRules(np.array([-2]), np.zeros(0, dtype=np.int64))
    assert len(look(layers, rules=unknown).routes) == 0


def test_a_forbidden_pair_has_no_routes_and_others_keep_theirs() -> None:
    other = shapely.box(-5.0, -30.0, 5.0, -20.0)
    layers = bare_town([(-10.0, 0.0), (10.0, 0.0)], houses=[HOUSE, other], terminals=[0, 1])
    barred = PairRules(np.array([-1, -1]), np.array([0 * 2 + 1, 1 * 2 + 0]))
    routes = look(layers, rules=barred).routes
    pairs = set(zip(routes.address.tolist(), routes.terminal.tolist(), strict=True))
    assert pairs == {(0, 0), (1, 1)}


# -- nothing is lost ------------------------------------------------------------------------

STRICT = Project(layers={})
"""Heights and tension forbid many routes here."""
CHEAP_STRAND = roomy(costs={"strand_run_per_m": 0.4, "span_clamp": 5.0, "pole_passed": 0.0})
FREE_TO_CROSS = Project(
    layers={},
    heights={"strand_height": "5.4 m", "usual_attachment": "3.3 m"},
    costs={
        **dict.fromkeys(("third_party_lot", "near_power", "near_tree", "tree", "roof"), 0.0),
        **dict.fromkeys(("steep_wall_angle", "driveway", "oblique_crossing"), 0.0),
        "street_crossing": {"residential": 0.0, "alley": 0.0},
        "power_crossing": {"supply_line": 0.0},
    },
)
"""Plan adds nothing, so that raised attachments alone make other walls worth a look."""
CHEAP_BUT_FORBIDDEN = Project(
    layers={}, costs=dict.fromkeys(("rail_crossing", "water_crossing", "pool"), 1.0)
)
PROJECTS = {
    "roomy": PROJECT,
    "long_reach": LONG_REACH,
    "cheap_strand": CHEAP_STRAND,
    "strict": STRICT,
    "free_to_cross": FREE_TO_CROSS,
    "cheap_but_forbidden": CHEAP_BUT_FORBIDDEN,
}
TOWNS = {"lots": lot_town, "strand": strand_town}
in_towns = pytest.mark.parametrize("town", TOWNS)
in_projects = pytest.mark.parametrize("name", PROJECTS)
seeds = st.integers(0, 100_000)


def built(town: str, name: str, seed: int) -> tuple[Plant, Project, np.ndarray]:
    project = PROJECTS[name]
    plant = plant_of(TOWNS[town](np.random.default_rng(seed)), project)
    return plant, project, np.arange(plant.index.address_count, dtype=np.int64)


def searched(
    plant: Plant, project: Project, addresses: np.ndarray, aim: Aim
) -> tuple[Offers, np.ndarray]:
    outcome: Searched = search_routes(plant, project, addresses, aim)
    return offers_of(outcome.found, plant), outcome.reached


def allowed_up_to(offers: Offers, cents: np.ndarray) -> Offers:
    """Take the allowed offers up to a price for each address."""
    return offers.take((offers.forbidden == 0) & (offers.cents <= cents[offers.address]))


def cheapest_ways(offers: Offers, count: int) -> list[list[int]]:
    """Return, by address, the prices of its cheapest ways by different runs or strand spans."""
    ways: dict[int, dict[tuple[int, ...], int]] = {}
    kept = offers.take(offers.forbidden == 0)
    rows = (kept.address, kept.terminal, kept.pole, kept.passed, kept.span, kept.cents)
    for address, *key, cents in zip(*(column.tolist() for column in rows), strict=True):
        mine = ways.setdefault(address, {})
        mine[tuple(key)] = min(cents, mine.get(tuple(key), cents))
    return [sorted(ways.get(address, {}).values())[:count] for address in range(1_000)]


@in_projects
@in_towns
@given(seeds)
@settings(max_examples=1, deadline=None)
def test_all_that_could_be_built_is_found_and_nothing_else(town: str, name: str, seed: int) -> None:
    plant, project, rows = built(town, name, seed)
    offers, reached = searched(plant, project, rows, Aim.everything(len(rows)))
    long = all_offers(plant, project, rows)
    assert (reached == NEVER).all()
    assert route_rows(offers) == route_rows(long)
    plan_only = ~HEIGHT_BITS
    assert np.bincount(offers.forbidden & plan_only).tolist() == (
        np.bincount(long.forbidden & plan_only).tolist()
    )


@in_projects
@in_towns
@given(seeds, st.integers(1, 5))
@settings(max_examples=2, deadline=None)
def test_the_cheapest_ways_are_those_of_a_thorough_search(
    town: str, name: str, seed: int, ways: int
) -> None:
    plant, project, rows = built(town, name, seed)
    offers, reached = searched(plant, project, rows, Aim.first(len(rows), ways))
    long = all_offers(plant, project, rows)
    known, truth = allowed_up_to(offers, reached), allowed_up_to(long, reached)
    assert cheapest_ways(known, ways) == cheapest_ways(long, ways)
    assert route_rows(known) == route_rows(truth)


def test_a_first_search_leaves_most_unopened() -> None:
    plant, project, rows = built("lots", "roomy", 1)
    first, reached = searched(plant, project, rows, Aim.first(len(rows)))
    assert 20 * len(first) < len(all_offers(plant, project, rows))
    assert (reached < NEVER).all()


def test_other_walls_are_often_the_cheapest_and_so_are_walls_past_a_neighbours_lot() -> None:
    """The towns hold what the properties above are about."""
    by_other_wall = by_way_of_lot = 0
    for seed in range(6):
        plant, project, rows = built("lots", "roomy", seed)
        offers, reached = searched(plant, project, rows, Aim.first(len(rows)))
        bests = allowed_up_to(offers, reached)
        pole = bests.take(bests.span < 0)
        sources = AirSources(plant, project)
        nearest = sources.from_poles(pole.address, pole.pole)
        other = (nearest.ex != pole.ex) | (nearest.ey != pole.ey)
        by_other_wall += int(other.sum())
        by_way_of_lot += int((lot_bound(nearest, sources)[other] > 0).sum())
    assert by_other_wall >= 2
    assert by_way_of_lot >= 1


# -- on from where a search left off --------------------------------------------------------


@in_projects
@in_towns
@given(seeds, st.sampled_from([4_000, 40_000]), st.booleans())
@settings(max_examples=2, deadline=None)
def test_two_searches_one_after_the_other_find_what_one_does(
    town: str, name: str, seed: int, most: int, by_ways: bool
) -> None:
    plant, project, rows = built(town, name, seed)
    rng, none = np.random.default_rng(seed), np.zeros(len(rows), dtype=np.int64)
    until = 5_000 + rng.integers(0, 40_000, len(rows))
    aim = Aim.first(len(rows), 2) if by_ways else Aim(none - 1, until, none)
    first, after = searched(plant, project, rows, aim)
    until = np.where(after < NEVER, np.minimum(after, 10**9) + rng.integers(1, most, len(rows)), 0)
    more, reached = searched(plant, project, rows, Aim(after, until, none))
    assert (np.maximum(after, reached) >= until).all()
    both = Offers.joined([first, more])
    assert len(set(route_rows(both))) == len(both)
    until = np.maximum(until, after)
    whole, _ = searched(plant, project, rows, Aim(none - 1, np.minimum(until, 10**9), none))
    assert route_rows(allowed_up_to(both, until)) == route_rows(allowed_up_to(whole, until))
    long = all_offers(plant, project, rows)
    assert route_rows(allowed_up_to(both, until)) == route_rows(allowed_up_to(long, until))


@given(seeds, st.integers(1, 3))
@settings(max_examples=2, deadline=None)
def test_one_way_more_at_a_time_comes_to_an_end_with_everything(seed: int, ways: int) -> None:
    plant, project, rows = built("strand", "strict", seed)
    offers, reached = searched(plant, project, rows, Aim.first(len(rows), ways))
    parts, wanted = [offers], np.full(len(rows), ways)
    for _ in range(200):
        if (reached == NEVER).all():
            break
        more, now = searched(plant, project, rows, Aim(reached, reached, wanted))
        parts.append(more)
        assert (now[reached < NEVER] > reached[reached < NEVER]).all()
        reached = np.maximum(now, reached)
    long = all_offers(plant, project, rows)
    found = Offers.joined(parts)
    everything = np.full(len(rows), NEVER)
    assert route_rows(allowed_up_to(found, everything)) == (
        route_rows(allowed_up_to(long, everything))
    )


def test_a_wall_that_only_a_raised_hook_made_worth_a_look_is_found_in_a_second_search() -> None:
    """The nearest wall is known by then, and costs nothing but wire."""
    plant, project, _ = built("lots", "free_to_cross", 13)
    one = np.array([10])
    aim = Aim(np.array([6_749]), np.array([8_000]), np.array([0]))
    found, _ = searched(plant, project, one, aim)
    long = all_offers(plant, project, one)
    long = long.take((long.cents > 6_749) & (long.cents <= 8_000))
    assert 7_246 in long.cents[long.span < 0]
    assert route_rows(allowed_up_to(found, np.full(11, 8_000))) == (
        route_rows(allowed_up_to(long, np.full(11, 8_000)))
    )


# -- who else is in the group ---------------------------------------------------------------


@in_towns
@given(seeds)
@settings(max_examples=2, deadline=None)
def test_results_do_not_depend_on_who_else_is_in_the_group(town: str, seed: int) -> None:
    """Nor on how far the others are searched."""
    plant, project, rows = built(town, "cheap_but_forbidden", seed)
    rng = np.random.default_rng(seed)
    count = len(rows)
    aim = Aim(
        rng.choice([-1, 9_000], count),
        rng.choice([-1, 60_000, NEVER], count),
        rng.integers(0, 3, count),
    )
    offers, reached = searched(plant, project, rows, aim)
    shuffled = rng.permutation(count)
    for part in np.array_split(shuffled, 8):
        mine, far = searched(plant, project, rows[part], aim.take(part))
        np.testing.assert_array_equal(far, reached[part])
        theirs = offers.take(np.isin(offers.address, rows[part]))
        assert offer_rows(mine) == offer_rows(theirs)


def test_nobody_is_searched_without_complaint() -> None:
    plant, project, _ = built("lots", "roomy", 1)
    none = np.zeros(0, dtype=np.int64)
    for aim in (Aim.first(0), Aim.everything(0)):
        offers, reached = searched(plant, project, none, aim)
        assert len(offers) == len(reached) == 0


# -- ties -----------------------------------------------------------------------------------


def test_at_the_same_price_the_route_without_a_clamp_wins() -> None:
    free = dict.fromkeys(("span_clamp", "air_span_per_m", "strand_run_per_m"), 0.0)
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)], addresses=[(20.0, 30.0)], ends=[(0, 1)], terminals=[0]
    )
    project = roomy(costs={**free, "pole_passed": 0.0})
    offers = offers_of(look(layers, project), plant_of(layers, project))
    rows = best_offers(offers, np.flatnonzero(offers.forbidden == 0))
    assert offers.span[rows].tolist() == [-1]
    assert np.count_nonzero(offers.cents == offers.cents[rows]) > 1


def test_without_an_allowed_route_there_is_no_best_one() -> None:
    rail_side = bare_town([(0.0, 0.0)], houses=[HOUSE])
    rail = layer_frame("rail", [shapely.LineString([(-99.0, 9.0), (99.0, 9.0)])], width_m=[6.0])
    layers = dataclasses.replace(rail_side, rail=rail)
    found = look(layers)
    assert (found.routes.forbidden & int(Forbidden.RAIL) != 0).all()
    assert best(found, layers) == {}
