"""Strand runs that no ladder can be used on: each span's own condition, what they hang over."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.ground import build_ground
from geoplan.work.jobs import JobTables
from geoplan.work.run_reach import REASONS, build_reach, span_ladders
from geoplan.work.strand_run import roads_below, trace_runs
from tests.work.conftest import with_layer


def reach(plan: Plan) -> pd.DataFrame:
    runs = trace_runs(plan.drops, plan.layers.poles, 5.8)
    table = build_reach(plan, runs, roads_below(runs, build_ground(plan.layers)))
    return table.set_index(plan.drops["address_id"])


def test_runs_over_carriageways_and_bad_strands_need_a_bucket(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    assert jobs.loc[jobs["run_roads"].notna(), "is_run_bucket"].all()
    assert jobs["is_run_bucket"].tolist() == jobs["run_reach_note"].notna().tolist()
    assert not jobs.loc[jobs["run_poles"].isna(), "is_run_bucket"].any()
    assert "strand PB01-PB02 is in poor condition" in jobs.loc["A012", "run_reach_note"]
    for roads, note in zip(jobs["run_roads"], jobs["run_reach_note"], strict=True):
        if isinstance(roads, str):
            assert all(f"hangs over {name}" in note for name in roads.split(";"))


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("condition", "poor", "is in poor condition"),
        ("condition", None, "has no recorded condition"),
        ("size", None, "has no recorded size"),
        ("size", "2_2m_3_16", "is too small for a ladder"),
    ],
)
def test_one_span_of_a_run_rules_it(
    demo_plan: Plan, column: str, value: str | None, words: str
) -> None:
    """The span between the first two poles of a long run, changed by itself."""
    before = reach(demo_plan)
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    free = ~before["is_run_bucket"].to_numpy()
    leg = np.flatnonzero((runs.from_pole >= 0) & free[runs.drop])[0]
    ids = demo_plan.layers.poles.index
    ends = {ids[runs.from_pole[leg]], ids[runs.to_pole[leg]]}
    spans = demo_plan.layers.spans
    pairs = spans[["from_pole_id", "to_pole_id"]].to_numpy()
    hit = [set(pair) == ends for pair in pairs]
    assert sum(hit) == 1
    changed = spans[column].where(~np.array(hit), value)
    after = reach(with_layer(demo_plan, "spans", **{column: changed.astype("str")}))
    row = after.iloc[runs.drop[leg]]
    assert row["is_run_bucket"]
    assert words in row["run_reach_note"]
    assert all(name in row["run_reach_note"] for name in ends)


def test_a_strand_of_the_demo_is_judged_as_for_the_clamps_on_it(demo_plan: Plan) -> None:
    drops = demo_plan.drops
    code = pd.Series(span_ladders(demo_plan), index=demo_plan.layers.spans.index)
    by_clamp = drops[drops["strand_span_id"].notna()]
    told = by_clamp["strand_span_id"].map(code).map(dict(enumerate(REASONS)))
    same = by_clamp["strand_ladder"].isin(REASONS)
    assert same.sum() > 100
    assert (told == by_clamp["strand_ladder"])[same].all()


def test_crowns_on_runs_are_those_that_the_legs_pass_through(demo_plan: Plan) -> None:
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8)
    trees = demo_plan.layers.trees
    crowns = shapely.buffer(trees.geometry.values, trees["crown_radius_m"].to_numpy())
    expected: dict[int, set[str]] = {}
    for drop, line in zip(runs.drop, runs.lines, strict=True):
        hit = shapely.length(shapely.intersection(crowns, line)) > 0
        expected.setdefault(int(drop), set()).update(trees.index[hit])
    told = reach(demo_plan)["run_trees"]
    found = {k: set(v.split(";")) for k, v in enumerate(told) if isinstance(v, str)}
    assert found == {drop: names for drop, names in expected.items() if names}
    assert len(found) > 5
