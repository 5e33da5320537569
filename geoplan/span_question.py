"""Words of the command line as a question about one span.

Enters: quantities as text (``"19 ft"``), things passed over (``"road:residential@30ft-58ft"``).
Leaves: a `SpanQuestion` in SI, and the `Standards` to answer it with.
Does not do: compute.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np

from geoplan.clearance.demands import ROAD_CLASS
from geoplan.clearance.supports import POWER_KIND
from geoplan.errors import nearest_name, one_line
from geoplan.project import Project
from geoplan.rules import load_rule_set
from geoplan.span import SpanError, SpanQuestion
from geoplan.span_layout import ROOF_CLASSES, Passed
from geoplan.standards import Standards, load_standards
from geoplan.tables import CrossingKind
from geoplan.units import ReportUnits, parse_quantity, to_si

KINDS = {
    "road": CrossingKind.ROAD,
    "driveway": CrossingKind.DRIVEWAY,
    "walk": CrossingKind.SIDEWALK,
    "rail": CrossingKind.RAIL,
    "water": CrossingKind.WATER,
    "pool": CrossingKind.POOL,
    "roof": CrossingKind.ROOF,
    "power": CrossingKind.POWER,
}
CLASSES = {
    CrossingKind.ROAD: tuple(ROAD_CLASS),
    CrossingKind.ROOF: ROOF_CLASSES,
    CrossingKind.POWER: tuple(POWER_KIND),
}
MOST_PASSED = 25

TABLE_STEPS = {"us": ("degF", 0.0, 120.0, 10.0), "metric": ("degC", -20.0, 50.0, 5.0)}
"""Unit, first, last and step of the stringing table."""

FORM = (
    "Write KIND[:CLASS][=HEIGHT]@FROM-TO, for example 'road:residential@30ft-58ft', "
    "'roof:steep=14ft@60ft-80ft' or 'power:supply_drop=19ft@40ft'"
)
_OVER = re.compile(
    r"(?P<kind>[^:=@]+)(?::(?P<detail>[^:=@]+))?(?:=(?P<height>[^:=@]+))?@(?P<places>[^:=@]+)"
)
_LONGEST = 60
_DISTRICT, _OVER_OPTION = "--district", "--over"


def read_length(option: str, text: str) -> float:
    """Read a length of an option.

    Parameters
    ----------
    option : str
        Name of the option, for the message.
    text : str
        A number with a unit.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    SpanError
        If it is no length.
    """
    return read_quantity(option, text, "length")


def read_quantity(option: str, text: str, quantity: str) -> float:
    """Read a quantity of an option.

    Parameters
    ----------
    option : str
        Name of the option, for the message.
    text : str
        A number with a unit.
    quantity : str
        A key of `geoplan.units.SI_UNIT`.

    Returns
    -------
    float
        In SI.

    Raises
    ------
    SpanError
        If it has no number, or no unit of that quantity.
    """
    try:
        return parse_quantity(text, quantity)
    except ValueError as error:
        raise SpanError(option, str(error), "Give a number with its unit, in quotes") from error


def read_over(text: str) -> Passed:
    """Read one thing passed over.

    Parameters
    ----------
    text : str
        ``KIND[:CLASS][=HEIGHT]@FROM-TO``; places from the near end. Power has one place.

    Returns
    -------
    Passed
        In SI.

    Raises
    ------
    SpanError
        If it has another form, or an unknown kind or class.
    """
    shown = one_line(text)
    where = f"--over '{shown if len(shown) <= _LONGEST else shown[:_LONGEST] + '…'}'"
    found = _OVER.fullmatch(text.strip())
    if found is None:
        raise SpanError(where, "can't be read", FORM)
    kind = KINDS.get(found["kind"].strip())
    if kind is None:
        problem = f"'{one_line(found['kind'])}' is not something that can be passed over"
        raise SpanError(where, problem, nearest_name(found["kind"].strip(), KINDS))
    detail = _detail(kind, (found["detail"] or "").strip(), where)
    height = np.nan
    if (found["height"] is not None) != (kind in {CrossingKind.ROOF, CrossingKind.POWER}):
        problem = "needs a height" if found["height"] is None else "takes no height"
        raise SpanError(where, problem, FORM)
    if found["height"] is not None:
        height = read_length(where, found["height"])
        if height <= 0:
            raise SpanError(where, "has a height that is not above zero", "Correct it")
    start, dash, end = _places(found["places"])
    if (not dash) != (kind is CrossingKind.POWER):
        problem = "needs one place" if dash else "needs two places"
        raise SpanError(where, problem, FORM)
    first = read_length(where, start)
    last = read_length(where, end) if dash else first
    if not (0 <= first <= last) or (dash and first == last):
        raise SpanError(where, "has places that don't go from the near end outward", FORM)
    return Passed(kind, first, last, detail, float(height))


def _places(text: str) -> tuple[str, str, str]:
    """Split two places at the hyphen between them, not at a sign or an exponent."""
    found = re.fullmatch(r"(.*?[^\s\deE+-]\s*)-\s*([\d.].*)", text.strip())
    return (found[1], "-", found[2]) if found else (text, "", "")


def _detail(kind: CrossingKind, detail: str, where: str) -> str:
    valid = CLASSES.get(kind)
    if valid is None:
        if detail:
            raise SpanError(where, f"has a class, '{one_line(detail)}', where there is none", FORM)
        return ""
    if not detail and kind is CrossingKind.ROOF:
        return ROOF_CLASSES[0]
    if detail not in valid:
        problem = f"'{one_line(detail)}' is not a class of it" if detail else "needs a class"
        raise SpanError(where, problem, nearest_name(detail, valid))
    return detail


def table_temperatures(units: ReportUnits) -> tuple[float, ...]:
    """Return the temperatures of the stringing table.

    Parameters
    ----------
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    tuple of float
        Degrees Celsius: steps of 10 F, or of 5 C.
    """
    unit, first, last, step = TABLE_STEPS[units]
    steps = np.arange(first, last + step / 2, step)
    return tuple(np.asarray(to_si(steps, unit, "temperature")).tolist())


def read_standards(rules: str, district: str, wire: str, wires: Path | None) -> Standards:
    """Load what a span is worked out with.

    Parameters
    ----------
    rules : str
        A rule set or the path of a file.
    district : str
        One of its loading districts.
    wire : str
        A wire of the catalogue or of `wires`.
    wires : pathlib.Path or None
        A TOML file with the user's own wires, as under ``[wires]`` of a project.

    Returns
    -------
    Standards
        A project's with all else left as it is by default.

    Raises
    ------
    RuleDataError
        If a rule set or wire is unknown or incomplete.
    SpanError
        If the rule set has no such district, or the file of wires can't be read.
    """
    rule_set = load_rule_set(rules)
    if district not in rule_set.districts:
        problem = f"rule set '{rule_set.name}' has no district '{one_line(district)}'"
        raise SpanError(_DISTRICT, problem, nearest_name(district, rule_set.districts))
    project = Project(
        rule_set=rules,
        loading_district=district,
        wire=wire,
        wires=_own_wires(wires),
        layers={},
    )
    return load_standards(project)


def _own_wires(path: Path | None) -> dict[str, Any]:
    if path is None:
        return {}
    where = f"--wires '{one_line(path.name)}'"
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        problem = f"cannot be read ({error.strerror or error})"
        raise SpanError(where, problem, "Check the path") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SpanError(where, f"is not valid TOML ({error})", "Correct that line") from error
    odd = [name for name, entry in content.items() if not isinstance(entry, dict)]
    if odd:
        raise SpanError(where, f"'{odd[0]}' is not a wire", "Write a table for each wire")
    return content


def read_question(words: dict[str, Any], units: ReportUnits) -> SpanQuestion:
    """Read the question from the options as given.

    Parameters
    ----------
    words : dict
        Text by option, without hyphens in front (``from_height``, ``over`` …); None: not given.
    units : {'us', 'metric'}
        System of the report; decides the steps of the stringing table.

    Returns
    -------
    SpanQuestion
        In SI.

    Raises
    ------
    SpanError
        If an option can't be read; names the option.
    """
    given = {name: text for name, text in words.items() if text is not None}
    values: dict[str, Any] = {}
    for name, field, quantity in (
        ("from_height", "from_height_m", "length"),
        ("to_height", "to_height_m", "length"),
        ("distance", "distance_m", "length"),
        ("ground", "ground_rise_m", "length"),
        ("sag", "sag_m", "length"),
        ("tension", "tension_n", "force"),
        ("temperature", "temperature_c", "temperature"),
        ("margin", "margin_m", "length"),
        ("crown", "road_crown_m", "length"),
    ):
        if name in given:
            values[field] = read_quantity(f"--{name.replace('_', '-')}", given[name], quantity)
    over = tuple(read_over(text) for text in given.get("over", ()))
    if len(over) > MOST_PASSED:
        problem = f"is given {len(over)} times, more than {MOST_PASSED}"
        raise SpanError(_OVER_OPTION, problem, "Leave some out")
    return SpanQuestion(
        **values, district=given["district"], over=over, table_c=table_temperatures(units)
    )
