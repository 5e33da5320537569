"""From the choice to tables: figures, lines and words, on plants that can be followed by hand."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.plan_tables import declared
from geoplan.project import Project
from geoplan.tables import TABLES, schema
from tests.plants import HOUSE, bare_town, roomy, standards_for, strand_town
from tests.towns import CRS_M, layer_frame

PROJECT = roomy()
PLANNED = ("drops", "air_spans", "crossings", "hazards", "unserved", "terminals", "alternatives")


def _plan(layers: Layers, project: Project = PROJECT) -> Plan:
    return make_plan(layers, project, standards=standards_for(project))


def _coords(line: shapely.LineString) -> list:
    return [pytest.approx(point) for point in shapely.get_coordinates(line).tolist()]


def test_a_direct_drop_is_told_in_full() -> None:
    drops = _plan(bare_town([(0.0, 0.0)], houses=[HOUSE])).drops
    assert len(drops) == 1
    row = drops.iloc[0]
    assert (row["address_id"], row["terminal_id"], row["access_pole_id"]) == (
        "ad000",
        "po000",
        "po000",
    )
    assert row["route_kind"] == "direct"
    assert row["building_id"] == "bu000"
    assert row["attachment_basis"] == "wall_face"
    assert (row["air_span_m"], row["strand_run_m"], row["route_m"]) == pytest.approx((20, 0, 20))
    assert row["wall_angle_deg"] == pytest.approx(90.0)
    assert pd.isna(row["clamp_at_m"])
    assert pd.isna(row["strand_span_id"])
    assert pd.isna(row["strand_basis"])
    assert row["spans_passed"] == 0
    assert not row["is_street_crossing"]
    assert not row["is_locked"]
    assert _coords(row.geometry) == [[0.0, 0.0], [0.0, 20.0]]


def test_a_drop_by_span_clamp_runs_from_terminal_to_clamp_to_house() -> None:
    layers = bare_town(
        [(0.0, 0.0), (100.0, 0.0)], addresses=[(50.0, 50.0)], ends=[(0, 1)], terminals=[0]
    )
    row = _plan(layers).drops.iloc[0]
    assert row["route_kind"] == "span_clamp"
    assert row["strand_span_id"] == "span000"
    assert row["strand_basis"] == "measured"
    assert row["clamp_at_m"] == row["strand_run_m"]
    start, clamp, end = shapely.get_coordinates(row.geometry).tolist()
    assert start == [0.0, 0.0]
    assert clamp == pytest.approx([row["clamp_at_m"], 0.0])
    assert end == [50.0, 50.0]


def test_a_clamp_reached_from_the_far_end_is_measured_from_there() -> None:
    layers = bare_town(
        [(0.0, 0.0), (100.0, 0.0)], addresses=[(50.0, 50.0)], ends=[(0, 1)], terminals=[1]
    )
    row = _plan(layers).drops.iloc[0]
    start, clamp, _ = shapely.get_coordinates(row.geometry).tolist()
    assert start == [100.0, 0.0]
    assert clamp == pytest.approx([100.0 - row["clamp_at_m"], 0.0])
    assert row["access_pole_id"] == "po001"


def test_a_drop_by_way_of_other_poles_passes_each_of_them() -> None:
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0), (40.0, 40.0)],
        addresses=[(90.0, 40.0)],
        ends=[(0, 1), (1, 2)],
        terminals=[0],
    )
    row = _plan(layers, roomy(costs={"span_clamp": 500.0})).drops.iloc[0]
    assert row["route_kind"] == "other_pole"
    assert row["access_pole_id"] == "po002"
    assert row["spans_passed"] == 2
    assert row["strand_run_m"] == pytest.approx(80.0)
    assert row["route_m"] == pytest.approx(130.0)
    assert _coords(row.geometry) == [[0, 0], [40, 0], [40, 40], [90, 40]]
    assert row["strand_basis"] == "measured"


def test_one_inferred_span_on_the_way_makes_the_strand_inferred() -> None:
    layers = bare_town(
        [(0.0, 0.0), (40.0, 0.0), (40.0, 40.0)],
        addresses=[(90.0, 40.0)],
        ends=[(0, 1), (1, 2)],
        terminals=[0],
    )
    spans = layers.spans.copy()
    spans["strand_basis"] = ["inferred", "measured"]
    row = _plan(dataclasses.replace(layers, spans=spans)).drops.iloc[0]
    assert row["strand_basis"] == "inferred"
    assert "strand_inferred" in row["flags"].split(";")


def test_a_street_crossing_has_place_width_class_and_permit() -> None:
    road = shapely.LineString([(-100.0, 10.0), (100.0, 10.0)])
    layers = bare_town([(0.0, 0.0)], houses=[HOUSE], roads=[road])
    roads = layers.roads.copy()
    roads["name"], roads["jurisdiction"] = "Marl Lane", "Town of Ferrow"
    plan = _plan(dataclasses.replace(layers, roads=roads))
    row = plan.crossings.iloc[0]
    assert plan.drops["is_street_crossing"].tolist() == [True]
    assert (row["crossing_kind"], row["feature_id"], row["feature_name"], row["feature_class"]) == (
        "road",
        "ro000",
        "Marl Lane",
        "residential",
    )
    assert (row["at_m"], row["start_m"], row["end_m"]) == pytest.approx((10.0, 6.0, 14.0))
    assert row["width_m"] == 8.0
    assert row["jurisdiction"] == "Town of Ferrow"
    assert shapely.get_coordinates(row.geometry).tolist() == [pytest.approx([0.0, 10.0])]


def _two_that_cross(project: Project) -> Plan:
    layers = bare_town(
        [(0.0, 0.0), (20.0, 0.0)], addresses=[(20.0, 30.0), (0.0, 30.0)], terminals=[0, 1]
    )
    addresses = layers.addresses.copy()
    addresses["locked_terminal_id"] = ["po000", "po001"]
    return _plan(dataclasses.replace(layers, addresses=addresses), project)


def test_planned_drops_that_cross_are_told_at_both() -> None:
    plan = _two_that_cross(PROJECT)
    crossings = plan.crossings
    assert crossings["crossing_kind"].tolist() == ["planned_drop"] * 2
    assert crossings["address_id"].tolist() == ["ad000", "ad001"]
    assert crossings["feature_id"].tolist() == ["ad001", "ad000"]
    assert crossings["at_m"].tolist() == pytest.approx([np.hypot(10, 15)] * 2)
    assert crossings["angle_deg"].tolist() == pytest.approx(
        [2 * np.degrees(np.arctan2(10, 15))] * 2
    )
    for point in crossings.geometry:
        assert shapely.get_coordinates(point)[0].tolist() == pytest.approx([10.0, 15.0])
    assert plan.drops["is_locked"].tolist() == [True, True]


def _crowd(**poles: list[int]) -> Layers:
    layers = bare_town([(0.0, 0.0)], addresses=[(x, 30.0) for x in (-20.0, -5.0, 5.0, 20.0)])
    return dataclasses.replace(layers, poles=layers.poles.assign(**poles))


def test_terminals_tell_how_full_they_get_and_what_a_port_is_worth() -> None:
    plan = _plan(_crowd(ports_total=[6], ports_in_use=[2], ports_reserved=[1]))
    row = plan.terminals.iloc[0]
    assert (row["ports_total"], row["ports_in_use"], row["ports_reserved"]) == (6, 2, 1)
    assert (row["ports_planned"], row["ports_free"], row["reserve_ports_used"]) == (3, 0, 0)
    assert row["fill"] == pytest.approx(5 / 6)
    assert row["port_value_addresses"] == 1
    far = 60 + 1.5 * np.hypot(20, 30)
    assert row["port_value_cost"] == pytest.approx(-round(far, 2))
    assert len(plan.unserved) == 1
    told = plan.unserved.iloc[0]
    assert told["code"] == "no_free_port"
    assert told["cost_if_port_added"] == pytest.approx(round(far, 2))
    assert told["nearest_terminal_m"] == pytest.approx(np.hypot(20, 30))


def test_the_reserve_is_booked_on_the_last_drops_of_its_terminal() -> None:
    reserve = roomy(choice={"use_reserve": True})
    plan = _plan(_crowd(ports_total=[6], ports_in_use=[2], ports_reserved=[3]), reserve)
    assert plan.drops["reserve_ports_used"].tolist() == [0, 1, 1, 1]
    row = plan.terminals.iloc[0]
    assert (row["ports_planned"], row["reserve_ports_used"], row["ports_free"]) == (4, 3, 0)
    assert (plan.hazards["code"] == "reserve_port").sum() == 3


def test_alternatives_can_be_switched_off() -> None:
    layers = strand_town(np.random.default_rng(1))
    assert len(_plan(layers, roomy(choice={"alternatives": 0})).alternatives) == 0


def test_a_town_where_nobody_can_be_served_still_has_all_its_tables() -> None:
    plan = _plan(bare_town([(0.0, 0.0)], addresses=[(500.0, 0.0), (0.0, 900.0)]))
    for name in PLANNED:
        schema(TABLES[name]).validate(pd.DataFrame(getattr(plan, name)))
    assert len(plan.drops) == len(plan.air_spans) == 0
    assert plan.unserved["code"].tolist() == ["too_far", "too_far"]
    assert plan.unserved["nearest_terminal_m"].tolist() == pytest.approx([500.0, 900.0])
    assert plan.unserved["excess_m"].tolist() == pytest.approx([440.0, 840.0])


@given(st.integers(0, 10_000))
@settings(max_examples=6, deadline=None)
def test_what_must_hold_of_the_tables_of_any_town(seed: int) -> None:
    layers = strand_town(np.random.default_rng(seed))
    plan = _plan(layers)
    for name in PLANNED:
        table = getattr(plan, name)
        schema(TABLES[name]).validate(pd.DataFrame(table))
        assert table.index.equals(pd.RangeIndex(len(table)))
    drops = plan.drops.set_index("address_id")
    lines = plan.air_spans.set_index("address_id").geometry.force_2d()
    assert drops.index.equals(lines.index)
    np.testing.assert_allclose(lines.length, drops["air_span_m"], atol=1e-9)
    np.testing.assert_allclose(drops.geometry.length, drops["route_m"], atol=1e-6)
    np.testing.assert_allclose(
        drops["strand_run_m"] + drops["air_span_m"], drops["route_m"], atol=1e-9
    )
    for table in (plan.crossings, plan.hazards):
        own = lines[table["address_id"]]
        places = own.interpolate(table["at_m"].to_numpy())
        gap = shapely.distance(places.to_numpy(), table.geometry.to_numpy())
        assert gap.max(initial=0.0) < 1e-6
    codes = plan.hazards.groupby("address_id")["code"].agg(set)
    for address, flags in drops["flags"].items():
        told = set() if pd.isna(flags) else set(flags.split(";"))
        assert told == codes.get(address, set())
    street = plan.crossings[
        (plan.crossings["crossing_kind"] == "road") & plan.crossings["angle_deg"].notna()
    ]
    assert set(drops.index[drops["is_street_crossing"]]) == set(street["address_id"])
    planned = drops.groupby("terminal_id")["ports_needed"].sum()
    terminals = plan.terminals.set_index("terminal_id")
    assert terminals["ports_planned"].sum() == planned.sum()
    assert (terminals["ports_planned"] <= terminals["ports_total"]).all()


@given(st.integers(0, 10_000))
@settings(max_examples=5, deadline=None)
def test_runner_ups_are_other_routes_in_order_of_price(seed: int) -> None:
    layers = strand_town(np.random.default_rng(seed))
    plan = _plan(layers)
    table, drops = plan.alternatives, plan.drops.set_index("address_id")
    for address, rows in table.groupby("address_id"):
        assert rows["rank"].tolist() == list(range(1, len(rows) + 1))
        assert len(rows) <= PROJECT.choice.alternatives
        assert rows["cost"].is_monotonic_increasing
        way = ["terminal_id", "access_pole_id", "spans_passed", "strand_span_id"]
        ways = [tuple(row) for row in rows[way].fillna("").to_numpy().tolist()]
        assert len(set(ways)) == len(ways)
        if address in drops.index:
            np.testing.assert_allclose(
                rows["extra_cost"], rows["cost"] - drops.loc[address, "cost"]
            )
            taken = drops.loc[[address], way].fillna("").to_numpy().tolist()[0]
            assert tuple(taken) not in ways
            first = rows.iloc[0]
            assert first["why_not"] in drops.loc[address, "runner_up"]
            assert drops.loc[address, "runner_up_extra_cost"] == first["extra_cost"]
        else:
            assert rows["extra_cost"].isna().all()
            assert rows["why_not"].str.contains("no port left").all()


@given(st.integers(0, 10_000))
@settings(max_examples=5, deadline=None)
def test_the_nearest_terminal_of_the_unserved_is_the_nearest(seed: int) -> None:
    layers = strand_town(np.random.default_rng(seed))
    poles = layers.poles.assign(ports_in_use=3)
    plan = _plan(dataclasses.replace(layers, poles=poles))
    ports = poles[poles["ports_total"] > 0]
    houses = layers.buildings.geometry
    assert len(plan.unserved) > 0
    for row in plan.unserved.to_dict("records"):
        building = layers.addresses.loc[row["address_id"], "building_id"]
        target = row["geometry"] if pd.isna(building) else houses[building]
        distance = ports.distance(target)
        assert row["nearest_terminal_m"] == pytest.approx(distance.min())
        assert row["nearest_terminal_id"] == distance.idxmin()


def test_frames_are_put_into_declared_order_columns_and_types() -> None:
    table = dataclasses.replace(
        TABLES["unserved"],
        key=("address_id",),
        columns=TABLES["unserved"].columns[:2],
    )
    frame = gpd.GeoDataFrame(
        {"extra": [1, 2], "label": [None, "two"], "address_id": ["b", "a"]},
        geometry=shapely.points([[0.0, 0.0], [1.0, 1.0]]),
        crs=CRS_M,
        index=[9, 4],
    )
    done = declared(frame, table)
    assert done.columns.tolist() == ["address_id", "label", "geometry"]
    assert done["address_id"].tolist() == ["a", "b"]
    assert done["label"].isna().tolist() == [False, True]
    assert done.index.equals(pd.RangeIndex(2))
    assert done.crs == CRS_M


def test_an_unknown_lock_is_told_and_its_address_unserved() -> None:
    layers = bare_town([(0.0, 0.0)], houses=[HOUSE])
    addresses = layers.addresses.assign(locked_terminal_id=["nowhere"])
    plan = _plan(dataclasses.replace(layers, addresses=addresses))
    assert plan.unserved["code"].tolist() == ["locked_terminal_unknown"]


def test_an_address_behind_a_railway_is_told_that_every_route_crosses_it() -> None:
    layers = bare_town([(0.0, 0.0)], houses=[HOUSE])
    rail = layer_frame("rail", [shapely.LineString([(-99.0, 9.0), (99.0, 9.0)])], width_m=[6.0])
    plan = _plan(dataclasses.replace(layers, rail=rail))
    row = plan.unserved.iloc[0]
    assert row["code"] == "every_route_forbidden"
    assert "crosses a railway" in row["reasons"]
