"""Where span clamps settle: load cases at once are load cases by themselves."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.clearance.clamps import Clamps, find_clamps
from geoplan.clearance.settling import settle_clamps, settle_in_cases
from tests.clearance.place import Place, Plot, build_place


@pytest.fixture(scope="module")
def place() -> Place:
    plots = [Plot(24.0, clamp_m=11.0), Plot(33.0, clamp_m=30.0), Plot(15.0, clamp_m=20.0)]
    return build_place(plots, loading_district="medium")


@pytest.fixture(scope="module")
def clamps(place: Place) -> Clamps:
    """Two drops from the first strand span, one from each of the others."""
    air = place.air.take(np.array([0, 0, 1, 2]))
    air.ex[1] += 5.0
    ends = place.ends().take(np.array([0, 0, 1, 2]))
    house = ends.end_ground_m + ends.end_usual_m
    sag = 0.025 * air.length_m
    over = place.crossings.over_streets(len(place.air))[[0, 0, 1, 2]]
    work = (place.index, place.supports, ends, house, sag, over, place.project, place.standards)
    return find_clamps(air, *work)


def test_cases_at_once_are_each_case_by_itself(place: Place, clamps: Clamps) -> None:
    cases = [*place.standards.clearance, *place.standards.tension]
    assert len(cases) > 2
    together = settle_in_cases(clamps, cases, place.standards)
    for case, settled in zip(cases, together, strict=True):
        alone = settle_clamps(clamps, case, place.standards)
        np.testing.assert_array_equal(settled.start_z_m, alone.start_z_m)
        np.testing.assert_array_equal(settled.air_span_m, alone.air_span_m)
        np.testing.assert_array_equal(settled.drop_tension_n, alone.drop_tension_n)


def test_a_load_for_tension_pulls_every_clamp_nearer(place: Place, clamps: Clamps) -> None:
    loaded = settle_clamps(clamps, place.standards.tension[0], place.standards)
    calm = settle_clamps(clamps, place.standards.stringing, place.standards)
    np.testing.assert_allclose(calm.air_span_m, clamps.air_span_m, atol=2e-3)
    assert (loaded.air_span_m < calm.air_span_m).all()
    assert (loaded.drop_tension_n > calm.drop_tension_n).all()


def test_no_case_settles_nothing(place: Place, clamps: Clamps) -> None:
    assert settle_in_cases(clamps, [], place.standards) == []
