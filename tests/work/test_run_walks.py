"""Walks and driveways along strand runs, and the sentence on them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.run_walks import guarded, run_walks
from geoplan.work.steps_along_strand import strand_run
from geoplan.work.strand_run import trace_runs
from tests.towns import layer_frame
from tests.work.cases import case_of


def told(plan: Plan, rules: CrewRules, *, by_bucket: bool = False) -> pd.Series:
    runs = trace_runs(plan.drops, plan.layers.poles, 5.8)
    words = run_walks(plan, runs, np.full(len(plan.drops), by_bucket), rules)
    return pd.Series(words, index=plan.drops["address_id"])


@pytest.mark.parametrize("by_bucket", [False, True])
@pytest.mark.parametrize(("more_m", "is_told"), [(-0.01, True), (0.01, False)])
def test_what_is_within_reach_of_the_strand_is_told(
    demo_plan: Plan, crew_rules: CrewRules, by_bucket: bool, more_m: float, is_told: bool
) -> None:
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    leg = int(np.flatnonzero(shapely.length(runs.lines) > 20.0)[0])
    a, b = runs.segment[leg].reshape(2, 2)
    u = (b - a) / np.hypot(*(b - a))
    side = np.array([-u[1], u[0]])
    foot_m = runs.high_m[leg] / np.tan(np.radians(demo_plan.project.ladder.angle))
    near_m = foot_m + crew_rules.value("places.kerb_keep_off")
    if by_bucket:
        near_m = crew_rules.value("places.bucket_keep_off")
    middle = (a + b) / 2 + (near_m + more_m) * side
    corners = [middle, middle + u, middle + u + 9 * side, middle + 9 * side]
    empty = {name: getattr(demo_plan.layers, name).iloc[:0] for name in ("driveways", "sidewalks")}
    drive = layer_frame("driveways", [shapely.Polygon(corners)])
    layers = dataclasses.replace(demo_plan.layers, **{**empty, "driveways": drive})
    found = told(dataclasses.replace(demo_plan, layers=layers), crew_rules, by_bucket=by_bucket)
    words = found.iloc[runs.drop[leg]]
    assert (words == f"driveway {drive.index[0]}") if is_told else pd.isna(words)


def test_only_drops_with_a_run_have_any(demo_plan: Plan, crew_rules: CrewRules) -> None:
    found = told(demo_plan, crew_rules).notna().to_numpy()
    assert found.sum() > 20
    assert not found[demo_plan.drops["strand_run_m"].to_numpy() == 0.0].any()


def test_walks_and_driveways_are_told_together_in_the_step_of_the_run(demo_work: Plan) -> None:
    drops = demo_work.drops
    address_id = drops.loc[drops["strand_run_m"] > 10.0, "address_id"].iloc[0]
    case = case_of(demo_work, address_id)
    job = {**case.job, "run_walks": "walk S1;driveway D1;driveway D2"}
    case = dataclasses.replace(case, job=job)
    assert guarded(case) == "Guard walk S1, driveways D1 and D2 along it."
    assert guarded(case) in strand_run(case)[-1]
    bare = dataclasses.replace(case, job={**job, "run_walks": None})
    assert guarded(bare) == ""
    assert "Guard" not in strand_run(bare)[-1]
