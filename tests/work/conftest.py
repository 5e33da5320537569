"""The demo with its work, made once; and plans with other settings or layers."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from geoplan.model import Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.rules.crew_reader import CrewRules, read_crew_rules
from geoplan.work.jobs import JobTables, build_jobs
from tests.towns import random_town


@pytest.fixture(scope="session")
def crew_rules() -> CrewRules:
    return read_crew_rules("us")


@pytest.fixture(scope="session")
def demo_jobs(demo_plan: Plan, crew_rules: CrewRules) -> JobTables:
    return build_jobs(demo_plan, crew_rules)


@pytest.fixture(scope="session")
def town_plans(demo_project: Project) -> list[Plan]:
    """Return plans of random towns, in which nothing is in its proper place."""
    towns = [random_town(np.random.default_rng(seed)) for seed in range(9)]
    return [make_plan(town, demo_project) for town in towns]


def with_settings(plan: Plan, **sections: dict[str, Any]) -> Plan:
    """Return a plan under other settings of the work; the choice stays as it was."""
    changed = {
        name: getattr(plan.project, name).model_copy(update=values)
        for name, values in sections.items()
    }
    return dataclasses.replace(plan, project=plan.project.model_copy(update=changed))


def with_layer(plan: Plan, name: str, **columns: Any) -> Plan:
    """Return a plan with other values in columns of one layer."""
    frame = getattr(plan.layers, name).assign(**columns)
    return dataclasses.replace(plan, layers=dataclasses.replace(plan.layers, **{name: frame}))
