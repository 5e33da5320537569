"""Traffic control: published tapers and signs, limits on both sides, words for the reasons."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.model import Plan
from geoplan.rules.crew_reader import ROAD_CLASSES, CrewRules, read_crew_rules
from geoplan.work.jobs import JobTables, build_jobs
from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.road_works import (
    CLOSURE,
    FLAGGERS,
    OWNER,
    STOP,
    TRAFFIC_CLASSES,
    buffer_length,
    look_up_roads,
    sign_spacing,
    taper_length,
    work_distances,
)
from geoplan.work.side_roads import NOT_HELD
from geoplan.work.strand_run import trace_runs
from tests.towns import layer_frame
from tests.work.conftest import with_layer

FOOT_M = 0.3048
MPH = 1609.344 / 3600
RULES = read_crew_rules("us")


@pytest.mark.parametrize(
    ("width_ft", "mph", "feet"),
    [
        (12, 25, 125),
        (12, 30, 180),
        (12, 35, 245),
        (12, 40, 320),
        (12, 45, 540),
        (12, 55, 660),
        (10, 30, 150),
    ],
)
def test_tapers_are_those_worked_out_by_hand(width_ft: float, mph: float, feet: float) -> None:
    length = taper_length(np.array([mph * MPH]), np.array([width_ft * FOOT_M]), RULES)
    assert length[0] / FOOT_M == pytest.approx(feet, rel=1e-9)


def test_between_40_and_45_mph_the_longer_formula_holds() -> None:
    speed = np.array([40.0, 40.5, 42.0, 44.9, 45.0]) * MPH
    length = taper_length(speed, np.full(5, 12 * FOOT_M), RULES) / FOOT_M
    assert length == pytest.approx([320.0, 12 * 40.5, 12 * 42.0, 12 * 44.9, 540.0])
    assert (np.diff(length) > 0).all()


@pytest.mark.parametrize(
    ("mph", "road_class", "feet"),
    [
        (15, "alley", (100, 100, 100)),
        (25, "residential", (100, 100, 100)),
        (26, "residential", (250, 250, 250)),
        (40, "arterial", (250, 250, 250)),
        (41, "arterial", (350, 350, 350)),
        (20, "rural", (500, 500, 500)),
        (55, "rural", (500, 500, 500)),
        (65, "highway", (1000, 1500, 2640)),
    ],
)
def test_signs_stand_as_in_the_published_table(
    mph: float, road_class: str, feet: tuple[float, ...]
) -> None:
    code = np.array([ROAD_CLASSES.index(road_class)])
    spacing = sign_spacing(np.array([mph * MPH]), code, RULES)
    assert [float(value[0]) / FOOT_M for value in spacing] == pytest.approx(feet)


@pytest.mark.parametrize(
    ("mph", "feet"), [(10, 115), (20, 115), (21, 155), (25, 155), (44, 360), (70, 730)]
)
def test_buffer_takes_the_next_higher_row(mph: float, feet: float) -> None:
    assert buffer_length(np.array([mph * MPH]), RULES)[0] / FOOT_M == pytest.approx(feet)


def test_beyond_the_table_there_is_no_buffer() -> None:
    assert np.isnan(buffer_length(np.array([71 * MPH]), RULES)[0])


def roads(road_class: str | None, mph: float, vehicles: float, width_m: float = 8.0):
    frame = layer_frame(
        "roads",
        [shapely.LineString([(0, 0), (10, 0)])],
        road_class=[road_class],
        width_m=[width_m],
        speed_m_per_s=[mph * MPH],
    )
    return frame.assign(vehicles_per_day=np.array([vehicles]), name=["Fennick Road"])


@pytest.mark.parametrize(
    ("road_class", "mph", "vehicles", "way", "for_one"),
    [
        ("residential", 25, 50, STOP, False),
        ("residential", 26, 500, STOP, False),
        ("residential", 25, 501, STOP, False),
        ("residential", 30, 2000, STOP, False),
        ("residential", 31, 2000, FLAGGERS, False),
        ("residential", 30, 2001, FLAGGERS, False),
        ("residential", 41, 100, CLOSURE, False),
        ("alley", 15, 100, STOP, True),
        ("alley", 15, 101, STOP, False),
        ("collector", 20, 10, FLAGGERS, False),
        ("arterial", 45, 12000, FLAGGERS, False),
        ("arterial", 46, 12000, CLOSURE, False),
        ("arterial", 45, 12001, CLOSURE, False),
        ("highway", 20, 10, OWNER, False),
        ("esplanade", 20, 10, FLAGGERS, False),
        (None, 50, 10, CLOSURE, False),
        ("residential", np.nan, 100, STOP, False),
        ("residential", 25, np.nan, STOP, False),
    ],
)
def test_each_road_is_crossed_the_least_way_it_allows(
    road_class: str | None, mph: float, vehicles: float, way: int, for_one: bool
) -> None:
    found = look_up_roads(roads(road_class, mph, vehicles), RULES)
    assert found.way[0] == way
    assert found.is_for_one[0] == for_one


@settings(max_examples=50, deadline=None)
@given(
    st.sampled_from(ROAD_CLASSES),
    st.floats(5, 80),
    st.floats(0, 40),
    st.floats(0, 30000),
    st.floats(0, 20000),
)
def test_faster_or_busier_roads_never_ask_for_less(
    road_class: str, mph: float, faster: float, vehicles: float, busier: float
) -> None:
    slow = look_up_roads(roads(road_class, mph, vehicles), RULES)
    fast = look_up_roads(roads(road_class, mph + faster, vehicles + busier), RULES)
    assert fast.way[0] >= slow.way[0]
    assert fast.is_for_one[0] <= slow.is_for_one[0]


def test_every_drop_over_a_road_has_traffic_control(demo_plan: Plan, demo_jobs: JobTables) -> None:
    crossings = demo_plan.crossings
    over = crossings[(crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]]
    jobs = demo_jobs.jobs.set_index("address_id")
    controlled = jobs["traffic_class"].isin(TRAFFIC_CLASSES[STOP:])
    owned = crossings[crossings["crossing_kind"].isin(["water", "rail"])]
    expected = set(over["address_id"])
    expected -= set(owned["address_id"])
    by_run = set(jobs.index[jobs["run_roads"].notna()])
    assert by_run - expected
    assert set(jobs.index[jobs["run_traffic_class"].notna()]) == by_run
    at_kerb = {
        name
        for words in (LANE_BESIDE, ROAD_BESIDE)
        for name in jobs.index[jobs["traffic_reasons"].str.contains(words, regex=False)]
    }
    below = set(jobs.index[jobs["traffic_reasons"].str.contains("brings wires of other drops")])
    assert set(jobs.index[controlled]) == expected | at_kerb | below
    assert at_kerb - expected
    assert below - expected - at_kerb
    assert jobs.loc[sorted(below), "span_drops_over"].notna().all()
    over_water = jobs.loc[sorted(set(owned["address_id"]))]
    assert over_water["traffic_class"].eq("none").all()
    assert over_water["is_owner_permit_needed"].all()
    named = over.drop_duplicates("address_id", keep=False).set_index("address_id")["feature_id"]
    named = named.drop(index=[*owned["address_id"], *at_kerb], errors="ignore")
    assert (jobs.loc[named.index, "road_id"] == named).all()


def test_distances_stand_where_the_class_has_them(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    by_road = jobs["traffic_class"] != "owner"
    signed = jobs["traffic_class"].isin(["beside_road", "short_stop", "flaggers", "lane_closure"])
    far = jobs["traffic_class"].isin(["flaggers", "lane_closure"])
    assert jobs.loc[by_road, "sign_1_m"].notna().tolist() == signed[by_road].tolist()
    for name in ("sign_2_m", "sign_3_m", "buffer_m"):
        assert jobs[name].notna().tolist() == far.tolist()
    at_kerb = jobs["traffic_reasons"].str.contains(LANE_BESIDE, regex=False)
    closed = at_kerb | (jobs["traffic_class"] == "lane_closure")
    assert jobs["taper_m"].notna().tolist() == closed.tolist()
    by_run = jobs["run_traffic_class"].isin(["flaggers", "lane_closure"])
    assert by_run.any()
    for name in ("run_sign_1_m", "run_sign_2_m", "run_buffer_m"):
        assert jobs[name].notna().tolist() == by_run.tolist()
    assert (jobs["run_taper_m"].notna() <= by_run).all()


def test_a_road_too_fast_for_flaggers_is_a_lane_closure(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    speed = np.full(len(demo_plan.layers.roads), 50 * MPH)
    jobs = build_jobs(with_layer(demo_plan, "roads", speed_m_per_s=speed), crew_rules).jobs
    closed = jobs[jobs["traffic_class"] == "lane_closure"]
    assert len(closed) > 20
    width = demo_plan.layers.roads["width_m"].reindex(closed["road_id"]).to_numpy()
    lane = np.minimum(12 * FOOT_M, width / 2)
    assert closed["taper_m"].to_numpy() == pytest.approx(lane * 50)
    assert closed["buffer_m"].to_numpy() == pytest.approx(425 * FOOT_M)
    told = "above the limits of flaggers|: lane closure"  # the second one at the kerb
    assert closed["traffic_reasons"].str.contains(told).all()
    assert (closed["crew_size"] >= 2).all()


def test_unknown_speed_is_said_and_taken_on_the_safe_side(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    roads_known = build_jobs(demo_plan, crew_rules).jobs
    unknown = np.full(len(demo_plan.layers.roads), np.nan)
    plan = with_layer(demo_plan, "roads", speed_m_per_s=unknown, vehicles_per_day=unknown)
    jobs = build_jobs(plan, crew_rules).jobs
    stops = jobs[jobs["traffic_class"] == "short_stop"]
    assert stops["crew_reasons"].str.contains("not recorded, 30 mph assumed for its class").any()
    crosses = jobs["traffic_class"].isin(["short_stop", "flaggers", "lane_closure"])
    assert jobs.loc[crosses, "crew_reasons"].str.contains("not recorded").all()
    people, known = (frame["crew_size"] + frame["flaggers"] for frame in (jobs, roads_known))
    is_closed = jobs["traffic_class"] == "lane_closure"
    is_open = jobs["traffic_reasons"].str.contains(NOT_HELD, regex=False)
    is_open |= jobs["span_drops_busy"].notna()  # hung before those that nobody of the crew holds
    told = (people >= known)[~is_closed & ~is_open]
    assert told.all(), "flaggers hold traffic in place of one of the crew"
    assert (jobs["crew_size"] >= 2)[is_closed].all()


def test_a_class_that_may_be_a_default_is_said_where_roads_had_none(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    words = "may not be recorded: a road without one counts as residential"
    unknown = np.full(len(demo_plan.layers.roads), np.nan)
    plan = with_layer(demo_plan, "roads", vehicles_per_day=unknown)
    findings = plan.layers.findings
    some = findings["code"] == "road_class_assumed"
    assert some.sum() == 1
    layers = dataclasses.replace(plan.layers, findings=findings[~some])
    known = build_jobs(dataclasses.replace(plan, layers=layers), crew_rules).jobs
    assert not known["crew_reasons"].str.contains(words, regex=False).any()
    jobs = build_jobs(plan, crew_rules).jobs
    crossings = demo_plan.crossings
    over = crossings[(crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]]
    homely = set(over.loc[over["feature_class"] == "residential", "address_id"])
    lanes = demo_plan.layers.roads
    names = lanes.loc[lanes["road_class"] == "residential", "name"]
    for column in ("run_roads", "run_lanes"):
        below = jobs[column].str.split(";").explode().isin(names).groupby(level=0).any()
        homely |= set(jobs.loc[below, "address_id"])
    says = jobs["crew_reasons"].str.contains(words, regex=False)
    assert set(jobs.loc[says, "address_id"]) == homely
    assert 0 < says.sum() < len(jobs)


def test_a_road_beside_the_ladder_is_work_beside_a_road(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    feet = demo_jobs.work_places
    feet = feet[feet["place"].isin(["ladder", "bucket"])].set_index("address_id")
    lanes = demo_plan.layers.roads
    surface = shapely.union_all(lanes.geometry.buffer(lanes["width_m"] / 2, quad_segs=64))
    edge = feet.geometry.distance(surface).reindex(jobs.index)
    limit = crew_rules.value("places.beside_road")
    near = (edge < limit - 0.01) & ~jobs["traffic_class"].isin(TRAFFIC_CLASSES[STOP:])
    assert near.sum() > 50
    assert (jobs.loc[near, "traffic_class"] == "beside_road").all()
    hooks = shapely.get_point(demo_plan.air_spans.geometry.values, 0)
    poles = demo_plan.layers.poles.geometry
    terminals = poles.reindex(demo_plan.drops["terminal_id"]).to_numpy()
    ways = shapely.distance(demo_plan.drops.geometry.to_numpy(), surface)
    all_feet = demo_jobs.work_places.geometry.distance(surface)
    far = all_feet.groupby(demo_jobs.work_places["address_id"]).min().reindex(jobs.index)
    far = np.fmin(far.to_numpy(), shapely.distance(shapely.force_2d(hooks), surface))
    far = np.minimum(np.minimum(far, shapely.distance(terminals, surface)), ways)
    assert (jobs.loc[far > limit + 0.01, "traffic_class"] != "beside_road").all()


def test_all_roads_beside_the_work_are_named_and_the_gravest_one_rules(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    """Poles at street corners: the busier street gives signs, the other one is told."""
    jobs = demo_jobs.jobs
    lanes = demo_plan.layers.roads
    poles = demo_plan.layers.poles.geometry.reindex(demo_plan.drops["access_pole_id"])
    edge = np.stack(
        [
            poles.distance(line).to_numpy() - width / 2
            for line, width in zip(lanes.geometry, lanes["width_m"], strict=True)
        ],
        axis=1,
    )
    near = edge < crew_rules.value("places.beside_road")
    corner = np.flatnonzero(near.sum(axis=1) > 1)
    assert len(corner) > 4
    way = look_up_roads(lanes, crew_rules).way
    for row in corner:
        job = jobs.iloc[row]
        told = {lanes["name"][job["road_id"]], *(job["other_roads"] or "").split(";")}
        assert told >= set(lanes["name"].to_numpy()[near[row]])
        if job["traffic_class"] == "beside_road":
            ruling = way[lanes.index.get_loc(job["road_id"])]
            assert ruling == way[near[row]].max()


@pytest.mark.parametrize(
    ("longest_m", "mph", "road_class"),
    [
        (20.0, 25, "short_stop"),
        (5.0, 25, "flaggers"),
        (20.0, 35, "flaggers"),
        (5.0, 42, "lane_closure"),
    ],
)
def test_a_run_over_a_road_is_controlled_by_the_limits_of_a_crossing(
    demo_plan: Plan,
    demo_jobs: JobTables,
    crew_rules: CrewRules,
    longest_m: float,
    mph: float,
    road_class: str,
) -> None:
    """A run that crosses a residential street, whose limit and whose longest stop change."""
    rows = demo_jobs.jobs.set_index("address_id")
    name = "Ombrel Street"
    one = rows.index[(rows["run_roads"] == name) & (rows["job_kind"] == "span_clamp")][0]
    lanes = demo_plan.layers.roads
    speed = lanes["speed_m_per_s"].where(lanes["name"] != name, mph * MPH)
    figures = dict(crew_rules.figures)
    key = "run.longest_stop"
    figures[key] = dataclasses.replace(figures[key], value_si=longest_m)
    others = ("bucket_away", "bucket_keep_off", "kerb_lane_aloft")  # another road's lane stays open
    for room in (f"places.{other}" for other in others):
        figures[room] = dataclasses.replace(figures[room], value_si=0.0)
    rules = dataclasses.replace(crew_rules, figures=figures)
    jobs = build_jobs(with_layer(demo_plan, "roads", speed_m_per_s=speed), rules).jobs
    job = jobs.set_index("address_id").loc[one]
    assert job["run_traffic_class"] == road_class
    at_kerb = LANE_BESIDE in job["traffic_reasons"]
    assert at_kerb == (road_class == "flaggers"), "its pole is at the kerb, flaggers come anyway"
    assert (job["traffic_class"] in ("none", "beside_road")) == (not at_kerb)
    assert job["crew_size"] >= 2
    assert "strand run over 26.0 ft of Ombrel Street" in job["traffic_reasons"]
    assert ("led in a short stop" in job["traffic_reasons"]) == (longest_m < 7.9)


def test_a_run_over_a_railway_needs_its_owner(demo_plan: Plan, crew_rules: CrewRules) -> None:
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    leg = runs.segment[0]
    middle, way = (leg[:2] + leg[2:]) / 2, leg[2:] - leg[:2]
    side = np.array([-way[1], way[0]])
    track = layer_frame("rail", [shapely.LineString([middle - side, middle + side])])
    layers = dataclasses.replace(demo_plan.layers, rail=track)
    job = build_jobs(dataclasses.replace(demo_plan, layers=layers), crew_rules).jobs.iloc[
        runs.drop[0]
    ]
    assert job["traffic_class"] == "owner"
    assert job["is_owner_permit_needed"]
    assert "strand run over rail" in job["crew_reasons"]


def test_rail_needs_its_owner_and_a_crew(demo_plan: Plan, crew_rules: CrewRules) -> None:
    row = demo_plan.crossings.iloc[[0]].assign(
        address_id=demo_plan.drops["address_id"][5],
        crossing_kind="rail",
        feature_id="T1",
        feature_name="Orrin Line",
        is_near_miss=False,
    )
    crossings = gpd.GeoDataFrame(pd.concat([demo_plan.crossings, row], ignore_index=True))
    plan = dataclasses.replace(demo_plan, crossings=crossings)
    job = build_jobs(plan, crew_rules).jobs.iloc[5]
    assert job["traffic_class"] == "owner"
    assert job["is_owner_permit_needed"]
    assert job["crew_size"] == 2
    assert "crosses rail Orrin Line" in job["crew_reasons"]


@pytest.mark.parametrize("road_class", ["short_stop", "flaggers", "beside_road"])
def test_a_railway_does_not_take_away_the_signs_of_the_road(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules, road_class: str
) -> None:
    before = demo_jobs.jobs
    before = before[before["traffic_class"] == road_class].iloc[0]
    row = demo_plan.crossings.iloc[[0]].assign(
        address_id=before["address_id"],
        crossing_kind="rail",
        feature_id="T1",
        feature_name="Orrin Line",
        is_near_miss=False,
    )
    crossings = gpd.GeoDataFrame(pd.concat([demo_plan.crossings, row], ignore_index=True))
    jobs = build_jobs(dataclasses.replace(demo_plan, crossings=crossings), crew_rules).jobs
    after = jobs.set_index("address_id").loc[before["address_id"]]
    assert after["traffic_class"] == "owner"
    for name in ("road_id", "sign_1_m", "sign_2_m", "sign_3_m", "taper_m", "buffer_m"):
        assert after[name] == before[name] or (pd.isna(after[name]) and pd.isna(before[name]))
    assert before["traffic_reasons"] in after["traffic_reasons"]


def test_water_alone_has_no_traffic_to_control(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    water = jobs[jobs["crew_reasons"].str.contains("crosses water", regex=False)]
    assert len(water) > 0
    assert not water["traffic_reasons"].str.contains("owner's permit", regex=False).any()
    none = water[water["traffic_class"].eq("none") & water["run_traffic_class"].isna()]
    assert none["traffic_reasons"].str.startswith("no carriageway over or within").all()
    assert len(none) > 0


def test_the_whole_road_is_held_without_a_taper_a_lane_at_the_kerb_with_one() -> None:
    layer = roads("residential", 25, 500)
    seen = look_up_roads(layer, RULES)
    code, at = np.array([FLAGGERS, FLAGGERS]), np.zeros(2, dtype=np.int64)
    far = work_distances(code, at, np.array([False, True]), seen, RULES)
    assert np.isnan(far["taper_m"][0])
    assert far["taper_m"][1] == pytest.approx(100 * FOOT_M)
    assert far["buffer_m"] == pytest.approx(155 * FOOT_M)


def test_a_short_stop_of_two_has_a_person_more_for_each_side_road(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    told = jobs["traffic_reasons"].str.contains("who lets nobody turn in", regex=False)
    assert told.any()
    assert jobs.loc[told, "traffic_class"].eq("short_stop").all()
    assert (jobs.loc[told, "crew_size"] > 2).all()
    assert jobs.loc[told, "crew_reasons"].str.contains("holding a side road", regex=False).all()


def test_signs_are_said_to_count_from_the_taper_where_there_is_one(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    says = jobs["traffic_reasons"].str.contains("count from the start of the taper", regex=False)
    has = jobs["taper_m"].notna() | jobs["run_taper_m"].notna()
    assert says.tolist() == has.tolist()
    assert says.any()


def test_flaggers_are_counted_for_each_road_that_is_held_and_each_side_road(
    demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    jobs = demo_jobs.jobs
    has = jobs["flaggers"] > 0
    by_flaggers = jobs[["traffic_class", "run_traffic_class"]].eq("flaggers").any(axis=1)
    assert (has >= by_flaggers).all()
    each = int(crew_rules.value("people.flaggers"))
    told = jobs.loc[by_flaggers, "traffic_reasons"].str.extract(r"(\d+) flaggers besides")[0]
    assert (told.astype(int) == jobs.loc[by_flaggers, "flaggers"]).all()
    joins = jobs["traffic_reasons"].str.contains("; side roads? ", regex=True)
    assert (jobs.loc[by_flaggers & joins, "flaggers"] > each).all()
    assert (jobs.loc[by_flaggers, "flaggers"] >= each).all()


def test_a_road_that_one_person_closes_has_its_corners_closed_too(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    told = jobs[jobs["traffic_reasons"].str.contains("; side roads? [^;]*: cones across")]
    assert "Hask Lane (both ways): cones across each corner" in told.loc["A059", "traffic_reasons"]
    assert told["traffic_class"].eq("short_stop").all()
    assert told["flaggers"].eq(0).all()
    assert jobs.loc["A059", "crew_size"] == 1
