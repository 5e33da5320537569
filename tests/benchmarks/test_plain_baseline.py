"""The plain baseline and geoplan's search price every pair alike, each by its own arithmetic."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from data_samples.make_town import make_town, write_town
from geoplan.layers import read_layers
from geoplan.layers.span_table import build_span_table
from geoplan.model import Layers
from geoplan.project import Project, project_from_dict, read_project
from geoplan.standards import load_standards
from tests.benchmarks.compare_prices import Prices, cheapest, compare, prices_without_mechanics
from tests.benchmarks.plain_baseline import assign, make_plain_plan
from tests.towns import random_town

LAYERS = dict.fromkeys(("parcels", "addresses", "poles", "roads"), "none.gpkg")


def _project(**sections: dict[str, object]) -> Project:
    return project_from_dict(
        {"loading_district": "light", "layers": LAYERS, **sections}, base=Path()
    )


def _stranded_town(seed: int) -> Layers:
    """A random town with strand along its poles from west to east, without loops."""
    town = random_town(np.random.default_rng(seed))
    order = np.argsort(town.poles.geometry.x.to_numpy())
    start, end = np.minimum(order[:-1], order[1:]), np.maximum(order[:-1], order[1:])
    names = np.array([f"span{row:02d}" for row in range(len(start))], dtype=object)
    spans = build_span_table(town.poles, start, end, {}, span_id=names)
    return replace(town, spans=spans[spans["length_m"] < 60.0])


def _plain_prices(town: Layers, project: Project) -> Prices:
    standards = load_standards(project)
    layers = {name: frame for name, frame in vars(town).items() if hasattr(frame, "geometry")}
    assert all(isinstance(frame, gpd.GeoDataFrame) for frame in layers.values())
    return make_plain_plan(
        layers,
        project,
        max_air_span_m=standards.max_air_span_m,
        max_route_m=standards.max_route_m,
    ).price


@pytest.mark.parametrize("seed", range(12))
def test_every_pair_has_the_same_price(seed: int) -> None:
    town, project = _stranded_town(seed), _project()
    result = compare(_plain_prices(town, project), prices_without_mechanics(town, project))
    assert result["unequal"] == 0, result
    assert result["equal"] > 0


@pytest.mark.parametrize("seed", range(12, 20))
def test_prices_agree_where_nothing_is_forbidden(seed: int) -> None:
    project = _project(
        forbidden={"rail": False, "water": False, "pool": False, "road_classes": []},
        limits={"max_spans_passed": 4, "clamp_step": "2.5 m"},
    )
    town = _stranded_town(seed)
    result = compare(_plain_prices(town, project), prices_without_mechanics(town, project))
    assert result["unequal"] == 0, result
    assert result["equal"] > 0


@pytest.mark.parametrize("seed", range(6))
def test_a_first_search_finds_the_cheapest_pair_of_each_address(seed: int) -> None:
    town, project = _stranded_town(seed), _project()
    first = prices_without_mechanics(town, project, cheapest_only=True)
    result = compare(cheapest(_plain_prices(town, project)), cheapest(first))
    assert result["unequal"] == 0, result
    assert result["equal"] > 0


def test_what_a_first_search_leaves_unopened_is_never_the_cheapest(tmp_path: Path) -> None:
    write_town(make_town(480), tmp_path)
    project = read_project(tmp_path / "project.toml")
    layers = read_layers(project)
    every = prices_without_mechanics(layers, project)
    first = prices_without_mechanics(layers, project, cheapest_only=True)
    assert len(first) < len(every)
    result = compare(cheapest(every), cheapest(first))
    assert result["unequal"] == 0, result


def test_a_price_that_differs_by_a_cent_is_counted() -> None:
    plain, ours = {("a", "t"): 100, ("b", "t"): 5}, {("a", "t"): 101, ("c", "t"): 7}
    result = compare(plain, ours)
    assert (result["equal"], result["unequal"]) == (0, 3)
    assert (result["only_plain"], result["only_geoplan"]) == (1, 1)


def test_as_many_as_possible_are_served_before_money_counts() -> None:
    price = {("a", "s"): 100, ("a", "t"): 900, ("b", "s"): 800}
    terminal, cents = assign(price, {"a": 1, "b": 1}, {"s": 1, "t": 1})
    assert terminal == {"a": "t", "b": "s"}
    assert cents == 1_700


def test_an_address_with_two_ports_is_not_split() -> None:
    price = {("a", "s"): 100, ("a", "t"): 100}
    assert assign(price, {"a": 2}, {"s": 1, "t": 1}) == ({}, 0)
