"""How high each end may be: hooks, attachments, clamps, and the ground below them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.model import Terrain
from tests.clearance.place import ORIGIN, Plot, build_place, plane

IN = 0.0254
LIGHT = {"loading_district": "light"}
STRAND_N_PER_M = 4000.0


@given(
    strand=st.one_of(st.none(), st.floats(4.0, 9.0)),
    power=st.one_of(st.none(), st.floats(4.0, 12.0)),
    margin=st.floats(0.0, 0.5),
)
@settings(max_examples=15, deadline=None)
def test_a_hook_is_at_or_below_the_strand_and_below_power_by_separation_and_margin(
    strand: float | None, power: float | None, margin: float
) -> None:
    place = build_place(
        [Plot(25.0, strand_m=strand, power_on_pole_m=power)],
        **LIGHT,
        heights={"clearance_margin": f"{margin:.6f} m"},
    )
    high, usual = place.supports.hook_high_m[0], place.supports.hook_usual_m[0]
    top = 5.8 if strand is None else strand
    assert usual <= high <= top
    if power is not None:
        assert high <= power - 40 * IN - margin + 1e-6
    assert place.ends().has_room[0] == (high >= place.project.heights.least_hook)
    assert place.supports.pole_power_is_checked[0] == (power is not None)
    assert place.ends().is_assumed[0] == (strand is None)


@given(
    eave=st.one_of(st.none(), st.floats(2.0, 9.0)), top=st.one_of(st.none(), st.floats(2.0, 12.0))
)
@settings(max_examples=15, deadline=None)
def test_an_attachment_is_below_the_eaves_and_never_above_the_roof(
    eave: float | None, top: float | None
) -> None:
    place = build_place([Plot(25.0, eave_m=eave, top_m=top)], **LIGHT)
    ends = place.ends()
    assert ends.end_usual_m[0] <= ends.end_high_m[0]
    if eave is not None:
        assert ends.end_high_m[0] <= eave - 0.15 + 1e-12
    if top is not None:
        assert ends.end_high_m[0] <= top
    assert ends.is_assumed[0] == (eave is None)


def test_a_mast_lifts_the_highest_attachment_only() -> None:
    plain = build_place([Plot(25.0)], **LIGHT).ends()
    mast = build_place([Plot(25.0)], **LIGHT, heights={"mast": "1 m"}).ends()
    assert mast.end_high_m[0] == pytest.approx(plain.end_high_m[0] + 1.0)
    assert mast.end_usual_m[0] == plain.end_usual_m[0]


def test_a_clamp_hangs_where_the_strand_hangs_less_the_settlement() -> None:
    place = build_place([Plot(25.0, clamp_m=20.0)], **LIGHT)
    sag = place.supports.span_weight_n_per_m[0] * 40.0**2 / (8 * STRAND_N_PER_M)
    ends = place.ends()
    settlement = place.project.heights.clamp_settlement
    assert ends.start_high_m[0] == pytest.approx(6.4 - sag - settlement)
    assert ends.start_usual_m[0] == ends.start_high_m[0]


@pytest.mark.parametrize("lowest", [6.2, 5.9, 5.2, 4.2, 2.0])
def test_a_clamp_is_never_taken_to_be_above_the_strands_measured_lowest_height(
    lowest: float,
) -> None:
    place = build_place([Plot(25.0, clamp_m=20.0, strand_lowest_m=lowest)], **LIGHT)
    settlement = place.project.heights.clamp_settlement
    assert place.ends().start_high_m[0] <= lowest - settlement + 1e-9


def test_a_strand_measured_above_its_chord_is_taken_to_sag_a_little_all_the_same() -> None:
    place = build_place([Plot(25.0, clamp_m=20.0, strand_lowest_m=7.5)], **LIGHT)
    assert place.ends().start_high_m[0] < 6.4 - place.project.heights.clamp_settlement


GROUND = 234.5
PARTLY = {
    "none": {},
    "no house": {"pole_ground_m": GROUND, "east_ground_m": GROUND},
    "no east pole": {"pole_ground_m": GROUND, "building_ground_m": GROUND},
    "house only": {"building_ground_m": GROUND},
    "all": {"pole_ground_m": GROUND, "east_ground_m": GROUND, "building_ground_m": GROUND},
}


@pytest.mark.parametrize("given_ground", PARTLY.values(), ids=PARTLY.keys())
@pytest.mark.parametrize("clamp_m", [None, 15.0], ids=["pole", "clamp"])
def test_level_ground_gives_the_same_drop_whatever_part_of_it_is_known(
    given_ground: dict[str, float], clamp_m: float | None
) -> None:
    """Elevations of some ends and heights above ground of others are never mixed."""
    plain = build_place([Plot(25.0, clamp_m=clamp_m)], **LIGHT)
    place = build_place([Plot(25.0, clamp_m=clamp_m, **given_ground)], **LIGHT)
    expected, final = plain.final(), place.final()
    np.testing.assert_allclose(final.start_m, expected.start_m, atol=1e-9)
    np.testing.assert_allclose(final.margin_m, expected.margin_m, atol=1e-6)
    np.testing.assert_allclose(final.sag_m, expected.sag_m, atol=1e-6)
    known = place.ends().ground_is_known[0]
    needed = {"pole_ground_m", "building_ground_m"}
    needed |= set() if clamp_m is None else {"east_ground_m"}
    assert known == (needed <= set(given_ground))
    assert final.start_z_m[0] == pytest.approx(final.start_m[0] + (GROUND if known else 0.0))


def holed(terrain: Terrain, east_of_m: float, north_of_m: float) -> Terrain:
    """Take the data away east or north of the first plot's pole."""
    ground = terrain.elevation_m.copy()
    x = terrain.x0_m + terrain.dx_m * np.arange(ground.shape[1]) - ORIGIN[0]
    y = terrain.y0_m + terrain.dy_m * np.arange(ground.shape[0]) - ORIGIN[1]
    ground[:, x > east_of_m] = np.nan
    ground[y > north_of_m, :] = np.nan
    return dataclasses.replace(terrain, elevation_m=ground)


@pytest.mark.parametrize("clamp_m", [None, 12.0], ids=["pole", "clamp"])
@pytest.mark.parametrize(
    ("east", "north"), [(5.0, 900.0), (900.0, 15.0), (-50.0, 900.0)], ids=["pole", "house", "all"]
)
def test_holes_in_the_raster_fall_back_on_level_ground_and_nothing_in_between(
    clamp_m: float | None, east: float, north: float
) -> None:
    plots = [Plot(25.0, clamp_m=clamp_m)]
    plain = build_place(plots, **LIGHT).final()
    place = build_place(plots, holed(plane(0.0, 0.0, count=1), east, north), **LIGHT)
    final = place.final()
    np.testing.assert_allclose(final.start_m, plain.start_m, atol=1e-9)
    np.testing.assert_allclose(final.margin_m, plain.margin_m, atol=1e-6)


@given(east=st.floats(-0.1, 0.1), north=st.floats(-0.3, 0.3), clamp=st.floats(2.0, 38.0))
@settings(max_examples=6, deadline=None)
def test_a_clamp_on_a_slope_stands_above_its_own_ground_as_the_strand_does(
    east: float, north: float, clamp: float
) -> None:
    plots = [Plot(25.0, clamp_m=clamp)]
    sloping = build_place(plots, plane(east, north, count=1), **LIGHT)
    level = build_place(plots, **LIGHT)
    np.testing.assert_allclose(sloping.ends().start_high_m, level.ends().start_high_m, atol=1e-6)
    ground = 100.0 + east * (clamp - 20.0)
    np.testing.assert_allclose(sloping.ends().start_ground_m, ground, atol=1e-6)


def test_a_strand_over_a_dip_is_higher_above_the_ground_there() -> None:
    terrain = plane(0.0, 0.0, count=1)
    x = terrain.x0_m + terrain.dx_m * np.arange(terrain.elevation_m.shape[1]) - ORIGIN[0]
    ground = np.where(np.abs(x) < 10.0, 97.0, 100.0) + 0 * terrain.elevation_m
    place = build_place(
        [Plot(25.0, clamp_m=20.0)], dataclasses.replace(terrain, elevation_m=ground), **LIGHT
    )
    level = build_place([Plot(25.0, clamp_m=20.0)], plane(0.0, 0.0, count=1), **LIGHT)
    assert place.ends().start_high_m[0] == pytest.approx(level.ends().start_high_m[0] + 3.0)


def test_a_hook_under_low_power_hangs_just_separation_and_margin_below_it() -> None:
    """NESC 235C: 40 in at the pole."""
    place = build_place([Plot(25.0, strand_m=6.4, power_on_pole_m=7.0)], **LIGHT)
    assert place.supports.hook_high_m[0] == pytest.approx(7.0 - 40 * IN - 0.15)
    assert place.supports.hook_usual_m[0] == place.supports.hook_high_m[0]
