"""The search on plants small enough to follow, and on random towns against its own long way."""

from __future__ import annotations

import dataclasses
import functools

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan import search
from geoplan.candidates import Found, PairRules, best_per_pair, joined_found
from geoplan.choice.cost import price_features
from geoplan.clearance.demands import build_demands
from geoplan.clearance.supports import build_supports
from geoplan.model import SPAN_COLUMNS, Layers
from geoplan.project import Project
from geoplan.routes.air_spans import ADDRESS_POINT, WALL_CORNER, WALL_FACE
from geoplan.routes.graph import Reach, find_reach
from geoplan.routes.index import PlantIndex, build_index
from geoplan.search import Plant, search_routes
from geoplan.standards import Standards, load_standards
from geoplan.verdicts import Forbidden
from tests.towns import CRS_M, layer_frame, random_town


def _figure(value: str) -> dict[str, str]:
    return {"value": value, "document": "Made up for tests", "status": "practice"}


STRONG_WIRE = {
    "title": "Light and strong",
    "construction": "Made up, so that heights and tension never decide",
    "carries": "copper_pair",
    "weight": _figure("5 lb/kft"),
    "width": _figure("3 mm"),
    "height": _figure("3 mm"),
    "breaking_strength": _figure("50 kN"),
    "stiffness": _figure("900 kN"),
    "expansion": _figure("7e-6 1/degF"),
    "max_total_length": _figure("900 m"),
    "max_air_span": {"any": _figure("400 m")},
}
HIGH_UP = {
    "strand_height": "14 m",
    "usual_attachment": "11 m",
    "highest_attachment": "11 m",
    "power_height": {"supply_line": "60 m", "supply_drop": "60 m", "neutral": "60 m"},
}


def roomy(**sections: object) -> Project:
    """Return settings under which plan geometry and prices alone decide."""
    settings_ = {"wire": "strong", "wires": {"strong": STRONG_WIRE}, "heights": HIGH_UP}
    return Project(layers={}, **{**settings_, **sections})


PROJECT = roomy()
LONG_REACH = roomy(limits={"max_air_span": "90 m", "max_route": "300 m"})


def span_frame(poles: gpd.GeoDataFrame, ends: list[tuple[int, int]]) -> gpd.GeoDataFrame:
    lines = [shapely.LineString([poles.geometry.iloc[a], poles.geometry.iloc[b]]) for a, b in ends]
    ids = [f"span{row:03d}" for row in range(len(ends))]
    frame = gpd.GeoDataFrame(
        {
            "strand_id": [f"s{row}" for row in range(len(ends))],
            "from_pole_id": [poles.index[a] for a, _ in ends],
            "to_pole_id": [poles.index[b] for _, b in ends],
            "length_m": [line.length for line in lines],
            "strand_basis": "measured",
            "height_m": np.nan,
            "size": None,
            "condition": None,
        },
        geometry=gpd.GeoSeries(lines, index=ids, crs=CRS_M),
        index=ids,
    ).astype({"length_m": "float64", "height_m": "float64"})
    return frame[[*SPAN_COLUMNS, "geometry"]].rename_axis("strand_span_id")


def strand_town(rng: np.random.Generator) -> Layers:
    """Hang a line of poles with strand through a random town, terminals on some of them."""
    town = random_town(rng)
    rows = []
    for y in (55.0, 130.0):
        xs = np.cumsum(rng.uniform(20.0, 45.0, 6))
        rows += [(x, y + rng.uniform(-5.0, 5.0)) for x in xs]
    poles = layer_frame("poles", list(shapely.points(rows)), ports_total=[4, 0, 0] * 4)
    ends = [(row, row + 1) for row in range(11) if row != 5]
    return dataclasses.replace(town, poles=poles, spans=span_frame(poles, ends))


def bare_town(
    poles: list[tuple[float, float]],
    *,
    houses: list[shapely.Polygon] | None = None,
    addresses: list[tuple[float, float]] | None = None,
    ends: list[tuple[int, int]] | None = None,
    terminals: list[int] | None = None,
    roads: list[shapely.LineString] | None = None,
    trees: list[tuple[float, float]] | None = None,
) -> Layers:
    """Lay out a town of houses and poles on empty ground."""
    town = random_town(np.random.default_rng(0))
    houses = houses or []
    points = addresses or [house.centroid.coords[0] for house in houses]
    ports = [4 if row in (terminals or [0]) else 0 for row in range(len(poles))]
    pole_frame = layer_frame("poles", list(shapely.points(poles)), ports_total=ports)
    buildings = layer_frame("buildings", houses)
    people = layer_frame(
        "addresses", list(shapely.points(points)), ports_needed=[1] * len(points)
    ).assign(parcel_id=None)
    people["building_id"] = list(buildings.index) if houses else [None] * len(points)
    nothing = {
        name: layer_frame(name, [])
        for name in (
            "parcels",
            "power",
            "rail",
            "water",
            "sidewalks",
            "driveways",
            "pools",
            "existing_drops",
        )
    }
    roads = roads or []
    return dataclasses.replace(
        town,
        **nothing,
        addresses=people,
        buildings=buildings,
        poles=pole_frame,
        roads=layer_frame(
            "roads", roads, width_m=[8.0] * len(roads), road_class=["residential"] * len(roads)
        ),
        trees=layer_frame(
            "trees",
            [shapely.Point(tree) for tree in trees or []],
            crown_radius_m=[3.0] * len(trees or []),
        ),
        spans=span_frame(pole_frame, ends or []),
    )


def ready(layers: Layers, project: Project) -> tuple[PlantIndex, Reach]:
    limits = project.limits
    index = build_index(layers, near_power_m=limits.near_power, near_tree_m=limits.near_tree)
    reach = find_reach(
        index.terminal_pole,
        index.span_ends,
        index.span_length_m,
        max_run_m=limits.max_strand_run,
        max_spans=limits.max_spans_passed,
    )
    return index, reach


def no_rules(count: int) -> PairRules:
    return PairRules(np.full(count, -1, dtype=np.int64), np.zeros(0, dtype=np.int64))


@functools.cache
def _usual_standards() -> Standards:
    return load_standards(PROJECT)


def standards_for(project: Project) -> Standards:
    """Return the standards of a roomy project; only its limits differ from the usual."""
    usual, limits = _usual_standards(), project.limits
    return dataclasses.replace(
        usual,
        max_air_span_m=min(limits.max_air_span, usual.entry.max_air_span("heavy").value_si),
        max_route_m=min(limits.max_route, usual.entry.max_total_length_m),
    )


def look(
    layers: Layers,
    project: Project = PROJECT,
    *,
    rules: PairRules | None = None,
    rows: list[int] | None = None,
) -> Found:
    index, reach = ready(layers, project)
    standards = standards_for(project)
    plant = Plant(
        index,
        reach,
        rules or no_rules(index.address_count),
        price_features(layers.roads["road_class"], layers.power["power_kind"], project),
        build_supports(layers, index, project, standards),
        build_demands(layers, project.heights, standards.rule_set),
        standards,
    )
    wanted = np.array(range(index.address_count) if rows is None else rows, dtype=np.int64)
    return search_routes(plant, project, wanted)


def best(found: Found, layers: Layers) -> dict[tuple[int, int], int]:
    """Return the least price of each address and terminal."""
    rows = best_per_pair(found.routes, found.air, len(layers.poles))
    routes = found.routes.take(rows)
    return {
        (address, terminal): cents
        for address, terminal, cents in zip(
            routes.address.tolist(), routes.terminal.tolist(), routes.cents.tolist(), strict=True
        )
    }


HOUSE = shapely.box(-5.0, 20.0, 5.0, 30.0)


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
    found, (_, reach) = look(layers), ready(layers, PROJECT)
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
    chosen = best_per_pair(found.routes, found.air, 2)
    assert (np.abs(found.air.sx[found.routes.air[chosen]] - 20.0) >= 4.0).all()


# -- limits ---------------------------------------------------------------------------------


@given(st.integers(0, 10_000), st.booleans())
@settings(max_examples=8, deadline=None)
def test_clamps_keep_their_distance_from_terminals_and_other_poles(seed: int, wide: bool) -> None:
    limits = {"min_clamp_to_terminal": "2 m", "min_clamp_to_pole": "5 m"} if wide else {}
    project = roomy(limits=limits)
    layers = strand_town(np.random.default_rng(seed))
    found, (index, _) = look(layers, project), ready(layers, project)
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
@settings(max_examples=8, deadline=None)
def test_every_route_holds_the_limits_and_starts_where_its_run_ends(seed: int) -> None:
    project = roomy(limits={"max_route": "95 m", "max_strand_run": "60 m"})
    layers = strand_town(np.random.default_rng(seed))
    found, (index, reach) = look(layers, project), ready(layers, project)
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


def _only_the_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out rounds 4 and 5, which start from the best clamp known and so depend on it."""
    monkeypatch.setattr(search._Search, "refine", lambda _: None)
    monkeypatch.setattr(search._Search, "best_clamps", lambda _: np.zeros(0, dtype=np.int64))


@given(st.integers(0, 10_000))
@settings(max_examples=5, deadline=None)
def test_rules_only_take_pairs_away(seed: int) -> None:
    rng = np.random.default_rng(seed)
    layers = strand_town(rng)
    count, poles = len(layers.addresses), len(layers.poles)
    locked = np.where(rng.random(count) < 0.3, rng.integers(0, poles, count), -1)
    keys = np.unique(rng.integers(0, count * poles, 30))
    rules, barred = PairRules(locked, keys), set(keys.tolist())

    def kept(free: dict[tuple[int, int], int]) -> dict[tuple[int, int], int]:
        return {
            (a, t): cents
            for (a, t), cents in free.items()
            if locked[a] in (-1, t) and a * poles + t not in barred
        }

    assert best(look(layers, rules=rules), layers).keys() == kept(best(look(layers), layers)).keys()
    with pytest.MonkeyPatch.context() as monkeypatch:
        _only_the_grid(monkeypatch)
        assert best(look(layers, rules=rules), layers) == kept(best(look(layers), layers))


# -- pruning, grouping, refinement ----------------------------------------------------------


def _without_pruning(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        search._Search, "can_win", lambda _, routes: np.ones(len(routes), dtype=bool)
    )


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("project", [PROJECT, LONG_REACH], ids=["default", "long_reach"])
def test_pruning_loses_no_optimum_among_poles_walls_and_clamps_on_the_grid(
    seed: int, project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    layers = strand_town(np.random.default_rng(seed))
    _only_the_grid(monkeypatch)
    quick = look(layers, project)
    _without_pruning(monkeypatch)
    thorough = look(layers, project)
    assert len(thorough.routes) > len(quick.routes)
    assert best(quick, layers) == best(thorough, layers)


@pytest.mark.parametrize("seed", range(8))
def test_shifting_clamps_and_other_walls_never_end_worse_than_the_grid(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    layers = strand_town(np.random.default_rng(seed))
    refined = best(look(layers), layers)
    _only_the_grid(monkeypatch)
    grid = best(look(layers), layers)
    assert refined.keys() == grid.keys()
    assert all(refined[pair] <= grid[pair] for pair in grid)
    assert refined != grid


@given(st.floats(12.0, 88.0), st.floats(59.0, 59.9), st.floats(100.0, 119.0))
@settings(max_examples=12, deadline=None)
def test_on_empty_ground_the_clamp_is_within_one_last_step_of_the_best_place(
    x: float, y: float, length: float
) -> None:
    layers = bare_town(
        [(0.0, 0.0), (length, 0.0)], addresses=[(x, y)], ends=[(0, 1)], terminals=[0]
    )
    place = np.linspace(0.10, length - 0.38, 100_001)
    air = np.hypot(place - x, y)
    exact = (95.0 + 1.5 * air + 2.0 * place)[(air <= 60.0) & (air + place <= 150.0)].min() * 100
    last_step = PROJECT.limits.clamp_step / 2**search.REFINEMENTS
    price = best(look(layers), layers)[0, 0]
    assert exact - 1 <= price <= exact + (2.0 + 1.5) * last_step * 100 + 1


@given(st.integers(0, 10_000))
@settings(max_examples=5, deadline=None)
def test_results_do_not_depend_on_who_else_is_in_the_group(seed: int) -> None:
    layers = strand_town(np.random.default_rng(seed))
    together = look(layers)
    apart = joined_found([look(layers, rows=[row]) for row in range(len(layers.addresses))])
    assert best(together, layers) == best(apart, layers)

    def chosen(found: Found) -> np.ndarray:
        rows = best_per_pair(found.routes, found.air, len(layers.poles))
        routes = found.routes.take(rows)
        return np.column_stack(
            [routes.address, routes.terminal, routes.reach, found.air.segment[routes.air]]
        )

    np.testing.assert_array_equal(chosen(together), chosen(apart))


@given(st.integers(0, 10_000))
@settings(max_examples=5, deadline=None)
def test_joined_groups_keep_crossings_and_prices_with_their_air_spans(seed: int) -> None:
    layers = strand_town(np.random.default_rng(seed))
    parts = [look(layers, rows=[0, 1, 2]), look(layers, rows=[3, 4]), look(layers, rows=[8])]
    whole = joined_found(parts)
    start = 0
    for part in parts:
        rows = np.arange(start, start + len(part.air))
        mine = np.isin(whole.crossings.air, rows)
        np.testing.assert_array_equal(whole.crossings.air[mine] - start, part.crossings.air)
        np.testing.assert_array_equal(whole.crossings.feature[mine], part.crossings.feature)
        np.testing.assert_array_equal(whole.price.cents[rows], part.price.cents)
        start += len(part.air)
    assert (whole.air.address[whole.routes.air] == whole.routes.address).all()


# -- ties -----------------------------------------------------------------------------------


def test_at_the_same_price_the_route_without_a_clamp_wins() -> None:
    free = dict.fromkeys(("span_clamp", "air_span_per_m", "strand_run_per_m"), 0.0)
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0)], addresses=[(20.0, 30.0)], ends=[(0, 1)], terminals=[0]
    )
    project = roomy(costs={**free, "pole_passed": 0.0})
    found = look(layers, project)
    rows = best_per_pair(found.routes, found.air, 2)
    assert found.air.span[found.routes.air[rows]].tolist() == [-1]


@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
@settings(max_examples=5, deadline=None)
def test_the_best_route_does_not_depend_on_the_order_of_routes(seed: int, random) -> None:
    layers = strand_town(np.random.default_rng(seed))
    free = roomy(costs={"air_span_per_m": 0.0, "strand_run_per_m": 0.0, "roof": 0.0})
    found = look(layers, free)
    order = list(range(len(found.routes)))
    random.shuffle(order)
    shuffled = found.routes.take(np.array(order, dtype=np.int64))
    poles = len(layers.poles)
    first = found.routes.take(best_per_pair(found.routes, found.air, poles))
    second = shuffled.take(best_per_pair(shuffled, found.air, poles))
    for name in ("address", "terminal", "air", "reach", "cents"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


def test_without_an_allowed_route_there_is_no_best_one() -> None:
    rail_side = bare_town([(0.0, 0.0)], houses=[HOUSE])
    rail = layer_frame("rail", [shapely.LineString([(-99.0, 9.0), (99.0, 9.0)])], width_m=[6.0])
    layers = dataclasses.replace(rail_side, rail=rail)
    found = look(layers)
    assert (found.routes.forbidden & int(Forbidden.RAIL) != 0).all()
    assert best(found, layers) == {}
