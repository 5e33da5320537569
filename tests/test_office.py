"""What leaves the office: wrong settings are told before time is spent; nothing planned is fine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from geoplan.errors import GeoplanError
from geoplan.layers import read_layers
from geoplan.model import Layers
from geoplan.office import refuse_wrong_settings, with_work
from geoplan.plan import make_plan
from geoplan.project import Project, read_project
from tests.conftest import SAMPLES


def changed(project: Project, **sections: dict[str, Any]) -> Project:
    """Return a project under other settings of the work."""
    return project.model_copy(
        update={
            name: getattr(project, name).model_copy(update=values)
            for name, values in sections.items()
        }
    )


@pytest.mark.parametrize(
    ("sections", "match"),
    [
        ({"crew": {"two_people": ("A01O",)}}, r"crew\.two_people: there is no address 'A01O'"),
        ({"crew": {"rules": "eu"}}, "'eu' is not built in"),
        (
            {"lengths": {"building_runs": {"A01O": 3.0}}},
            r"lengths\.building_runs: there is no address 'A01O'",
        ),
        ({"materials": {"catalogue": "none.toml"}}, r"^none\.toml: cannot be read"),
        ({"days": {"depot": (-93.2, 30.1)}}, r"days\.depot: lies \d+ km"),
    ],
)
def test_wrong_settings_of_the_work_are_refused_from_the_layers_alone(
    demo_layers: Layers, demo_project: Project, sections: dict[str, Any], match: str
) -> None:
    with pytest.raises(GeoplanError, match=match):
        refuse_wrong_settings(demo_layers, changed(demo_project, **sections))


def test_the_demo_and_a_depot_that_is_not_used_are_let_pass(
    demo_layers: Layers, demo_project: Project
) -> None:
    refuse_wrong_settings(demo_layers, demo_project)
    unused = {"depot": (-93.2, 30.1), "schedule": False}
    refuse_wrong_settings(demo_layers, changed(demo_project, days=unused))


def test_faults_of_a_users_catalogue_name_the_file_and_no_folder(
    demo_layers: Layers, demo_project: Project, tmp_path: Path
) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        'name = "own"\nbase = "generic"\n[items.thing]\ntitle = "Thing"\nunit = "each"\n'
        'count_by = "per_house"\nstatus = "practice"\n',
        encoding="utf-8",
    )
    project = changed(demo_project, materials={"catalogue": str(path)})
    with pytest.raises(GeoplanError, match=r"^own\.toml items\.thing\.count_by: 'per_house'"):
        refuse_wrong_settings(demo_layers, project)


def test_a_plan_that_serves_nobody_has_work_without_rows() -> None:
    project = read_project(SAMPLES / "tiny" / "project.toml")
    layers = read_layers(project)
    poles = layers.poles.assign(ports_total=0, ports_in_use=0, ports_reserved=0)
    import dataclasses

    plan = with_work(make_plan(dataclasses.replace(layers, poles=poles), project))
    assert len(plan.drops) == 0
    for table in (plan.jobs, plan.work_places, plan.crossing_audit, plan.crew_days, plan.materials):
        assert table is not None
        assert len(table) == 0
