"""Tests of the elastic catenary."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import (
    height_at,
    length_from_horizontal_tension,
    length_from_max_tension,
    length_from_sag,
    point_at_slope,
    sag_at,
    solve_catenary,
    unstressed_length_to,
)
from geoplan.mechanics.catenary import bend_bounds

INEXTENSIBLE = 1e15
OUTPUTS = (
    "horizontal_tension_n",
    "tension_start_n",
    "tension_end_n",
    "sag_m",
    "vertex_m",
    "length_m",
)


def exact_state(span, rise, length, weight, stiffness):
    """Return one state in 60 digits from the textbook's two-unknown form."""
    with mpmath.workdps(60):
        span, rise, length, weight, stiffness = map(
            mpmath.mpf, (span, rise, length, weight, stiffness)
        )
        total = weight * length

        def x_at(h, v, s):
            turn = mpmath.asinh((v + weight * s) / h) - mpmath.asinh(v / h)
            return h * s / stiffness + h / weight * turn

        def z_at(h, v, s):
            tension = mpmath.sqrt(h * h + (v + weight * s) ** 2) - mpmath.sqrt(h * h + v * v)
            return s * (v + weight * s / 2) / stiffness + tension / weight

        def v_of(h):
            low, high = -total / 2 - 10**9, -total / 2 + 10**9
            for _ in range(200):
                middle = (low + high) / 2
                low, high = (middle, high) if z_at(h, middle, length) < rise else (low, middle)
            return (low + high) / 2

        low, high = mpmath.mpf(10) ** -12 * total, mpmath.mpf(10) ** 9 * total
        for _ in range(200):
            h = mpmath.sqrt(low * high)
            low, high = (h, high) if x_at(h, v_of(h), length) < span else (low, h)
        v = v_of(h)
        s_chord = (h * rise / span - v) / weight
        tension = lambda u: mpmath.sqrt(h * h + u * u)  # noqa: E731
        end = v + total
        stretch = (
            end * tension(end)
            - v * tension(v)
            + h * h * (mpmath.asinh(end / h) - mpmath.asinh(v / h))
        ) / (2 * weight * stiffness)
        return {
            "horizontal_tension_n": h,
            "tension_start_n": tension(v),
            "tension_end_n": tension(end),
            "sag_m": rise / span * x_at(h, v, s_chord) - z_at(h, v, s_chord),
            "vertex_m": x_at(h, v, -v / weight),
            "length_m": length + stretch,
        }


@pytest.mark.parametrize(
    ("span", "rise", "length", "weight", "stiffness"),
    [
        pytest.param(30.0, 0.0, 30.02, 0.45, 1.5e5, id="level drop"),
        pytest.param(30.0, -3.0, 30.12, 0.45, 1.5e5, id="drop falling to the house"),
        pytest.param(40.0, 0.7, 39.97, 4.0, 5e6, id="strand shorter than its chord"),
        pytest.param(120.0, 0.0, 140.0, 29.4, 1e7, id="slack"),
        pytest.param(2.0, 11.0, 11.3, 3.0, 1e5, id="steep"),
        pytest.param(0.05, 0.01, 0.0511, 3.0, 1e6, id="five centimetres"),
        pytest.param(1e-6, 0.4, 1.0, 2.0, 1e4, id="nearly no span"),
        pytest.param(1e-6, 1.001, 1.0, 2.0, 1e4, id="nearly no span, stretched"),
        pytest.param(300.0, 0.0, 299.99, 0.01, 1e7, id="very tight"),
    ],
)
def test_matches_sixty_digit_arithmetic(span, rise, length, weight, stiffness):
    state = solve_catenary(span, rise, length, weight, stiffness)
    exact = exact_state(span, rise, length, weight, stiffness)
    assert bool(state.converged)
    for name in OUTPUTS:
        scale = max(abs(float(exact[name])), span if name == "vertex_m" else 0.0)
        assert abs(float(getattr(state, name)) - float(exact[name])) <= 1e-9 * scale, name


spans = st.fixed_dictionaries(
    {
        "span": st.floats(0.1, 300.0),
        "slope": st.floats(-3.0, 3.0),
        "ratio": st.one_of(st.floats(0.9, 1.1), st.floats(1.0, 20.0)),
        "weight": st.floats(0.05, 50.0),
        "stiffness": st.floats(3e3, 1e8),
    }
)


def solve(case):
    """Return the state of a drawn case."""
    rise = case["slope"] * case["span"]
    length = np.hypot(case["span"], rise) * case["ratio"]
    return solve_catenary(case["span"], rise, length, case["weight"], case["stiffness"])


@settings(max_examples=150, deadline=None)
@given(spans)
def test_forces_balance_and_the_wire_reaches_both_supports(case):
    state = solve(case)
    assert state.converged
    h, weight = state.horizontal_tension_n, state.weight_n_per_m * state.unstressed_length_m
    v0 = h * np.sinh(state.middle_angle - state.half_turn)
    v1 = h * np.sinh(state.middle_angle + state.half_turn)
    carried = 2.0 * h * np.cosh(state.middle_angle) * np.sinh(state.half_turn)
    assert carried == pytest.approx(float(weight), rel=1e-9)
    assert np.hypot(h, v0) == pytest.approx(float(state.tension_start_n), rel=1e-9)
    assert np.hypot(h, v1) == pytest.approx(float(state.tension_end_n), rel=1e-9)
    scale = float(state.length_m)
    assert height_at(state, [state.span_m])[0] == pytest.approx(
        float(state.rise_m), abs=1e-9 * scale
    )
    assert unstressed_length_to(state, [state.span_m])[0] == pytest.approx(
        float(state.unstressed_length_m), rel=1e-9
    )


@settings(max_examples=100, deadline=None)
@given(spans)
def test_no_place_sags_more_than_the_sag_nor_lies_below_the_low_point(case):
    state = solve(case)
    x = np.linspace(0.0, 1.0, 201) * case["span"]
    slack = 1e-9 * float(state.length_m)
    assert sag_at(state, x).max() <= state.sag_m + slack
    lowest = height_at(state, x).min()
    assert lowest >= -state.low_point_below_start_m - slack
    assert height_at(state, [state.low_point_m])[0] == pytest.approx(
        -float(state.low_point_below_start_m), abs=10 * slack
    )


@settings(max_examples=100, deadline=None)
@given(spans)
def test_swapping_the_ends_mirrors_the_state(case):
    state = solve(case)
    back = solve({**case, "slope": -case["slope"]})
    assert back.tension_start_n == pytest.approx(float(state.tension_end_n), rel=1e-9)
    assert back.sag_m == pytest.approx(float(state.sag_m), rel=1e-9)
    assert back.low_point_m == pytest.approx(
        case["span"] - float(state.low_point_m), abs=1e-9 * float(state.length_m)
    )


@settings(max_examples=100, deadline=None)
@given(spans, st.floats(1.0001, 1.5))
def test_more_length_gives_more_sag_and_less_horizontal_tension(case, more):
    state, longer = solve(case), solve({**case, "ratio": case["ratio"] * more})
    assert longer.sag_m > state.sag_m
    assert longer.horizontal_tension_n < state.horizontal_tension_n


def test_sag_below_the_chord_is_the_greatest_of_a_fine_profile():
    state = solve_catenary([30.0, 30.0], [-8.0, 12.0], [31.4, 33.0], 0.5, 1e5)
    x = np.linspace(0.0, 30.0, 20001)
    assert sag_at(state, x).max(axis=1) == pytest.approx(state.sag_m, rel=1e-8)


def test_low_point_of_a_steep_tight_wire_is_its_lower_support():
    state = solve_catenary(20.0, 15.0, 25.001, 1.0, 1e6)
    assert state.vertex_m < 0.0
    assert state.low_point_m == 0.0
    assert state.low_point_below_start_m == 0.0
    down = solve_catenary(20.0, -15.0, 25.001, 1.0, 1e6)
    assert down.vertex_m > 20.0
    assert down.low_point_m == 20.0
    assert down.low_point_below_start_m == 15.0


def test_point_at_zero_slope_is_the_vertex():
    state = solve_catenary(30.0, -1.0, 30.3, 0.5, 1e5)
    x, height = point_at_slope(state, 0.0)
    assert float(x) == pytest.approx(float(state.vertex_m), rel=1e-12)
    assert float(height) == pytest.approx(-float(state.low_point_below_start_m), rel=1e-12)


def test_shapes_broadcast_and_chunks_change_nothing():
    rng = np.random.default_rng(5)
    span, rise = rng.uniform(5.0, 60.0, (9001, 1)), rng.normal(0.0, 2.0, (9001, 1))
    weight = np.array([0.4, 1.0, 3.0])
    length = np.hypot(span, rise) * 1.002
    state = solve_catenary(span, rise, length, weight, 1.5e5)
    assert state.sag_m.shape == (9001, 3)
    part = solve_catenary(span[-7:], rise[-7:], length[-7:], weight, 1.5e5)
    np.testing.assert_allclose(state.sag_m[-7:], part.sag_m, rtol=1e-12)
    assert solve_catenary(30.0, 0.0, 30.1, 1.0, 1e5).sag_m.shape == ()
    assert solve_catenary(np.empty(0), 0.0, 30.1, 1.0, 1e5).sag_m.shape == (0,)


@pytest.mark.parametrize(
    ("argument", "value", "message"),
    [
        ("span_m", [30.0, 0.0], r"span_m must be finite and above zero; .* index 1 is 0\.0"),
        ("span_m", [30.0, np.nan], r"span_m must be finite.* index 1 is nan"),
        ("rise_m", [np.inf, 0.0], r"rise_m must be finite; .* index 0 is inf"),
        ("unstressed_length_m", -1.0, r"unstressed_length_m .* the value is -1\.0"),
        ("weight_n_per_m", 0.0, "weight_n_per_m must be finite and above zero"),
        ("stiffness_n", 0.0, "stiffness_n must be finite and above zero"),
        ("rise_m", [0.0, 0.0, 0.0], r"shapes don't broadcast: span_m \(2,\), rise_m \(3,\)"),
    ],
)
def test_bad_arguments_are_named_with_their_place(argument, value, message):
    arguments = {
        "span_m": [30.0, 31.0],
        "rise_m": 0.0,
        "unstressed_length_m": 32.0,
        "weight_n_per_m": 1.0,
        "stiffness_n": 1e5,
    }
    with pytest.raises(ValueError, match=message):
        solve_catenary(**{**arguments, argument: value})


def test_places_outside_the_span_are_refused():
    state = solve_catenary(30.0, 0.0, 30.1, 1.0, 1e5)
    with pytest.raises(ValueError, match="x_m must be from 0 to the span"):
        height_at(state, [31.0])


def test_extreme_but_valid_input_gives_no_nan():
    rng = np.random.default_rng(11)
    n = 5000
    span = 10.0 ** rng.uniform(-9, 4, n)
    rise = rng.choice([-1, 0, 1], n) * 10.0 ** rng.uniform(-6, 4, n)
    length = 10.0 ** rng.uniform(-3, 4, n)
    weight, stiffness = 10.0 ** rng.uniform(-3, 3, n), 10.0 ** rng.uniform(2, 9, n)
    state = solve_catenary(span, rise, length, weight, stiffness)
    for name in (*OUTPUTS, "low_point_m", "low_point_below_start_m", "tension_max_n", "residual"):
        assert np.isfinite(getattr(state, name)).all(), name
    assert state.converged.all()
    assert (state.sag_m >= 0.0).all()


# Worked checks: id names the source, tolerance follows from the printed digits.


@pytest.mark.parametrize(
    ("weight", "tension", "span", "rise", "low", "high", "tolerance"),
    [
        pytest.param(
            0.428,
            1973 / 2,
            200.0,
            3.0,
            65.4,
            134.6,
            0.05,
            id="check 2: textbook ch. 5 ex. 5.7 p. 200 (printed)",
        ),
        pytest.param(
            np.hypot(2.5, 1.2),
            4300 * np.pi / 3,
            250.0,
            10.0,
            60.05,
            189.95,
            0.15,
            id="check 8: worked example 2.5.2 (printed, parabola)",
        ),
    ],
)
def test_low_point_matches_worked_examples(weight, tension, span, rise, low, high, tolerance):
    length = length_from_horizontal_tension(span, rise, tension, weight, INEXTENSIBLE)
    state = solve_catenary(span, rise, length, weight, INEXTENSIBLE)
    assert float(state.vertex_m) == pytest.approx(low, abs=tolerance)
    assert span - float(state.vertex_m) == pytest.approx(high, abs=tolerance)


def test_check_9_low_point_outside_the_span():
    # Archive item 1055 ch. 7 ex. 7.4: T = 2000 kg, 1 kg/m, ends 30 m and 90 m up, 300 m apart.
    length = length_from_horizontal_tension(300.0, 60.0, 2000.0, 1.0, INEXTENSIBLE)
    state = solve_catenary(300.0, 60.0, length, 1.0, INEXTENSIBLE)
    # The printed -250 m and 54.375 m are the parabola's; at 4 % of slope and bend they differ.
    assert float(state.vertex_m) == pytest.approx(-250.0, rel=0.02)
    assert 30.0 + float(height_at(state, [150.0])[0]) == pytest.approx(54.375, abs=0.15)


def test_check_10_slack_catenary():
    # Worked check 10 (computed there): 140 m of 3 kg/m between level towers 120 m apart.
    weight = 3.0 * 9.81
    state = solve_catenary(120.0, 0.0, 140.0, weight, INEXTENSIBLE)
    assert float(state.horizontal_tension_n) / weight == pytest.approx(61.446, abs=6e-4)
    assert float(state.sag_m) == pytest.approx(31.70, abs=0.005)
    assert float(state.horizontal_tension_n) == pytest.approx(1808.3, abs=0.06)
    assert float(state.tension_max_n) == pytest.approx(2741.2, abs=0.06)


@pytest.mark.parametrize(
    ("wind", "ice", "sag"),
    [
        pytest.param(0.0, 0.0, 1.4510, id="check 6: bare"),
        pytest.param(350 * 0.011, 0.0, 1.6949, id="check 6: wind 350 N/m2"),
        pytest.param(400 * 0.031, 5.922, 3.9752, id="check 6: wind 400 N/m2, 10 mm ice"),
    ],
)
def test_check_6_catenary_sag_of_loaded_wire(wind, ice, sag):
    # Archive item 3035 ch. 5 ex. 5.1, computed there with the horizontal tension at 3500 kgf.
    load = np.hypot(0.650 * 9.81 + ice, wind)
    length = length_from_horizontal_tension(250.0, 0.0, 3500 * 9.81, load, INEXTENSIBLE)
    state = solve_catenary(250.0, 0.0, length, load, INEXTENSIBLE)
    assert float(state.sag_m) == pytest.approx(sag, abs=6e-5)


def test_check_4_greatest_tension_can_be_given():
    length = length_from_max_tension(300.0, 0.0, 3975.0, 2.2219, 9320.0 * 226)
    state = solve_catenary(300.0, 0.0, length, 2.2219, 9320.0 * 226)
    assert float(state.tension_max_n) == pytest.approx(3975.0, rel=1e-12)


def test_every_depth_is_between_the_bounds():
    rng = np.random.default_rng(12)
    count = 2000
    span, rise = rng.uniform(1.0, 80.0, count), rng.uniform(-20.0, 20.0, count)
    sag = span * 10 ** rng.uniform(-3.0, -0.3, count)
    stiffness = 10 ** rng.uniform(3.5, 6.0, count)
    length = length_from_sag(span, rise, sag, 0.6, stiffness)
    state = solve_catenary(span, rise, length, 0.6, stiffness)
    part = np.linspace(0.0, 1.0, 101)
    depth = sag_at(state, part * span[:, None])
    least, most = bend_bounds(state)
    bow = part * (1.0 - part)
    assert (depth >= bow * least[:, None] - 1e-9).all()
    assert (depth <= bow * most[:, None] + 1e-9).all()
    tight = (sag < 0.02 * span) & (np.abs(rise) < 0.05 * span)
    assert tight.sum() > 20
    assert (most[tight] < 1.02 * least[tight]).all()


def test_wires_taken_from_a_state_are_the_same_wires():
    state = solve_catenary(np.array([20.0, 30.0, 40.0]), 1.0, 45.0, 0.6, 1e5)
    some = state.take(np.array([2, 0, 2]))
    np.testing.assert_array_equal(some.sag_m, state.sag_m[[2, 0, 2]])
    np.testing.assert_array_equal(some.half_turn, state.half_turn[[2, 0, 2]])
