"""Wires along the edge of driveways that they aren't over."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules import load_rule_set
from geoplan.work.drives_beside import BESIDE_M, LEAST_ALONG_M, drives_beside
from tests.towns import layer_frame


def told(plan: Plan) -> pd.Series:
    rules = load_rule_set(plan.project.rule_set)
    return pd.Series(drives_beside(plan, rules), index=plan.drops["address_id"])


@pytest.mark.parametrize(
    ("aside_m", "long_m", "is_told"),
    [(0.3, 4.0, True), (0.5, 4.0, True), (0.7, 4.0, False), (0.3, 0.2, False)],
)
def test_a_driveway_along_the_wire_is_told_with_its_place(
    demo_work: Plan, aside_m: float, long_m: float, is_told: bool
) -> None:
    ends = shapely.get_coordinates(demo_work.air_spans.geometry.values[0])
    u = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    side = np.array([-u[1], u[0]])
    corners = [
        ends[0] + out * u + off * side
        for out, off in ((5, aside_m), (5 + long_m, aside_m), (5 + long_m, 9), (5, 9))
    ]
    drive = layer_frame("driveways", [shapely.Polygon(corners)])
    layers = dataclasses.replace(demo_work.layers, driveways=drive)
    words = told(dataclasses.replace(demo_work, layers=layers)).iloc[0]
    assert pd.notna(words) == is_told
    if is_told:
        assert f"{aside_m / 0.3048:.1f} ft aside" in words
        reach = np.sqrt(BESIDE_M**2 - aside_m**2)
        assert f"{(5 - reach) / 0.3048:.1f} ft to {(5 + long_m + reach) / 0.3048:.1f} ft" in words
        assert "15.5 ft asked over it" in words


def test_in_the_demo_all_are_told_that_are_so_near_and_not_passed_over(demo_work: Plan) -> None:
    drives, crossings = demo_work.layers.driveways, demo_work.crossings
    met = crossings[crossings["crossing_kind"].eq("driveway") & ~crossings["is_near_miss"]]
    over = set(zip(met["address_id"], met["feature_id"], strict=True))
    wires = shapely.force_2d(demo_work.air_spans.geometry.values)
    strips = shapely.buffer(drives.geometry.values, BESIDE_M)
    count = 0
    for (address_id, words), wire in zip(told(demo_work).items(), wires, strict=True):
        near = shapely.length(shapely.intersection(strips, wire)) >= LEAST_ALONG_M
        names = [name for name in drives.index[near] if (address_id, name) not in over]
        parts = words.split(";") if isinstance(words, str) else []
        assert [part.split(",")[0].removeprefix("driveway ") for part in parts] == names
        count += len(names)
    assert count > 5
