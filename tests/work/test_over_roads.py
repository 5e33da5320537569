"""Pairs of drop and road: clamps over roads are not for one, and hold traffic for longer."""

from __future__ import annotations

import dataclasses

import numpy as np

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.over_roads import has_clamp, over_by_air
from geoplan.work.road_works import FLAGGERS, STOP, look_up_roads


def test_a_clamp_over_a_busier_road_takes_flaggers_and_a_hook_does_not(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    over = over_by_air(demo_plan, roads, crew_rules)
    clamp = has_clamp(demo_plan)[over.drop]
    homely = roads.way[over.road] == STOP
    busy = roads.vehicles[over.road] > crew_rules.value("hold.clamp_vehicles")
    assert (over.way[homely & clamp & busy] == FLAGGERS).all()
    assert (over.way[homely & ~(clamp & busy)] == STOP).all()
    assert not over.is_for_one[clamp].any()
    for part in (homely & clamp & busy, homely & clamp & ~busy, homely & ~clamp & busy):
        assert part.any()


def test_the_limit_is_the_rules(demo_plan: Plan, crew_rules: CrewRules) -> None:
    figures = dict(crew_rules.figures)
    key = "hold.clamp_vehicles"
    figures[key] = dataclasses.replace(figures[key], value_si=1e6)
    rules = dataclasses.replace(crew_rules, figures=figures)
    roads = look_up_roads(demo_plan.layers.roads, rules)
    over = over_by_air(demo_plan, roads, rules)
    assert np.array_equal(over.way, roads.way[over.road])
