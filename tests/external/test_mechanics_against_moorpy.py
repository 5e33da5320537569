"""Compare the elastic catenary with the mooring-line solver of MoorPy.

MoorPy takes span, rise, unstretched length, EA and weight in its own order, wants the lower end
first, and iterates to an absolute error of position (`Tol`). With `CB` below zero it knows a
seabed that far under the lower end; deep enough, no wire touches it.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from geoplan.mechanics import solve_catenary

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # what MoorPy's own imports warn of isn't ours
    from moorpy.Catenary import catenary

CASES = 400


def random_wires(kind: str) -> tuple[np.ndarray, ...]:
    """Return seeded random span, rise, length, weight and stiffness of one kind."""
    rng = np.random.default_rng({"drop": 1, "strand": 2, "slack": 3, "steep": 4}[kind])
    span = rng.uniform(5.0, 80.0, CASES)
    slope = {"steep": rng.uniform(1.0, 5.0, CASES)}.get(kind, rng.uniform(0.0, 0.4, CASES))
    rise = slope * span
    chord = np.hypot(span, rise)
    ratio = {
        "drop": 1.0 + rng.uniform(5e-4, 0.02, CASES),
        "strand": 1.0 + rng.uniform(-1.5e-3, 2e-3, CASES),
        "slack": rng.uniform(1.02, 1.6, CASES),
        "steep": rng.uniform(1.001, 1.3, CASES),
    }[kind]
    stiffness = rng.uniform(2e6, 9e6, CASES) if kind == "strand" else rng.uniform(3e4, 4e5, CASES)
    weight = rng.uniform(1.5, 12.0, CASES) if kind == "strand" else rng.uniform(0.2, 3.0, CASES)
    return span, rise, chord * ratio, weight, stiffness


@pytest.mark.parametrize("kind", ["drop", "strand", "slack", "steep"])
def test_end_forces_agree_to_a_millionth(kind):
    span, rise, length, weight, stiffness = random_wires(kind)
    state = solve_catenary(span, rise, length, weight, stiffness)
    start_v = state.horizontal_tension_n * np.sinh(state.middle_angle - state.half_turn)
    end_v = state.horizontal_tension_n * np.sinh(state.middle_angle + state.half_turn)
    worst = 0.0
    for i in range(CASES):
        ah, av, bh, bv, info = catenary(
            span[i], rise[i], length[i], stiffness[i], weight[i], CB=-1e4, Tol=1e-11, MaxIter=500
        )
        del info
        # MoorPy gives forces on the ends: signs turn, the horizontal one is the same at both.
        theirs = np.array([abs(ah), abs(bh), av, bv])
        ours = np.array(
            [
                state.horizontal_tension_n[i],
                state.horizontal_tension_n[i],
                start_v[i],
                -end_v[i],
            ]
        )
        scale = float(state.tension_max_n[i])
        worst = max(worst, float(np.abs(np.abs(theirs) - np.abs(ours)).max()) / scale)
        h = float(state.horizontal_tension_n[i])
        worst = max(worst, abs(abs(bh) - h) / h)
    assert worst < 1e-6
