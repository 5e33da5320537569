"""Tests of ice, wind and resultant loads."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.mechanics import LoadCase, ice_weight, load_wire, swing_out, wind_load

G = 9.81
LB_FT = 4.4482216152605 / 0.3048
PSF = 47.88025898
FT, INCH = 0.3048, 0.0254
PCF = 16.01846337


@pytest.mark.parametrize(
    (
        "weight",
        "diameter",
        "ice",
        "wind",
        "expected_ice",
        "expected_wind",
        "wind_digits",
        "resultant",
    ),
    [
        pytest.param(
            0.844,
            19.53e-3,
            9.5e-3,
            39.0,
            0.7928,
            1.5027,
            6e-5,
            2.2219,
            id="check 4: textbook ch. 5 ex. 5.9 p. 201",
        ),
        pytest.param(0.9, 19.5e-3, 0.0, 38.5, 0.0, 0.75, 0.005, None, id="check 5: ex. 3.14"),
    ],
)
def test_loads_in_kilograms_match_worked_examples(
    weight, diameter, ice, wind, expected_ice, expected_wind, wind_digits, resultant
):
    # Loads in kg/m and kg/m2 with g = 1: the figures are printed so.
    got_ice = float(ice_weight(diameter, ice, 915.0, gravity_m_per_s2=1.0))
    got_wind = float(wind_load(diameter, ice, wind))
    assert got_ice == pytest.approx(expected_ice, abs=6e-5)
    assert got_wind == pytest.approx(expected_wind, abs=wind_digits)
    if resultant is not None:
        total = np.hypot(weight + got_ice, got_wind)
        assert float(total) == pytest.approx(resultant, abs=6e-5)


def test_check_3_resultant_of_a_seven_strand_wire():
    # Ex. 5.4 p. 199: 844 kg/km, 75 kg/m2; the resultant there takes 7 x 2.79 mm as the width.
    wind = float(wind_load(7 * 2.79e-3, 0.0, 75.0))
    assert float(np.hypot(0.844, wind)) == pytest.approx(1.6905, abs=6e-4)


def test_check_6_iced_wire_in_newtons():
    ice = float(ice_weight(0.011, 0.010, 915.0, gravity_m_per_s2=G))
    wind = float(wind_load(0.011, 0.010, 400.0))
    assert ice == pytest.approx(5.922, abs=5e-4)
    assert wind == pytest.approx(12.40, abs=0.005)
    assert float(np.hypot(0.650 * G + ice, wind)) == pytest.approx(17.465, abs=6e-4)


@pytest.mark.parametrize(
    ("ice_in", "psf", "k", "ice", "wind", "total"),
    [
        pytest.param(0.5, 4.0, 0.30, 0.4665, 0.4167, 0.9443, id="check 14: heavy"),
        pytest.param(0.25, 4.0, 0.20, 0.1555, 0.2500, 0.5084, id="check 14: medium"),
        pytest.param(0.0, 9.0, 0.05, 0.0, 0.1875, 0.2392, id="check 14: light"),
    ],
)
def test_district_loads_match_worked_check(ice_in, psf, k, ice, wind, total):
    diameter = 0.25 * INCH
    case = LoadCase(
        temperature_c=0.0,
        ice_thickness_m=ice_in * INCH,
        ice_density_kg_per_m3=57.0 * PCF,
        wind_pa=psf * PSF,
        constant_n_per_m=k * LB_FT,
    )
    loads = load_wire(0.025 * LB_FT, diameter, case)
    # Ice at 1.244 t (d + t) rounds 57 pi / 144 = 1.24355, so 2e-4 on 0.4665.
    assert float(loads.vertical_n_per_m) / LB_FT - 0.025 == pytest.approx(ice, abs=2.5e-4)
    assert float(loads.wind_n_per_m) / LB_FT == pytest.approx(wind, abs=6e-5)
    assert float(loads.total_n_per_m) / LB_FT == pytest.approx(total, abs=2.5e-4)


def test_constant_adds_to_the_total_only():
    with_k = load_wire(1.0, 0.01, LoadCase(0.0, wind_pa=100.0, constant_n_per_m=0.7))
    without = load_wire(1.0, 0.01, LoadCase(0.0, wind_pa=100.0))
    assert with_k.resultant_n_per_m == without.resultant_n_per_m
    assert float(with_k.total_n_per_m - without.total_n_per_m) == pytest.approx(0.7)


def test_swing_angle_and_swing_out_agree():
    loads = load_wire([[0.5], [2.0]], 0.01, LoadCase(0.0, wind_pa=[0.0, 50.0, 400.0]))
    assert loads.swing_deg.shape == (2, 3)
    assert (loads.swing_deg[:, 0] == 0.0).all()
    out = swing_out(1.5, loads.vertical_n_per_m, loads.wind_n_per_m)
    np.testing.assert_allclose(out, 1.5 * np.sin(np.radians(loads.swing_deg)), rtol=1e-12)


def test_negative_ice_is_refused():
    with pytest.raises(ValueError, match="ice_thickness_m must be finite and zero or more"):
        ice_weight(0.01, -0.001, 913.0)
