"""The audit of crossings by itself: jobs and crossings, without days, reels and materials.

Enters: a finished plan.
Leaves: the same plan with the tables that the audit needs and makes.
Does not do: change the plan; read or write files.
"""

from __future__ import annotations

from dataclasses import replace

from geoplan.audit.audit_table import build_audit
from geoplan.model import Plan
from geoplan.rules.crew_reader import load_crew_rules
from geoplan.work.jobs import build_jobs


def with_audit(plan: Plan) -> Plan:
    """Work out jobs and the audit of crossings of a plan.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    Plan
        The same plan with ``jobs``, ``work_places`` and ``crossing_audit``.

    Raises
    ------
    GeoplanError
        If the crew rules cannot be read.
    """
    work = build_jobs(plan, load_crew_rules(plan.project))
    return replace(
        plan,
        jobs=work.jobs,
        work_places=work.work_places,
        crossing_audit=build_audit(plan, work.jobs),
    )
