"""Fixtures shared by all rooms: the two demo places, read and planned once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from data_samples.make_town import make_town, write_town
from geoplan.layers import read_layers
from geoplan.model import Layers, Plan
from geoplan.office import with_work
from geoplan.plan import make_plan
from geoplan.project import Project, read_project

os.environ.setdefault("OGR_SQLITE_SYNCHRONOUS", "OFF")
"""What tests write need not outlive a power cut: nobody waits for the disk, nor do processes."""

SAMPLES = Path(__file__).resolve().parents[1] / "data_samples"


FIRST = ("tests/cli/", "tests/reports/", "tests/test_cluster.py", "tests/external/")
"""Where the long files are; last of all, one of them would leave the other processes idle."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with long files; with ``--no-loadscope-reorder`` processes take files in this order."""
    items.sort(key=lambda item: not item.nodeid.startswith(FIRST))


@pytest.fixture(scope="session")
def demo_project() -> Project:
    return read_project(SAMPLES / "demo" / "project.toml")


@pytest.fixture(scope="session")
def demo_layers(demo_project: Project) -> Layers:
    return read_layers(demo_project)


@pytest.fixture(scope="session")
def demo_plan(demo_layers: Layers, demo_project: Project) -> Plan:
    return make_plan(demo_layers, demo_project)


@pytest.fixture(scope="session")
def demo_work(demo_plan: Plan) -> Plan:
    """Return the demo's plan with all tables of the work."""
    return with_work(demo_plan)


@pytest.fixture(scope="session")
def scarce_project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    """Make a town of 96 addresses with fewer free ports than that."""
    folder = tmp_path_factory.mktemp("scarce")
    write_town(make_town(96, scarce=True), folder)
    return read_project(folder / "project.toml")


@pytest.fixture(scope="session")
def scarce_layers(scarce_project: Project) -> Layers:
    return read_layers(scarce_project)


@pytest.fixture(scope="session")
def tiny_plan() -> Plan:
    project = read_project(SAMPLES / "tiny" / "project.toml")
    return make_plan(read_layers(project), project)
