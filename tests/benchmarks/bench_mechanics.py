"""Time a million span and load case states against one scipy root-find per state.

Run as `python tests/benchmarks/bench_mechanics.py`; prints JSON. Both sides get the same spans,
loads and unstressed lengths in the same run, and their sags are compared.
"""

from __future__ import annotations

import json
import math
import sys
import time

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from geoplan.mechanics import LoadCase, Wire, length_from_sag, solve_catenary, solve_weather

SPANS = 125_000
CASES = LoadCase(
    temperature_c=[-18.0, -5.0, 5.0, 15.6, 25.0, 35.0, 49.0, 0.0],
    ice_thickness_m=[0.0127, 0.0064, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0127],
    ice_density_kg_per_m3=913.0,
    wind_pa=[190.0, 190.0, 430.0, 0.0, 0.0, 0.0, 0.0, 0.0],
)
SAMPLE = 2_000

Array = npt.NDArray[np.float64]


def plain_state(span: float, rise: float, length: float, weight: float, stiffness: float) -> float:
    """Return the horizontal tension of one elastic catenary by nested root-finds."""
    total = weight * length

    def start_pull(tension: float) -> float:
        """Return the vertical start component that meets the rise."""

        def miss(v: float) -> float:
            """Return the height reached less the rise."""
            top = math.hypot(tension, v + total)
            low = math.hypot(tension, v)
            return length * (v + 0.5 * total) / stiffness + (top - low) / weight - rise

        return float(brentq(miss, -50.0 * tension - total, 50.0 * tension, xtol=1e-9))

    def miss(tension: float) -> float:
        """Return the distance reached less the span."""
        v = start_pull(tension)
        turn = math.asinh((v + total) / tension) - math.asinh(v / tension)
        return tension * length / stiffness + tension / weight * turn - span

    return float(brentq(miss, 1e-3 * total, 1e3 * total + 0.1 * stiffness, xtol=1e-9))


def plain_turn(span: float, rise: float, length: float, weight: float, stiffness: float) -> float:
    """Return the horizontal tension by one root-find of geoplan's own single equation."""
    ease = 0.5 * weight * length / stiffness
    a, b = (span / length) ** 2, (rise / length) ** 2

    def miss(y: float) -> float:
        """Return the misfit of the closing equation."""
        s = math.sinh(y)
        return a * (s / (y + ease)) ** 2 + b / (1.0 + ease / math.tanh(y)) ** 2 - 1.0

    y = float(brentq(miss, 1e-9, 20.0, xtol=1e-13))
    return 0.5 * weight * span / (y + ease)


def seconds_of(best_of: int, work: object) -> float:
    """Return the least time of several runs of a callable."""
    times = []
    for _ in range(best_of):
        start = time.perf_counter()
        work()  # type: ignore[operator]
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Run the benchmark and print its figures."""
    rng = np.random.default_rng(20240611)
    span = rng.uniform(10.0, 60.0, SPANS)
    rise = rng.normal(0.0, 1.5, SPANS)
    wire = Wire(weight_n_per_m=0.45, diameter_m=0.008, stiffness_n=1.5e5, expansion_per_c=8e-6)
    sag = span * rng.uniform(0.01, 0.04, SPANS)
    length = length_from_sag(span, rise, sag, wire.weight_n_per_m, wire.stiffness_n)
    state = solve_weather(span, rise, length, 15.6, wire, CASES)
    whole = seconds_of(3, lambda: solve_weather(span, rise, length, 15.6, wire, CASES))
    plane = state.in_plane
    inputs = (
        plane.span_m,
        plane.rise_m,
        plane.unstressed_length_m,
        plane.weight_n_per_m,
        plane.stiffness_n,
    )
    bare = seconds_of(3, lambda: solve_catenary(*inputs))
    states = plane.sag_m.size
    chosen = rng.choice(states, SAMPLE, replace=False)
    rows = list(zip(*(a.reshape(-1)[chosen].tolist() for a in inputs), strict=True))
    start = time.perf_counter()
    nested = np.array([plain_state(*row) for row in rows])
    nested_s = (time.perf_counter() - start) / SAMPLE
    start = time.perf_counter()
    single = np.array([plain_turn(*row) for row in rows])
    single_s = (time.perf_counter() - start) / SAMPLE
    ours = plane.horizontal_tension_n.reshape(-1)[chosen]
    figures = {
        "states": states,
        "all_converged": bool(state.converged.all()),
        "weather_ns_per_state": round(whole / states * 1e9, 1),
        "catenary_ns_per_state": round(bare / states * 1e9, 1),
        "brentq_two_unknowns_us_per_state": round(nested_s * 1e6, 1),
        "brentq_one_unknown_us_per_state": round(single_s * 1e6, 1),
        "ratio_weather_to_two_unknowns": round(nested_s / (whole / states), 0),
        "ratio_weather_to_one_unknown": round(single_s / (whole / states), 0),
        "ratio_catenary_to_two_unknowns": round(nested_s / (bare / states), 0),
        "ratio_catenary_to_one_unknown": round(single_s / (bare / states), 0),
        "worst_relative_difference_two_unknowns": float(np.abs(nested / ours - 1.0).max()),
        "worst_relative_difference_one_unknown": float(np.abs(single / ours - 1.0).max()),
    }
    sys.stdout.write(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
