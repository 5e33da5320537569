"""One span worked out, as plain text and JSON.

Enters: a `SpanAnswer` and the `Standards` that it was worked out with.
Leaves: text of at most 100 columns, a JSON object in SI.
Does not do: compute; every figure is in the answer.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from typing import Any

from geoplan import __version__
from geoplan.errors import one_line
from geoplan.reports.caution import CAUTION_LINE
from geoplan.reports.profile_drawing import length_words, sag_words
from geoplan.reports.svg_page import wrapped
from geoplan.span import SpanAnswer, SpanState, Verdict
from geoplan.standards import Standards
from geoplan.units import ReportUnits, from_si, say

WIDTH = 100
WRITTEN_BY = "geoplan span"
LIMITS = (
    "Supports are held still; a span clamp gives way. Checked is only what was named, and the "
    "yard. Trees, other wires, doors, windows and the supports' strength are not. A road is taken "
    "as crossed square, its crown in the middle. Margin, crown and the most sag are defaults of "
    "ours where they were not given."
)

FINDING_WORDS = {
    "clearance": "a clearance is missed",
    "margin": "less than the margin asked for",
    "tension": "a tension limit is passed",
    "span_length": "longer than the wire's longest air span",
    "not_checked": "something was not checked",
}


def verdict_words(answer: SpanAnswer, units: ReportUnits) -> str:
    """Say in one line what a span comes to.

    Parameters
    ----------
    answer : SpanAnswer
        A span worked out.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        Begins with ``CLEARS``, ``CLEARS WITHOUT THE MARGIN`` or ``MISSES``.
    """
    if answer.governs < 0:
        return "NOTHING CHECKED: the rules hold no figure"
    item = answer.clearances[answer.governs]
    margin = length_words(abs(item.margin_m), units)
    where = f"over {item.over} at {length_words(item.at_m, units)} ({item.case})"
    if item.kind == "power":
        where = where.replace("over", "below", 1)
    least = f"{'misses by' if item.margin_m < 0 else 'least margin'} {margin} {where}"
    head = {
        Verdict.CLEARS: "CLEARS",
        Verdict.SHORT_OF_MARGIN: "CLEARS WITHOUT THE MARGIN",
        Verdict.MISSES: "MISSES",
    }[answer.verdict]
    others = [
        FINDING_WORDS[code] for code in answer.findings if code not in {"clearance", "margin"}
    ]
    return "; ".join([f"{head}: {least}", *others])


def span_text(answer: SpanAnswer, standards: Standards, units: ReportUnits) -> str:
    """Write the answer as plain text.

    Parameters
    ----------
    answer : SpanAnswer
        A span worked out.
    standards : Standards
        What it was worked out with.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        Lines of at most 100 columns.
    """
    lines = [
        *_wrap(verdict_words(answer, units)),
        "",
        *(line for fact in span_facts(answer, standards, units) for line in _wrap(fact)),
        "",
        *_states(answer, units),
        "",
        *_stringing(answer, units),
        "",
        *_clearances(answer, units),
        "",
        *_sources(answer, standards, units),
        "",
        *_wrap(f"Limits: {LIMITS}"),
        *_wrap(f"Rules: {standards.rule_set.caution}"),
        *_wrap(CAUTION_LINE),
    ]
    return "\n".join(line.rstrip() for line in lines)


def _wrap(text: str, indent: str = "  ") -> list[str]:
    first, *rest = wrapped(text, WIDTH - len(indent)) or [""]
    return [first, *(f"{indent}{line}" for line in rest)]


def span_facts(answer: SpanAnswer, standards: Standards, units: ReportUnits) -> list[str]:
    """Say what was asked and how the wire is strung.

    Parameters
    ----------
    answer : SpanAnswer
        A span worked out.
    standards : Standards
        What it was worked out with.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    list of str
        Supports; wire and rules; stringing; the parabola to compare with.
    """
    ask = answer.question

    def long(value: float) -> str:
        return length_words(value, units)

    return [
        f"Span {long(ask.distance_m)}, from {long(ask.from_height_m)} to {long(ask.to_height_m)} "
        f"above the ground, which rises {long(ask.ground_rise_m)} to the far end. "
        f"Margin asked for {long(ask.margin_m)}, road crown {long(ask.road_crown_m)}.",
        f"Wire {standards.entry.name}; rule set {standards.rule_set.name}, loading district "
        f"{ask.district}; longest air span {long(answer.span_limit_m)} "
        f"({answer.span_limit_rule}).",
        f"String to a sag of {sag_words(answer.sag_m, units)}, "
        f"{_force(answer.tension_n, units)} {_force_unit(units)}, at "
        f"{say(answer.temperature_c, 'temperature', units)}, from {answer.basis}.",
        f"To compare: the parabola w S^2 / (8 H) gives {sag_words(answer.parabola_sag_m, units)}. "
        f"Wire without tension {length_words(answer.unstressed_m, units)}.",
    ]


def _force(value: float, units: ReportUnits) -> str:
    if not math.isfinite(value):
        return "–"
    return f"{from_si(value, _force_unit(units), 'force'):.{1 if units == 'us' else 0}f}"


def _force_unit(units: ReportUnits) -> str:
    return "lbf" if units == "us" else "N"


def _row(cells: list[str], widths: tuple[int, ...]) -> str:
    """Set cells in columns: the first to the left, the others to the right."""
    first, *rest = zip(cells, widths, strict=True)
    return f"{first[0]:<{first[1]}}" + "".join(f"{cell:>{width}}" for cell, width in rest)


def _number(value: float, unit: str, quantity: str, decimals: int) -> str:
    if not math.isfinite(value):
        return "–"
    return f"{round(from_si(value, unit, quantity), decimals) + 0.0:.{decimals}f}"


def _states(answer: SpanAnswer, units: ReportUnits) -> list[str]:
    widths = (17, 6, 6, 6, 8, 8, 8, 8, 8, 7, 6, 7)
    us = units == "us"
    heads = ["load case", "temp", "ice", "wind", "sag", "low at", "height", "T near", "T far",
             "of lim", "of br", "swing"]  # fmt: skip
    force, long = _force_unit(units), "ft" if us else "m"
    names = ["", "degF" if us else "degC", "in" if us else "mm", "psf" if us else "Pa",
             "in" if us else "m", long, long, force, force, "%", "%", long]  # fmt: skip
    lines = [_row(heads, widths), _row(names, widths)]

    def cells(state: SpanState) -> list[str]:
        share = f"{state.limit_share:.0%}".removesuffix("%") if state.limit_n > 0 else "–"
        return [
            state.name,
            _number(state.temperature_c, names[1], "temperature", 0),
            _number(state.ice_m, names[2], "length", 2 if us else 1),
            _number(state.wind_pa, names[3], "pressure", 0),
            _number(state.sag_m, names[4], "length", 1 if us else 3),
            _number(state.low_point_m, long, "length", 2),
            _number(state.low_point_height_m, long, "length", 2),
            _force(state.tension_from_n, units),
            _force(state.tension_to_n, units),
            share,
            f"{state.strength_share:.0%}".removesuffix("%"),
            _number(state.swing_m, long, "length", 2),
        ]

    lines += [_row(cells(state), widths) for state in answer.states]
    lines.append("low at, height: lowest point from the near end, above the ground; of lim, of br:")
    lines.append("tension as a share of the case's limit and of the breaking strength")
    for state in answer.states:
        arc = length_words(state.length_m, units)
        rule = f"; {state.rule}" if state.rule else ""
        constant = (
            f", constant {_number(state.constant_n_per_m, 'lb/ft', 'weight_per_length', 2)} lb/ft"
            if us
            else f", constant {state.constant_n_per_m:.2f} N/m"
        )
        added = constant if state.constant_n_per_m else ""
        lines += _wrap(f"{state.name}: wire {arc}{added}{rule}")
    return lines


def _stringing(answer: SpanAnswer, units: ReportUnits) -> list[str]:
    us = units == "us"
    degree, force = "degF" if us else "degC", _force_unit(units)
    rows = [
        (
            _number(row.temperature_c, degree, "temperature", 0),
            _number(row.sag_m, "in" if us else "m", "length", 1 if us else 3),
            _force(row.tension_n, units),
        )
        for row in answer.stringing
    ]
    lines = [f"Stringing table: temperature {degree}, sag {'in' if us else 'm'}, tension {force}"]
    titles = (degree, "sag", force)
    for start in range(0, len(rows), 12):
        part = rows[start : start + 12]
        for column, title in enumerate(titles):
            lines.append(f"{title:<5}" + "".join(f"{row[column]:>7}" for row in part))
    return lines


def _clearances(answer: SpanAnswer, units: ReportUnits) -> list[str]:
    widths = (26, 20, 11, 11, 11, 10)
    lines = [_row(["clearance over", "from – to", "required", "available", "margin", "at"], widths)]
    for item in answer.clearances:
        place = (
            f"{length_words(item.start_m, units).split()[0]} – {length_words(item.end_m, units)}"
        )
        figures = (item.required_m, item.available_m, item.margin_m, item.at_m)
        lines.append(
            _row([item.over, place, *(length_words(value, units) for value in figures)], widths)
        )
        case = f"governed by {item.case}; " if item.case else "NOT CHECKED: "
        words = "; ".join(part for part in (item.rule, item.note) if part)
        lines += [f"  {line}" for line in _wrap(case + words)]
    return [line[:WIDTH] for line in lines]


def _sources(answer: SpanAnswer, standards: Standards, units: ReportUnits) -> list[str]:
    lines = ["Figures of the wire"]
    for name, figure in standards.entry.figures.items():
        lines += _wrap(f"{name.replace('_', ' ')}: {figure.printed}; {figure.citation()}")
    return lines


def span_json(answer: SpanAnswer, standards: Standards, units: ReportUnits) -> str:
    """Write the answer as JSON in SI; what is not known is null.

    Parameters
    ----------
    answer : SpanAnswer
        A span worked out.
    standards : Standards
        What it was worked out with.
    units : {'us', 'metric'}
        System of the words in it.

    Returns
    -------
    str
        A JSON object; every name carries its unit.
    """
    drawn = {"asked_x_m", "asked_z_m", "surface_z_m"}
    ask = asdict(answer.question)
    ask["over"] = [{**passed, "kind": passed["kind"].value} for passed in ask["over"]]
    skip = {"question", "shape", "clearances"}
    content: dict[str, Any] = {
        "written_by": WRITTEN_BY,
        "version": __version__,
        "caution": CAUTION_LINE,
        "limits": LIMITS,
        "rule_set": standards.rule_set.name,
        "rule_set_caution": one_line(standards.rule_set.caution),
        "wire": standards.entry.name,
        "wire_figures": {
            name: {"value_si": item.value_si, "unit": item.unit, "source": item.citation()}
            for name, item in standards.entry.figures.items()
        },
        "question": ask,
        "verdict_words": verdict_words(answer, units),
        **{
            field.name: _plain(getattr(answer, field.name))
            for field in fields(answer)
            if field.name not in skip
        },
        "clearances": [
            {
                field.name: getattr(item, field.name)
                for field in fields(item)
                if field.name not in drawn
            }
            for item in answer.clearances
        ],
    }
    return json.dumps(_plain(content), ensure_ascii=False, indent=1, allow_nan=False)


def _plain(value: Any) -> Any:
    """Turn dataclasses into dicts, tuples into lists, NaN into null, text into one safe line."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "__dataclass_fields__"):
        return _plain(asdict(value))
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return one_line(value) if isinstance(value, str) else value
