"""Tests of the parabola."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.mechanics import (
    length_from_horizontal_tension,
    parabola_height,
    parabola_length,
    parabola_sag,
    parabola_tension,
    parabola_tension_after_change,
    parabola_vertex,
    sag_at,
    solve_catenary,
)

FT, INCH = 0.3048, 0.0254


@pytest.mark.parametrize(
    ("weight", "tension", "span", "sag", "tolerance"),
    [
        pytest.param(1.0, 10_000.0, 500.0, 3.125, 5e-4, id="check 1: public sag page (printed)"),
        pytest.param(1.6905, 7950 / 2, 300.0, 4.784, 6e-4, id="check 3: ex. 5.4 p. 199"),
        pytest.param(2.2219, 3975.0, 300.0, 6.288, 6e-4, id="check 4: loaded state"),
        pytest.param(0.650, 3500.0, 250.0, 1.4509, 6e-5, id="check 6: bare"),
        pytest.param(17.465 / 9.81, 3500.0, 250.0, 3.9738, 2e-4, id="check 6: ice and wind"),
    ],
)
def test_sag_matches_worked_examples(weight, tension, span, sag, tolerance):
    assert float(parabola_sag(span, weight, tension)) == pytest.approx(sag, abs=tolerance)


def test_check_3_support_height_follows():
    assert 7.0 + float(parabola_sag(300.0, 1.6905, 3975.0)) == pytest.approx(11.78, abs=0.005)


def test_check_7_conductor_mass_and_length():
    # Worked example 2.5.1 (printed 184.29 kg): U = 5758 kg, factor 2, D = 2 m, S = 250 m.
    weight = 5758 / 2 * 8 * 2.0 / 250.0**2
    assert weight == pytest.approx(0.737024, abs=5e-7)
    assert float(parabola_tension(250.0, weight, 2.0)) == pytest.approx(2879.0, rel=1e-12)
    length = float(parabola_length(250.0, 2.0))
    assert length == pytest.approx(250.0427, abs=5e-5)
    assert weight * length == pytest.approx(184.29, abs=0.005)


@pytest.mark.parametrize(
    ("span", "rise", "weight", "tension", "low", "tolerance"),
    [
        pytest.param(200.0, 3.0, 0.428, 986.5, 65.426, 5e-4, id="check 2: ex. 5.7 p. 200"),
        pytest.param(
            250.0, 10.0, np.hypot(2.5, 1.2), 4300 * np.pi / 3, 60.048, 5e-4, id="check 8: ex. 2.5.2"
        ),
        pytest.param(300.0, 60.0, 1.0, 2000.0, -250.0, 5e-4, id="check 9: ex. 7.4"),
    ],
)
def test_vertex_matches_worked_examples(span, rise, weight, tension, low, tolerance):
    vertex = float(parabola_vertex(span, rise, weight, tension))
    assert vertex == pytest.approx(low, abs=tolerance)


def test_check_9_height_at_midspan():
    sag = parabola_sag(300.0, 1.0, 2000.0)
    assert 30.0 + float(parabola_height(300.0, 60.0, sag, 150.0)) == pytest.approx(54.375)


def test_check_4_change_of_state():
    # Ex. 5.9 p. 201, computed there: cubic root 1644.8 kg, sag 5.773 m.
    tension = parabola_tension_after_change(
        300.0, 3975.0, 2.2219, 0.844, 50.0, 9320.0 * 226.0, 18.44e-6
    )
    assert float(tension) == pytest.approx(1644.8, abs=0.05)
    assert float(parabola_sag(300.0, 0.844, tension)) == pytest.approx(5.773, abs=5e-4)


def test_check_5_change_of_state():
    # Archive item 2273 ch. 3 ex. 3.14, computed there: stress 11,951,292 kg/m2, sag 3.530 m.
    area = 240e-6
    wind = 38.5 * 0.0195
    tension = parabola_tension_after_change(
        300.0, 4000.0, np.hypot(0.9, wind), 0.9, 0.0, 9320e6 * area, 18.44e-6
    )
    colder = parabola_tension_after_change(
        300.0, 4000.0, np.hypot(0.9, wind), 0.9, 30.0, 9320e6 * area, 18.44e-6
    )
    assert wind == pytest.approx(0.75, abs=0.005)
    stress = float(colder) / area
    sag = float(parabola_sag(300.0, 0.9, colder))
    assert (stress, sag) == (pytest.approx(11_951_292, rel=1e-5), pytest.approx(3.530, abs=5e-4))
    assert tension > colder


@pytest.mark.parametrize(
    ("span_ft", "sag_in"),
    [
        pytest.param(100, 4.5, id="check 12: GO 95 table 25, light, 60 F, 100 ft"),
        pytest.param(200, 19.0, id="check 12: GO 95 table 25, light, 60 F, 200 ft"),
        pytest.param(300, 42.5, id="check 12: GO 95 table 25, light, 60 F, 300 ft"),
    ],
)
def test_published_stringing_sags_have_one_tension_per_weight(span_ft, sag_in):
    # Sags of 4.5, 19 and 42.5 in follow from H / w = 3200 ft within 0.32 in.
    sag = float(parabola_sag(span_ft * FT, 1.0, 3200 * FT)) / INCH
    assert sag == pytest.approx(sag_in, abs=0.32)
    length = length_from_horizontal_tension(span_ft * FT, 0.0, 3200 * FT, 1.0, 1e15)
    wire = solve_catenary(span_ft * FT, 0.0, length, 1.0, 1e15)
    assert float(wire.sag_m) / INCH == pytest.approx(sag_in, abs=0.32)


@pytest.mark.parametrize(("part", "error"), [(0.04, 0.0025), (0.10, 0.0140)])
def test_parabola_errs_no_more_than_documented(part, error):
    span, weight = 50.0, 1.0
    tension = float(parabola_tension(span, weight, part * span))
    length = length_from_horizontal_tension(span, 0.0, tension, weight, 1e15)
    exact = float(solve_catenary(span, 0.0, length, weight, 1e15).sag_m)
    assert 0.5 * error < exact / (part * span) - 1.0 < error


def test_inclined_parabola_agrees_with_the_inclined_catenary():
    span, rise, weight, tension = 40.0, 6.0, 0.5, 120.0
    length = length_from_horizontal_tension(span, rise, tension, weight, 1e15)
    state = solve_catenary(span, rise, length, weight, 1e15)
    along_chord = weight * np.hypot(span, rise) / span
    sag = float(parabola_sag(span, along_chord, tension))
    assert sag == pytest.approx(float(sag_at(state, [20.0])[0]), rel=2e-3)
    assert float(parabola_length(span, sag, rise)) == pytest.approx(float(length), rel=1e-5)
    vertex = float(parabola_vertex(span, rise, along_chord, tension))
    assert vertex == pytest.approx(float(state.vertex_m), abs=0.3)


def test_no_tension_is_refused():
    with pytest.raises(ValueError, match="horizontal_tension_n must be finite and above zero"):
        parabola_sag(30.0, 1.0, 0.0)
