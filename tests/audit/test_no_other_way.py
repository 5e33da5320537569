"""Reasons why there is no route without a crossing, on towns small enough to follow."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoplan.audit.no_other_way import explain_none
from geoplan.audit.other_ways import find_other_ways
from geoplan.model import Layers
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.routes.index import row_numbers
from geoplan.units import say
from tests.audit.streets import TALL_HOUSES, street_town
from tests.plants import (
    HEIGHT_BITS,
    PROJECT,
    STRONG_WIRE,
    all_offers,
    bare_town,
    plant_of,
    standards_for,
)
from tests.towns import layer_frame

STREET = shapely.LineString([(-200.0, 10.0), (200.0, 10.0)])
NORTH = shapely.box(-5.0, 25.0, 5.0, 35.0)


def reasons(layers: Layers, project: Project = PROJECT) -> dict[str, str]:
    """Plan a town, and say for each of those without another way why there is none."""
    plan = make_plan(layers, project, standards=standards_for(project))
    rows = np.sort(row_numbers(plan.drops["address_id"], layers.addresses.index))
    ways = find_other_ways(plan, rows, standards_for(project))
    words = explain_none(ways, layers).tolist()
    return dict(zip(layers.addresses.index[ways.none], words, strict=True))


def across(
    poles: Sequence[tuple[float, float]], *, terminals: Sequence[int] = (0,), **more: object
) -> Layers:
    """Lay out one house north of a street, and a terminal south of it."""
    return bare_town(
        [(0.0, 0.0), *poles],
        houses=[NORTH],
        roads=[STREET],
        terminals=list(terminals),
        **more,  # type: ignore[arg-type]
    )


def test_without_a_pole_on_its_side_none_is_within_reach() -> None:
    assert reasons(across([])) == {"ad000": "none: no pole on this side within reach"}


def test_a_pole_a_little_too_far_away_is_told_with_its_excess() -> None:
    # the house's corner is at (5, 25); the pole at (5, 88.2) is 53.2 m from its wall at y = 35
    far = across([(0.0, 98.2)], terminals=[0, 1])
    said = reasons(far)["ad000"]
    assert said == f"none: too long by {say(3.2, 'length', 'us')} from po001, the nearest " + (
        "without a crossing"
    )


def test_a_pole_far_beyond_the_limit_is_not_told() -> None:
    assert reasons(across([(0.0, 135.0)], terminals=[0, 1])) == {
        "ad000": "none: no pole on this side within reach"
    }


def test_a_pole_on_its_side_that_no_terminal_reaches_is_told() -> None:
    project = Project(
        layers={},
        wire="strong",
        wires={"strong": STRONG_WIRE},
        heights=PROJECT.heights,
        limits={"max_route": "70 m", "min_clamp_to_pole": "50 m"},
    )
    layers = across([(0.0, 50.0)], ends=[(0, 1)])
    assert reasons(layers, project) == {}
    limits = project.limits.model_copy(update={"max_route": 45.0})
    tight = project.model_copy(update={"limits": limits})
    assert reasons(layers, tight)["ad000"] == (
        "none: poles are near without a crossing, but no terminal is joined to them in reach"
    )


def test_water_on_the_way_is_told_where_only_that_forbids() -> None:
    layers = across([(0.0, 70.0)], terminals=[0, 1])
    creek = layer_frame("water", [shapely.box(-300.0, 45.0, 300.0, 55.0)])
    assert reasons(dataclasses.replace(layers, water=creek)) == {
        "ad000": "none: every route without a crossing is ruled out: crosses water"
    }


def test_a_locked_address_is_told_that_it_is_locked() -> None:
    layers = across([(0.0, 60.0)], terminals=[0, 1])
    assert reasons(layers) == {}
    people = layers.addresses.assign(locked_terminal_id="po000")
    assert reasons(dataclasses.replace(layers, addresses=people))["ad000"].endswith(
        "(it is locked to one terminal)"
    )


@given(st.integers(0, 100_000))
@example(750)  # a yard that is missed beyond water
@settings(max_examples=3, deadline=None)
def test_reasons_are_those_of_all_candidates_without_a_crossing(seed: int) -> None:
    """The clearance missed is the least of all; nothing in reach means that there is nothing."""
    project = TALL_HOUSES
    layers = street_town(np.random.default_rng(seed))
    said = reasons(layers, project)
    forbidden = project.forbidden.model_copy(update={"rail": True, "water": True})
    strict = project.model_copy(update={"forbidden": forbidden})
    rows = row_numbers(list(said), layers.addresses.index)  # type: ignore[arg-type]
    offers = all_offers(plant_of(layers, strict), strict, rows)
    offers = offers.take(~offers.over_street)
    for row, words in zip(rows.tolist(), said.values(), strict=True):
        mine = offers.take(offers.address == row)
        assert (mine.forbidden != 0).all()
        by_heights = (mine.forbidden & ~HEIGHT_BITS) == 0
        missed = mine.miss_m[by_heights & np.isfinite(mine.miss_m)]
        if words.startswith("none: clearance misses by "):
            assert words.startswith(
                f"none: clearance misses by {say(float(missed.min()), 'sag', 'us')} over "
            )
        elif words.startswith("none: every route without a crossing is ruled out: "):
            assert len(mine) > 0
            assert len(missed) == 0
        else:
            assert len(mine) == 0


def test_reasons_do_not_depend_on_the_size_of_the_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    layers = street_town(np.random.default_rng(5))
    whole = reasons(layers, TALL_HOUSES)
    monkeypatch.setattr("geoplan.audit.no_other_way.GROUP", 2)
    assert reasons(layers, TALL_HOUSES) == whole
    assert len(whole) > 4
