"""Power drawn around a drop: nearest first, from what, and what lands on its house."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.power_around import (
    AROUND_M,
    MOST_AROUND,
    NEAR_M,
    PASSES_WITHIN_M,
    at_house,
    house_words,
)
from geoplan.work.powers import Powers, look_up_powers
from tests.work.conftest import with_layer
from tests.work.test_approach import NO_CONTACT_M, RULES, approach, with_power, without_run

FOOT_M = 0.3048


def beyond_house(plan: Plan, row: int, away_m: float, long_m: float = 0.01) -> shapely.LineString:
    """Return a line beyond the house attachment, on the way of the wire."""
    (x0, y0, *_), (x1, y1, *_) = plan.air_spans.geometry[row].coords
    way = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    return shapely.LineString([np.array([x1, y1]) + t * way for t in (away_m, away_m + long_m)])


def powers_of(plan: Plan) -> Powers:
    return look_up_powers(plan, RULES, NO_CONTACT_M)


def without_building(plan: Plan, row: int) -> Plan:
    """Return the plan with the drop attached to no building."""
    plan.drops.loc[row, "building_id"] = None
    return plan


def test_the_nearest_lines_come_first_and_no_more_than_three(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    away = (9.0, 5.0, 7.0, 12.0)
    lines = [beyond_house(demo_plan, row, one) for one in away]
    plan = without_building(with_power(demo_plan, [240.0] * 4, lines), row)
    told = approach(plan).iloc[row]["power_around"]
    assert len(told.split(";")) == MOST_AROUND
    assert told.split(";")[0] == "E001, supply line, 240 V, 16 ft from the house attachment"
    assert [item[:4] for item in told.split(";")] == ["E001", "E002", "E000"]


@pytest.mark.parametrize(("away_m", "is_told"), [(AROUND_M - 0.01, True), (AROUND_M + 0.01, False)])
def test_lines_farther_off_are_not_told(demo_plan: Plan, away_m: float, is_told: bool) -> None:
    row = without_run(demo_plan)
    plan = with_power(demo_plan, [240.0], [beyond_house(demo_plan, row, away_m)])
    assert pd.notna(approach(plan).iloc[row]["power_around"]) == is_told


def test_a_line_that_is_measured_is_not_told_again(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    job = approach(with_power(demo_plan, [240.0], [beyond_house(demo_plan, row, 1.0)])).iloc[row]
    assert job["power_approach"] != "none"
    assert pd.isna(job["power_around"])


def test_a_drop_of_power_on_the_own_house_comes_first(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    house = demo_plan.layers.buildings.geometry[demo_plan.drops["building_id"][row]]
    end = shapely.get_coordinates(demo_plan.air_spans.geometry[row])[1]
    corners = shapely.get_coordinates(house.exterior)
    corner = corners[np.argmax(np.hypot(*(corners - end).T))]
    out = corner - np.array([house.centroid.x, house.centroid.y])
    service = shapely.LineString([corner, corner + 3.0 * out])
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[row].coords
    way = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    nearer = shapely.LineString([np.array([x0, y0]) - t * way for t in (2.0, 2.01)])
    plan = with_power(demo_plan, [240.0, 240.0], [nearer, service])
    kinds = pd.Series(["supply_line", "supply_drop"], index=plan.layers.power.index, dtype="str")
    first = approach(with_layer(plan, "power", power_kind=kinds)).iloc[row]["power_around"]
    away = np.hypot(*(corner - end)) / FOOT_M
    assert first.split(";")[0] == (
        f"E001, supply drop, 240 V, lands on this house {away:.0f} ft from the attachment"
    )
    lone = approach(without_building(with_layer(plan, "power", power_kind=kinds), row))
    assert "lands" not in lone.iloc[row]["power_around"]


def test_lines_beside_hook_wire_and_pole_of_the_run_are_told_from_there(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[row].coords
    way = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    side = np.array([-way[1], way[0]])
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    for at, words in (
        (np.array([x0, y0]) - 4.0 * way, "13 ft from the hook"),
        (middle + 4.0 * side, "13 ft from the wire"),
    ):
        line = shapely.LineString([at, at + 1e-6 * side])
        told = approach(with_power(demo_plan, [240.0], [line])).iloc[row]["power_around"]
        assert told == f"E000, supply line, 240 V, {words}"


def test_lines_beyond_the_terminals_pole_are_told_from_that_pole(demo_plan: Plan) -> None:
    row = int(np.flatnonzero(demo_plan.drops["strand_run_m"] > 60.0)[0])
    points = shapely.get_coordinates(demo_plan.drops.geometry[row])
    way = (points[0] - points[1]) / np.hypot(*(points[0] - points[1]))
    line = shapely.LineString([points[0] + 4.0 * way, points[0] + 4.1 * way])
    told = approach(with_power(demo_plan, [240.0], [line])).iloc[row]["power_around"]
    assert (
        told == f"E000, supply line, 240 V, 13 ft from pole {demo_plan.drops['terminal_id'][row]}"
    )


def test_service_drops_that_land_on_houses_of_the_demo_are_told(demo_work: Plan) -> None:
    told = approach(demo_work)["power_around"].dropna()
    assert len(told) > 40
    assert told.str.contains("lands on this house", regex=False).any()
    items = told.str.split(";").explode()
    assert items.str.fullmatch(
        r"E\d+, (?:supply drop|supply line|neutral), (?:\d+ V|voltage not recorded, treat as live),"
        r"(?: \d+ ft from"
        r" (?:the house attachment|the hook|the clamp|the wire|the strand run|pole \w+))?"
        r"(?:,? (?:lands on|passes) this house \d+ ft from the attachment)?"
        r"(?:: keep \d\.\d ft away)?"
    ).all()


def test_all_lines_within_ten_feet_are_told_with_the_distance_to_keep(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    away = (1.6, 2.0, 2.4, 2.8, NEAR_M - 0.01, NEAR_M + 0.01)
    lines = [beyond_house(demo_plan, row, one) for one in away]
    told = approach(with_power(demo_plan, [240.0] * len(away), lines)).iloc[row]["power_around"]
    assert [": keep 1.0 ft away" in item for item in told.split(";")] == [True] * 5 + [False]


@pytest.mark.parametrize(
    ("away_m", "is_told"), [(PASSES_WITHIN_M - 0.01, True), (PASSES_WITHIN_M + 0.01, False)]
)
def test_a_line_that_passes_the_own_house_is_told_as_that(
    demo_plan: Plan, away_m: float, is_told: bool
) -> None:
    row = without_run(demo_plan)
    house = demo_plan.layers.buildings.geometry[demo_plan.drops["building_id"][row]]
    ring = house.buffer(away_m, quad_segs=64).exterior
    end = shapely.get_point(demo_plan.air_spans.geometry[row], -1)
    plan = with_power(demo_plan, [240.0], [ring])
    met = at_house(plan, powers_of(plan), np.array([row]), np.array([0]))
    assert bool(met.passes[0]) == is_told
    assert not met.lands[0]
    assert met.off_m[0] == pytest.approx(ring.distance(shapely.force_2d(end)))
    feet = f"{met.off_m[0] / FOOT_M:.0f} ft"
    words = f", passes this house {feet} from the attachment" if is_told else ""
    assert house_words(met, "us").tolist() == [words]
