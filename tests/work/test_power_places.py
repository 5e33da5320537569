"""Power over or close to single places of work."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.approach import build_approach
from geoplan.work.free_places import OVERHEAD_M
from geoplan.work.power_around import NEAR_M
from geoplan.work.power_places import BY_RUN_M
from tests.work.test_approach import (
    NO_CONTACT_M,
    RULES,
    runs_of,
    with_layer,
    with_power,
    without_run,
)


def told(plan: Plan, work: Plan, row: int) -> list[str]:
    found = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan), work.work_places)
    words = found.iloc[row]["power_places"]
    return [] if pd.isna(words) else words.split(";")


@pytest.mark.parametrize("place", ["ladder", "reel"])
@pytest.mark.parametrize(
    ("away_m", "is_over"), [(OVERHEAD_M - 0.01, True), (OVERHEAD_M + 0.01, False)]
)
def test_a_line_over_a_place_is_told_there(
    demo_plan: Plan, demo_work: Plan, place: str, away_m: float, is_over: bool
) -> None:
    row = int(np.flatnonzero(demo_work.jobs["job_kind"].eq("span_clamp"))[0])
    places = demo_work.work_places
    own = places["address_id"].eq(demo_plan.drops["address_id"][row]) & places["place"].eq(place)
    (spot,) = places.geometry[own]
    start = shapely.get_coordinates(demo_plan.air_spans.geometry[row])[0]
    back = np.array([spot.x, spot.y]) - start
    back /= np.hypot(*back)
    line = shapely.LineString([(spot.x, spot.y) + far_m * back for far_m in (away_m, away_m + 0.1)])
    plan = with_power(demo_plan, [240.0], [line], height_m=20.0)
    assert (f"{place}: E000" in told(plan, demo_work, row)) == is_over


def test_power_that_lands_at_the_attachment_is_told_with_its_height(
    demo_plan: Plan, demo_work: Plan
) -> None:
    row = without_run(demo_plan)
    x, y = shapely.get_coordinates(demo_plan.air_spans.geometry[row])[1]
    line = shapely.LineString([(x + 0.2, y), (x + 0.3, y)])
    height = float(demo_plan.drops["attachment_height_m"][row]) + 1.2
    plan = with_power(demo_plan, [240.0], [line], height_m=height)
    assert "house_ladder: E000, 3.9 ft above it" in told(plan, demo_work, row)


def test_power_that_lands_elsewhere_on_the_house_is_told_for_the_run_along_it(
    demo_plan: Plan, demo_work: Plan
) -> None:
    row = without_run(demo_plan)
    house = demo_plan.layers.buildings.geometry[demo_plan.drops["building_id"][row]]
    corners = shapely.get_coordinates(house.exterior)
    out = 3.0 * (corners - [house.centroid.x, house.centroid.y])
    lines = [shapely.LineString([one, one + way]) for one, way in zip(corners, out, strict=True)]
    service = pd.Series("supply_drop", index=[f"E{n:03d}" for n in range(len(lines))], dtype="str")
    plan = with_power(demo_plan, [240.0] * len(lines), lines)
    kinds = service.set_axis(plan.layers.power.index)
    found = told(with_layer(plan, "power", power_kind=kinds), demo_work, row)
    end = shapely.get_coordinates(demo_plan.air_spans.geometry[row])[1]
    for name, corner in zip(kinds.index, corners, strict=True):
        off_m = float(np.hypot(*(corner - end)))
        words = f": {name}, lands on this house {off_m / 0.3048:.0f} ft from the attachment"
        assert (f"wall{words}" in found) == (off_m <= 15.0)
        assert (f"house{words}" in found) == (off_m <= BY_RUN_M)
    passed = told(plan, demo_work, row)  # lines of a supply end nowhere
    assert [words.replace("lands on", "passes") for words in found if " this house " in words] == [
        words for words in passed if " this house " in words
    ]


def test_a_line_beside_the_terminals_pole_is_told_there(demo_plan: Plan, demo_work: Plan) -> None:
    row = without_run(demo_plan)
    pole = demo_plan.layers.poles.geometry[demo_plan.drops["terminal_id"][row]]
    for away_m, is_told in ((3.0, True), (3.1, False)):
        line = shapely.LineString([(pole.x, pole.y - away_m), (pole.x, pole.y - away_m - 0.1)])
        plan = with_power(demo_plan, [240.0], [line], height_m=20.0)
        assert ("terminal: E000" in told(plan, demo_work, row)) == is_told


def test_few_reels_of_the_demo_stand_below_power(demo_work: Plan) -> None:
    words = demo_work.jobs["power_places"].dropna().str.split(";").explode()
    named = words[words.str.startswith("reel: ")]
    lines = shapely.STRtree(demo_work.layers.power.geometry.to_numpy())
    places = demo_work.work_places
    rows = places[places["place"] == "reel"]
    spots, _ = lines.query(rows.geometry.to_numpy(), predicate="dwithin", distance=OVERHEAD_M)
    assert set(rows["address_id"].iloc[spots]) == set(
        demo_work.jobs.loc[named.index.unique(), "address_id"]
    )
    assert len(set(named.index)) < 20


def test_all_lines_about_the_hooks_pole_are_told_for_ladder_and_drops_for_hands(
    demo_work: Plan,
) -> None:
    drops, power = demo_work.drops, demo_work.layers.power
    jobs = demo_work.jobs.set_index("address_id")
    poles = demo_work.layers.poles.geometry
    hooks = drops[
        drops["strand_span_id"].isna() & (drops["access_pole_id"] != drops["terminal_id"])
    ]
    seen = 0
    for address_id, pole in zip(hooks["address_id"], hooks["access_pole_id"], strict=True):
        by = power.index[power.geometry.distance(poles[pole]) <= NEAR_M]
        words = jobs.loc[address_id, "power_places"]
        told = words.split(";") if isinstance(words, str) else []
        assert {f"ladder: {name}" for name in by} <= set(told)
        drops_by = by[power["power_kind"].loc[by].eq("supply_drop")]
        assert {f"hook: {name}" for name in drops_by} <= set(told)
        seen += len(drops_by)
    assert seen > 30


def test_power_in_reach_on_the_hooks_own_pole_is_told_at_the_hook(demo_work: Plan) -> None:
    jobs, drops = demo_work.jobs, demo_work.drops
    own = "power on pole " + drops["access_pole_id"]
    reach = jobs["power_in_reach"].fillna("").str.split(";")
    is_hook = drops["strand_span_id"].isna()
    rows = [n for n in range(len(jobs)) if is_hook[n] and own[n] in reach[n]]
    assert len(rows) > 20
    for row in rows:
        told = jobs["power_places"][row].split(";")
        assert {f"hook: {own[row]}", f"ladder: {own[row]}"} <= set(told)


@pytest.mark.parametrize(("above_m", "is_told"), [(NEAR_M - 0.01, True), (NEAR_M + 0.01, False)])
def test_a_line_over_a_clamp_is_told_there_where_it_is_close_elsewhere(
    demo_plan: Plan, demo_work: Plan, above_m: float, is_told: bool
) -> None:
    drops = demo_plan.drops
    kinds = demo_work.jobs["job_kind"].eq("span_clamp") & ~demo_work.jobs["is_bucket_job"]
    row = int(np.flatnonzero(kinds & (drops["strand_run_m"] > 10.0))[0])
    (x, y), _ = shapely.get_coordinates(demo_plan.air_spans.geometry[row])
    terminal = demo_plan.layers.poles.geometry[drops["terminal_id"][row]]
    line = shapely.LineString([(x, y), (terminal.x, terminal.y)])
    height = float(drops["hook_height_m"][row]) + above_m
    plan = with_power(demo_plan, [240.0], [line], height_m=height)
    assert "hook: E000" not in told(plan, demo_work, row)
    poles = plan.layers.poles
    high = with_layer(plan, "poles", strand_height_m=pd.Series(height - 0.5, index=poles.index))
    found = told(high, demo_work, row)
    assert "terminal: E000" in found
    assert ("hook: E000" in found) == is_told
    assert {"ladder: E000", "hook_over: E000"} <= set(found)


@pytest.mark.parametrize(
    ("away_m", "is_over"), [(OVERHEAD_M - 0.01, True), (OVERHEAD_M + 0.01, False)]
)
def test_a_line_over_the_head_of_the_ladder_is_told_at_any_height(
    demo_plan: Plan, demo_work: Plan, away_m: float, is_over: bool
) -> None:
    kinds = demo_work.jobs["job_kind"].eq("span_clamp") & ~demo_work.jobs["is_bucket_job"]
    row = int(np.flatnonzero(kinds)[0])
    x, y = shapely.get_coordinates(demo_plan.air_spans.geometry[row])[0]
    places = demo_work.work_places
    own = places["address_id"].eq(demo_plan.drops["address_id"][row]) & places["place"].eq("ladder")
    (foot,) = places.geometry[own]
    back = np.array([x - foot.x, y - foot.y]) / np.hypot(x - foot.x, y - foot.y)
    near, far = ((x, y) + (away_m + more) * back for more in (0.0, 0.1))
    plan = with_power(demo_plan, [7200.0], [shapely.LineString([near, far])], height_m=30.0)
    found = told(plan, demo_work, row)
    assert ("ladder: E000" in found) == is_over
    assert ("hook_over: E000" in found) == is_over
    assert "hook: E000" not in found


def test_the_poles_that_a_run_passes_have_their_drops_to_buildings(demo_work: Plan) -> None:
    drops, power, poles = demo_work.drops, demo_work.layers.power, demo_work.layers.poles
    jobs, seen = demo_work.jobs, 0
    services = power[power["power_kind"].eq("supply_drop")]
    for row, job in enumerate(jobs.to_dict("records")):
        run = [] if pd.isna(job["run_poles"]) else job["run_poles"].split(";")
        ends = {drops["terminal_id"][row]}
        if pd.isna(drops["strand_span_id"][row]):
            ends.add(drops["access_pole_id"][row])
        words = [] if pd.isna(job["power_places"]) else job["power_places"].split(";")
        passed = {one.removeprefix("passed: ") for one in words if one.startswith("passed: ")}
        by = {
            f"{name}, {pole}"
            for pole in set(run) - ends
            for name in services.index[services.distance(poles.geometry[pole]) <= NEAR_M]
        }
        assert by <= passed
        assert {one.rpartition(", ")[2] for one in passed} <= set(run) - ends
        seen += len(by)
    assert seen > 20


def test_power_within_the_building_run_is_told_as_such(demo_work: Plan) -> None:
    jobs, lines = demo_work.jobs, demo_work.layers.power.geometry
    ends = shapely.get_point(demo_work.air_spans.geometry.to_numpy(), -1)
    seen = 0
    for row, job in enumerate(jobs.to_dict("records")):
        words = [] if pd.isna(job["power_places"]) else job["power_places"].split(";")
        wall, by = (
            {one.partition(": ")[2].partition(", ")[0] for one in words if one.startswith(place)}
            for place in ("wall: ", "house_run: ")
        )
        for name in wall:
            tips = [shapely.get_point(lines[name], end).distance(ends[row]) for end in (0, -1)]
            if name in by:
                assert lines[name].distance(ends[row]) <= job["building_run_m"]
            elif min(tips) <= job["building_run_m"]:
                pytest.fail(f"{name} ends within the building run of {job['address_id']}")
        seen += len(by)
    assert seen > 10


@pytest.mark.parametrize(("away_m", "is_close"), [(1.2, True), (NEAR_M + 0.1, False)])
def test_a_line_is_told_at_the_hook_only_where_it_is_within_ten_feet(
    demo_plan: Plan, demo_work: Plan, away_m: float, is_close: bool
) -> None:
    row = without_run(demo_plan)
    (x, y), (x1, y1) = shapely.get_coordinates(demo_plan.air_spans.geometry[row])
    back = np.array([x - x1, y - y1]) / np.hypot(x - x1, y - y1)
    line = shapely.LineString([(x, y) + away_m * back, (x, y) + (away_m + 0.1) * back])
    height = float(demo_plan.drops["hook_height_m"][row])
    plan = with_power(demo_plan, [240.0], [line], height_m=height)
    assert ("hook: E000" in told(plan, demo_work, row)) == is_close


def test_what_is_not_kept_is_listed_and_a_crossed_run_says_where(demo_work: Plan) -> None:
    jobs = demo_work.jobs
    places = jobs["power_places"].fillna("").str.split(";")
    short = places.map(lambda parts: any(part.startswith("short: ") for part in parts))
    stops = jobs["power_approach"].isin(["within", "not_checked"])
    assert stops.sum() > 20
    assert (short == stops).all()
    run = places.explode()
    run = run[run.str.startswith("run: ")]
    assert len(run) > 5
    is_placed = run.str.fullmatch(r"run: E\d+ \([\d.]+ ft from pole \w+\)")
    by_bucket = (jobs["is_bucket_job"] | jobs["is_run_bucket"])[run.index]
    assert is_placed[~by_bucket].all()
    assert is_placed.sum() > 5
