"""Least distances: of a thing, and of the head of somebody at work on it."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.work.power_pairs import (
    AT_LEAST,
    HEAD_ABOVE_M,
    LIFTED,
    OF_PEOPLE,
    REASONS,
    bound,
    head_bound,
    joined_pairs,
    pairs_of,
)


@pytest.mark.parametrize(
    ("plan_m", "above_m", "least_m", "head_m"),
    [
        (3.0, 4.0, 5.0, np.hypot(3.0, 3.5)),
        (3.0, -4.0, 3.0, 3.0),
        (0.0, 2.0, 2.0, 1.5),
        (0.0, 0.4, 0.4, 0.0),
        (0.0, 0.0, np.nan, 0.0),
        (1.0, np.nan, np.nan, np.nan),
    ],
)
def test_bounds_of_a_thing_and_of_a_head(
    plan_m: float, above_m: float, least_m: float, head_m: float
) -> None:
    given = np.array([plan_m]), np.array([above_m])
    assert bound(*given) == pytest.approx([least_m], nan_ok=True)
    assert head_bound(*given) == pytest.approx([head_m], nan_ok=True)


def test_the_head_is_never_farther_than_the_thing_and_at_most_its_height_nearer() -> None:
    rng = np.random.default_rng(1)
    plan_m, above_m = rng.uniform(0.01, 3.0, 500), rng.uniform(-1.0, 5.0, 500)
    less = bound(plan_m, above_m) - head_bound(plan_m, above_m)
    assert (less >= -1e-12).all()
    assert (less <= HEAD_ABOVE_M + 1e-12).all()


def test_pairs_keep_their_order_and_what_was_not_given_is_unknown() -> None:
    rows = np.array([2, 0])
    one = pairs_of(rows, rows, np.array([1.0, np.nan]), 3)
    both = joined_pairs([one, one.take(np.array([1]))])
    assert both.drop.tolist() == [2, 0, 0]
    assert both.reason.tolist() == [3, 3, 3]
    assert np.isnan(both.head_gap_m).all()
    assert (both.pole == -1).all()


def test_nobody_counts_twice_as_worker_and_as_load() -> None:
    assert not set(OF_PEOPLE) & set(LIFTED)
    assert set(OF_PEOPLE) | set(LIFTED) | set(AT_LEAST) <= set(range(len(REASONS)))
