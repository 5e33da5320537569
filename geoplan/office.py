"""What leaves the office: the tables that tell how a plan is built, added to it.

Enters: a finished plan.
Leaves: the same plan with the tables of `geoplan.work_tables`.
Does not do: change the plan; read or write files.
"""

from __future__ import annotations

from dataclasses import replace

import shapely

from geoplan.audit import build_audit
from geoplan.layers.shelf import refuse_shelves
from geoplan.model import Layers, Plan
from geoplan.project import Project
from geoplan.rules.crew_reader import load_crew_rules
from geoplan.rules.materials_reader import load_catalogue
from geoplan.work.crossed_later import with_crossed_later
from geoplan.work.days import refuse_far_depot, schedule_days, travel_of
from geoplan.work.jobs import build_jobs
from geoplan.work.known_addresses import refuse_unknown_addresses
from geoplan.work.materials import bill_materials
from geoplan.work.reels import cut_reels


def refuse_wrong_settings(layers: Layers, project: Project) -> None:
    """Refuse settings of the work that can't be used, before time is spent on a plan.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    project : Project
        Settings.

    Raises
    ------
    GeoplanError
        If crew rules or catalogue cannot be read, ``[crew]`` or ``[lengths]`` names an address
        that isn't there, or the depot is out of reach.
    """
    load_crew_rules(project)
    load_catalogue(project)
    known = layers.addresses.index
    refuse_unknown_addresses(project.crew.two_people, known, "crew.two_people")
    refuse_unknown_addresses(project.lengths.building_runs, known, "lengths.building_runs")
    if project.days.schedule:
        xy = shapely.get_coordinates(layers.addresses.geometry.values)
        refuse_far_depot(travel_of(project.days, layers), xy[:, 0], xy[:, 1])


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
        As `refuse_wrong_settings`.
    ValueError
        If shapes of layers are put away.
    """
    refuse_shelves(plan.layers)
    rules = load_crew_rules(plan.project)
    work = build_jobs(plan, rules)
    audit = build_audit(plan, work.jobs)
    days = schedule_days(plan, work.jobs)
    jobs = with_crossed_later(days.jobs, plan.crossings, days.crew_stops)
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
