"""Tests of strands under point loads."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import Strand, displace_strand
from geoplan.mechanics.moment_balance import estimate_positions
from geoplan.mechanics.strand import strand_columns, unload_strand

STRAND = Strand(
    span_m=40.0, rise_m=0.5, weight_n_per_m=4.0, stiffness_n=4e6, horizontal_tension_n=4000.0
)


def test_small_load_moves_the_strand_as_a_tensioned_string():
    # P a b / (H S): for a load too small to change the tension.
    moved = displace_strand(STRAND, [10.0], 1.0, 0.0)
    assert float(moved.lateral_m[0, 0]) == pytest.approx(10 * 30 / (4000.0 * 40), rel=2e-3)
    assert abs(float(moved.up_m[0, 0])) < 1e-4


def test_without_load_nothing_moves():
    moved = displace_strand(STRAND, [10.0, 20.0], 0.0, 0.0)
    assert np.abs(moved.lateral_m).max() == 0.0
    assert np.abs(moved.up_m).max() < 1e-8
    assert moved.converged.all()


@settings(max_examples=40, deadline=None)
@given(
    st.floats(15.0, 90.0),
    st.floats(1200.0, 12000.0),
    st.floats(2.0, 12.0),
    st.floats(0.05, 0.6),
    st.floats(0.1, 0.35),
    st.floats(-600.0, 600.0),
    st.floats(0.0, 900.0),
)
def test_more_downward_load_lowers_every_loaded_point(
    span, tension, weight, first, gap, lateral, down
):
    strand = Strand(span, 0.0, weight, 4e6, tension)
    place = np.array([[first, first + gap]]) * span
    lateral_n, down_n = np.array([[lateral, 50.0]]), np.array([[down, 20.0]])
    moved = displace_strand(strand, place, lateral_n, down_n)
    assert moved.converged.all()
    more = displace_strand(strand, place, lateral_n, down_n + 100.0)
    assert (more.up_m < moved.up_m).all()


def test_moment_balance_is_a_close_first_estimate():
    place, load = np.array([[12.0, 25.0]]), np.zeros((1, 2, 3))
    load[0, :, 1], load[0, :, 2] = [-300.0, 60.0], [-200.0, -10.0]
    moved = displace_strand(STRAND, place, load[..., 1], -load[..., 2])
    bare = displace_strand(STRAND, place, 0.0, 0.0)
    columns = {k: np.broadcast_to(v, (1,)) for k, v in strand_columns(STRAND).items()}
    unloaded = unload_strand(columns, place)
    positions, tension = estimate_positions(
        place,
        columns["span_m"],
        columns["rise_m"],
        unloaded.pieces.length_m,
        columns["weight_n_per_m"],
        columns["stiffness_n"],
        load,
    )
    estimate = positions - unloaded.point_m
    np.testing.assert_allclose(estimate[..., 1], moved.lateral_m, rtol=0.01)
    np.testing.assert_allclose(estimate[..., 2], moved.up_m, rtol=0.03)
    assert float(tension[0]) == pytest.approx(float(moved.tension_max_n[0]), rel=0.01)
    assert moved.tension_max_n[0] > bare.tension_max_n[0]


def test_load_along_the_strand_moves_it_that_way():
    moved = displace_strand(STRAND, [20.0], 0.0, 0.0, along_n=500.0)
    assert float(moved.along_m[0, 0]) > 0.0
    back = displace_strand(STRAND, [20.0], 0.0, 0.0, along_n=-500.0)
    assert float(back.along_m[0, 0]) < 0.0


def test_heat_slackens_and_ice_tightens():
    hot = displace_strand(
        Strand(40.0, 0.5, 4.0, 4e6, 4000.0, expansion_per_c=1.2e-5, temperature_rise_c=30.0),
        [20.0],
        100.0,
        0.0,
    )
    iced = displace_strand(
        Strand(40.0, 0.5, 4.0, 4e6, 4000.0, ice_n_per_m=12.0), [20.0], 100.0, 0.0
    )
    plain = displace_strand(STRAND, [20.0], 100.0, 0.0)
    assert hot.tension_max_n[0] < plain.tension_max_n[0] < iced.tension_max_n[0]
    assert hot.lateral_m[0, 0] > plain.lateral_m[0, 0] > iced.lateral_m[0, 0]


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ([0.0], "position_m must be within the strand's span"),
        ([40.0], "position_m must be within the strand's span"),
        ([10.0, 10.0], "position_m must be rising along the strand"),
        ([np.nan], "position_m must be finite"),
    ],
)
def test_bad_places_are_refused(place, message):
    with pytest.raises(ValueError, match=message):
        displace_strand(STRAND, place, 1.0, 1.0)
