"""The main job on the demo: what must hold of any plan."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest

from geoplan.choice.solve import Assignment, Ports, solve_assignment
from geoplan.choosing import Book, choose_offers
from geoplan.layers import read_layers
from geoplan.layers.read import Opened, RawLayer, read_rows
from geoplan.model import Layers, Plan
from geoplan.offers import Offers, best_offers, offers_of
from geoplan.plan import make_plan, terminal_ports
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.search import Aim, search_routes
from geoplan.standards import load_standards
from geoplan.tables import TABLES, CrossingKind, RouteKind, schema
from geoplan.working import Here

PLANNED = ("drops", "air_spans", "crossings", "hazards", "unserved", "terminals", "alternatives")


@pytest.mark.parametrize("name", [*PLANNED, "set_aside", "findings"])
def test_every_table_is_as_declared(demo_plan: Plan, name: str) -> None:
    table = getattr(demo_plan, name)
    schema(TABLES[name]).validate(pd.DataFrame(table), lazy=True)
    assert list(table.columns)[: len(TABLES[name].columns)] == list(TABLES[name].column_names)


def test_every_address_is_in_exactly_one_of_drops_unserved_set_aside(demo_plan: Plan) -> None:
    aside = demo_plan.set_aside
    rows = (aside["layer"] == "addresses").sum()
    served, unserved = set(demo_plan.drops["address_id"]), set(demo_plan.unserved["address_id"])
    assert not served & unserved
    assert served | unserved == set(demo_plan.layers.addresses.index)
    assert len(served) + len(unserved) + rows == demo_plan.layers.counts["addresses"]


def test_no_terminal_has_more_drops_than_ports(demo_plan: Plan) -> None:
    terminals = demo_plan.terminals
    assert (terminals["ports_free"] >= 0).all()
    used = terminals["ports_in_use"] + terminals["ports_planned"] + terminals["ports_reserved"]
    over = used > terminals["ports_total"]
    assert (terminals.loc[over, "ports_planned"] == 0).all()
    planned = demo_plan.drops.groupby("terminal_id")["ports_needed"].sum()
    counted = terminals.set_index("terminal_id")["ports_planned"]
    assert counted[counted > 0].to_dict() == planned.to_dict()


def test_locks_and_forbidden_pairs_are_kept(demo_plan: Plan) -> None:
    addresses = demo_plan.layers.addresses
    drops = demo_plan.drops.set_index("address_id")["terminal_id"]
    locked = addresses["locked_terminal_id"].dropna()
    both = locked.index.intersection(drops.index)
    assert len(both) > 0
    assert (drops[both] == locked[both]).all()
    barred = addresses["forbidden_terminal_ids"].dropna().str.split(";").explode().str.strip()
    served = barred[barred.index.isin(drops.index)]
    assert len(served) > 0
    assert (drops[served.index].to_numpy() != served.to_numpy()).all()


def test_the_demo_has_every_route_kind_and_crossing_kind(demo_plan: Plan) -> None:
    assert set(demo_plan.drops["route_kind"]) == {kind.value for kind in RouteKind}
    across = demo_plan.drops[demo_plan.drops["is_street_crossing"]]
    assert {RouteKind.DIRECT, RouteKind.SPAN_CLAMP} <= set(across["route_kind"])
    met = set(demo_plan.crossings["crossing_kind"])
    # railways are forbidden there, and seen in the unserved instead; drops that cross are re-chosen
    never = {CrossingKind.RAIL, CrossingKind.PLANNED_DROP}
    assert met >= {kind.value for kind in CrossingKind} - never
    assert (demo_plan.unserved["reasons"].str.contains("railway")).any()


def test_drops_of_the_demo_cross_where_nothing_may_be_paid_to_undo_it(
    demo_layers: Layers, demo_project: Project, demo_plan: Plan
) -> None:
    choice = demo_project.choice.model_copy(update={"max_extra_per_drop_crossing": 0.0})
    plan = make_plan(demo_layers, demo_project.model_copy(update={"choice": choice}))
    assert (plan.crossings["crossing_kind"] == CrossingKind.PLANNED_DROP).any()
    assert demo_plan.optimality["drop_crossings_before"] > 0


def test_routes_hold_the_limits(demo_plan: Plan, demo_project: Project) -> None:
    limits, drops = demo_project.limits, demo_plan.drops
    assert (drops["air_span_m"] <= limits.max_air_span).all()
    assert (drops["route_m"] <= limits.max_route).all()
    assert (drops["strand_run_m"] <= limits.max_strand_run).all()
    assert (drops["spans_passed"] <= limits.max_spans_passed).all()
    np.testing.assert_allclose(drops.geometry.length, drops["route_m"], atol=1e-6)


def test_attachments_lie_on_the_outer_wall_and_spans_stay_outside(demo_plan: Plan) -> None:
    spans = demo_plan.air_spans.set_index("address_id")
    drops = demo_plan.drops.set_index("address_id").dropna(subset="building_id")
    houses = demo_plan.layers.buildings.geometry[drops["building_id"]]
    lines = gpd.GeoSeries(spans.geometry[drops.index].force_2d(), crs=spans.crs)
    inside = lines.intersection(houses, align=False).length
    assert inside.max() < 1e-6
    ends = gpd.GeoSeries.from_xy(
        lines.get_coordinates()["x"].groupby(level=0).last(),
        lines.get_coordinates()["y"].groupby(level=0).last(),
        crs=spans.crs,
    ).reindex(drops.index)
    assert ends.distance(houses.boundary, align=False).max() < 1e-6


@pytest.fixture(scope="module")
def one_each(demo_layers: Layers) -> Layers:
    """Let every address of the demo need one port, so that a flow is an assignment."""
    return dataclasses.replace(demo_layers, addresses=demo_layers.addresses.assign(ports_needed=1))


@pytest.fixture(scope="module")
def demo_plant(one_each: Layers, demo_project: Project) -> Plant:
    return build_plant(one_each, demo_project, load_standards(demo_project))


@pytest.fixture(scope="module")
def all_pairs(demo_plant: Plant, demo_project: Project) -> Offers:
    """Search the demo to the end, and take the cheapest allowed route of every pair."""
    rows = np.arange(demo_plant.index.address_count)
    found = search_routes(demo_plant, demo_project, rows, Aim.everything(len(rows))).found
    offers = offers_of(found, demo_plant)
    return offers.take(best_offers(offers, np.flatnonzero(offers.forbidden == 0)))


def _choose(plant: Plant, project: Project, needed: np.ndarray, ports: Ports) -> Assignment:
    book = Book(Here(plant, project), len(needed), 1, lambda stage, done, total: None)
    return choose_offers(book, needed, ports)[0]


def test_the_optimum_equals_network_simplex_on_the_demos_own_pairs(
    one_each: Layers, demo_project: Project, demo_plant: Plant, all_pairs: Offers
) -> None:
    ports: Ports = terminal_ports(one_each, demo_project)
    count = len(one_each.addresses)
    chosen = _choose(demo_plant, demo_project, np.ones(count, dtype=np.int64), ports)
    graph = nx.DiGraph()
    lost = int(all_pairs.cents.sum()) + 1
    graph.add_node("sink", demand=count)
    for address in range(count):
        graph.add_node(("a", address), demand=-1)
        graph.add_edge(("a", address), "sink", capacity=1, weight=lost)
    pairs = (all_pairs.address, all_pairs.terminal, all_pairs.cents)
    for a, t, c in zip(*(column.tolist() for column in pairs), strict=True):
        graph.add_edge(("a", a), ("t", t), capacity=1, weight=c)
        graph.add_edge(("t", t), "sink", capacity=int(ports.free[t]), weight=0)
    cost, _ = nx.network_simplex(graph)
    assert chosen.cents + (count - chosen.served) * lost == cost


def test_the_demos_optimum_with_whole_addresses_is_that_of_all_its_pairs(
    demo_layers: Layers, demo_project: Project, demo_plant: Plant, all_pairs: Offers
) -> None:
    ports = terminal_ports(demo_layers, demo_project)
    needed = demo_layers.addresses["ports_needed"].to_numpy(dtype=np.int64)
    assert needed.max() > 1
    chosen = _choose(demo_plant, demo_project, needed, ports)
    columns = (all_pairs.address, all_pairs.terminal, all_pairs.cents)
    best = solve_assignment(*columns, needed, ports, with_values=False)
    assert (chosen.served, chosen.cents) == (best.served, best.cents)


def test_shuffled_rows_and_other_groups_give_the_same_plan(
    demo_project: Project, demo_plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(5)

    def read_shuffled(opened: Opened, fields: list[str]) -> RawLayer:
        raw = read_rows(opened, fields)
        order = rng.permutation(len(raw.geometry))
        columns = raw.columns.iloc[order].reset_index(drop=True)
        return dataclasses.replace(raw, columns=columns, geometry=raw.geometry[order])

    monkeypatch.setattr("geoplan.layers.load.read_rows", read_shuffled)
    layers = read_layers(demo_project)
    assert layers.addresses.index.equals(demo_plan.layers.addresses.index)
    again = make_plan(layers, demo_project, chunk=29)
    for name in PLANNED:
        first, second = getattr(demo_plan, name), getattr(again, name)
        pd.testing.assert_frame_equal(
            pd.DataFrame(first), pd.DataFrame(second), check_exact=True, obj=name
        )
    assert again.optimality == demo_plan.optimality


def test_undoing_drop_crossings_keeps_service_and_ports(demo_plan: Plan) -> None:
    facts = demo_plan.optimality
    assert facts["drop_crossings_after"] <= facts["drop_crossings_before"]
    assert facts["served"] == len(demo_plan.drops)
    assert facts["plan_cost"] == pytest.approx(demo_plan.drops["cost"].sum())
    planned = demo_plan.crossings["crossing_kind"] == CrossingKind.PLANNED_DROP
    assert planned.sum() == 2 * facts["drop_crossings_after"]


def test_every_unserved_address_has_reason_and_remedy(demo_plan: Plan) -> None:
    unserved = demo_plan.unserved
    assert (unserved["reasons"].str.len() > 10).all()
    assert (unserved["remedy"].str.len() > 10).all()
    assert {"no_free_port", "every_route_forbidden", "too_far"} <= set(unserved["code"])


def test_every_flag_has_place_setting_and_remedy(demo_plan: Plan) -> None:
    hazards = demo_plan.hazards
    for column in ("setting", "what", "remedy", "severity"):
        assert hazards[column].notna().all()
    assert np.isfinite(hazards["at_m"]).all()


def test_runner_ups_say_why_they_lost(demo_plan: Plan) -> None:
    alternatives = demo_plan.alternatives
    assert alternatives["why_not"].str.len().min() > 5
    served = alternatives.dropna(subset="extra_cost")
    cheaper = served[served["extra_cost"] < 0]
    assert cheaper["why_not"].str.contains("full|crosses").all()


def test_what_is_not_checked_is_said(demo_plan: Plan) -> None:
    assert demo_plan.unchecked
