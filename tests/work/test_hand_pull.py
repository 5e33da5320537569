"""A wire pulled by hand alone: sag by the parabola, and whether it clears."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.work.hand_pull import BY_HAND_N, clears_by_hand, sag_more_by_hand


@pytest.mark.parametrize(
    ("sag_m", "pull_n", "more_m"),
    [(0.1, 400.0, 0.1), (0.1, 200.0, 0.0), (0.5, 30.0, 0.0), (0.2, 300.0, 0.1)],
)
def test_half_the_pull_is_twice_the_sag(sag_m: float, pull_n: float, more_m: float) -> None:
    more = sag_more_by_hand(np.array([sag_m]), np.array([pull_n]))
    assert more[0] == pytest.approx(more_m)


def test_what_is_not_known_does_not_clear() -> None:
    sag, pull = np.array([0.1, 0.1, np.nan]), np.array([2 * BY_HAND_N, np.nan, 100.0])
    assert clears_by_hand(sag, pull, np.full(3, 0.2)).tolist() == [True, False, False]
    assert not clears_by_hand(sag[:1], pull[:1], np.array([0.05]))[0]
    assert not clears_by_hand(sag[:1], pull[:1], np.array([np.nan]))[0]
