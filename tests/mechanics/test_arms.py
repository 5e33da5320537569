"""Tests of the two arms of a hung wire against the catenary solved from its length."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import length_from_horizontal_tension, solve_catenary
from geoplan.mechanics.arms import (
    BLOCK_ITEMS,
    arms_by_horizontal_tension,
    arms_by_max_tension,
    arms_by_sag,
)

SOLVERS = (arms_by_sag, arms_by_horizontal_tension, arms_by_max_tension)


def drops(count: int, seed: int = 3) -> tuple[np.ndarray, ...]:
    """Spans, rises, sags, weights and stiffnesses as drops have them, iced or not."""
    rng = np.random.default_rng(seed)
    span = rng.uniform(1.0, 70.0, count)
    rise = span * rng.uniform(-0.6, 0.6, count)
    sag = span * 10 ** rng.uniform(-3.0, -0.7, count)
    return span, rise, sag, rng.uniform(0.2, 8.0, count), 10 ** rng.uniform(4.5, 6.5, count)


def test_the_wire_of_that_length_has_that_sag() -> None:
    span, rise, sag, weight, stiffness = drops(3000)
    length, settled = arms_by_sag(span, rise, sag, weight, stiffness)
    assert settled.all()
    state = solve_catenary(span, rise, length, weight, stiffness)
    np.testing.assert_allclose(state.sag_m, sag, rtol=1e-9)


def test_the_wire_of_that_length_has_that_horizontal_tension() -> None:
    span, rise, sag, weight, stiffness = drops(3000)
    tension = weight * span**2 / (8 * sag)
    length, settled = arms_by_horizontal_tension(span, rise, tension, weight, stiffness)
    assert settled.all()
    state = solve_catenary(span, rise, length, weight, stiffness)
    np.testing.assert_allclose(state.horizontal_tension_n, tension, rtol=2e-9)


def test_the_wire_of_that_length_has_that_greatest_tension_whichever_end_is_higher() -> None:
    span, rise, sag, weight, stiffness = drops(3000)
    chord = np.hypot(span, rise)
    tension = weight * chord * (1.0 + span / (8 * sag))
    length, settled = arms_by_max_tension(span, rise, tension, weight, stiffness)
    usual = (tension < 0.04 * stiffness) & (sag < 0.1 * span)
    assert usual.mean() > 0.7
    assert settled[usual].all()
    some = (span[settled], rise[settled], length[settled], weight[settled], stiffness[settled])
    state = solve_catenary(*some)
    np.testing.assert_allclose(state.tension_max_n, tension[settled], rtol=2e-9)
    mirrored, _ = arms_by_max_tension(span, -rise, tension, weight, stiffness)
    assert (mirrored == length)[settled].all()


@settings(max_examples=150, deadline=None)
@given(
    st.floats(0.5, 300.0),
    st.floats(-2.0, 2.0),
    st.floats(0.05, 50.0),
    st.floats(1e4, 1e8),
    st.floats(0.02, 3.0),
)
def test_of_two_wires_of_one_tension_the_slack_one_is_never_called_settled(
    span: float, slope: float, weight: float, stiffness: float, per_span: float
) -> None:
    tension = weight * span * np.hypot(1.0, slope) / per_span
    slack = length_from_horizontal_tension(span, slope * span, tension, weight, stiffness)
    most = solve_catenary(span, slope * span, slack, weight, stiffness).tension_max_n
    row = [np.array([value]) for value in (span, slope * span, float(most), weight, stiffness)]
    length, settled = arms_by_max_tension(*row)
    if settled[0]:
        both = solve_catenary(
            span, slope * span, [length[0], length[0] * 1.0001], weight, stiffness
        )
        assert both.tension_max_n[0] == pytest.approx(float(most), rel=1e-8)
        assert both.tension_max_n[1] < both.tension_max_n[0]


def test_a_wire_too_slack_for_the_arms_is_left_to_others() -> None:
    one = [np.array([value]) for value in (10.0, 0.0, 400.0, 1.0, 1e6)]
    _, settled = arms_by_sag(*one)
    assert not settled[0]


@pytest.mark.parametrize("solver", SOLVERS)
def test_no_wire_has_a_say_in_another(solver) -> None:
    count = BLOCK_ITEMS + 300
    span, rise, sag, weight, stiffness = drops(count, seed=11)
    known = sag if solver is arms_by_sag else weight * np.hypot(span, rise) * (1 + span / (8 * sag))
    columns = (span, rise, known, weight, stiffness)
    together, _ = solver(*columns)
    for rows in (slice(0, 1), slice(700, 707), slice(BLOCK_ITEMS - 2, count)):
        apart, _ = solver(*(column[rows] for column in columns))
        assert (apart == together[rows]).all()
