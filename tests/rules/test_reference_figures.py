"""Every published figure stands in its rule set with the right SI value and a true status.

Expected values are worked out here by hand from the printed form; the id is the source.
"""

from __future__ import annotations

import math
import re

import pytest

from geoplan.rules import Status, available_rule_sets, load_rule_set, load_strand, load_wire

FT = 0.3048
IN = 0.0254
LBF = 4.4482216152605
PSF = LBF / FT**2
LB_PER_FT = LBF / FT
LB_PER_KFT = LB_PER_FT / 1000
PSI = LBF / IN**2


def degc(fahrenheit: float) -> float:
    return (fahrenheit - 32) * 5 / 9


R, R2, M, P = Status.READ, Status.SECONDARY, Status.MEMORY, Status.PRACTICE

RULE_FIGURES = [
    # General Orders 95 and 64-A
    ("GO95-T1-case1", "california", "clearance.rail.any", 25 * FT, R),
    ("GO95-T1-case2", "california", "clearance.rail.trolley", 26 * FT, R),
    ("GO95-T1-case3-urban", "california", "clearance.road.local", 18 * FT, R),
    ("GO95-T1-case3-rural", "california", "clearance.road.rural", 18 * FT, R),
    ("GO95-T1-case3-along", "california", "clearance.road_along.urban", 18 * FT, R),
    ("GO95-T1-case4-along", "california", "clearance.road_along.rural", 15 * FT, R),
    ("GO95-T1-case4-land", "california", "clearance.yard.vehicles", 15 * FT, R),
    ("GO95-T1-case5", "california", "clearance.walk.any", 10 * FT, R),
    ("GO95-T1-case6", "california", "clearance.roof.walkable", 8 * FT, R),
    ("GO95-84.4-A(3)", "california", "clearance.walk.reduced", 8 * FT, R),
    ("GO95-84.4-A(1)", "california", "clearance.yard.remote", 13 * FT, R),
    ("GO95-84.4-A(2)", "california", "clearance.road_along.rural_clear", 13 * FT, R),
    ("GO64A-35-temperature", "california", "limits.table_temperature", degc(60), R),
    ("GO64A-35-reduction", "california", "limits.max_clearance_reduction", 0.10, R),
    ("GO64A-84.8-A(2)-kerb", "california", "kerb.edge", 16 * FT, R),
    ("GO95-54.8-B(1)", "california", "kerb.strip_width", 12 * FT, R),
    ("GO64A-84.8-A(2)-drive", "california", "clearance.driveway.reduced", 10 * FT, R),
    ("GO64A-84.8-A(3)a", "california", "separation.supply_line.span.to_750_v", 2 * FT, R),
    ("GO64A-84.8-A(3)a-pole", "california", "limits.separation_pole_distance", 6 * FT, R),
    ("GO64A-84.8-A(3)c", "california", "separation.supply_line.pole_bracket.to_20000_v", 5 * FT, R),
    ("GO95-84.8-B1-below", "california", "separation.supply_line.pole.to_20000_v", 6 * FT, R),
    ("GO95-84.8-B1-above", "california", "separation.supply_line.pole_above.to_20000_v", 4 * FT, R),
    ("GO64A-94", "california", "separation.equipment.pole.any_voltage", 40 * IN, R),
    ("GO95-113.4-strength", "california", "limits.rail_wire_strength", 170 * LBF, R),
    ("GO95-113.4-heavy", "california", "limits.rail_span_heavy", 100 * FT, R),
    ("GO95-113.4-light", "california", "limits.rail_span_light", 150 * FT, R),
    ("GO95-43.1-elevation", "california", "limits.heavy_district_elevation", 3000 * FT, R),
    ("GO95-43.1-wind", "california", "load_cases.heavy.tension_loaded.wind", 6 * PSF, R),
    ("GO95-43.1-ice", "california", "load_cases.heavy.tension_loaded.ice", 0.5 * IN, R),
    ("GO95-43.1-cold", "california", "load_cases.heavy.tension_loaded.temperature", degc(0), R),
    ("GO95-43.1-hot", "california", "load_cases.heavy.clearance_hot.temperature", degc(130), R),
    ("GO95-43.1-density", "california", "limits.ice_density", 57 * 0.45359237 / FT**3, R),
    ("GO64A-43.1-erect", "california", "load_cases.light.stringing.temperature", degc(60), R),
    ("GO95-43.2-wind", "california", "load_cases.light.tension_loaded.wind", 8 * PSF, M),
    ("GO95-43.2-cold", "california", "load_cases.light.tension_loaded.temperature", degc(25), M),
    ("GO95-43.2-hot", "california", "load_cases.light.clearance_hot.temperature", degc(130), M),
    # Federal worker rules
    ("1910.268-R2-300V", "us", "approach.worker.to_300_v", 0.0, M),
    ("1910.268-R2-750V", "us", "approach.worker.to_750_v", 12 * IN, M),
    ("1910.268-R2-2kV", "us", "approach.worker.to_2000_v", 18 * IN, M),
    ("1910.268-R2-15kV", "us", "approach.worker.to_15000_v", 24 * IN, M),
    ("1910.268-R2-37kV", "us", "approach.worker.to_37000_v", 36 * IN, M),
    ("1910.268-R2-87.5kV", "us", "approach.worker.to_87500_v", 42 * IN, M),
    ("1910.268-R2-121kV", "us", "approach.worker.to_121000_v", 48 * IN, M),
    ("1910.268-R2-140kV", "california", "approach.worker.to_140000_v", 54 * IN, M),
    ("1926.1408-A-50kV", "us", "approach.lifting_plant.to_50000_v", 10 * FT, R),
    ("1926.1408-A-200kV", "us", "approach.lifting_plant.to_200000_v", 15 * FT, R),
    ("1926.1408-A-350kV", "us", "approach.lifting_plant.to_350000_v", 20 * FT, R),
    ("1926.1408-A-500kV", "us", "approach.lifting_plant.to_500000_v", 25 * FT, R),
    ("1926.1408-A-750kV", "us", "approach.lifting_plant.to_750000_v", 35 * FT, R),
    ("1926.1408-A-1MV", "california", "approach.lifting_plant.to_1000000_v", 45 * FT, R),
    ("practice-ladder-strand", "us", "limits.ladder_strand_strength", 2400 * LBF, M),
    ("licensee-manual-factor2", "us", "tension.strand_loaded", 0.5, R2),
    ("licensee-manual-ice", "us", "limits.strand_load_exempt_ice", 200 * LBF, R2),
    ("installer-guide-terminal", "us", "limits.clamp_from_terminal", 4 * IN, R),
    ("installer-guide-pole", "us", "limits.clamp_from_pole", 15 * IN, R),
    # NESC as quoted
    ("NESC-232-1-rail", "us", "clearance.rail.any", 23.5 * FT, R2),
    ("NESC-232-1-road", "us", "clearance.road.local", 15.5 * FT, R2),
    ("NESC-232-1-drive", "us", "clearance.driveway.residential", 15.5 * FT, R2),
    ("NESC-232-1-alley", "us", "clearance.road.alley", 15.5 * FT, R2),
    ("NESC-232-1-foot", "us", "clearance.walk.any", 9.5 * FT, R2),
    ("NESC-232-1-note", "us", "clearance.driveway.reduced", 11.5 * FT, M),
    ("NESC-232-1-along", "us", "clearance.road_along.urban", 15.5 * FT, M),
    ("NESC-232-1-along-rural", "us", "clearance.road_along.rural", 13.5 * FT, M),
    ("NESC-232A-hot", "us", "load_cases.heavy.clearance_hot.temperature", degc(120), M),
    ("NESC-232A-iced", "us", "load_cases.medium.clearance_ice.temperature", 0.0, M),
    ("NESC-250B-heavy-ice", "us", "load_cases.heavy.tension_loaded.ice", 0.5 * IN, M),
    ("NESC-250B-heavy-wind", "us", "load_cases.heavy.tension_loaded.wind", 4 * PSF, M),
    ("NESC-250B-heavy-cold", "us", "load_cases.heavy.tension_loaded.temperature", degc(0), M),
    ("NESC-251-heavy-k", "us", "load_cases.heavy.tension_loaded.constant", 0.30 * LB_PER_FT, M),
    ("NESC-250B-medium-ice", "us", "load_cases.medium.tension_loaded.ice", 0.25 * IN, M),
    ("NESC-250B-medium-wind", "us", "load_cases.medium.tension_loaded.wind", 4 * PSF, M),
    ("NESC-250B-medium-cold", "us", "load_cases.medium.tension_loaded.temperature", degc(15), M),
    ("NESC-251-medium-k", "us", "load_cases.medium.tension_loaded.constant", 0.20 * LB_PER_FT, M),
    ("NESC-250B-light-ice", "us", "load_cases.light.tension_loaded.ice", 0.0, M),
    ("NESC-250B-light-wind", "us", "load_cases.light.tension_loaded.wind", 9 * PSF, M),
    ("NESC-250B-light-cold", "us", "load_cases.light.tension_loaded.temperature", degc(30), M),
    ("NESC-251-light-k", "us", "load_cases.light.tension_loaded.constant", 0.05 * LB_PER_FT, M),
    ("NESC-250B-warm-wind", "us", "load_cases.warm_islands.tension_loaded.wind", 9 * PSF, M),
    ("NESC-250B-warm", "us", "load_cases.warm_islands.tension_loaded.temperature", degc(50), M),
    ("NESC-251B-density", "us", "limits.ice_density", 57 * 0.45359237 / FT**3, M),
    ("NESC-235C-pole", "us", "separation.supply_line.pole.to_15000_v", 40 * IN, M),
    ("NESC-235C2b-span", "us", "separation.supply_line.span.to_15000_v", 30 * IN, M),
    ("NESC-235C-neutral", "us", "separation.neutral.pole.any_voltage", 30 * IN, M),
    ("NESC-235C2b-neutral", "us", "separation.neutral.span.any_voltage", 0.75 * 30 * IN, M),
    ("NESC-238-equipment", "us", "separation.equipment.pole.any_voltage", 40 * IN, M),
    ("NESC-235H-pole", "us", "separation.communication.pole.any_voltage", 12 * IN, M),
    ("NESC-235H-span", "us", "separation.communication.span.any_voltage", 4 * IN, M),
    ("NESC-234-1-walkable", "us", "clearance.roof.walkable", 10.5 * FT, M),
    ("NESC-234E", "us", "limits.pool_exempt_distance", 10 * FT, M),
    ("NESC-261H-loaded", "us", "tension.drop_loaded", 0.60, M),
    ("NESC-261H-initial", "us", "tension.drop_unloaded_initial", 0.35, M),
    ("NESC-261H-final", "us", "tension.drop_unloaded_final", 0.25, M),
    # NEC
    ("NEC-800.44(A)(4)-pole", "us", "separation.supply_service.pole.to_750_v", 40 * IN, R),
    ("NEC-800.44(A)(4)-span", "us", "separation.supply_service.span.to_750_v", 12 * IN, R),
    ("NEC-800.44(A)(4)-house", "us", "separation.supply_service.building.to_750_v", 12 * IN, R),
    ("NEC-800.44(A)(4)-pole-m", "metric", "separation.supply_service.pole.to_750_v", 1.0, R),
    ("NEC-800.44(A)(4)-span-m", "metric", "separation.supply_service.span.to_750_v", 0.3, R),
    ("NEC-800.44(B)", "us", "clearance.roof.low_slope", 8 * FT, R),
    ("NEC-800.44(B)-slope", "us", "clearance.roof.steep", 3 * FT, R2),
    ("NEC-800.44(B)-4-in-12", "us", "limits.steep_roof_slope", 4 / 12, R2),
    ("NEC-800.44(B)-overhang", "us", "clearance.roof.overhang", 18 * IN, M),
    ("NEC-800.44(B)-wire", "us", "limits.overhang_wire_length", 4 * FT, M),
    ("NEC-830.44-walk", "us", "clearance.walk.powered", 9.5 * FT, R),
    ("NEC-830.44-land", "us", "clearance.yard.powered", 11.5 * FT, R),
    ("NEC-830.44-opening", "us", "clearance.opening.any", 3 * FT, R),
    ("NEC-680.9", "us", "clearance.pool.any", 10 * FT, M),
    # Other countries and states
    ("UK-2003/2553-4(2)", "metric", "clearance.road.local", 5.5, R),
    ("UK-2003/2553-4(2)-high", "metric", "clearance.road.limited_access", 6.5, R),
    ("Texas-highway", "us", "clearance.road.limited_access", 18 * FT, R2),
    ("AU-drive", "metric", "clearance.driveway.residential", 3.7, M),
    ("AU-drive-low", "metric", "clearance.driveway.reduced", 3.5, M),
    ("AU-road", "metric", "clearance.road_along.urban", 4.9, M),
    ("AU-foot", "metric", "clearance.walk.any", 2.7, M),
    ("CA-rail", "metric", "clearance.rail.any", 7.0, M),
    ("metric-no-roof-row", "metric", "clearance.roof.low_slope", 2.5, P),
    ("metric-no-pool-row", "metric", "clearance.pool.any", 3.1, P),
]


@pytest.mark.parametrize(
    ("rule_set", "key", "expected_si", "status"),
    [row[1:] for row in RULE_FIGURES],
    ids=[row[0] for row in RULE_FIGURES],
)
def test_rule_figure_matches_its_source(
    rule_set: str, key: str, expected_si: float, status: Status
) -> None:
    figure = load_rule_set(rule_set).require(key)
    assert figure.value_si == pytest.approx(expected_si, rel=1e-9, abs=1e-9)
    assert figure.status is status


METRIC_LOADS = [
    ("heavy", 12.7e-3, 190.0, -18.0, 4.38),
    ("medium", 6.4e-3, 190.0, -9.0, 2.92),
    ("light", 0.0, 430.0, -1.0, 0.73),
    ("warm_islands", 0.0, 430.0, 10.0, 0.73),
]


@pytest.mark.parametrize(
    ("district", "ice_m", "wind_pa", "temperature_c", "constant_n_per_m"), METRIC_LOADS
)
def test_metric_loads_are_the_rounded_us_loads(
    district: str, ice_m: float, wind_pa: float, temperature_c: float, constant_n_per_m: float
) -> None:
    metric = load_rule_set("metric").load_cases(district, "tension")[0]
    us = load_rule_set("us").load_cases(district, "tension")[0]
    assert metric.ice_thickness_m == pytest.approx(ice_m)
    assert metric.wind_pa == pytest.approx(wind_pa)
    assert metric.temperature_c == pytest.approx(temperature_c)
    assert metric.constant_n_per_m == pytest.approx(constant_n_per_m)
    assert metric.ice_thickness_m == pytest.approx(
        us.ice_thickness_m, abs=0.0501e-3
    )  # half a digit; 6.35 is a tie
    assert metric.wind_pa == pytest.approx(us.wind_pa, abs=5)
    assert metric.temperature_c == pytest.approx(us.temperature_c, abs=0.5)
    assert metric.constant_n_per_m == pytest.approx(us.constant_n_per_m, abs=0.005)


CHECK_14 = [
    ("heavy", 0.4665, 0.4167, 0.9443),
    ("medium", 0.1555, 0.2500, 0.5084),
    ("light", 0.0, 0.1875, 0.2392),
]


@pytest.mark.parametrize(("district", "ice", "wind", "total"), CHECK_14)
def test_us_loads_give_worked_check_14(
    district: str, ice: float, wind: float, total: float
) -> None:
    """Wire of 0.25 in and 0.025 lb/ft; the check rounds the coefficient to 1.244 (0.04 %)."""
    case = load_rule_set("us").load_cases(district, "tension")[0]
    diameter_m, weight_n_per_m = 0.25 * IN, 0.025 * LB_PER_FT
    thickness_m = case.ice_thickness_m
    ice_n_per_m = (
        case.ice_density_kg_per_m3 * 9.80665 * math.pi * thickness_m * (diameter_m + thickness_m)
    )
    wind_n_per_m = case.wind_pa * (diameter_m + 2 * thickness_m)
    resultant = math.hypot(weight_n_per_m + ice_n_per_m, wind_n_per_m) + case.constant_n_per_m
    assert ice_n_per_m / LB_PER_FT == pytest.approx(ice, rel=5e-4)
    assert wind_n_per_m / LB_PER_FT == pytest.approx(wind, abs=5e-5)
    assert resultant / LB_PER_FT == pytest.approx(total, rel=5e-4)


STRANDS = [
    ("A475-1/4-EHS", "6_6m_1_4", 0.25, 121, 6650, 29.58e3, R2),
    ("A475-1/4-HS", "hs_1_4", 0.25, 121, 4750, 21.13e3, R2),
    ("A475-1/4-common", "common_1_4", 0.25, 121, 1900, 8.45e3, R2),
    ("A475-5/16-EHS", "ehs_5_16", 5 / 16, 205, 11200, 49.82e3, R2),
    ("A475-5/16-HS", "hs_5_16", 5 / 16, 205, 8000, 35.59e3, R2),
    ("A475-5/16-common", "common_5_16", 5 / 16, 205, 3200, 14.23e3, R2),
    ("A475-6M", "6m_5_16", 5 / 16, 225, 6000, 26.69e3, R2),
    ("A475-2.2M", "2_2m_3_16", 3 / 16, 80, 2400, 10.68e3, R2),
    ("A475-3/16-EHS", "ehs_3_16", 3 / 16, 73, 3990, 17.75e3, R2),
    ("A475-9/32", "utilities_9_32", 9 / 32, 164, 4600, 20.46e3, R2),
    ("A475-3/8-EHS", "ehs_3_8", 3 / 8, 273, 15400, 68.5e3, M),
    ("A475-10M", "10m_3_8", 3 / 8, 273, 11500, 51.2e3, M),
]


@pytest.mark.parametrize(
    ("name", "expected"),
    [(row[1], row[2:]) for row in STRANDS],
    ids=[row[0] for row in STRANDS],
)
def test_strand_matches_its_table(
    name: str, expected: tuple[float, float, float, float, Status]
) -> None:
    diameter_in, lb_per_kft, break_lbf, break_n, status = expected
    strand = load_strand(name)
    assert strand.diameter_m == pytest.approx(diameter_in * IN)
    assert strand.weight_n_per_m == pytest.approx(lb_per_kft * LB_PER_KFT)
    assert strand.breaking_strength_n == pytest.approx(break_lbf * LBF)
    assert strand.breaking_strength_n == pytest.approx(break_n, rel=1e-3)  # printed digits
    assert strand.thermal_expansion_per_c == pytest.approx(6.7e-6 * 1.8)
    assert {strand.figures[key].status for key in ("weight", "breaking_strength")} == {status}


@pytest.mark.parametrize("name", [row[1] for row in STRANDS])
def test_strand_stiffness_is_area_times_stranded_modulus(name: str) -> None:
    """GO 64-A App. B: 21e6 psi; the area from the weight, or from 7 wires of 2.77 mm."""
    strand = load_strand(name)
    area_m2 = strand.weight_n_per_m / 9.80665 / 7850
    if name == "6m_5_16":
        area_m2 = 7 * math.pi / 4 * 2.77e-3**2
    figure = strand.figures["stiffness"]
    assert figure.value_si == pytest.approx(21e6 * PSI * area_m2, abs=0.5e3)
    assert figure.status is Status.COMPUTED


def test_copper_clad_pair_matches_trade_data() -> None:
    wire = load_wire("copper_clad_pair")
    gauge_m = 0.005 * IN * 92 ** ((36 - 18.5) / 39)
    area_m2 = 2 * math.pi / 4 * gauge_m**2
    assert wire.weight_n_per_m == pytest.approx(36 * LB_PER_KFT)
    assert wire.breaking_strength_n == pytest.approx(340 * LBF)
    assert wire.thermal_expansion_per_c == pytest.approx(12.96e-6)
    assert wire.stiffness_n == pytest.approx(20e6 * PSI * area_m2, abs=0.5e3)
    assert wire.figures["weight"].status is Status.MEMORY
    assert wire.figures["expansion"].status is Status.READ


def test_flat_fibre_matches_trade_data() -> None:
    wire = load_wire("flat_fibre")
    assert wire.weight_n_per_m == pytest.approx(35 * LB_PER_KFT)
    assert wire.diameter_m == pytest.approx(8e-3)
    assert wire.height_m == pytest.approx(4.5e-3)
    assert wire.figures["installing_tension"].value_si == pytest.approx(300 * LBF)
    assert wire.thermal_expansion_per_c == pytest.approx(5.9e-6)
    assert wire.stiffness_n == pytest.approx(50e9 * 2 * math.pi / 4 * 1.7e-3**2, abs=0.5e3)
    assert wire.max_air_span("heavy").value_si == pytest.approx(150 * FT)
    assert wire.max_air_span("light").value_si == pytest.approx(250 * FT)


COMPUTED_STIFFNESS = [
    ("reinforced_pair", 50e9 * 2 * math.pi / 4 * 1.3e-3**2),
    ("round_fibre_aramid", 110e9 * 1.0e-6),
    ("figure8_fibre", 29e6 * PSI * math.pi / 4 * 1.83e-3**2),
    ("coax_messenger", 20e6 * PSI * math.pi / 4 * 1.30e-3**2),
]


@pytest.mark.parametrize(("name", "stiffness_n"), COMPUTED_STIFFNESS)
def test_wire_stiffness_is_modulus_times_area(name: str, stiffness_n: float) -> None:
    figure = load_wire(name).figures["stiffness"]
    assert figure.value_si == pytest.approx(stiffness_n, abs=0.5e3)
    assert figure.status is Status.COMPUTED


READ_PLACES = {
    ("General Order 95", r"Table 1, case [1-6], column B"),
    ("General Order 95", r"84\.4-A\([123]\)"),
    ("General Order 95", r"84\.8-B1"),
    ("General Order 95", r"54\.8-B\(1\)"),
    ("General Order 95", r"113\.4"),
    ("General Order 95", r"43\.1"),
    ("General Order 95 and General Order 64-A", r"43\.1 and 35"),
    ("General Order 95, original, and General Order 64-A", r"43\.1"),
    ("General Order 64-A", "35"),
    ("General Order 64-A", r"84\.8-A\([23]\)[ac]?"),
    ("General Order 64-A", "94"),
    ("29 CFR 1926.1408", "Table A"),
    ("National Electrical Code (NFPA 70)", r"800\.44\(A\)\(4\)"),
    ("National Electrical Code (NFPA 70)", r"800\.44\(B\)"),
    ("National Electrical Code (NFPA 70)", r"830\.44"),
    ("United Kingdom SI 2003/2553", r"regulation 4\(2\)"),
    ("Carrier installer guide", r"section 1\.7\.2"),
}


@pytest.mark.parametrize("name", available_rule_sets())
def test_only_what_was_read_is_called_read(name: str) -> None:
    wrong = [
        figure.key
        for figure in load_rule_set(name).figures.values()
        if figure.status is Status.READ
        and not any(
            figure.document == document and re.fullmatch(rule, figure.rule)
            for document, rule in READ_PLACES
        )
    ]
    assert wrong == []


NEVER_READ = (
    "National Electrical Safety Code (ANSI C2)",
    "29 CFR 1910.268",
    "Australia C524 and AS/CA S009",
    "Canada CSA C22.3 No. 1",
    "ASTM A475",
    "Common practice",
    "Trade practice",
)


@pytest.mark.parametrize("name", available_rule_sets())
def test_documents_that_nobody_could_read_are_never_called_read(name: str) -> None:
    statuses = {
        figure.status
        for figure in load_rule_set(name).figures.values()
        if figure.document in NEVER_READ
    }
    assert statuses
    assert Status.READ not in statuses
