"""A wire held by hand alone: no more than a hand holds, and whether it clears."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.work.hand_pull import BY_HAND_N, clears_by_hand


@pytest.mark.parametrize(
    ("pull_n", "margin_m", "clears"),
    [
        (BY_HAND_N, 0.0, True),
        (BY_HAND_N + 1.0, 5.0, False),
        (100.0, -0.01, False),
        (np.nan, 0.2, False),
        (100.0, np.nan, False),
    ],
)
def test_a_road_is_cleared_by_hand_only_at_a_pull_that_a_hand_holds(
    pull_n: float, margin_m: float, clears: bool
) -> None:
    assert clears_by_hand(np.array([pull_n]), np.array([margin_m])).tolist() == [clears]
