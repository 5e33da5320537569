"""What a project's rule set, wire and strands come to as plain figures."""

from __future__ import annotations

import pytest

from geoplan.errors import ProjectFileError, RuleDataError
from geoplan.project import Project
from geoplan.standards import load_standards

FT = 0.3048
IN = 0.0254
PSF = 4.4482216152605 / FT**2
LB_PER_FT = 4.4482216152605 / FT


def degc(fahrenheit: float) -> float:
    return (fahrenheit - 32) * 5 / 9


def project(**settings: object) -> Project:
    return Project(layers={}, **settings)


# rule set, district, case, temperature, ice, part of the clearance; the id is the source.
CLEARANCE_CASES = [
    pytest.param("us", "light", "clearance_hot", degc(120), 0.0, 1.0, id="NESC-232A-hot"),
    pytest.param("us", "heavy", "clearance_ice", 0.0, 0.50 * IN, 1.0, id="NESC-232A-iced-heavy"),
    pytest.param("us", "medium", "clearance_ice", 0.0, 0.25 * IN, 1.0, id="NESC-232A-iced-medium"),
    pytest.param("california", "light", "clearance_hot", degc(130), 0.0, 0.9, id="GO64A-35-hot"),
    pytest.param("california", "heavy", "clearance_hot", degc(130), 0.0, 0.9, id="GO64A-35-hot-h"),
    pytest.param("california", "heavy", "clearance_table", degc(60), 0.0, 1.0, id="GO64A-35-table"),
    pytest.param("california", "light", "clearance_table", degc(60), 0.0, 1.0, id="GO64A-35-tab-l"),
    pytest.param("metric", "heavy", "clearance_hot", 50.0, 0.0, 1.0, id="practice-metric-hot"),
]


@pytest.mark.parametrize(("rules", "district", "name", "heat_c", "ice_m", "part"), CLEARANCE_CASES)
def test_clearance_cases_are_the_published_ones(
    rules: str, district: str, name: str, heat_c: float, ice_m: float, part: float
) -> None:
    standards = load_standards(project(rule_set=rules, loading_district=district))
    case = next(case for case in standards.clearance if case.name == name)
    assert case.temperature_c == pytest.approx(heat_c, abs=1e-9)
    assert case.case.temperature_c == case.temperature_c
    assert case.case.ice_thickness_m == pytest.approx(ice_m)
    assert case.fraction == pytest.approx(part)
    assert case.case.wind_pa == 0.0


def test_california_asks_nine_tenths_of_iced_wire_in_its_heavy_district() -> None:
    """GO 64-A rule 35 with the ice of GO 95 rule 43.1."""
    standards = load_standards(project(rule_set="california", loading_district="heavy"))
    iced = next(case for case in standards.clearance if case.name == "clearance_ice")
    assert iced.fraction == pytest.approx(0.9)
    assert iced.case.ice_thickness_m == pytest.approx(0.5 * IN)


@pytest.mark.parametrize("rules", ["us", "california", "metric"])
def test_every_district_has_cases_for_clearance_and_tension(rules: str) -> None:
    districts = load_standards(project(rule_set=rules, loading_district="heavy")).rule_set.districts
    for district in districts:
        standards = load_standards(project(rule_set=rules, loading_district=district))
        assert len(standards.clearance) >= 1
        assert "tension_loaded" in {case.name for case in standards.tension}
        hottest = max(case.temperature_c for case in standards.clearance)
        assert hottest > standards.stringing_c + 20


@pytest.mark.parametrize(
    ("rules", "shares"),
    [
        pytest.param("us", {"tension_loaded": 0.60, "tension_unloaded": 0.35}, id="NESC-261H"),
        pytest.param("metric", {"tension_loaded": 0.60, "tension_unloaded": 0.35}, id="as-261H"),
        pytest.param("california", {"tension_loaded": 0.50}, id="GO95-factor"),
    ],
)
def test_tension_limits_are_parts_of_the_wires_strength(
    rules: str, shares: dict[str, float]
) -> None:
    standards = load_standards(project(rule_set=rules, loading_district="light"))
    strength = standards.entry.breaking_strength_n
    limits = {case.name: case.limit_n / strength for case in standards.tension}
    assert set(limits) == set(shares)
    if rules != "california":
        assert limits == pytest.approx(shares)
    assert all(0 < part < 1 for part in limits.values())


def test_wind_ice_and_constant_reach_the_tension_case_in_si() -> None:
    standards = load_standards(project(rule_set="us", loading_district="heavy"))
    loaded = next(case for case in standards.tension if case.name == "tension_loaded")
    assert loaded.case.wind_pa == pytest.approx(4 * PSF, rel=1e-3)
    assert loaded.case.ice_thickness_m == pytest.approx(0.5 * IN)
    assert loaded.case.constant_n_per_m == pytest.approx(0.30 * LB_PER_FT, rel=1e-3)
    assert loaded.temperature_c == pytest.approx(degc(0))
    assert loaded.case.ice_density_kg_per_m3 == pytest.approx(913, rel=1e-3)


def test_the_lesser_of_the_wires_and_the_projects_limits_holds() -> None:
    short = load_standards(project(limits={"max_air_span": "20 m"}))
    assert short.max_air_span_m == pytest.approx(20.0)
    long = load_standards(project(limits={"max_air_span": "140 m", "max_route": "900 m"}))
    entry = long.entry
    assert long.max_air_span_m == pytest.approx(min(140.0, entry.max_air_span("heavy").value_si))
    assert long.max_route_m == pytest.approx(min(900.0, entry.max_total_length_m))


def test_a_flat_wire_is_loaded_over_its_larger_width() -> None:
    standards = load_standards(project(wire="flat_fibre"))
    assert standards.wire.diameter_m == standards.entry.width_m
    assert standards.entry.width_m > standards.entry.height_m


def test_an_unknown_district_names_the_nearest_one() -> None:
    with pytest.raises(ProjectFileError, match="heavy"):
        load_standards(project(loading_district="heavyy"))


def test_an_unknown_rule_set_or_wire_is_refused() -> None:
    with pytest.raises(RuleDataError, match="us"):
        load_standards(project(rule_set="uss"))
    with pytest.raises(RuleDataError, match="copper_clad_pair"):
        load_standards(project(wire="copper_clad_pears"))
