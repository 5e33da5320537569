"""Power at the places where people stand: house, ladders, both poles of a clamp's span."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.text_columns import places
from geoplan.work.approach import build_approach
from geoplan.work.near_power import find_near_power
from geoplan.work.power_pairs import (
    HOUSE,
    HOUSE_LADDER,
    LADDER,
    ON_POLE,
    Near,
)
from geoplan.work.powers import look_up_powers
from tests.work.conftest import with_layer
from tests.work.test_approach import NO_CONTACT_M, RULES, runs_of, with_power


def near(plan: Plan, work_places: gpd.GeoDataFrame | None = None) -> Near:
    powers = look_up_powers(plan, RULES, NO_CONTACT_M)
    return find_near_power(plan, powers, runs_of(plan), work_places)


def gaps(found: Near, row: int, reason: int) -> np.ndarray:
    return found.gap_m[(found.drop == row) & (found.reason == reason)]


def point(x: float, y: float) -> shapely.LineString:
    """Return a line short enough to be a point."""
    return shapely.LineString([(x, y), (x, y + 1e-6)])


@pytest.mark.parametrize(("away_m", "above_m"), [(0.8, -1.0), (0.3, 0.4)])
def test_house_attachment_is_measured_in_plan_and_height(
    demo_plan: Plan, away_m: float, above_m: float
) -> None:
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[7].coords
    way = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    at = np.array([x1, y1]) + away_m * way
    height = float(demo_plan.drops["attachment_height_m"][7]) + above_m
    found = near(with_power(demo_plan, [240.0], [point(*at)], height_m=height))
    expected = np.hypot(away_m, max(above_m, 0.0))
    assert gaps(found, 7, HOUSE) == pytest.approx([expected], abs=1e-5)


def test_ladders_are_measured_from_foot_to_top(demo_plan: Plan) -> None:
    row = int(np.flatnonzero(demo_plan.drops["strand_span_id"].notna())[0])
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[row].coords
    feet = {"ladder": (x0 + 3.0, y0), "house_ladder": (x1, y1 + 3.0)}
    work_places = gpd.GeoDataFrame(
        {
            "address_id": pd.Series([demo_plan.drops["address_id"][row]] * 2, dtype="str"),
            "place": pd.Series(list(feet), dtype="str"),
        },
        geometry=[shapely.Point(foot) for foot in feet.values()],
        crs=demo_plan.layers.crs.working_crs,
    )
    lines = [point(x0 + 2.0, y0 + 0.5), point(x1 + 0.7, y1 + 2.0)]
    found = near(with_power(demo_plan, [240.0, 240.0], lines, height_m=2.0), work_places)
    assert gaps(found, row, LADDER) == pytest.approx([0.5], abs=1e-5)
    assert gaps(found, row, HOUSE_LADDER) == pytest.approx([0.7], abs=1e-5)


def test_a_line_over_the_ladder_at_an_unknown_height_is_told_to_be_measured(
    demo_plan: Plan,
) -> None:
    row = int(np.flatnonzero(demo_plan.drops["strand_span_id"].notna())[0])
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[row].coords
    back = np.array([x0 - x1, y0 - y1]) / np.hypot(x0 - x1, y0 - y1)
    side = np.array([-back[1], back[0]])
    work_places = gpd.GeoDataFrame(
        {
            "address_id": pd.Series([demo_plan.drops["address_id"][row]], dtype="str"),
            "place": pd.Series(["ladder"], dtype="str"),
        },
        geometry=[shapely.Point(np.array([x0, y0]) + 3.0 * back)],
        crs=demo_plan.layers.crs.working_crs,
    )
    middle = np.array([x0, y0]) + 2.0 * back
    over = shapely.LineString([middle - 0.2 * side, middle + 0.2 * side])
    plan = with_power(demo_plan, [240.0], [over], height_m=4.0)
    job = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan), work_places).iloc[row]
    assert job["power_approach"] == "not_checked"
    assert job["power_tight"] == (
        "E000: distance not known from the ladder at the support, 1.0 ft asked"
    )


def test_a_line_over_1_kv_and_the_record_of_its_pole_are_told_once(demo_plan: Plan) -> None:
    on_pole = (demo_plan.drops["pole_power_basis"] == "computed").to_numpy()
    row = int(np.flatnonzero(on_pole)[0])
    pole = places(demo_plan.drops["access_pole_id"], demo_plan.layers.poles.index)[row]
    x, y = shapely.get_coordinates(demo_plan.layers.poles.geometry.iloc[pole])[0]
    poles = demo_plan.layers.poles
    for volts, height_m, is_told in (
        (7200.0, 9.0, False),
        (7200.0, 9.6, True),
        (240.0, 9.0, True),
        (np.nan, 9.0, True),
    ):
        plan = with_power(demo_plan, [volts], [point(x, y)], height_m=height_m)
        heights = np.where(np.arange(len(poles)) == pole, 9.5, np.nan)
        plan = with_layer(plan, "poles", power_height_m=heights)
        basis = demo_plan.drops["pole_power_basis"].where(np.arange(len(on_pole)) == row, "none")
        plan.drops["pole_power_basis"] = basis
        found = near(plan)
        assert (len(gaps(found, row, ON_POLE)) > 0) == is_told
        job = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan)).iloc[row]
        assert ("power on pole" in job["power_lines"]) == is_told


def test_power_near_houses_of_random_towns_is_all_found(town_plans: list[Plan]) -> None:
    rng = np.random.default_rng(5)
    checked = 0
    for town in town_plans:
        house = np.array([shapely.get_coordinates(air)[-1] for air in town.air_spans.geometry])
        ends = house[:, None] + rng.uniform(-3.0, 3.0, (len(house), 2, 2))
        plan = with_power(town, [7200.0] * len(ends), list(shapely.linestrings(ends)))
        plan = with_layer(plan, "power", height_m=rng.uniform(2.0, 6.0, len(ends)))
        powers = look_up_powers(plan, RULES, NO_CONTACT_M)
        found = near(plan)
        lines = plan.layers.power.geometry.to_numpy()
        for row, attachment_m in enumerate(plan.drops["attachment_height_m"]):
            away = shapely.distance(shapely.Point(house[row]), lines)
            is_own = (found.drop == row) & (found.reason == HOUSE)
            line = found.power[is_own]
            assert set(line) == set(np.flatnonzero(away <= powers.worker_m[0] + 1.0))
            above = np.maximum(powers.height_m[line] - attachment_m, 0.0)
            assert found.gap_m[is_own] == pytest.approx(np.hypot(away[line], above), abs=1e-9)
            checked += len(line)
    assert checked > 10
