"""The table of crossings, on the demo and on streets small enough to follow."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.audit import build_audit
from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.tables import TABLES, schema
from tests.audit.jobs_frame import jobs_of
from tests.plants import PROJECT, bare_town, roomy, standards_for
from tests.towns import layer_frame

HOUSE = shapely.box(-5.0, 25.0, 5.0, 35.0)


@pytest.fixture(scope="module")
def demo_audit(demo_plan: Plan) -> pd.DataFrame:
    return build_audit(demo_plan, jobs_of(demo_plan))


def audit_of(layers: Layers, project: Project = PROJECT) -> pd.DataFrame:
    """Plan a town and audit it."""
    standards = standards_for(project)
    plan = make_plan(layers, project, standards=standards)
    return build_audit(plan, jobs_of(plan), standards)


def test_the_table_is_as_declared(demo_audit: pd.DataFrame) -> None:
    schema(TABLES["crossing_audit"]).validate(demo_audit)
    assert list(demo_audit.index) == list(range(len(demo_audit)))


def test_every_drop_that_crosses_a_street_is_in_it(
    demo_plan: Plan, demo_audit: pd.DataFrame
) -> None:
    drops = demo_plan.drops
    streets = demo_audit[demo_audit["crossing_kind"] == "road"]
    assert set(streets["address_id"]) == set(drops.loc[drops["is_street_crossing"], "address_id"])
    water = demo_plan.crossings["crossing_kind"] == "water"
    assert (demo_audit["crossing_kind"] == "water").sum() == water.sum() > 0


def test_each_crossing_lies_as_far_along_its_road_as_is_said(
    demo_plan: Plan, demo_audit: pd.DataFrame
) -> None:
    roads = demo_plan.layers.roads.geometry
    streets = demo_audit[demo_audit["crossing_kind"] == "road"]
    for row in streets.itertuples():
        line = roads.loc[row.feature_id]
        assert 0 <= row.along_m <= line.length
        assert line.interpolate(row.along_m).distance(row.geometry) < 1e-6
    assert demo_audit.loc[demo_audit["crossing_kind"] == "water", "along_m"].isna().all()


def test_traffic_control_is_that_of_the_drops_job(
    demo_plan: Plan, demo_audit: pd.DataFrame
) -> None:
    jobs = jobs_of(demo_plan).set_index("address_id").loc[demo_audit["address_id"]]
    for name in ("traffic_class", "traffic_reasons"):
        assert demo_audit[name].tolist() == jobs[name].tolist()
    for name in ("sign_1_m", "sign_2_m", "sign_3_m", "taper_m", "buffer_m"):
        np.testing.assert_array_equal(demo_audit[name], jobs[name])


def test_the_order_of_the_jobs_has_no_effect(demo_plan: Plan, demo_audit: pd.DataFrame) -> None:
    again = build_audit(demo_plan, jobs_of(demo_plan).sample(frac=1.0, random_state=3))
    pd.testing.assert_frame_equal(
        pd.DataFrame(again.drop(columns="geometry")),
        pd.DataFrame(demo_audit.drop(columns="geometry")),
    )


def test_clearances_are_those_of_the_plan(demo_plan: Plan, demo_audit: pd.DataFrame) -> None:
    key = ["address_id", "crossing_kind", "feature_id", "at_m"]
    both = demo_audit.merge(demo_plan.crossings, on=key, suffixes=("", "_plan"))
    assert len(both) == len(demo_audit)
    for name in ("required_m", "available_m", "margin_m", "angle_deg", "width_m"):
        np.testing.assert_array_equal(both[name], both[f"{name}_plan"])


def test_each_row_tells_a_price_or_why_there_is_none(demo_audit: pd.DataFrame) -> None:
    has = demo_audit["other_terminal_id"].notna()
    for name in ("other_route_kind", "other_air_span_m", "other_extra_cost"):
        assert (demo_audit[name].notna() == has).all()
    assert has.any()
    words = demo_audit.loc[~has, "other_note"]
    assert (words.str.startswith("none: ") | words.str.startswith("only with ")).all()
    assert words.str.startswith("none: ").any()
    assert words.str.startswith("only with ").any()


def street(**more: object) -> Layers:
    """Lay out a house north of a street, a terminal south of it, and a farther one north."""
    road = shapely.LineString([(-30.0, 10.0), (40.0, 10.0)])
    return bare_town(
        [(0.0, 0.0), (0.0, 90.0)],
        houses=[HOUSE],
        roads=[road],
        terminals=[0, 1],
        **more,  # type: ignore[arg-type]
    )


def test_the_extra_cost_is_worked_out_by_hand() -> None:
    # planned: 60 + 25 m at 1.50 + a street at 80; without: 60 + 55 m at 1.50
    cheap = roomy(costs={"street_crossing": {"residential": 30.0}})
    (row,) = audit_of(street(), cheap).itertuples()
    assert row.along_m == pytest.approx(30.0)
    assert row.at_m == pytest.approx(10.0)
    assert row.other_terminal_id == "po001"
    assert row.other_route_kind == "direct"
    assert row.other_air_span_m == pytest.approx(55.0)
    assert row.other_extra_cost == pytest.approx(55 * 1.5 - 25 * 1.5 - 30.0)
    assert row.other_note == "a port that stays free in the plan"


def test_a_full_terminal_is_offered_with_its_price_and_the_ports_it_lacks() -> None:
    layers = street()
    poles = layers.poles.assign(ports_in_use=[0, 4])
    (row,) = audit_of(dataclasses.replace(layers, poles=poles)).itertuples()
    assert row.other_note == "only with 1 more port at po001: 35.00 less"
    assert pd.isna(row.other_extra_cost)


def test_a_full_terminal_that_is_its_own_has_a_port_for_it() -> None:
    """By way of the strand over the street to a pole on the house's side."""
    road = shapely.LineString([(-30.0, 10.0), (40.0, 10.0)])
    layers = bare_town(
        [(0.0, 0.0), (0.0, 50.0)], houses=[HOUSE], roads=[road], terminals=[0], ends=[(0, 1)]
    )
    poles = layers.poles.assign(ports_in_use=[3, 0])
    cheap = roomy(
        costs={"street_crossing": {"residential": 1.0}}, limits={"min_clamp_to_pole": "50 m"}
    )
    (row,) = audit_of(dataclasses.replace(layers, poles=poles), cheap).itertuples()
    assert row.other_terminal_id == "po000"
    assert row.other_route_kind == "other_pole"
    # run 50 m at 2.00, a pole at 25, 15 m of air span against 25 m and the street
    assert row.other_extra_cost == pytest.approx(100.0 + 25.0 + 22.5 - 37.5 - 1.0)
    assert row.other_note == "at the same terminal"


@pytest.mark.parametrize(
    ("reserved", "extra", "note"),
    [
        # the planned drop takes a reserved port and gives it back
        ([4, 0], 82.5 - 37.5 - 1.0 - 9.0, "; reserved ports priced in: -9.00"),
        ([0, 4], 82.5 - 37.5 - 1.0 + 9.0, "; reserved ports priced in: 9.00"),
        ([4, 4], 82.5 - 37.5 - 1.0, ""),
    ],
)
def test_reserved_ports_are_priced_in(reserved: list[int], extra: float, note: str) -> None:
    layers = street()
    poles = layers.poles.assign(ports_reserved=reserved)
    project = roomy(
        choice={"use_reserve": True},
        costs={"street_crossing": {"residential": 1.0}, "reserve_port": 9.0},
    )
    (row,) = audit_of(dataclasses.replace(layers, poles=poles), project).itertuples()
    assert row.other_extra_cost == pytest.approx(extra)
    assert row.other_note == f"a port that stays free in the plan{note}"


def test_a_route_over_water_is_none_even_where_water_may_be_crossed() -> None:
    project = roomy(
        forbidden={"water": False},
        costs={"street_crossing": {"residential": 1.0}, "water_crossing": 1.0},
    )
    creek = layer_frame("water", [shapely.box(-300.0, 45.0, 300.0, 55.0)])
    (row,) = audit_of(dataclasses.replace(street(), water=creek), project).itertuples()
    assert row.other_note == "none: every route without a crossing is ruled out: crosses water"


def test_a_road_in_several_parts_is_measured_part_by_part() -> None:
    layers = street()
    parts = shapely.MultiLineString([[(-50.0, 10.0), (-20.0, 10.0)], [(-10.0, 10.0), (40.0, 10.0)]])
    roads = layers.roads.set_geometry([parts], crs=layers.roads.crs)
    cheap = roomy(costs={"street_crossing": {"residential": 30.0}})
    (row,) = audit_of(dataclasses.replace(layers, roads=roads), cheap).itertuples()
    assert row.along_m == pytest.approx(30.0 + 10.0)


@pytest.mark.parametrize(
    ("jurisdiction", "owner"),
    [("Town of Fenmoor", "Town of Fenmoor"), (None, "not recorded: ask the road's authority")],
)
def test_who_has_to_agree_is_the_jurisdiction_where_known(
    jurisdiction: str | None, owner: str
) -> None:
    layers = street()
    roads = layers.roads.assign(jurisdiction=pd.Series([jurisdiction], dtype="str").array)
    cheap = roomy(costs={"street_crossing": {"residential": 30.0}})
    (row,) = audit_of(dataclasses.replace(layers, roads=roads), cheap).itertuples()
    assert row.permit_owner == owner


def test_a_plan_without_crossings_gives_an_empty_table() -> None:
    table = audit_of(bare_town([(0.0, 0.0)], houses=[HOUSE]))
    assert len(table) == 0
    schema(TABLES["crossing_audit"]).validate(table)


def test_a_plan_without_drops_gives_an_empty_table() -> None:
    table = audit_of(bare_town([(0.0, 0.0)], addresses=[(0.0, 500.0)]))
    assert len(table) == 0
    schema(TABLES["crossing_audit"]).validate(table)
