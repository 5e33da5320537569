"""Span clamps of planned drops: signs of the trade, load cases, ladders, shared spans."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from geoplan.clearance.clamps import Clamps, find_clamps
from geoplan.clearance.settling import settle_clamps
from geoplan.model import Plan
from tests.clearance.place import Place, Plot, build_place, plane

RNG = np.random.default_rng(20)
MEDIUM = {"loading_district": "medium"}


def random_clamps() -> Place:
    plots = [
        Plot(
            float(RNG.uniform(6.0, 40.0)),
            strand_m=float(RNG.uniform(5.8, 8.0)),
            clamp_m=float(RNG.uniform(2.0, 38.0)),
            strand_lowest_m=None,
        )
        for _ in range(30)
    ]
    return build_place(plots, plane(0.03, -0.05, count=30), **MEDIUM)


@pytest.fixture(scope="module")
def place() -> Place:
    return random_clamps()


@pytest.fixture(scope="module")
def clamps(place: Place) -> Clamps:
    return find_for(place, 0.02 * place.air.length_m)


def find_for(place: Place, sag_m: np.ndarray) -> Clamps:
    ends = place.ends()
    house = ends.end_ground_m + ends.end_usual_m
    over = place.crossings.over_streets(len(place.air))
    return find_clamps(
        place.air,
        place.index,
        place.supports,
        ends,
        house,
        sag_m,
        over,
        place.project,
        place.standards,
    )


def test_the_ladder_pushes_the_clamp_toward_the_street(clamps: Clamps) -> None:
    assert clamps.converged.all()
    assert not clamps.is_over_street.any()
    assert (clamps.lateral_with_ladder_m < clamps.lateral_after_m).all()


def test_where_the_drop_goes_over_the_street_the_ladder_pushes_toward_the_house() -> None:
    """The same clamps with a road between strand and house, then beyond, then only overhung."""
    plots = [
        Plot(span, clamp_m=clamp)
        for span, clamp in ((16.0, 12.0), (25.0, 20.0), (34.0, 31.0), (38.0, 6.0))
    ]
    plain, over, beyond, hung = (
        build_place([dataclasses.replace(plot, road=road) for plot in plots], **MEDIUM)
        for road in (None, (8.0, 7.0), (-8.0, 7.0), (-2.0, 7.0))
    )
    sag = 0.02 * plain.air.length_m
    same, across, back, part = (find_for(place, sag) for place in (plain, over, beyond, hung))
    assert across.is_over_street.all()
    assert hung.crossings.is_overhang.any()
    for other in (same, back, part):
        assert not other.is_over_street.any()
        assert (other.lateral_with_ladder_m < other.lateral_after_m).all()
        assert (other.sag_with_ladder_m < other.sag_after_m).all()
        np.testing.assert_array_equal(other.sag_with_ladder_m, same.sag_with_ladder_m)
    assert (across.lateral_with_ladder_m > across.lateral_after_m).all()
    assert (across.sag_with_ladder_m > across.sag_after_m).all()
    # Gone, the ladder leaves the same wire, whatever the side.
    for name in ("sag_after_m", "lateral_after_m", "length_m", "air_span_m", "sink_m"):
        np.testing.assert_allclose(getattr(across, name), getattr(same, name), atol=1e-9)
    # Toward the house strand and drop give way; away from it the drop holds against the ladder.
    assert (across.drop_tension_with_ladder_n < same.drop_tension_with_ladder_n).all()


def test_a_ladder_over_the_street_never_overstresses_a_drop_that_one_on_this_side_does() -> None:
    plot = Plot(25.0, clamp_m=20.0)
    plain = build_place([plot], **MEDIUM)
    over = build_place([dataclasses.replace(plot, road=(8.0, 7.0))], **MEDIUM)
    tight = np.array([0.004 * 25.0])
    assert find_for(plain, tight).ladder.tolist() == ["drop_overstressed"]
    assert find_for(over, tight).ladder.tolist() == ["allowed"]


def test_without_the_ladder_the_sag_grows_and_the_air_span_shrinks(
    place: Place, clamps: Clamps
) -> None:
    assert (clamps.sag_after_m > clamps.sag_with_ladder_m).all()
    np.testing.assert_allclose(clamps.sag_after_m, 0.02 * place.air.length_m, rtol=1e-6)
    assert (clamps.air_span_m < place.air.length_m).all()
    assert (clamps.lateral_after_m > 0).all()


def test_the_drop_pulls_its_clamp_nearer_to_the_house_the_tighter_it_is(place: Place) -> None:
    tight, slack = (find_for(place, share * place.air.length_m) for share in (0.01, 0.04))
    assert (tight.lateral_after_m > slack.lateral_after_m).all()


def test_ice_lowers_the_clamp_and_heat_does_too(place: Place, clamps: Clamps) -> None:
    cases = {case.name: case for case in place.standards.clearance}
    iced = settle_clamps(clamps, cases["clearance_ice"], place.standards)
    hot = settle_clamps(clamps, cases["clearance_hot"], place.standards)
    assert (hot.start_z_m < clamps.start_z_m).all()
    assert (iced.start_z_m < clamps.start_z_m).all()


def test_a_clamp_settles_where_it_was_found_at_the_stringing_temperature(
    place: Place, clamps: Clamps
) -> None:
    hot = place.standards.clearance[0]
    calm = dataclasses.replace(
        hot,
        temperature_c=place.standards.stringing_c,
        case=dataclasses.replace(
            hot.case, temperature_c=place.standards.stringing_c, ice_thickness_m=0.0
        ),
    )
    settled = settle_clamps(clamps, calm, place.standards)
    np.testing.assert_allclose(settled.start_z_m, clamps.start_z_m, atol=1e-5)
    np.testing.assert_allclose(settled.air_span_m, clamps.air_span_m, atol=1e-5)


@pytest.mark.parametrize(
    ("size", "condition", "word"),
    [
        (None, "good", "strand_unknown"),
        ("2.2m_3_16", "good", "strand_small"),
        ("6m_5_16", "poor", "strand_unsound"),
        ("6m_5_16", None, "strand_unsound"),
        ("6m_5_16", "good", "allowed"),
    ],
)
def test_a_ladder_goes_only_on_a_strand_known_to_be_large_and_sound(
    size: str | None, condition: str | None, word: str
) -> None:
    plot = Plot(25.0, clamp_m=15.0, strand_size=size, strand_condition=condition)
    place = build_place([plot], loading_district="light")
    if size == "2.2m_3_16":
        size = next(name for name, entry in place.standards.strands.items() if "2.2" in entry.title)
        plot = dataclasses.replace(plot, strand_size=size)
        place = build_place([plot], loading_district="light")
    assert find_for(place, np.array([0.8])).ladder.tolist() == [word]


def doubled(place: Place, mirrored: bool = False) -> Place:
    """Hang a second drop from the same clamp, to the same house or one across the street."""
    air = place.air.take(np.array([0, 0]))
    if mirrored:
        air.ey[1] = air.sy[1] - (air.ey[1] - air.sy[1])
    crossings = place.crossings.take(np.zeros(0, dtype=np.int64))
    return dataclasses.replace(place, air=air, crossings=crossings)


def test_two_drops_on_one_span_lower_the_clamp_more_than_one() -> None:
    one = build_place([Plot(25.0, clamp_m=15.0)], loading_district="light")
    alone = find_for(one, np.array([0.6]))
    both = find_for(doubled(one), np.array([0.6, 0.6]))
    assert (both.sink_m > alone.sink_m[0]).all()
    assert (both.start_z_m < alone.start_z_m[0]).all()


def test_two_drops_to_one_side_move_the_clamp_further_than_one() -> None:
    one = build_place([Plot(25.0, clamp_m=15.0)], loading_district="light")
    alone = find_for(one, np.array([0.6]))
    both = find_for(doubled(one), np.array([0.6, 0.6]))
    assert (both.air_span_m < alone.air_span_m[0] - 1e-3).all()


def test_clamps_do_not_depend_on_the_elevation_of_the_place() -> None:
    plots = [Plot(25.0, clamp_m=15.0), Plot(12.0, clamp_m=30.0)]
    low, high = (
        find_for(
            build_place(plots, plane(0.02, 0.05, count=2, height=height), loading_district="light"),
            np.array([0.8, 0.4]),
        )
        for height in (0.0, 1500.0)
    )
    np.testing.assert_allclose(high.start_z_m - 1500.0, low.start_z_m, atol=1e-6)
    np.testing.assert_allclose(high.lateral_after_m, low.lateral_after_m, atol=1e-6)


def test_on_every_clamp_of_the_demo_the_ladder_pushes_from_where_it_stands(
    demo_plan: Plan,
) -> None:
    drops = demo_plan.drops[demo_plan.drops["clamp_at_m"].notna()]
    over = drops["is_street_crossing"]
    assert over.sum() > 20
    assert (~over).sum() > 50
    # Here too where drops share a strand span: the ladder's states are of the drop by itself.
    away = drops["ladder_shift_m"] < drops["clamp_shift_m"]
    less = drops["ladder_sag_m"] < drops["stringing_sag_m"]
    more_pull = drops["ladder_tension_n"] > drops["stringing_tension_n"]
    for side in (away, less, more_pull):
        np.testing.assert_array_equal(side, ~over)
    for column in (
        "ladder_sag_m",
        "ladder_tension_n",
        "ladder_shift_m",
        "clamp_shift_m",
        "clamp_sink_m",
    ):
        assert np.isfinite(drops[column]).all()
    assert drops["strand_ladder"].notna().all()
