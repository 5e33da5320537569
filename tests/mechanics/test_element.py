"""Tests of the pull of cables on their ends."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.mechanics import length_from_sag, solve_catenary
from geoplan.mechanics.element import cable_pull, first_pull, span_pull

COUNT = 200


def random_cables(seed: int) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    span, rise = rng.uniform(3.0, 60.0, COUNT), rng.uniform(-6.0, 6.0, COUNT)
    weight, stiffness = rng.uniform(0.3, 6.0, COUNT), 10 ** rng.uniform(5.0, 6.5, COUNT)
    sag = span * 10 ** rng.uniform(-2.5, -0.6, COUNT)
    return span, rise, length_from_sag(span, rise, sag, weight, stiffness), weight, stiffness


@pytest.mark.parametrize("seed", range(3))
def test_the_pull_is_that_of_the_catenary_in_full(seed: int) -> None:
    span, rise, length, weight, stiffness = random_cables(seed)
    state = solve_catenary(span, rise, length, weight, stiffness)
    pull, _ = span_pull(span, rise, length, weight, stiffness)
    np.testing.assert_allclose(pull, state.horizontal_tension_n, rtol=1e-12)
    zero = np.zeros(COUNT)
    end = np.stack([0.6 * span, -0.8 * span, rise], axis=1)
    force = cable_pull(np.zeros((COUNT, 3)), end, length, weight, stiffness)
    start_n = np.sqrt((force.on_start_n**2).sum(axis=1))
    end_n = np.sqrt((force.on_end_n**2).sum(axis=1))
    np.testing.assert_allclose(start_n, state.tension_start_n, rtol=1e-9)
    np.testing.assert_allclose(end_n, state.tension_end_n, rtol=1e-9)
    weightless = force.on_start_n + force.on_end_n
    np.testing.assert_allclose(weightless[:, 2], -weight * length, rtol=1e-9)
    np.testing.assert_allclose(weightless[:, :2], np.stack([zero, zero], axis=1), atol=1e-9)


def test_the_stiffness_is_the_change_of_the_force() -> None:
    span, rise, length, weight, stiffness = random_cables(7)
    end = np.stack([0.8 * span, 0.6 * span, rise], axis=1)
    start = np.zeros((COUNT, 3))
    matrix = cable_pull(start, end, length, weight, stiffness).stiffness_n_per_m
    np.testing.assert_array_equal(matrix, np.swapaxes(matrix, 1, 2))
    step = 1e-6
    for axis in range(3):
        moved = np.zeros(3)
        moved[axis] = step
        more = cable_pull(start, end + moved, length, weight, stiffness).on_start_n
        less = cable_pull(start, end - moved, length, weight, stiffness).on_start_n
        change = (more - less) / (2.0 * step)
        scale = np.abs(matrix).max(axis=(1, 2))[:, None]
        assert (np.abs(change - matrix[:, :, axis]) < 1e-5 * scale).all()


def test_the_slope_is_the_change_of_the_pull() -> None:
    span, rise, length, weight, stiffness = random_cables(9)
    step = 1e-6
    _, slope = span_pull(span, rise, length, weight, stiffness)
    more, _ = span_pull(span + step, rise, length, weight, stiffness)
    less, _ = span_pull(span - step, rise, length, weight, stiffness)
    assert (slope > 0).all()
    np.testing.assert_allclose((more - less) / (2.0 * step), slope, rtol=1e-5)


def test_the_first_estimate_is_near_the_pull() -> None:
    span, rise, length, weight, stiffness = random_cables(11)
    pull, _ = span_pull(span, rise, length, weight, stiffness)
    give = np.minimum(1e-3, 0.1 * span / pull)
    estimate = first_pull(span + give * pull, rise, length, weight, stiffness, give)
    small = pull > 2.0 * weight * span  # a sag of a sixteenth of the span or less
    assert small.sum() > 100
    np.testing.assert_allclose(estimate[small], pull[small], rtol=0.1)


def test_an_end_straight_above_the_other_is_refused() -> None:
    one = np.ones(1)
    with pytest.raises(ValueError, match="span_m must be above zero"):
        cable_pull(np.zeros((1, 3)), np.array([[0.0, 0.0, 5.0]]), 6.0 * one, one, 1e5 * one)
