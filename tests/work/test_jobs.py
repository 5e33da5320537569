"""The table of jobs as a whole: as declared, whole, in order, on odd plans too."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.rules.crew_reader import CrewRules
from geoplan.tables import TABLES, schema
from geoplan.work.jobs import JOB_KINDS, JobTables, build_jobs
from tests.work.conftest import with_settings


@pytest.mark.parametrize("name", ["jobs", "work_places"])
def test_tables_are_as_declared(demo_jobs: JobTables, name: str) -> None:
    table = getattr(demo_jobs, name)
    schema(TABLES[name]).validate(pd.DataFrame(table), lazy=True)
    assert list(table.columns) == [*TABLES[name].column_names, "geometry"]


def test_random_towns_give_tables_as_declared(
    town_plans: list[Plan], crew_rules: CrewRules
) -> None:
    for plan in town_plans:
        made = build_jobs(plan, crew_rules)
        schema(TABLES["jobs"]).validate(pd.DataFrame(made.jobs), lazy=True)
        schema(TABLES["work_places"]).validate(pd.DataFrame(made.work_places), lazy=True)
        assert made.jobs["address_id"].tolist() == plan.drops["address_id"].tolist()
        assert (made.jobs["wire_m"] > 0).all()


def test_each_drop_is_one_job_at_its_attachment(demo_plan: Plan, demo_jobs: JobTables) -> None:
    jobs, drops = demo_jobs.jobs, demo_plan.drops
    assert jobs["address_id"].tolist() == drops["address_id"].tolist()
    ends = shapely.force_2d(shapely.get_point(demo_plan.air_spans.geometry.values, -1))
    assert shapely.equals_exact(jobs.geometry.values, ends, 1e-9).all()
    assert jobs.crs == drops.crs


def test_kinds_follow_from_route_and_street(demo_plan: Plan, demo_jobs: JobTables) -> None:
    drops = demo_plan.drops
    clamp = drops["route_kind"].str.endswith("span_clamp")
    street = demo_jobs.jobs["is_over_street"]
    assert (street & ~drops["is_street_crossing"]).any()
    expected = np.select(
        [street & clamp, street, clamp], [JOB_KINDS[3], JOB_KINDS[2], JOB_KINDS[1]], JOB_KINDS[0]
    )
    assert demo_jobs.jobs["job_kind"].tolist() == expected.tolist()


def test_ports_are_numbered_up_from_those_in_use_and_none_twice(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    jobs = demo_jobs.jobs
    terminals = demo_plan.terminals.set_index("terminal_id")
    for name, rows in jobs.groupby("terminal_id"):
        used = [
            port
            for first, last in zip(rows["first_port"], rows["last_port"], strict=True)
            for port in range(first, last + 1)
        ]
        start = int(terminals.loc[name, "ports_in_use"])
        assert used == list(range(start + 1, start + 1 + len(used)))
        assert used[-1] <= terminals.loc[name, "ports_total"]
    needed = demo_plan.drops["ports_needed"]
    assert (jobs["last_port"] - jobs["first_port"] + 1).tolist() == needed.tolist()
    assert (needed > 1).any()


def test_time_grows_with_bucket_strand_run_and_poles(demo_plan: Plan, demo_jobs: JobTables) -> None:
    work = demo_plan.project.days.work
    jobs, drops = demo_jobs.jobs, demo_plan.drops
    poles = jobs["run_poles"].str.count(";").fillna(-1) + 1
    poles -= (poles > 0) & drops["strand_span_id"].isna()
    expected = (
        jobs["job_kind"].map(work)
        + (jobs["is_bucket_job"] | jobs["is_run_bucket"]) * work["bucket"]
        + jobs["run_traffic_class"].map(demo_plan.project.days.setup).fillna(0.0)
        + drops["strand_run_m"] * work["run_metre"]
        + poles * work["run_pole"]
    )
    assert jobs["work_s"].to_numpy() == pytest.approx(expected.to_numpy())
    assert jobs["is_bucket_job"].any()
    assert (jobs["is_run_bucket"] & ~jobs["is_bucket_job"]).any()
    assert (poles > 2).any()


def test_a_plan_with_other_times_for_the_run_has_other_times(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    work = {**demo_plan.project.days.work, "run_metre": 0.0, "run_pole": 60.0}
    jobs = build_jobs(with_settings(demo_plan, days={"work": work}), crew_rules).jobs
    has_run = jobs["run_poles"].notna()
    assert (jobs["work_s"] < demo_jobs.jobs["work_s"])[has_run].all()
    assert (jobs["work_s"] == demo_jobs.jobs["work_s"])[~has_run].all()


def test_runs_are_told_as_far_as_there_are_any(demo_plan: Plan, demo_jobs: JobTables) -> None:
    jobs, drops = demo_jobs.jobs, demo_plan.drops
    has_run = drops["strand_run_m"] > 0
    assert jobs["run_poles"].notna().tolist() == has_run.tolist()
    first = jobs["run_poles"].str.split(";").str[0]
    last = jobs["run_poles"].str.split(";").str[-1]
    assert first[has_run].tolist() == drops.loc[has_run, "access_pole_id"].tolist()
    assert last[has_run].tolist() == drops.loc[has_run, "terminal_id"].tolist()
    assert jobs.loc[~has_run, ["run_roads", "run_power"]].isna().all(axis=None)
    poor = demo_plan.layers.poles["condition"] == "poor"
    at_poor = drops["access_pole_id"].map(poor) | drops["terminal_id"].map(poor)
    assert jobs.loc[at_poor, "poor_poles"].notna().all()
    named = jobs["poor_poles"].dropna().str.split(";").explode()
    assert named.map(poor).all()


def test_order_of_rows_in_the_layers_is_without_effect(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    """Crossings in another order, and roads in another order, give the same words and figures."""
    random = np.random.default_rng(7)
    crossings = demo_plan.crossings.iloc[random.permutation(len(demo_plan.crossings))]
    again = build_jobs(
        dataclasses.replace(demo_plan, crossings=crossings.reset_index(drop=True)), crew_rules
    )
    columns = [name for name in again.jobs.columns if name not in ("geometry", "crew_reasons")]
    pd.testing.assert_frame_equal(
        pd.DataFrame(again.jobs[columns]), pd.DataFrame(demo_jobs.jobs[columns])
    )
    once = build_jobs(demo_plan, crew_rules)
    pd.testing.assert_frame_equal(pd.DataFrame(once.jobs), pd.DataFrame(demo_jobs.jobs))


def test_a_plan_without_drops_has_tables_without_rows(
    demo_layers: Layers, demo_project: Project, crew_rules: CrewRules
) -> None:
    poles = demo_layers.poles.assign(ports_total=0)
    plan = make_plan(dataclasses.replace(demo_layers, poles=poles), demo_project)
    assert len(plan.drops) == 0
    made = build_jobs(plan, crew_rules)
    for name in ("jobs", "work_places"):
        table = getattr(made, name)
        assert len(table) == 0
        assert list(table.columns) == [*TABLES[name].column_names, "geometry"]
    assert made.figures["wire_m"] == 0.0


def test_figures_count_all_jobs_and_name_the_rules(demo_jobs: JobTables) -> None:
    figures, count = demo_jobs.figures, len(demo_jobs.jobs)
    for name in ("jobs_by_kind", "jobs_by_traffic_class", "jobs_by_crew_size"):
        assert sum(figures[name].values()) == count
    assert sum(figures["jobs_by_power_approach"].values()) == count
    assert figures["crew_rules"] == "us"
    assert figures["crew_figures_by_status"]["common practice, no source"] > 40
    assert any("sight distance" in line for line in figures["work_not_checked"])


AFTER_DAYS = ("geometry", "crew_day_id", "crossed_later")
"""Columns that are filled only when the crew days are known."""


def test_the_whole_chain_keeps_the_jobs(demo_work: Plan, demo_jobs: JobTables) -> None:
    same = [name for name in demo_jobs.jobs.columns if name not in AFTER_DAYS]
    pd.testing.assert_frame_equal(
        pd.DataFrame(demo_work.jobs[same]), pd.DataFrame(demo_jobs.jobs[same])
    )
