"""Units at the edges: text or columns in, SI out, and back for reports.

Enters: values with a unit (``"18 ft"``) or arrays with a unit name.
Leaves: plain floats in SI.
Does not do: guess a unit that is not named.

All conversions are ratios of whole numbers, so that a foot is just 0.3048 m and a US survey foot
just 1200/3937 m. The usual units stand in a table here; any other comes from pint's definitions,
which take half a second to load. A test holds the table against pint, ratio by ratio.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pint

FloatArray = npt.NDArray[np.float64]
ReportUnits = Literal["us", "metric"]

GRAVITY_M_PER_S2 = 9.80665
"""Standard gravity. Source: BIPM SI brochure, 9th ed., from memory."""

SI_UNIT = {
    "length": "m",
    "area": "m**2",
    "speed": "m/s",
    "voltage": "V",
    "angle": "deg",
    "force": "N",
    "pressure": "Pa",
    "weight_per_length": "N/m",
    "mass": "kg",
    "temperature": "degC",
    "time": "s",
    "per_temperature": "1/K",
    "count": "",
}
"""Internal unit of each quantity that the settings and layers use."""


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint  # slow to load, and seldom needed

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True, non_int_type=Fraction
    )
    registry.define("lb_per_kft = pound * standard_gravity / (1000 * foot)")
    registry.define("kg_per_km = kilogram * standard_gravity / (1000 * meter)")
    registry.define("lb_per_ft = pound * standard_gravity / foot")
    registry.define("kg_per_m = kilogram * standard_gravity / meter")
    return registry


_SPELLINGS = {
    "ftus": "survey_foot",
    "us_ft": "survey_foot",
    "us-ft": "survey_foot",
    "usft": "survey_foot",
    "us survey foot": "survey_foot",
    "us survey ft": "survey_foot",
    "mph": "mile/hour",
    "km/h": "kilometer/hour",
    "kmh": "kilometer/hour",
    "lb/kft": "lb_per_kft",
    "lb/ft": "lb_per_ft",
    "kg/km": "kg_per_km",
    "kg/m": "kg_per_m",
    "lbf": "force_pound",
    "psf": "force_pound/foot**2",
    "f": "degF",
    "c": "degC",
    "degf": "degF",
    "degc": "degC",
    "percent": "percent",
    "%": "percent",
}


_FOOT_M = Fraction(3048, 10_000)
_SURVEY_FOOT_M = Fraction(1200, 3937)
_POUND_KG = Fraction(45_359_237, 100_000_000)
_GRAVITY = Fraction(980_665, 100_000)
_POUND_N = _POUND_KG * _GRAVITY
_MILE_M = 5280 * _FOOT_M
_FAHRENHEIT = Fraction(5, 9)

_SCALES: dict[str, dict[str, Fraction]] = {
    "length": {
        **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), Fraction(1)),
        **dict.fromkeys(("ft", "foot", "feet"), _FOOT_M),
        **dict.fromkeys(("in", "inch", "inches"), _FOOT_M / 12),
        **dict.fromkeys(("yd", "yard", "yards"), _FOOT_M * 3),
        **dict.fromkeys(("mi", "mile", "miles"), _MILE_M),
        "survey_foot": _SURVEY_FOOT_M,
        "km": Fraction(1000),
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
    },
    "area": {
        "m**2": Fraction(1),
        "mm**2": Fraction(1, 1000**2),
        "ft**2": _FOOT_M**2,
        "in**2": (_FOOT_M / 12) ** 2,
    },
    "speed": {
        "m/s": Fraction(1),
        "ft/s": _FOOT_M,
        "mile/hour": _MILE_M / 3600,
        "kilometer/hour": Fraction(1000, 3600),
    },
    "voltage": {
        **dict.fromkeys(("V", "volt", "volts"), Fraction(1)),
        "kV": Fraction(1000),
    },
    "angle": dict.fromkeys(("deg", "degree", "degrees"), Fraction(1)),
    "force": {
        "N": Fraction(1),
        "kN": Fraction(1000),
        "force_pound": _POUND_N,
        "kip": 1000 * _POUND_N,
    },
    "pressure": {
        "Pa": Fraction(1),
        "kPa": Fraction(1000),
        "MPa": Fraction(1000**2),
        "GPa": Fraction(1000**3),
        "force_pound/foot**2": _POUND_N / _FOOT_M**2,
        "psi": _POUND_N / (_FOOT_M / 12) ** 2,
    },
    "weight_per_length": {
        "N/m": Fraction(1),
        "lb_per_kft": _POUND_N / (1000 * _FOOT_M),
        "lb_per_ft": _POUND_N / _FOOT_M,
        "kg_per_km": _GRAVITY / 1000,
        "kg_per_m": _GRAVITY,
    },
    "mass": {
        "kg": Fraction(1),
        "g": Fraction(1, 1000),
        **dict.fromkeys(("lb", "pound", "pounds"), _POUND_KG),
    },
    "temperature": {"degC": Fraction(1), "°C": Fraction(1), "degF": _FAHRENHEIT},
    "time": {
        **dict.fromkeys(("s", "second", "seconds"), Fraction(1)),
        **dict.fromkeys(("min", "minute", "minutes"), Fraction(60)),
        **dict.fromkeys(("h", "hour", "hours"), Fraction(3600)),
        **dict.fromkeys(("day", "days"), Fraction(86_400)),
    },
    "per_temperature": {
        "1/K": Fraction(1),
        "1/degC": Fraction(1),
        "1/degF": 1 / _FAHRENHEIT,
    },
    "count": {"dimensionless": Fraction(1), "percent": Fraction(1, 100)},
}
"""SI amount of the usual units, by quantity and by name as pint spells it."""

_AT_ZERO = {"degF": -32 * _FAHRENHEIT}
"""SI value of a unit's zero, where it isn't zero."""

_UNIT_WORD = r"(?:[^\W\d]|°)\w*(?:(?:\*\*|\^)-?[1-4])?"
_UNIT = re.compile(rf"(?:1\s*/\s*)?(?:{_UNIT_WORD}|%)(?:[\s*/·]+{_UNIT_WORD})*")
"""What a unit looks like: names, joined; no sums, so that no text can keep pint busy."""
_LONGEST_UNIT = 40
_NUMBER = re.compile(
    r"[+-]?(?:(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?|(?:inf|infinity|nan)\b)",
    re.IGNORECASE,
)
_MOST_EXACT = 2**53
"""Whole numbers up to this are exact as floats."""


@dataclass(frozen=True)
class _Conversion:
    """``si = (value * up + shift) / down``: rounded once or twice, and exact where it can be."""

    up: float
    shift: float
    down: float


def _by_pint(spelled: str, target: str) -> tuple[Fraction, Fraction]:
    """Return how much one more of a unit adds, and the value of its zero, by pint."""
    registry = _registry()
    at_zero = Fraction(registry.Quantity(Fraction(0), spelled).to(target).magnitude)
    at_one = Fraction(registry.Quantity(Fraction(1), spelled).to(target).magnitude)
    return at_one - at_zero, at_zero


@lru_cache(maxsize=256)
def _conversion(unit: str, quantity: str) -> _Conversion:
    if quantity not in SI_UNIT:
        message = f"quantity '{quantity}' is not one of {', '.join(SI_UNIT)}"
        raise ValueError(message)
    spelled = _SPELLINGS.get(unit.strip().lower(), unit.strip())
    target = SI_UNIT[quantity] or "dimensionless"
    message = f"'{unit[:_LONGEST_UNIT]}' is not a unit of {quantity}"
    if len(spelled) > _LONGEST_UNIT or not _UNIT.fullmatch(spelled):
        raise ValueError(message)
    known = _SCALES[quantity].get(spelled)
    if known is not None:
        scale, at_zero = known, _AT_ZERO.get(spelled, Fraction(0))
    else:
        try:
            scale, at_zero = _by_pint(spelled, target)
        except Exception as error:
            raise ValueError(message) from error
    if at_zero and quantity != "temperature":
        raise ValueError(message)
    down = math.lcm(scale.denominator, at_zero.denominator)
    up, shift = int(scale * down), int(at_zero * down)
    if max(abs(up), abs(shift), down) > _MOST_EXACT:
        return _Conversion(float(scale), float(at_zero), 1.0)
    return _Conversion(float(up), float(shift), float(down))


def to_si(value: Any, unit: str, quantity: str = "length") -> Any:
    """Convert a number or array from a named unit to SI.

    Parameters
    ----------
    value : float or ndarray of float64
        Value in `unit`. NaN stays NaN.
    unit : str
        For example ``"ft"``, ``"ftUS"``, ``"mph"``, ``"lb/kft"``, ``"degF"``.
    quantity : str
        A key of `SI_UNIT`.

    Returns
    -------
    float or ndarray of float64
        Value in the quantity's SI unit (temperature: degree Celsius).

    Raises
    ------
    ValueError
        If the unit is unknown or of another quantity.

    Examples
    --------
    >>> to_si(18.0, "ft")
    5.4864
    """
    by = _conversion(unit, quantity)
    return (value * by.up + by.shift) / by.down


def from_si(value: Any, unit: str, quantity: str = "length") -> Any:
    """Convert a number or array from SI to a named unit.

    Parameters
    ----------
    value : float or ndarray of float64
        Value in SI (temperature: degree Celsius). NaN stays NaN.
    unit : str
        Unit wanted.
    quantity : str
        A key of `SI_UNIT`.

    Returns
    -------
    float or ndarray of float64
        Value in `unit`.

    Raises
    ------
    ValueError
        If the unit is unknown or of another quantity.
    """
    by = _conversion(unit, quantity)
    return (value * by.down - by.shift) / by.up


def parse_quantity(text: str, quantity: str) -> float:
    """Read a number with its unit from text.

    Parameters
    ----------
    text : str
        A number, then a unit, such as ``"150 ft"`` or ``"7.5m"``.
    quantity : str
        A key of `SI_UNIT`.

    Returns
    -------
    float
        The value in SI.

    Raises
    ------
    ValueError
        If there is no number, no unit, an unknown unit, or the number is not finite.

    Examples
    --------
    >>> parse_quantity("-20 degC", "temperature")
    -20.0
    """
    stripped = text.strip()
    shown = stripped if len(stripped) <= _LONGEST_UNIT else f"{stripped[:_LONGEST_UNIT]}…"
    found = _NUMBER.match(stripped)
    if found is None:
        message = f"'{shown}' has no number; write for example '{example(quantity)}'"
        raise ValueError(message)
    number, unit = float(found.group()), stripped[found.end() :].strip()
    if not np.isfinite(number):
        message = f"'{shown}' is not a finite number"
        raise ValueError(message)
    if not unit and SI_UNIT[quantity]:
        message = f"'{shown}' has no unit; write for example '{example(quantity)}'"
        raise ValueError(message)
    return float(to_si(number, unit or "dimensionless", quantity))


def example(quantity: str) -> str:
    """Return a well-formed example of a quantity, for messages."""
    examples = {
        "length": "150 ft",
        "area": "20 m**2",
        "speed": "25 mph",
        "voltage": "240 V",
        "angle": "60 deg",
        "force": "200 lbf",
        "temperature": "60 degF",
        "mass": "90 kg",
        "time": "45 min",
    }
    return examples.get(quantity, f"1 {SI_UNIT[quantity]}")


@dataclass(frozen=True)
class ReportUnit:
    """Name, short label and decimals that reports use for one quantity."""

    unit: str
    suffix: str
    decimals: int


_REPORT: dict[str, dict[str, ReportUnit]] = {
    "us": {
        "length": ReportUnit("ft", "ft", 1),
        "sag": ReportUnit("in", "in", 1),
        "travel": ReportUnit("mi", "mi", 2),
        "duration": ReportUnit("min", "min", 0),
        "force": ReportUnit("lbf", "lbf", 0),
        "temperature": ReportUnit("degF", "degF", 0),
        "speed": ReportUnit("mph", "mph", 0),
        "angle": ReportUnit("deg", "deg", 0),
        "voltage": ReportUnit("V", "v", 0),
    },
    "metric": {
        "length": ReportUnit("m", "m", 2),
        "sag": ReportUnit("m", "m", 2),
        "travel": ReportUnit("km", "km", 2),
        "duration": ReportUnit("min", "min", 0),
        "force": ReportUnit("N", "n", 0),
        "temperature": ReportUnit("degC", "degc", 0),
        "speed": ReportUnit("km/h", "kmh", 0),
        "angle": ReportUnit("deg", "deg", 0),
        "voltage": ReportUnit("V", "v", 0),
    },
}

_DIMENSION = {"sag": "length", "travel": "length", "duration": "time"}
"""Quantities that reports show in a way of their own, and what they are."""


def report_unit(quantity: str, units: ReportUnits) -> ReportUnit:
    """Return how reports in US customary or metric units show a quantity.

    Parameters
    ----------
    quantity : str
        ``length``, ``sag``, ``travel``, ``duration``, ``force``, ``temperature``, ``speed``,
        ``angle`` or ``voltage``.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    ReportUnit
        Unit, column suffix and decimals.
    """
    return _REPORT[units][quantity]


def for_report(value: Any, quantity: str, units: ReportUnits) -> Any:
    """Convert SI to the unit of the report, not rounded.

    Parameters
    ----------
    value : float or ndarray of float64
        Value in SI.
    quantity : str
        As in `report_unit`.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    float or ndarray of float64
        Value in the report's unit.
    """
    dimension = _DIMENSION.get(quantity, quantity)
    return from_si(value, report_unit(quantity, units).unit, dimension)


def say(value: float, quantity: str, units: ReportUnits) -> str:
    """Write one SI value with its unit, rounded for reading.

    Parameters
    ----------
    value : float
        Value in SI; NaN gives ``"unknown"``.
    quantity : str
        As in `report_unit`.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        For example ``"18.0 ft"``.

    Examples
    --------
    >>> say(5.4864, "length", "us")
    '18.0 ft'
    """
    if not np.isfinite(value):
        return "unknown"
    shown = report_unit(quantity, units)
    return f"{for_report(value, quantity, units):.{shown.decimals}f} {shown.unit}"
