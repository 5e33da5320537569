"""Power over or close to single places of work."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.approach import build_approach
from geoplan.work.free_places import OVERHEAD_M
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
    row = without_run(demo_plan)
    places = demo_work.work_places
    own = places["address_id"].eq(demo_plan.drops["address_id"][row]) & places["place"].eq(place)
    (spot,) = places.geometry[own]
    line = shapely.LineString([(spot.x + away_m, spot.y - 0.1), (spot.x + away_m, spot.y + 0.1)])
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
        words = f": {name}, lands on this house {off_m / 0.3048:.0f} ft off"
        assert (f"wall{words}" in found) == (off_m <= 15.0)
        assert (f"house{words}" in found) == (off_m <= BY_RUN_M)
    assert not [words for words in told(plan, demo_work, row) if words.startswith("wall")]


def test_a_line_beside_the_terminals_pole_is_told_there(demo_plan: Plan, demo_work: Plan) -> None:
    row = without_run(demo_plan)
    pole = demo_plan.layers.poles.geometry[demo_plan.drops["terminal_id"][row]]
    for away_m, is_told in ((3.0, True), (3.1, False)):
        line = shapely.LineString([(pole.x, pole.y - away_m), (pole.x, pole.y - away_m - 0.1)])
        plan = with_power(demo_plan, [240.0], [line], height_m=20.0)
        assert ("terminal: E000" in told(plan, demo_work, row)) == is_told


def test_few_ladders_and_reels_of_the_demo_stand_below_power(demo_work: Plan) -> None:
    words = demo_work.jobs["power_places"].dropna().str.split(";").explode()
    below = words[words.str.startswith(("ladder: ", "reel: "))]
    lines = shapely.STRtree(demo_work.layers.power.geometry.to_numpy())
    places = demo_work.work_places
    for place in ("ladder", "reel"):
        rows = places[places["place"] == place]
        spots, _ = lines.query(rows.geometry.to_numpy(), predicate="dwithin", distance=OVERHEAD_M)
        named = below[below.str.startswith(place)]
        ids = demo_work.jobs.loc[named.index.unique(), "address_id"]
        below_line = set(rows["address_id"].iloc[spots])
        assert below_line <= set(ids)
        assert place == "ladder" or below_line == set(ids)
        assert len(set(ids)) < 20


@pytest.mark.parametrize(("away_m", "is_close"), [(1.2, True), (1.4, False)])
def test_a_line_is_told_at_the_hook_only_where_hands_reach_it(
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
    assert run.str.fullmatch(r"run: E\d+ \([\d.]+ ft from pole \w+\)").all()
