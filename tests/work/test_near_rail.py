"""Tracks near which somebody works are told with what is near, and how near."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.jobs import JobTables
from geoplan.work.near_rail import near_rail
from geoplan.work.strand_run import trace_runs
from tests.towns import layer_frame


def told(plan: Plan, jobs: JobTables, line: shapely.LineString, within_m: float) -> pd.Series:
    track = layer_frame("rail", [line])
    layers = dataclasses.replace(plan.layers, rail=track)
    runs = trace_runs(plan.drops, plan.layers.poles, 5.8)
    words = near_rail(dataclasses.replace(plan, layers=layers), jobs.work_places, runs, within_m)
    return pd.Series(words, index=plan.drops["address_id"])


@pytest.mark.parametrize("place", ["ladder", "bucket", "house_ladder"])
def test_a_track_beside_a_place_is_told(demo_plan: Plan, demo_jobs: JobTables, place: str) -> None:
    table = demo_jobs.work_places
    row = table[table["place"] == place].iloc[0]
    x, y = row.geometry.x, row.geometry.y
    line = shapely.LineString([(x - 0.2, y + 3.0), (x + 0.2, y + 3.0)])
    words = told(demo_plan, demo_jobs, line, 3.5)
    here = words[row["address_id"]]
    assert "leave" not in here, "that is the hold's to tell"
    assert f"from the {place.replace('_', ' ')}" in here or "strand run" in here
    assert pd.isna(told(demo_plan, demo_jobs, line, 0.1)[row["address_id"]])


def test_the_demos_track_is_told_where_work_is_near_it(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    within = crew_rules.value("places.near_rail")
    track = shapely.union_all(demo_plan.layers.rail.geometry.values)
    feet = demo_jobs.work_places
    feet = feet[feet["place"] != "reel"]
    near = set(feet.loc[shapely.distance(feet.geometry.values, track) <= within, "address_id"])
    jobs = demo_jobs.jobs.set_index("address_id")
    assert near <= set(jobs.index[jobs["near_rail"].notna()])
    assert jobs["near_rail"].notna().sum() < 20
