"""Pairs of drop and road: clamps over roads are not for one, and hold traffic for longer."""

from __future__ import annotations

import dataclasses

import numpy as np

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.over_roads import (
    Over,
    by_flaggers_there,
    has_clamp,
    over_by_air,
)
from geoplan.work.road_works import FLAGGERS, STOP, look_up_roads


def test_what_lasts_over_a_busier_road_takes_flaggers(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    """A clamp holds traffic until the ladder is off; a hook where a hand can't hold the pull."""
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    over = over_by_air(demo_plan, roads, crew_rules)
    clamp = has_clamp(demo_plan)[over.drop]
    homely = roads.way[over.road] == STOP
    busy = roads.vehicles[over.road] > crew_rules.value("hold.clamp_vehicles")
    drops, met = demo_plan.drops, demo_plan.crossings
    roads_met = met[(met["crossing_kind"] == "road") & ~met["is_near_miss"]]
    least = roads_met.groupby("address_id")["margin_m"].min().reindex(drops["address_id"])
    pull = drops["stringing_tension_n"].to_numpy()
    lasts = clamp | ~((pull <= 200.0) & (least.to_numpy() >= 0))[over.drop]
    assert (over.way[homely & lasts & busy] == FLAGGERS).all()
    assert (over.way[homely & ~(lasts & busy)] == STOP).all()
    assert (lasts & ~clamp).any()
    assert not over.is_for_one[clamp].any()
    for part in (homely & clamp & busy, homely & clamp & ~busy, homely & ~lasts & busy):
        assert part.any()


def test_flaggers_of_a_job_hold_what_its_second_person_would(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    air = over_by_air(demo_plan, roads, crew_rules)
    row = np.flatnonzero(air.way == STOP)[:1]
    others = Over(*(getattr(air, field.name)[row] for field in dataclasses.fields(Over)))
    held, is_changed = by_flaggers_there(air, dataclasses.replace(others, way=others.way + 1))
    of_job = air.drop == air.drop[row]
    assert (is_changed == (of_job & (air.way == STOP))).all()
    assert (held.way[is_changed] == FLAGGERS).all()
    assert not held.is_for_one[is_changed].any()
    assert (held.way[~is_changed] == air.way[~is_changed]).all()
    same, none = by_flaggers_there(air, others)
    assert not none.any()
    assert (same.way == air.way).all()


def test_the_limit_is_the_rules(demo_plan: Plan, crew_rules: CrewRules) -> None:
    figures = dict(crew_rules.figures)
    key = "hold.clamp_vehicles"
    figures[key] = dataclasses.replace(figures[key], value_si=1e6)
    rules = dataclasses.replace(crew_rules, figures=figures)
    roads = look_up_roads(demo_plan.layers.roads, rules)
    over = over_by_air(demo_plan, roads, rules)
    assert np.array_equal(over.way, roads.way[over.road])
