"""Units at the edges: exact definitions, the way back, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan import units
from geoplan.units import SI_UNIT, example, for_report, from_si, parse_quantity, say, to_si

EXACT = [
    # value, unit, quantity, SI; by definition of the unit, so to the last digit
    (1.0, "ft", "length", 0.3048),
    (18.0, "ft", "length", 5.4864),
    (100.0, "ft", "length", 30.48),
    (1.0, "inch", "length", 0.0254),
    (1.0, "yard", "length", 0.9144),
    (1.0, "mile", "length", 1609.344),
    (1.0, "ftUS", "length", 1200.0 / 3937.0),
    (3937.0, "us_ft", "length", 1200.0),
    (1.0, "mph", "speed", 0.44704),
    (36.0, "km/h", "speed", 10.0),
    (1.0, "lb", "mass", 0.45359237),
    (1.0, "lbf", "force", 4.4482216152605),
    (12.47, "kV", "voltage", 12470.0),
    (32.0, "degF", "temperature", 0.0),
    (212.0, "F", "temperature", 100.0),
    (-40.0, "degF", "temperature", -40.0),
    (-17.5, "degC", "temperature", -17.5),
    (12.0, "percent", "count", 0.12),
    (7.0, "dimensionless", "count", 7.0),
    (180.0, "deg", "angle", 180.0),
    (9.0, "1/degF", "per_temperature", 16.2),
    (1.0, "kg/km", "weight_per_length", 0.00980665),
]


@pytest.mark.parametrize(("value", "unit", "quantity", "si"), EXACT)
def test_defined_units_are_exact(value: float, unit: str, quantity: str, si: float) -> None:
    assert to_si(value, unit, quantity) == si


CLOSE = [
    (1.0, "psf", "pressure", 4.4482216152605 / 0.3048**2),
    (1.0, "lb/kft", "weight_per_length", 4.4482216152605 / 304.8),
    (1.0, "rad", "angle", 180.0 / math.pi),
    (1.0, "ft**2", "area", 0.3048**2),
]


@pytest.mark.parametrize(("value", "unit", "quantity", "si"), CLOSE)
def test_derived_units_are_right_to_rounding(
    value: float, unit: str, quantity: str, si: float
) -> None:
    assert to_si(value, unit, quantity) == pytest.approx(si, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "quantity"),
    [("ft", "length"), ("survey_foot", "length"), ("knot", "speed"), ("kip", "force")],
)
def test_conversions_agree_with_pint(unit: str, quantity: str) -> None:
    wanted = pint.UnitRegistry().Quantity(7.25, unit).to(SI_UNIT[quantity]).magnitude
    assert to_si(7.25, unit, quantity) == pytest.approx(wanted, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "quantity"), [(unit, name) for name, known in units._SCALES.items() for unit in known]
)
def test_every_unit_of_the_table_is_what_pint_defines(unit: str, quantity: str) -> None:
    scale, at_zero = units._by_pint(unit, SI_UNIT[quantity] or "dimensionless")
    assert units._SCALES[quantity][unit] == scale  # ratios of whole numbers: no tolerance
    assert units._AT_ZERO.get(unit, 0) == at_zero


def test_every_quantity_has_its_own_unit_and_all_spellings_in_the_table() -> None:
    assert set(units._SCALES) == set(SI_UNIT)
    for quantity, unit in SI_UNIT.items():
        assert units._SCALES[quantity][unit or "dimensionless"] == 1
    known = {unit for table in units._SCALES.values() for unit in table}
    assert set(units._SPELLINGS.values()) <= known


def test_a_unit_outside_the_table_is_left_to_pint(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "furlong" not in units._SCALES["length"]
    assert to_si(1.0, "furlong") == pytest.approx(201.168, rel=1e-5)
    units._conversion.cache_clear()
    monkeypatch.setattr(units, "_by_pint", lambda *_: pytest.fail("asked pint"))
    assert to_si(1.0, "foot") == 0.3048


@settings(max_examples=60)
@given(
    value=st.floats(-1e9, 1e9),
    case=st.sampled_from(
        [("ft", "length"), ("ftUS", "length"), ("mph", "speed"), ("degF", "temperature")]
    ),
)
def test_there_and_back_is_the_same(value: float, case: tuple[str, str]) -> None:
    unit, quantity = case
    back = from_si(to_si(value, unit, quantity), unit, quantity)
    assert back == pytest.approx(value, rel=1e-14, abs=1e-12)


def test_a_survey_foot_is_longer_than_a_foot_by_two_parts_in_a_million() -> None:
    assert to_si(1.0, "ftUS") / to_si(1.0, "ft") - 1.0 == pytest.approx(2e-6, rel=1e-4)


def test_arrays_are_converted_and_nan_stays() -> None:
    np.testing.assert_array_equal(to_si(np.array([1.0, np.nan]), "ft"), [0.3048, np.nan])


@pytest.mark.parametrize(
    ("text", "quantity", "si"),
    [
        ("18 ft", "length", 5.4864),
        ("7.5m", "length", 7.5),
        (" +1e2  m ", "length", 100.0),
        (".5 m", "length", 0.5),
        ("-20 degC", "temperature", -20.0),
        ("20 °C", "temperature", 20.0),
        ("1 us survey foot", "length", 1200.0 / 3937.0),
        ("25 MPH", "speed", 11.176),
        ("50 %", "count", 0.5),
        ("3", "count", 3.0),
    ],
)
def test_text_with_a_unit_is_read(text: str, quantity: str, si: float) -> None:
    assert parse_quantity(text, quantity) == si


@pytest.mark.parametrize(
    ("text", "quantity", "match"),
    [
        ("", "length", "no number; write for example '150 ft'"),
        ("ft", "length", "no number"),
        ("five ft", "length", "no number"),
        ("18", "length", "no unit"),
        ("18 parsnips", "length", "'parsnips' is not a unit of length"),
        ("18 kg", "length", "'kg' is not a unit of length"),
        ("5 degF", "length", "not a unit of length"),
        ("1,5 m", "length", "',5 m' is not a unit"),
        ("inf m", "length", "not a finite number"),
        ("nan m", "length", "not a finite number"),
        ("1e400 m", "length", "not a finite number"),
        ("5 ft*9**9**9", "length", "not a unit"),
        ("5 ft**99", "length", "not a unit"),
        ("5 __import__('os')", "length", "not a unit"),
        ("5 " + "m" * 10_000, "length", "not a unit"),
        ("5 m-m", "length", "not a unit"),
    ],
)
def test_text_of_no_use_is_refused(text: str, quantity: str, match: str) -> None:
    with pytest.raises(ValueError, match=match.replace("(", r"\(")) as caught:
        parse_quantity(text, quantity)
    assert len(str(caught.value)) < 200


def test_an_unknown_quantity_is_a_mistake_of_the_programmer() -> None:
    with pytest.raises(ValueError, match="quantity 'taste' is not one of length"):
        to_si(1.0, "ft", "taste")


@pytest.mark.parametrize("quantity", [one for one in SI_UNIT if one != "count"])
def test_every_example_can_be_read(quantity: str) -> None:
    assert math.isfinite(parse_quantity(example(quantity), quantity))


@pytest.mark.parametrize(
    ("value", "quantity", "units", "text"),
    [
        (5.4864, "length", "us", "18.0 ft"),
        (5.4864, "length", "metric", "5.49 m"),
        (0.254, "sag", "us", "10.0 in"),
        (0.0, "temperature", "us", "32 degF"),
        (float("nan"), "length", "us", "unknown"),
    ],
)
def test_reports_say_values_in_their_units(
    value: float, quantity: str, units: str, text: str
) -> None:
    assert say(value, quantity, units) == text  # type: ignore[arg-type]


def test_a_report_is_not_rounded_before_it_is_written() -> None:
    assert for_report(1.0, "length", "us") == pytest.approx(1.0 / 0.3048, rel=1e-15)
