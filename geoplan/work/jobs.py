"""What the installer of each drop needs: lengths, port, people, traffic control, places, time.

Enters: a finished plan, crew rules.
Leaves: the tables ``jobs`` and ``work_places``, and figures about the work.
Does not do: group jobs into days; put cuts on reels.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.framing import declared
from geoplan.model import Plan
from geoplan.project import Project
from geoplan.rules import load_rule_set
from geoplan.rules.crew_reader import CrewRules
from geoplan.tables import TABLES
from geoplan.text_columns import places, texts, worded
from geoplan.work.approach import STATES, build_approach
from geoplan.work.clamp_spans import LIST_SPLIT, far_poles, span_drops
from geoplan.work.clauses import per_row
from geoplan.work.crew import build_crew
from geoplan.work.drives_beside import drives_beside
from geoplan.work.ground import build_ground
from geoplan.work.lengths import build_lengths
from geoplan.work.near_rail import near_rail
from geoplan.work.places import build_places, is_bucket_job
from geoplan.work.road_works import TRAFFIC_CLASSES, is_over_street
from geoplan.work.run_lots import run_lots
from geoplan.work.run_reach import build_reach
from geoplan.work.run_walks import run_walks
from geoplan.work.strand_run import StrandRuns, pole_columns, roads_below, trace_runs
from geoplan.work.strands_met import strand_angles, strands_met
from geoplan.work.traffic import NOT_SEEN, Traffic, build_traffic

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

JOB_KINDS = ("same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp")


@dataclass(frozen=True)
class JobTables:
    """Jobs of a plan with their places, and figures about them."""

    jobs: gpd.GeoDataFrame
    work_places: gpd.GeoDataFrame
    figures: Mapping[str, Any]


def build_jobs(plan: Plan, rules: CrewRules) -> JobTables:
    """Work out what the installer of each drop needs.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    rules : CrewRules
        Who may build a drop, and with what traffic control.

    Returns
    -------
    JobTables
        Tables as declared; no crew day yet.

    Raises
    ------
    ProjectFileError
        If ``[crew] two_people`` or ``[lengths] building_runs`` names an address that isn't there.
    """
    drops, project = plan.drops, plan.project
    rule_set = load_rule_set(project.rule_set)
    ground = build_ground(plan.layers)
    over_street = is_over_street(drops, plan.crossings)
    lengths = build_lengths(
        drops, plan.air_spans, plan.layers.addresses.index, project, over_street
    )
    runs = trace_runs(drops, plan.layers.poles, project.heights.strand_height)
    below = roads_below(runs, ground)
    reach = build_reach(plan, runs, below)
    far_pole, far_row = far_poles(drops, plan.layers.spans, plan.layers.poles)
    found = build_places(plan, rules, ground)
    no_contact = rules.value("alone.no_contact")
    bucket = is_bucket_job(drops)
    by_bucket = bucket | reach["is_run_bucket"].to_numpy(dtype=bool)
    traffic = build_traffic(plan, rules, ground, found.table, runs, below, by_bucket)
    approach = build_approach(
        plan,
        rule_set,
        no_contact,
        runs,
        found.table,
        by_bucket,
        lengths["building_run_m"].to_numpy(dtype=np.float64),
    )
    crew = build_crew(plan, rules, traffic, approach, reach, found.without)
    kind = job_kinds(drops, over_street)
    ends = np.asarray(plan.air_spans.geometry.values, dtype=object)
    jobs = declared(
        gpd.GeoDataFrame(
            {
                **{name: drops[name].array for name in ("address_id", "terminal_id", "label")},
                "job_kind": worded(kind, JOB_KINDS),
                **_columns(first_ports(plan)),
                **_columns(lengths),
                **_columns(crew),
                **_columns(traffic.columns),
                **_columns(approach),
                **_columns(pole_columns(runs, drops, plan.layers.poles, far_row)),
                "far_pole_id": far_pole,
                "span_drops": span_drops(drops),
                "span_drops_over": span_drops(drops, traffic.is_over_road),
                "span_drops_busy": span_drops(drops, traffic.is_over_busy),
                **_hung(drops, *traffic.hung),
                "span_drops_turned": worded(np.full(len(drops), -1), ()),
                **_columns(reach),
                **_columns(run_lots(plan, runs, by_bucket, ground, rules)),
                "run_walks": run_walks(plan, runs, by_bucket, rules),
                "drives_beside": drives_beside(plan, rule_set),
                "strands_met": strands_met(plan),
                "crossed_later": worded(np.full(len(drops), -1), ()),
                "strand_angle_deg": strand_angles(plan),
                "near_rail": near_rail(plan, found.table, runs, rules.value("places.near_rail")),
                "is_over_street": over_street,
                "is_bucket_job": bucket,
                "work_s": _work_s(
                    drops, kind, bucket, reach["is_run_bucket"], traffic, runs, project
                ),
                "crew_day_id": worded(np.full(len(drops), -1), ()),
            },
            geometry=shapely.force_2d(shapely.get_point(ends, -1)),
            crs=plan.layers.crs.working_crs,
        ),
        TABLES["jobs"],
    )
    return JobTables(jobs, found.table, _figures(jobs, rules, found.without))


def _hung(drops: pd.DataFrame, first: IntArray, then: IntArray) -> dict[str, Any]:
    """Name the drops that are hung before each drop, and those after it."""
    names, count = texts(drops["address_id"]), len(drops)
    order = np.lexsort((first, then))
    return {
        "span_drops_first": per_row(then[order], names.take(first[order]), count, LIST_SPLIT),
        "span_drops_later": per_row(first, names.take(then), count, LIST_SPLIT),
    }


def job_kinds(drops: pd.DataFrame, over_street: BoolArray) -> IntArray:
    """Return the kind of each job.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``, n rows.
    over_street : ndarray of bool, shape (n,)
        Whether the air span crosses a street, or hangs over the whole width of a carriageway.

    Returns
    -------
    ndarray of int64, shape (n,)
        Place in `JOB_KINDS`. A drop by way of another pole counts by how it leaves that pole.
    """
    by_clamp = drops["strand_span_id"].notna().to_numpy(dtype=bool)
    return np.asarray(by_clamp + 2 * over_street, dtype=np.int64)


def first_ports(plan: Plan) -> pd.DataFrame:
    """Give each drop its ports, counted up from those in use by order of address.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.

    Returns
    -------
    pandas.DataFrame
        n rows: ``first_port``, ``last_port``. Records tell how many ports are in use, not which:
        the first ones are taken to be.
    """
    drops = plan.drops
    needed = drops["ports_needed"].to_numpy(dtype=np.int64)
    terminal = places(drops["terminal_id"], plan.terminals["terminal_id"])
    in_use = plan.terminals["ports_in_use"].to_numpy(dtype=np.int64)[terminal]
    upto = pd.Series(needed).groupby(terminal).cumsum().to_numpy(dtype=np.int64)
    return pd.DataFrame({"first_port": in_use + upto - needed + 1, "last_port": in_use + upto})


def _columns(frame: pd.DataFrame) -> dict[str, Any]:
    return {str(name): frame[name].array for name in frame.columns}


def _work_s(
    drops: pd.DataFrame,
    kind: IntArray,
    bucket: BoolArray,
    run_bucket: pd.Series,
    traffic: Traffic,
    runs: StrandRuns,
    project: Project,
) -> FloatArray:
    """Return the time on site: by kind of job, and what bucket, run and its traffic control add."""
    times = project.days.work
    has_clamp = drops["strand_span_id"].notna().to_numpy(dtype=bool)
    usual = np.array([times[name] for name in JOB_KINDS])[kind]
    run_m = drops["strand_run_m"].to_numpy(dtype=np.float64)
    along = times["run_metre"] * run_m + times["run_pole"] * runs.poles_passed(has_clamp)
    by_bucket = bucket | run_bucket.to_numpy(dtype=bool)
    setup = traffic.columns["run_traffic_class"].map(project.days.setup).fillna(0.0)
    set_up_s = setup.to_numpy(dtype=np.float64)
    return np.asarray(usual + times["bucket"] * by_bucket + along + set_up_s)


def _figures(
    jobs: gpd.GeoDataFrame, rules: CrewRules, without: Mapping[str, BoolArray]
) -> dict[str, Any]:
    """Return counts, the rules in force, and what was not checked, as plain values."""
    status: dict[str, int] = {}
    for figure in rules.figures.values():
        status[figure.status.label] = status.get(figure.status.label, 0) + 1
    return {
        "crew_rules": rules.name,
        "crew_rules_title": rules.title,
        "crew_rules_caution": rules.caution,
        "crew_figures_by_status": dict(sorted(status.items())),
        "jobs_by_kind": _counts(jobs["job_kind"], JOB_KINDS),
        "jobs_by_traffic_class": _counts(jobs["traffic_class"], TRAFFIC_CLASSES),
        "jobs_by_crew_size": {
            str(size): int(count)
            for size, count in jobs["crew_size"].value_counts().sort_index().items()
        },
        "bucket_jobs": int(jobs["is_bucket_job"].sum()),
        "strand_runs_by_bucket": int(jobs["is_run_bucket"].sum()),
        "jobs_with_owner_permit": int(jobs["is_owner_permit_needed"].sum()),
        "jobs_by_power_approach": _counts(jobs["power_approach"], STATES),
        "jobs_without_stocked_length": int(
            jobs["cut_note"].str.contains("stocked length", regex=False).fillna(False).sum()
        ),
        "jobs_without_place": {place: int(lacks.sum()) for place, lacks in without.items()},
        "wire_m": float(jobs["wire_m"].sum()),
        "work_not_checked": [
            NOT_SEEN,
            "ports: the records tell how many are in use, not which; check before connecting",
            "building run: taken from [lengths] unless given for the address",
            "places of ladder, reel and bucket: plantings, fences, slopes and parked cars",
        ],
    }


def _counts(column: pd.Series, words: tuple[str, ...]) -> dict[str, int]:
    return {word: int((column == word).sum()) for word in words}
