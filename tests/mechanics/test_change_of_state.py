"""Tests of wires in weather."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import (
    LoadCase,
    Wire,
    length_at_temperature,
    length_from_horizontal_tension,
    length_from_sag,
    parabola_tension_after_change,
    solve_catenary,
    solve_weather,
    weather_height_at,
)

drops = st.fixed_dictionaries(
    {
        "span": st.floats(3.0, 90.0),
        "slope": st.floats(-0.5, 0.5),
        "sag": st.floats(0.005, 0.08),
        "weight": st.floats(0.1, 3.0),
        "stiffness": st.floats(2e4, 5e6),
        "expansion": st.floats(3e-6, 2e-5),
    }
)


def hang(case):
    """Return span, rise, unstressed length and wire of a drawn case, hung at 15 C."""
    span, rise = case["span"], case["slope"] * case["span"]
    wire = Wire(case["weight"], 0.008, case["stiffness"], case["expansion"])
    length = length_from_sag(span, rise, case["sag"] * span, case["weight"], case["stiffness"])
    return span, rise, length, wire


@settings(max_examples=80, deadline=None)
@given(drops)
def test_hotter_wire_sags_more_and_pulls_less(case):
    span, rise, length, wire = hang(case)
    state = solve_weather(span, rise, length, 15.0, wire, LoadCase([-20.0, 15.0, 50.0]))
    assert (np.diff(state.sag_m[0]) > 0.0).all()
    assert (np.diff(state.horizontal_tension_n[0]) < 0.0).all()
    assert state.sag_m[0, 1] == pytest.approx(case["sag"] * span, rel=1e-9)


@settings(max_examples=80, deadline=None)
@given(drops, st.floats(0.001, 0.02))
def test_ice_lowers_the_wire_and_raises_its_tension(case, ice):
    span, rise, length, wire = hang(case)
    state = solve_weather(
        span,
        rise,
        length,
        15.0,
        wire,
        LoadCase(15.0, ice_thickness_m=[0.0, ice], ice_density_kg_per_m3=913.0),
    )
    assert state.sag_m[0, 1] > state.sag_m[0, 0]
    assert state.tension_max_n[0, 1] > state.tension_max_n[0, 0]
    assert state.low_point_below_start_m[0, 1] >= state.low_point_below_start_m[0, 0]


@settings(max_examples=80, deadline=None)
@given(drops, st.floats(10.0, 800.0))
def test_wind_swings_the_wire_out_and_lifts_it(case, wind):
    span, rise, length, wire = hang(case)
    state = solve_weather(span, rise, length, 15.0, wire, LoadCase(15.0, wind_pa=[0.0, wind]))
    assert state.swing_m[0, 0] == 0.0
    assert state.swing_m[0, 1] > 0.0
    assert state.tension_max_n[0, 1] > state.tension_max_n[0, 0]
    tilt = np.radians(state.loads.swing_deg[0, 1])
    assert state.swing_m[0, 1] == pytest.approx(state.sag_m[0, 1] * np.tan(tilt), rel=1e-9)
    heights = weather_height_at(state, rise, np.linspace(0.0, 1.0, 101))
    assert heights.shape == (1, 2, 101)
    lowest = heights[0, 1].min()
    assert lowest >= -state.low_point_below_start_m[0, 1] - 1e-9
    at_low = weather_height_at(state, rise, (state.low_point_m / span)[..., None])
    np.testing.assert_allclose(
        at_low[..., 0], -state.low_point_below_start_m, atol=1e-8 * span, rtol=0
    )


def test_wind_plane_agrees_with_links_solved_in_three_dimensions():
    span, rise, weight, wind, stiffness = 40.0, 9.0, 0.6, 1.1, 8e4
    length = 41.3
    state = solve_weather(
        span,
        rise,
        length,
        15.0,
        Wire(weight, 0.01, stiffness, 1e-5),
        LoadCase(15.0, wind_pa=wind / 0.01),
    )
    # Start tension (tx, ty, tz) of the wire integrated along its unstressed length.
    s = np.linspace(0.0, length, 20001)
    middle = 0.5 * (s[1:] + s[:-1])

    def reach(pull):
        force = pull[:, None] + np.outer([0.0, -wind, weight], middle)
        tension = np.linalg.norm(force, axis=0)
        steps = force * ((1.0 + tension / stiffness) / tension) * np.diff(s)
        return np.concatenate([[[0.0]] * 3, np.cumsum(steps, axis=1)], axis=1), tension

    pull = np.array([float(state.horizontal_tension_n[0, 0]), 20.0, -5.0])
    for _ in range(40):
        miss = reach(pull)[0][:, -1] - np.array([span, 0.0, rise])
        jacobian = np.stack(
            [
                (reach(pull + d)[0][:, -1] - reach(pull - d)[0][:, -1]) / 2e-4
                for d in 1e-4 * np.eye(3)
            ],
            axis=1,
        )
        pull = pull - np.linalg.solve(jacobian, miss)
    path, tension = reach(pull)
    assert float(state.horizontal_tension_n[0, 0]) == pytest.approx(pull[0], rel=1e-6)
    assert float(state.tension_max_n[0, 0]) == pytest.approx(tension.max(), rel=1e-4)
    below = rise * path[0] / span - path[2]
    assert float(state.sag_m[0, 0]) == pytest.approx(below.max(), rel=1e-6)
    assert float(state.swing_m[0, 0]) == pytest.approx(np.abs(path[1]).max(), rel=1e-6)
    assert float(state.low_point_below_start_m[0, 0]) == pytest.approx(
        -path[2].min(), rel=1e-5, abs=1e-6
    )


def test_constant_changes_tensions_only():
    wire = Wire(0.6, 0.01, 8e4, 1e-5)
    case = LoadCase(-18.0, wind_pa=190.0, constant_n_per_m=[0.0, 4.38])
    state = solve_weather(40.0, 2.0, 40.3, 15.0, wire, case)
    assert state.sag_m[0, 0] == state.sag_m[0, 1]
    assert state.swing_m[0, 0] == state.swing_m[0, 1]
    assert state.tension_max_n[0, 1] > 1.5 * state.tension_max_n[0, 0]


def test_check_4_change_of_state_within_what_the_parabola_leaves_out():
    # Ex. 5.9 p. 201: cubic root 1644.8 kg, 5.773 m. The catenary stretches by its mean tension,
    # not its horizontal one, and is longer than the parabola: 0.3 % here.
    stiffness, gravity = 9320.0 * 226.0, 9.80665
    length = length_from_horizontal_tension(300.0, 0.0, 3975.0, 2.2219, stiffness)
    wire = Wire(0.844 * gravity, 0.01953, stiffness * gravity, 18.44e-6)
    state = solve_weather(300.0, 0.0, length, -5.0, wire, LoadCase(45.0))
    assert float(state.horizontal_tension_n[0, 0]) / gravity == pytest.approx(1644.8, rel=3e-3)
    assert float(state.sag_m[0, 0]) == pytest.approx(5.773, rel=3e-3)


def test_agrees_with_the_parabola_where_the_wire_is_tight():
    span, weight, stiffness, expansion = 40.0, 0.5, 1.5e5, 8e-6
    before = 200.0
    length = length_from_horizontal_tension(span, 0.0, before, weight, stiffness)
    wire = Wire(weight, 0.008, stiffness, expansion)
    state = solve_weather(span, 0.0, length, 15.0, wire, LoadCase([-20.0, 0.0, 50.0]))
    parabola = parabola_tension_after_change(
        span, before, weight, weight, np.array([-35.0, -15.0, 35.0]), stiffness, expansion
    )
    np.testing.assert_allclose(state.horizontal_tension_n[0], parabola, rtol=2e-3)


def test_each_span_and_case_gets_its_own_cell():
    span, rise = np.array([20.0, 30.0, 40.0]), np.array([0.0, 1.0, -2.0])
    wire = Wire([0.4, 0.5, 0.6], 0.008, 1.5e5, 8e-6)
    length = np.hypot(span, rise) * 1.002
    case = LoadCase([0.0, 40.0], ice_thickness_m=[0.01, 0.0], ice_density_kg_per_m3=913.0)
    state = solve_weather(span, rise, length, 15.0, wire, case)
    assert state.sag_m.shape == (3, 2)
    hot = length_at_temperature(length, 8e-6, 25.0)
    alone = solve_catenary(span, rise, hot, [0.4, 0.5, 0.6], 1.5e5)
    np.testing.assert_allclose(state.sag_m[:, 1], alone.sag_m, rtol=1e-12)


def test_temperature_must_leave_some_wire():
    with pytest.raises(ValueError, match="temperature_rise_c must be such that the wire keeps"):
        length_at_temperature(10.0, 1e-3, -2000.0)
