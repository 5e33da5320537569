"""What leaves the office: the tables that tell how a plan is built, added to it.

Enters: a finished plan.
Leaves: the same plan with the tables of `geoplan.work_tables`.
Does not do: change the plan; read or write files.
"""

from __future__ import annotations

from dataclasses import replace

from geoplan.audit import build_audit
from geoplan.model import Plan
from geoplan.rules.crew_reader import load_crew_rules
from geoplan.work.days import schedule_days
from geoplan.work.jobs import build_jobs
from geoplan.work.materials import bill_materials
from geoplan.work.reels import cut_reels


def with_work(plan: Plan) -> Plan:
    """Work out jobs, crossings to be audited, crew days, reels and materials of a plan.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    Plan
        The same plan with the tables of `geoplan.work_tables.WORK_TABLES`.

    Raises
    ------
    GeoplanError
        If crew rules or catalogue cannot be read.
    """
    rules = load_crew_rules(plan.project)
    work = build_jobs(plan, rules)
    audit = build_audit(plan, work.jobs)
    days = schedule_days(plan, work.jobs)
    jobs = days.jobs
    reels = cut_reels(jobs, days.crew_stops, plan.project)
    bill = bill_materials(plan, jobs, reels.reels)
    return replace(
        plan,
        jobs=jobs,
        work_places=work.work_places,
        crossing_audit=audit,
        drop_materials=bill.drop_materials,
        day_materials=bill.day_materials,
        materials=bill.materials,
        reels=reels.reels,
        reel_cuts=reels.reel_cuts,
        crew_days=days.crew_days,
        crew_stops=days.crew_stops,
        work={**work.figures, **days.figures, **reels.figures, **bill.figures},
    )
