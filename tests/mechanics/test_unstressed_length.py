"""Tests of the inverse solvers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import (
    length_from_horizontal_tension,
    length_from_max_tension,
    length_from_midspan_sag,
    length_from_sag,
    sag_at,
    solve_catenary,
)

wires = st.tuples(
    st.floats(0.5, 300.0), st.floats(-2.0, 2.0), st.floats(0.05, 50.0), st.floats(1e4, 1e8)
)


@settings(max_examples=120, deadline=None)
@given(wires, st.floats(0.02, 2.0))
def test_length_from_horizontal_tension_gives_that_tension(wire, per_span):
    span, slope, weight, stiffness = wire
    rise, tension = slope * span, weight * span / per_span
    length = length_from_horizontal_tension(span, rise, tension, weight, stiffness)
    state = solve_catenary(span, rise, length, weight, stiffness)
    assert float(state.horizontal_tension_n) == pytest.approx(tension, rel=1e-9)


@settings(max_examples=120, deadline=None)
@given(wires, st.floats(0.003, 1.5))
def test_length_from_sag_gives_that_sag(wire, part):
    span, slope, weight, stiffness = wire
    rise, sag = slope * span, part * span
    length = length_from_sag(span, rise, sag, weight, stiffness)
    state = solve_catenary(span, rise, length, weight, stiffness)
    assert float(state.sag_m) == pytest.approx(sag, rel=1e-9)
    length = length_from_midspan_sag(span, rise, sag, weight, stiffness)
    state = solve_catenary(span, rise, length, weight, stiffness)
    assert float(sag_at(state, [0.5 * span])[0]) == pytest.approx(sag, rel=1e-9)


@settings(max_examples=120, deadline=None)
@given(wires, st.floats(0.02, 1.0))
def test_length_from_max_tension_gives_that_tension_and_the_tight_wire(wire, per_span):
    span, slope, weight, stiffness = wire
    rise = slope * span
    horizontal = weight * np.hypot(span, rise) / per_span
    length = length_from_horizontal_tension(span, rise, horizontal, weight, stiffness)
    state = solve_catenary(span, rise, length, weight, stiffness)
    back = length_from_max_tension(span, rise, state.tension_max_n, weight, stiffness)
    assert float(back) == pytest.approx(float(length), rel=1e-9)


def test_more_sag_means_less_tension():
    sag = np.linspace(0.1, 6.0, 60)
    state = solve_catenary(30.0, -2.0, length_from_sag(30.0, -2.0, sag, 0.5, 1e5), 0.5, 1e5)
    assert (np.diff(state.horizontal_tension_n) < 0.0).all()
    assert (np.diff(state.length_m) > 0.0).all()


def test_tension_below_what_the_weight_causes_is_refused():
    # A level span needs at least 0.7544 w S; so much less can't be.
    with pytest.raises(ValueError, match=r"tension_max_n must be at least .* index 1 is 10\.0"):
        length_from_max_tension(30.0, 0.0, [100.0, 10.0], 1.0, 1e6)
    at_least = 30.0 * 0.75445
    assert np.isfinite(length_from_max_tension(30.0, 0.0, at_least, 1.0, 1e9))


def test_absurdly_small_tension_is_refused():
    with pytest.raises(ValueError, match="horizontal_tension_n must be at least 1/600"):
        length_from_horizontal_tension(30.0, 0.0, 1e-3, 1.0, 1e6)


@pytest.mark.parametrize("sag", [0.0, -1.0, np.nan])
def test_sag_must_be_above_zero(sag):
    with pytest.raises(ValueError, match="sag_m must be finite and above zero"):
        length_from_sag(30.0, 0.0, sag, 1.0, 1e6)
