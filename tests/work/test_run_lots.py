"""Whose lots a strand run is on: below the wire, and where ladder or truck stand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.drop_case import compass
from geoplan.work.ground import build_ground
from geoplan.work.run_lots import SIDE, run_lots
from geoplan.work.strand_run import trace_runs
from tests.towns import layer_frame


def lots_told(
    plan: Plan, rules: CrewRules, *, by_bucket: bool = False, column: str = "run_lots"
) -> list[set[str]]:
    runs = trace_runs(plan.drops, plan.layers.poles, 5.8)
    bucket = np.full(len(plan.drops), by_bucket)
    told = run_lots(plan, runs, bucket, build_ground(plan.layers), rules)
    return [ids(text) for text in told[column]]


def ids(text: object) -> set[str]:
    """Return the lots told."""
    parts = text.split(";") if isinstance(text, str) else []
    return {part.split(SIDE)[-1].split(" ")[0] for part in parts}


def test_runs_along_the_line_between_lots_take_leave_on_one_side(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    lots, own = demo_plan.layers.parcels, demo_plan.drops["parcel_id"]
    sure = lots_told(demo_plan, crew_rules)
    sides = lots_told(demo_plan, crew_rules, column="run_lots_sides")
    along = [lots.geometry.distance(line).lt(0.01).sum() > 1 for line in runs.lines]
    assert sum(along) > 5
    assert sum(map(bool, sides)) > 5
    for drop, (asked, either) in enumerate(zip(sure, sides, strict=True)):
        assert not asked & either
        assert own.iloc[drop] not in asked | either


@pytest.fixture
def one_leg(demo_plan: Plan):
    """Return a way to lay lots, road and water beside the first leg of a long run of the demo."""
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    long = np.hypot(*(runs.segment[:, 2:] - runs.segment[:, :2]).T) > 20
    leg = int(np.flatnonzero(long & (np.bincount(runs.drop)[runs.drop] == 1))[0])
    a, b = runs.segment[leg].reshape(2, 2)
    u = (b - a) / np.hypot(*(b - a))
    side = np.array([-u[1], u[0]])

    def strip(low_m: float, high_m: float, start=0.0, end=1.0) -> shapely.Polygon:
        """Return ground beside the leg, counted to its left, along a part of it."""
        c, d = a + start * (b - a), a + end * (b - a)
        return shapely.Polygon([c + low_m * side, d + low_m * side, d + high_m * side,
                                c + high_m * side])  # fmt: skip

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
    ("lots", "road_m", "water", "by_bucket", "told", "either"),
    [
        ((LEFT, RIGHT), 2.6, (), False, 1, 0),  # the ladder stands away from the road
        ((LEFT,), 2.6, (), False, 0, 0),
        ((LEFT, RIGHT), None, (), False, 0, 2),  # on either side
        ((LEFT,), None, (), False, 0, 0),  # free ground on the other
        ((LEFT,), None, (RIGHT,), False, 1, 0),  # water there
        ((LEFT, RIGHT, (-0.5, 0.5)), None, (), False, 1, 0),  # it is over a lot itself
        ((LEFT, RIGHT, (-0.5, 0.5, 0.0, 0.5)), None, (), False, 1, 2),  # over half of it only
        ((LEFT, (-9.0, -0.6, 0.0, 0.5), (-9.0, -0.6, 0.5, 1.0)), None, (), False, 0, 3),
        (((0.0, 9.0), (-9.0, 0.0)), None, (), False, 0, 2),  # along the line between them
        ((LEFT, (-9.0, 9.0, 0.0, 0.5), RIGHT), None, (), False, 1, 2),
        ((LEFT, RIGHT), 2.6, (), True, 0, 0),  # the truck stands in the lane
        ((LEFT, RIGHT), None, (), True, 2, 0),
        ((LEFT,), None, (RIGHT,), True, 1, 0),
        ((LEFT,), None, (), True, 1, 0),  # free ground on the other, but no road to it
    ],
)
def test_lots_that_a_run_is_worked_from(
    one_leg, crew_rules: CrewRules, lots, road_m, water, by_bucket: bool, told: int, either: int
) -> None:
    drop, plan = one_leg
    town = plan(lots=lots, road_m=road_m, water=water)
    assert len(lots_told(town, crew_rules, by_bucket=by_bucket)[drop]) == told
    sides = lots_told(town, crew_rules, by_bucket=by_bucket, column="run_lots_sides")
    assert len(sides[drop]) == either


def test_the_sides_are_named_by_where_they_face(one_leg, crew_rules: CrewRules) -> None:
    drop, plan = one_leg
    town = plan(lots=(LEFT, RIGHT))
    runs = trace_runs(town.drops, town.layers.poles, 5.8)
    none = np.zeros(len(town.drops), dtype=bool)
    text = run_lots(town, runs, none, build_ground(town.layers), crew_rules)["run_lots_sides"][drop]
    by_lot = {part.split(SIDE)[1]: part.split(SIDE)[0] for part in text.split(";")}
    middle = runs.segment[runs.drop == drop][0].reshape(2, 2).mean(axis=0)
    for lot, side in by_lot.items():
        centre = town.layers.parcels.geometry[lot].centroid
        assert side == compass(centre.x - middle[0], centre.y - middle[1])


@pytest.mark.parametrize(
    ("asked", "over"), [((LEFT, RIGHT), False), ((LEFT, RIGHT, (-0.5, 0.5, 0.0, 0.2)), True)]
)
def test_a_lot_below_a_short_part_leaves_the_rest_asked(
    one_leg, crew_rules: CrewRules, asked, over: bool
) -> None:
    drop, plan = one_leg
    town = plan(lots=asked)
    assert len(lots_told(town, crew_rules, column="run_lots_sides")[drop]) == 2
    assert bool(lots_told(town, crew_rules)[drop]) == over
