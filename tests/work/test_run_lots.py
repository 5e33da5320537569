"""Whose lots a strand run is on: below the wire, and where ladder or truck stand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.ground import build_ground
from geoplan.work.run_lots import run_lots
from geoplan.work.strand_run import trace_runs
from tests.towns import layer_frame


def lots_told(plan: Plan, rules: CrewRules, *, by_bucket: bool = False) -> list[set[str]]:
    runs = trace_runs(plan.drops, plan.layers.poles, 5.8)
    bucket = np.full(len(plan.drops), by_bucket)
    words = run_lots(plan, runs, bucket, build_ground(plan.layers), rules)
    return [
        {part.split(" ")[0] for part in text.split(";")} if isinstance(text, str) else set()
        for text in words
    ]


def test_lots_below_runs_are_told_but_for_the_drops_own(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    lots, own = demo_plan.layers.parcels, demo_plan.drops["parcel_id"]
    found = lots_told(demo_plan, crew_rules)
    expected: list[set[str]] = [set() for _ in found]
    for drop, line in zip(runs.drop, runs.lines, strict=True):
        over = shapely.length(shapely.intersection(lots.geometry.values, line)) > 0.5
        expected[drop] |= set(lots.index[over]) - {own.iloc[drop]}
    assert all(some <= told for some, told in zip(expected, found, strict=True))
    assert sum(map(bool, expected)) > 5
    assert all(own.iloc[drop] not in told for drop, told in enumerate(found))


@pytest.fixture
def one_leg(demo_plan: Plan):
    """Return a way to lay lots, road and water beside the first leg of a long run of the demo."""
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    long = np.hypot(*(runs.segment[:, 2:] - runs.segment[:, :2]).T) > 20
    leg = int(np.flatnonzero(long & (np.bincount(runs.drop)[runs.drop] == 1))[0])
    a, b = runs.segment[leg].reshape(2, 2)
    u = (b - a) / np.hypot(*(b - a))
    side = np.array([-u[1], u[0]])

    def strip(low_m: float, high_m: float) -> shapely.Polygon:
        """Return ground beside the leg, counted to its left."""
        return shapely.Polygon([a + low_m * side, b + low_m * side, b + high_m * side,
                                a + high_m * side])  # fmt: skip

    def plan(*, lots=(), road_m=None, water=()) -> Plan:
        shift = None if road_m is None else road_m * side
        line = shapely.LineString([a + 900, b + 900] if shift is None else [a + shift, b + shift])
        empty = {name: getattr(demo_plan.layers, name).iloc[:0]
                 for name in ("buildings", "pools", "rail")}  # fmt: skip
        layers = dataclasses.replace(
            demo_plan.layers,
            parcels=layer_frame("parcels", [strip(*some) for some in lots]),
            roads=layer_frame("roads", [line], width_m=[4.0]),
            water=layer_frame("water", [strip(*some) for some in water]),
            **empty,
        )
        drops = demo_plan.drops.assign(
            parcel_id=pd.Series([None] * len(demo_plan.drops), dtype="str")
        )
        return dataclasses.replace(demo_plan, layers=layers, drops=drops)

    return int(runs.drop[leg]), plan


LEFT, RIGHT = (0.6, 9.0), (-9.0, -0.6)


@pytest.mark.parametrize(
    ("lots", "road_m", "water", "by_bucket", "told"),
    [
        ((LEFT, RIGHT), 2.6, (), False, 1),  # the ladder stands away from the road
        ((LEFT,), 2.6, (), False, 0),
        ((LEFT, RIGHT), None, (), False, 2),  # on either side
        ((LEFT,), None, (), False, 0),  # free ground on the other
        ((LEFT,), None, (RIGHT,), False, 1),  # water there
        ((LEFT, RIGHT, (-0.5, 0.5)), None, (), False, 1),  # it is over a lot itself
        ((LEFT, RIGHT), 2.6, (), True, 0),  # the truck stands in the lane
        ((LEFT, RIGHT), None, (), True, 2),
        ((LEFT,), None, (RIGHT,), True, 1),
        ((LEFT,), None, (), True, 1),  # free ground on the other, but no road to it
    ],
)
def test_lots_that_a_run_is_worked_from(
    one_leg, crew_rules: CrewRules, lots, road_m, water, by_bucket: bool, told: int
) -> None:
    drop, plan = one_leg
    town = plan(lots=lots, road_m=road_m, water=water)
    assert len(lots_told(town, crew_rules, by_bucket=by_bucket)[drop]) == told
