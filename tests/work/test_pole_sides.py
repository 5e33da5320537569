"""Sides of poles: off all carriageways, in the widest gap between lines."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import places
from geoplan.work.ground import build_ground
from geoplan.work.place_search import STREET_WITHIN_M
from geoplan.work.pole_sides import (
    NO_GROUND,
    NO_MATTER,
    SIDES,
    STRAND_DEG,
    TIGHT_DEG,
    find_sides,
    lines_leaving,
)
from tests.work.conftest import with_layer
from tests.work.test_approach import with_power

EVERY_DEG = 360.0 / len(SIDES)


def to(bearing_deg: float) -> np.ndarray:
    return np.array([np.cos(np.radians(bearing_deg)), np.sin(np.radians(bearing_deg))])


def away(first_deg: float, second_deg: float) -> float:
    return abs((first_deg - second_deg + 180.0) % 360.0 - 180.0)


def terminals(plan: Plan) -> np.ndarray:
    return np.unique(places(plan.drops["terminal_id"], plan.layers.poles.index))


def lonely_pole(plan: Plan) -> int:
    """Return a terminal's pole without a carriageway near it."""
    pole = terminals(plan)
    xy = shapely.get_coordinates(plan.layers.poles.geometry.to_numpy()[pole])
    _, edge = build_ground(plan.layers).nearest_road(*xy.T, STREET_WITHIN_M)
    return int(pole[~np.isfinite(edge)][0])


def strand_bearings(plan: Plan, pole: int) -> list[float]:
    poles, spans = plan.layers.poles, plan.layers.spans
    name, found = poles.index[pole], []
    for ends in (("from_pole_id", "to_pole_id"), ("to_pole_id", "from_pole_id")):
        for other in spans.loc[spans[ends[0]] == name, ends[1]]:
            here, there = poles.geometry[name], poles.geometry[other]
            found.append(np.degrees(np.arctan2(there.y - here.y, there.x - here.x)))
    return found


@pytest.mark.parametrize("side", range(len(SIDES)))
def test_a_ladder_goes_where_no_line_leaves_but_never_into_the_strand(
    demo_plan: Plan, crew_rules: CrewRules, side: int
) -> None:
    pole = lonely_pole(demo_plan)
    x, y, *_ = demo_plan.layers.poles.geometry.iloc[pole].coords[0]
    others = [k for k in range(len(SIDES)) if k != side]
    lines = [
        shapely.LineString([(x, y), np.array([x, y]) + 20.0 * to(k * EVERY_DEG)]) for k in others
    ]
    plan = with_power(demo_plan, [240.0] * len(lines), lines)
    found = find_sides(plan, np.array([pole]), build_ground(plan.layers), crew_rules)
    in_line = any(away(one, side * EVERY_DEG) < STRAND_DEG for one in strand_bearings(plan, pole))
    assert (found.side[0] == side) == (not in_line)
    if not in_line:
        beside = {others.index((side + turn) % len(SIDES)) for turn in (-1, 1)}
        assert {int(found.left[0]), int(found.right[0])} == beside


@pytest.mark.parametrize("off_deg", [TIGHT_DEG - 1.0, TIGHT_DEG + 1.0])
def test_sides_between_the_winds_are_only_for_tight_places(
    demo_plan: Plan, crew_rules: CrewRules, off_deg: float
) -> None:
    """Six winds are taken; east and north-east have a line beside them, none between the two."""
    pole = lonely_pole(demo_plan)
    x, y, *_ = demo_plan.layers.poles.geometry.iloc[pole].coords[0]
    taken = [-off_deg, 45.0 + off_deg, *range(90, 360, 45)]
    lines = [
        shapely.LineString([(x, y), np.array([x, y]) + 20.0 * to(bearing)]) for bearing in taken
    ]
    plan = with_power(demo_plan, [240.0] * len(lines), lines)
    layers = dataclasses.replace(plan.layers, spans=plan.layers.spans.iloc[:0])
    plan = dataclasses.replace(plan, layers=layers)
    found = find_sides(plan, np.array([pole]), build_ground(layers), crew_rules)
    side = SIDES[found.side[0]]
    assert (side == "east-north-east") == (off_deg < TIGHT_DEG)
    assert side in {"east", "east-north-east", "north-east"}


def test_feet_in_the_demo_are_off_every_carriageway_and_out_by_height_and_slope(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    pole, ground = terminals(demo_plan), build_ground(demo_plan.layers)
    found = find_sides(demo_plan, pole, ground, crew_rules)
    has = found.side >= 0
    assert has.sum() > 20
    poles, project = demo_plan.layers.poles, demo_plan.project
    spot = shapely.get_coordinates(poles.geometry.to_numpy()[pole])
    strand = poles["strand_height_m"].fillna(project.heights.strand_height).to_numpy()[pole]
    out = np.where(has, strand / np.tan(np.radians(project.ladder.angle)), 0.0)
    assert np.hypot(*(found.foot - spot).T) == pytest.approx(out, abs=1e-6)
    roads = demo_plan.layers.roads
    for foot in found.foot[has]:
        edge = roads.geometry.distance(shapely.Point(foot)) - roads["width_m"] / 2
        assert edge.min() >= crew_rules.value("places.kerb_keep_off") - 1e-9


def test_where_all_is_carriageway_no_side_is_made_up(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    pole = terminals(demo_plan)
    plan = with_layer(demo_plan, "roads", width_m=1000.0)
    found = find_sides(plan, pole, build_ground(plan.layers), crew_rules)
    assert (found.side == NO_GROUND).all()
    assert (found.left == -1).all()
    spot = shapely.get_coordinates(plan.layers.poles.geometry.to_numpy()[pole])
    assert np.array_equal(found.foot, spot)


def test_without_road_or_line_the_side_does_not_matter(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    pole = np.array([lonely_pole(demo_plan)])
    plan = with_power(demo_plan, [], [])
    found = find_sides(plan, pole, build_ground(plan.layers), crew_rules)
    assert found.side[0] == NO_MATTER


def test_lines_leave_both_ways_where_they_pass_and_one_way_where_they_begin(
    demo_plan: Plan,
) -> None:
    pole = lonely_pole(demo_plan)
    x, y, *_ = demo_plan.layers.poles.geometry.iloc[pole].coords[0]
    lines = [
        shapely.LineString([(x - 20, y + 1), (x, y + 1), (x + 20, y + 1)]),
        shapely.LineString([(x + 0.5, y), (x, y - 20)]),
        shapely.LineString([(x, y + 0.5), (x, y + 2)]),
        shapely.LineString([(x + 4, y - 9), (x + 4, y + 9)]),
    ]
    plan = with_power(demo_plan, [240.0] * len(lines), lines)
    at, line, way = lines_leaving(plan, np.array([pole]))
    assert at.tolist() == [0, 0, 0, 0]
    assert line.tolist() == [0, 0, 1, 2]
    bearing = np.degrees(np.arctan2(way[:, 1], way[:, 0]))
    assert bearing == pytest.approx([160.9, 19.1, -82.0, 90.0], abs=0.1)
