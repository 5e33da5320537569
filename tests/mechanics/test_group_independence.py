"""What is solved beside a span has no say in its result, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.mechanics import (
    Drop,
    LoadCase,
    Strand,
    Wire,
    ladder_load,
    length_from_max_tension,
    length_from_sag,
    sag_at,
    solve_catenary,
    solve_clamp_for_final_sag,
    solve_weather,
)

COUNT = 60


def _spans(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    span = rng.uniform(0.5, 70.0, COUNT)
    return span, rng.uniform(-4.0, 4.0, COUNT), span * 10 ** rng.uniform(-3.5, -0.7, COUNT)


@pytest.mark.parametrize("seed", range(5))
def test_lengths_and_states_are_the_same_alone_and_in_a_group(seed: int) -> None:
    span, rise, sag = _spans(seed)
    wire = Wire(0.53, 0.0061, 2e5, 1.3e-5)
    case = LoadCase(temperature_c=-18.0, ice_thickness_m=0.0127, wind_pa=190.0)
    length = length_from_sag(span, rise, sag, 0.53, 2e5)
    tight = length_from_max_tension(span, rise, 900.0, 4.0, 2e5)
    state = solve_weather(span, rise, length, 15.0, wire, case)
    rest = solve_catenary(span, rise, length, 0.53, 2e5)
    depth = sag_at(rest, span[:, None] * np.array([0.1, 0.5, 0.9]))
    for row in range(COUNT):
        one = slice(row, row + 1)
        assert length_from_sag(span[one], rise[one], sag[one], 0.53, 2e5)[0] == length[row]
        assert length_from_max_tension(span[one], rise[one], 900.0, 4.0, 2e5)[0] == tight[row]
        alone = solve_weather(span[one], rise[one], length[one], 15.0, wire, case)
        assert alone.tension_max_n[0, 0] == state.tension_max_n[row, 0]
        assert alone.sag_m[0, 0] == state.sag_m[row, 0]
        hung = solve_catenary(span[one], rise[one], length[one], 0.53, 2e5)
        places = span[one][:, None] * np.array([0.1, 0.5, 0.9])
        assert (sag_at(hung, places) == depth[one]).all()


def test_clamps_are_the_same_alone_and_in_a_group() -> None:
    rng = np.random.default_rng(7)
    count = 20
    span = rng.uniform(25.0, 60.0, count)
    place = span * rng.uniform(0.05, 0.95, count)
    lateral, sag = rng.uniform(5.0, 40.0, count), rng.uniform(0.1, 1.0, count)
    load = ladder_load(110.0, 25.0, 75.5)

    def solve(rows: slice) -> tuple[np.ndarray, ...]:
        strand = Strand(span[rows], 0.3, 4.8, 4.6e6, 4000.0)
        drop = Drop(1.5, lateral[rows], -1.5, 0.53, 2e5)
        states = solve_clamp_for_final_sag(strand, place[rows], drop, load, sag[rows])
        return states.with_ladder.sag_m, states.ladder_gone.lateral_m, states.drop_length_m

    together = solve(slice(None))
    for row in range(count):
        alone = solve(slice(row, row + 1))
        for one, all_ in zip(alone, together, strict=True):
            assert one[0] == all_[row]
