"""The last ladder of a run: on its pole's side that was chosen, and told so."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import places
from geoplan.work.ground import build_ground
from geoplan.work.last_ladders import (
    BETWEEN,
    NO_PLACE,
    LastLadders,
    last_ladder_words,
    last_ladders,
)
from geoplan.work.pole_sides import SIDES, find_sides
from geoplan.work.strand_run import trace_runs
from tests.work.conftest import with_layer


def last_of(plan: Plan, rules: CrewRules) -> tuple[LastLadders, np.ndarray]:
    runs = trace_runs(plan.drops, plan.layers.poles, plan.project.heights.strand_height)
    by_bucket = np.arange(runs.count) % 5 == 0
    return last_ladders(plan, runs, by_bucket, build_ground(plan.layers), rules), by_bucket


def test_each_run_without_a_bucket_has_one_at_its_terminal(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    last, by_bucket = last_of(demo_plan, crew_rules)
    has_run = (demo_plan.drops["strand_run_m"] > 0).to_numpy()
    assert set(last.drop) == set(np.flatnonzero(has_run & ~by_bucket))
    terminal = places(demo_plan.drops["terminal_id"], demo_plan.layers.poles.index)[last.drop]
    assert np.array_equal(last.pole, terminal)
    alone = find_sides(demo_plan, terminal[:1], build_ground(demo_plan.layers), crew_rules)
    assert last.foot[0] == pytest.approx(alone.foot[0])


def test_words_tell_side_kerb_and_lines(demo_plan: Plan, crew_rules: CrewRules) -> None:
    last, _ = last_of(demo_plan, crew_rules)
    ground = build_ground(demo_plan.layers)
    told = last_ladder_words(demo_plan, last, ground, crew_rules)
    assert len(told) == len(demo_plan.drops)
    names, seen = demo_plan.layers.power.index, {"kerb": 0, "between": 0}
    _, edge = ground.nearest_road(*last.foot.T, crew_rules.value("places.kerb_told"))
    for at, drop in enumerate(last.drop):
        side = last.sides.side[at]
        if side < 0:
            assert told[drop] is None or told[drop] != told[drop]
            continue
        first, *rest = told[drop].split(";")
        assert first == f"on its {SIDES[side]} side"
        kerb = [part for part in rest if " from the carriageway of " in part]
        assert bool(kerb) == np.isfinite(edge[at])
        between = [part for part in rest if part.startswith(BETWEEN)]
        if between:
            both = sorted([last.sides.left[at], last.sides.right[at]])
            assert between == [f"{BETWEEN}{names[both[0]]} and {names[both[1]]}"]
        seen = {"kerb": seen["kerb"] + len(kerb), "between": seen["between"] + len(between)}
    assert min(seen.values()) > 5


def test_no_ground_is_told_plainly(demo_plan: Plan, crew_rules: CrewRules) -> None:
    plan = with_layer(demo_plan, "roads", width_m=1000.0)
    last, _ = last_of(plan, crew_rules)
    told = last_ladder_words(plan, last, build_ground(plan.layers), crew_rules)
    assert {told[drop] for drop in last.drop} == {NO_PLACE}
