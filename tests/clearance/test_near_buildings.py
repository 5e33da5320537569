"""Buildings beside planned air spans: told of only where they reach up to the wire."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from geoplan.clearance.near_buildings import is_below_top
from geoplan.model import Plan
from geoplan.project import Project
from geoplan.routes.crossings import KIND_CODE, Crossings
from geoplan.tables import CrossingKind
from tests.clearance.place import Place, Plot, build_place


def beside(place: Place, start: float, end: float) -> Crossings:
    """Say that each air span passes its own house between two parts of its length."""
    count, length = len(place.air), place.air.length_m
    none = np.zeros(count, dtype=bool)
    return Crossings(
        np.arange(count),
        np.full(count, KIND_CODE[CrossingKind.ROOF]),
        place.air.building,
        ~none,
        none,
        start * length,
        start * length,
        end * length,
        np.full(count, 0.4),
        np.full(count, np.nan),
    )


def told(place: Place, start: float, end: float) -> list[bool]:
    near = beside(place, start, end)
    work = (place.ends(), place.supports, place.demands, place.final())
    return is_below_top(near, place.air, *work).tolist()


def test_only_a_top_above_the_wire_counts() -> None:
    tops = (2.0, 4.0, 9.0)
    place = build_place([Plot(25.0, top_m=top, eave_m=None) for top in tops])
    final = place.final()
    lowest = final.start_z_m + 0.5 * (final.end_z_m - final.start_z_m) - final.sag_worst_m
    assert told(place, 0.5, 0.5) == (np.array(tops) > lowest).tolist()
    assert told(place, 0.5, 0.5) != [True] * 3
    assert told(place, 0.5, 0.5)[-1]


def test_the_lowest_place_of_the_near_part_counts() -> None:
    """A top between the wire's height at the pole and at its lowest."""
    plot = Plot(25.0, eave_m=None, top_m=None)
    final = build_place([plot]).final()
    part = np.linspace(0.0, 1.0, 101)
    wire = (
        final.start_z_m[0]
        + part * (final.end_z_m - final.start_z_m)[0]
        - 4 * part * (1 - part) * final.sag_worst_m[0]
    )
    between = float(wire[0] + wire.min()) / 2
    place = build_place([dataclasses.replace(plot, top_m=between)])
    assert told(place, 0.0, 0.0) == [False]
    assert told(place, 0.0, 1.0) == [True]


def test_an_unknown_top_stands_at_the_default() -> None:
    place = build_place([Plot(25.0, top_m=None, eave_m=None)])
    assert np.isclose(place.demands.roof_top_m, place.project.heights.roof_height).all()
    assert told(place, 0.5, 0.5) == [True]


def test_near_buildings_of_the_demo_are_flagged_and_never_called_checked(
    demo_plan: Plan, demo_project: Project
) -> None:
    near = demo_plan.crossings[
        (demo_plan.crossings["crossing_kind"] == "roof") & demo_plan.crossings["is_near_miss"]
    ]
    assert len(near) > 5
    assert (near["clearance_basis"] == "not_checked").all()
    assert near["margin_m"].isna().all()
    assert near["clearance_note"].str.contains("not compared").all()
    flagged = demo_plan.hazards[demo_plan.hazards["code"] == "near_building"]
    key = ["address_id", "feature_id"]
    assert flagged[key].sort_values(key).to_numpy().tolist() == (
        near[key].sort_values(key).to_numpy().tolist()
    )
    lines = demo_plan.air_spans.set_index("address_id").geometry[near["address_id"]]
    walls = demo_plan.layers.buildings.geometry[near["feature_id"]]
    apart = shapely.distance(shapely.force_2d(lines.to_numpy()), walls.to_numpy())
    np.testing.assert_allclose(near["distance_m"], apart, atol=1e-9)
    assert (apart <= demo_project.limits.near_building).all()
    own = demo_plan.drops.set_index("address_id")["building_id"][near["address_id"]]
    assert (own.to_numpy() != near["feature_id"].to_numpy()).all()


@pytest.mark.parametrize("column", ["margin_m", "required_m", "available_m"])
def test_what_is_computed_stays_with_its_own_crossing(demo_plan: Plan, column: str) -> None:
    """Near buildings are put in between rows that were computed before."""
    rows = demo_plan.crossings[demo_plan.crossings["clearance_basis"] == "computed"]
    assert rows[column].notna().all()
    least = rows.groupby("address_id")["margin_m"].min()
    drop = demo_plan.drops.set_index("address_id")
    named = drop.index[drop["margin_over"] != "yard"]
    np.testing.assert_allclose(least[named], drop.loc[named, "margin_m"], atol=1e-9)
