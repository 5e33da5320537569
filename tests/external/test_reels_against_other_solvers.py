"""The reel plan against an integer programme of its own, solved by HiGHS."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import block_array, coo_array, eye_array, kron

from geoplan.work.reels import pack


def _fewest(cuts: np.ndarray, reel: int) -> int:
    """Cut i on reel j, reel j used: the plain model, nothing of ours in it."""
    count = len(cuts)
    each_once = kron(eye_array(count), np.ones((1, count)))
    no_use = coo_array((count, count))
    loads = kron(cuts[None, :], eye_array(count))
    found = milp(
        np.concatenate([np.zeros(count * count), np.ones(count)]),
        constraints=[
            LinearConstraint(block_array([[each_once, no_use]]), 1, 1),
            LinearConstraint(block_array([[loads, -reel * eye_array(count)]]), -np.inf, 0),
        ],
        bounds=Bounds(0, 1),
        integrality=np.ones(count * count + count),
    )
    assert found.status == 0
    return round(found.fun)


@pytest.mark.parametrize(("low", "high"), [(20, 110), (60, 160), (90, 140), (101, 103)])
@pytest.mark.parametrize("seed", range(3))
def test_as_few_reels_as_the_integer_programme(low: int, high: int, seed: int) -> None:
    cuts = np.random.default_rng([seed, low]).integers(low, high, 9).astype(np.int64)
    on, bound, _ = pack(cuts, np.full_like(cuts, 305), 305)
    assert len(set(on.tolist())) == bound == _fewest(cuts, 305)
