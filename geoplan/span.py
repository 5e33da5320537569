"""One air span worked out by hand: how it hangs in every load case, and what it clears.

Enters: heights, distance, what is passed over, a sag or a tension or neither; standards.
Leaves: `SpanAnswer`: states, stringing table, clearances, verdict, shape; all in SI.
Does not do: read text, print or draw; move supports (a span clamp that gives way is a plan's).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from geoplan.clearance.final import TOLERANCE_M, Margins, add_power_margins
from geoplan.clearance.heights import least_length, try_heights
from geoplan.clearance.required import Rows, build_ceilings, build_rows, ground_at
from geoplan.mechanics import (
    LoadCase,
    build_stringing_table,
    length_from_max_tension,
    length_from_sag,
    parabola_sag,
    solve_weather,
    weather_height_at,
)
from geoplan.mechanics.change_of_state import WeatherState
from geoplan.project import Heights
from geoplan.span_answer import (
    Shape,
    SpanAnswer,
    SpanClearance,
    SpanError,
    SpanQuestion,
    SpanState,
    Stringing,
    Verdict,
)
from geoplan.span_layout import Layout, lay_out, what_rules, why_not_checked
from geoplan.standards import Standards

SHAPE_POINTS = 241
YARD_POINTS = 121
_TIGHTEST = 1e-3
"""Part by which a wire that no limit allows is taken to be longer than its chord."""


__all__ = [
    "Shape",
    "SpanAnswer",
    "SpanClearance",
    "SpanError",
    "SpanQuestion",
    "SpanState",
    "Stringing",
    "Verdict",
    "solve_span",
]


def solve_span(question: SpanQuestion, standards: Standards) -> SpanAnswer:
    """Work out one span between fixed supports.

    Parameters
    ----------
    question : SpanQuestion
        Heights, distance, what is passed over; SI.
    standards : Standards
        Rule set, wire, load cases and limits.

    Returns
    -------
    SpanAnswer
        Every load case, the stringing table, every clearance and the verdict.

    Raises
    ------
    SpanError
        If a length is out of range, both sag and tension are given, or the wire can't hang so.

    Notes
    -----
    Elastic catenary with one unstressed length in all cases. Without sag and tension, the most
    sag is taken that keeps all clearances with the margin in all cases, not more than the set
    part of the span and never tighter than the tension limits allow; where no sag does, the
    tightest that they allow. 101 places are looked at over each thing, and those where a figure
    graded toward a kerb begins.
    """
    _check(question)
    if question.temperature_c is not None:
        standards = replace(standards, stringing_c=question.temperature_c)
    layout = lay_out(
        question.over,
        question.distance_m,
        (question.from_height_m, question.to_height_m, question.ground_rise_m),
        standards.rule_set,
        _heights(question),
    )
    rows = build_rows(
        layout.air,
        layout.crossings,
        layout.ends,
        layout.demands,
        layout,
        np.linspace(0.0, 1.0, YARD_POINTS),
        layout.places,
    )
    try:
        length, basis = _unstressed(question, standards, layout, rows)
        return _answer(question, standards, layout, rows, length, basis)
    except ValueError as error:  # the mechanics name what cannot be
        raise SpanError(_SPAN, f"has no solution ({error})", _REMEDY) from error


_SPAN, _BOTH = "the span", "sag and tension"
_REMEDY = "Change the sag, the tension or the heights"


def _check(question: SpanQuestion) -> None:
    for name, value in (
        ("distance", question.distance_m),
        ("height at the near end", question.from_height_m),
        ("height at the far end", question.to_height_m),
        ("sag", question.sag_m),
        ("tension", question.tension_n),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise SpanError(name, f"is {value:g}, not above zero", "Correct the value")
    for name, value in (("margin", question.margin_m), ("crown", question.road_crown_m)):
        if not (math.isfinite(value) and value >= 0):
            raise SpanError(name, f"is {value:g}, not zero or more", "Correct the value")
    if question.sag_m is not None and question.tension_n is not None:
        raise SpanError(_BOTH, "are both given", "Give one: the other follows")
    for passed in question.over:
        if not 0 <= passed.start_m <= passed.end_m <= question.distance_m:
            raise SpanError(
                f"'{passed.name}'",
                f"lies from {passed.start_m:.2f} m to {passed.end_m:.2f} m, not within the span "
                f"of {question.distance_m:.2f} m, near end first",
                "Give places from the near end",
            )


def _heights(question: SpanQuestion) -> Heights:
    return Heights().model_copy(
        update={
            "clearance_margin": question.margin_m,
            "road_crown": question.road_crown_m,
            "max_sag_share": question.max_sag_share,
        }
    )


def _unstressed(
    question: SpanQuestion, standards: Standards, layout: Layout, rows: Rows
) -> tuple[float, str]:
    """Return the unstressed length at the question's temperature, and what it follows from."""
    wire, span = standards.wire, layout.span_m
    weight, stiffness = wire.weight_n_per_m, wire.stiffness_n
    if question.sag_m is not None:
        length = length_from_sag(span, layout.rise_m, question.sag_m, weight, stiffness)
        return float(length[0]), "the sag given"
    if question.tension_n is not None:
        length = length_from_max_tension(span, layout.rise_m, question.tension_n, weight, stiffness)
        return float(length[0]), "the tension given"
    heights = _heights(question)
    ceilings = build_ceilings(layout.air, layout.crossings, layout.ends, layout.demands, layout)
    tried = try_heights(span, layout.low_m, layout.high_m, rows, ceilings, standards, heights)
    least = least_length(span, layout.rise_m, standards)
    if not tried.is_clear[0] or not tried.length_m[0] >= least[0]:
        if np.isfinite(least[0]):
            return float(least[0]), "the tension limits: no sag keeps both them and the clearances"
        chord = float(np.hypot(span, layout.rise_m)[0])
        return chord * (1 + _TIGHTEST), "no sag keeps the tension limits"
    widest = length_from_sag(span, layout.rise_m, heights.max_sag_share * span, weight, stiffness)
    if tried.length_m[0] >= widest[0] * (1 - 1e-12):
        return float(widest[0]), f"the most sag set, {heights.max_sag_share:.1%} of the span"
    return float(tried.length_m[0]), "the most sag that keeps the clearances with the margin"


def _answer(
    question: SpanQuestion,
    standards: Standards,
    layout: Layout,
    rows: Rows,
    length: float,
    basis: str,
) -> SpanAnswer:
    strength = standards.entry.breaking_strength_n
    parts = np.linspace(0.0, 1.0, SHAPE_POINTS)
    zero = np.zeros(SHAPE_POINTS, dtype=np.int64)
    ground = ground_at(layout.air, layout.ends, layout, zero, parts)
    states, wires = [], {}
    for purpose, name, case, limit_n, rule in _cases(question, standards):
        solved = solve_weather(
            layout.span_m, layout.rise_m, length, standards.stringing_c, standards.wire, case
        )
        states.append(_state(name, purpose, solved, case, limit_n, rule, strength, layout))
        wires[name] = layout.low_m[0] + weather_height_at(solved, layout.rise_m, parts)[0, 0]
    now = states[0]
    if now.tension_max_n > strength:
        raise SpanError(
            _SPAN,
            f"would be strung at {now.tension_max_n:.0f} N, more than the wire's breaking "
            f"strength of {strength:.0f} N",
            _REMEDY,
        )
    lowest = min(float((wires[state.name] - ground).min()) for state in states)
    if lowest < 0:
        raise SpanError(_SPAN, f"would lie on the ground ({-lowest:.2f} m too low)", _REMEDY)
    clearances = _clearances(question, standards, layout, rows, length)
    limit = standards.entry.max_air_span(question.district)
    margins = np.array([item.margin_m for item in clearances])
    governs = int(np.nanargmin(margins)) if np.isfinite(margins).any() else -1
    least = float(margins[governs]) if governs >= 0 else math.nan
    findings = [
        name
        for name, is_so in (
            ("clearance", least < -TOLERANCE_M / 2),
            ("tension", any(state.limit_share > 1.0005 for state in states)),
            ("span_length", question.distance_m > limit.value_si + 1e-9),
            ("margin", -TOLERANCE_M / 2 <= least < question.margin_m - TOLERANCE_M),
            ("not_checked", bool(np.isnan(margins).any())),
        )
        if is_so
    ]
    verdict = Verdict.CLEARS
    if {"clearance", "tension", "span_length"} & set(findings):
        verdict = Verdict.MISSES
    elif "margin" in findings:
        verdict = Verdict.SHORT_OF_MARGIN
    return SpanAnswer(
        question,
        standards.stringing_c,
        basis,
        now.sag_m,
        now.tension_max_n,
        length,
        float(
            parabola_sag(
                question.distance_m, standards.wire.weight_n_per_m, now.horizontal_tension_n
            )
        ),
        tuple(states),
        _table(question, standards, layout, length),
        clearances,
        limit.value_si,
        limit.citation(),
        verdict,
        tuple(findings),
        least,
        governs,
        Shape(parts * question.distance_m, ground, wires),
    )


def _cases(
    question: SpanQuestion, standards: Standards
) -> list[tuple[str, str, LoadCase, float, str]]:
    """List purpose, name, load, limit and sources of every state."""
    cases = standards.rule_set.load_cases(question.district)
    loads = {case.name: case.temperature.citation() for case in cases}
    bare = LoadCase(temperature_c=standards.stringing_c)
    source = loads["stringing"] if question.temperature_c is None else "temperature as given"
    return [
        ("stringing", "stringing", bare, math.nan, source),
        *(("clearance", c.name, c.case, math.nan, c.rule) for c in standards.clearance),
        *(
            ("tension", t.name, t.case, t.limit_n, f"load: {loads[t.name]}; limit: {t.rule}")
            for t in standards.tension
        ),
    ]


def _state(
    name: str,
    purpose: str,
    solved: WeatherState,
    case: LoadCase,
    limit_n: float,
    rule: str,
    strength_n: float,
    layout: Layout,
) -> SpanState:
    at = float(solved.low_point_m[0, 0])
    ground = float(layout.ends.end_ground_m[0]) * at / float(layout.span_m[0])
    tension = float(solved.tension_max_n[0, 0])
    return SpanState(
        name,
        purpose,
        float(np.asarray(case.temperature_c)),
        float(np.asarray(case.ice_thickness_m)),
        float(np.asarray(case.wind_pa)),
        float(np.asarray(case.constant_n_per_m)),
        float(solved.sag_m[0, 0]),
        at,
        float(layout.low_m[0] - solved.low_point_below_start_m[0, 0]) - ground,
        float(solved.tension_start_n[0, 0]),
        float(solved.tension_end_n[0, 0]),
        tension,
        float(solved.horizontal_tension_n[0, 0]),
        limit_n,
        tension / limit_n,
        tension / strength_n,
        float(solved.swing_m[0, 0]),
        float(solved.length_m[0, 0]),
        rule,
    )


def _table(
    question: SpanQuestion, standards: Standards, layout: Layout, length: float
) -> tuple[Stringing, ...]:
    temperatures = np.unique(np.round([*question.table_c, standards.stringing_c], 6))
    table = build_stringing_table(
        layout.span_m, layout.rise_m, length, standards.stringing_c, standards.wire, temperatures
    )
    return tuple(
        Stringing(float(t), float(sag), float(tension))
        for t, sag, tension in zip(
            temperatures, table.sag_m[0], table.tension_max_n[0], strict=True
        )
    )


def _clearances(
    question: SpanQuestion, standards: Standards, layout: Layout, rows: Rows, length: float
) -> tuple[SpanClearance, ...]:
    """Compare every thing passed over, and the yard as one more thing."""
    count = len(question.over)
    yard = replace(rows, crossing=np.where(rows.crossing < 0, count, rows.crossing))
    margins = Margins(yard, 1, count + 1)
    unstressed = np.array([length])
    for number, case in enumerate(standards.clearance):
        margins.add(number, case, layout.low_m, layout.high_m, layout.span_m, unstressed, standards)
    add_power_margins(
        layout.air,
        layout.crossings,
        layout.ends,
        layout.demands,
        layout,
        margins,
        layout.low_m,
        layout.rise_m,
        unstressed,
        layout.span_m,
        standards,
    )
    return tuple(
        _clearance(row, question, standards, layout, yard, margins) for row in range(count + 1)
    )


def _clearance(
    row: int,
    question: SpanQuestion,
    standards: Standards,
    layout: Layout,
    rows: Rows,
    margins: Margins,
) -> SpanClearance:
    passed = question.over[row] if row < len(question.over) else None
    number = int(margins.crossing_case[row])
    is_known = bool(np.isfinite(margins.crossing_margin_m[row]))
    is_power = passed is not None and passed.is_power
    case = "cold, bare wire" if is_power else standards.clearance[number].name
    on = rows.crossing == row
    asked_x = rows.part[on] * question.distance_m
    surface = rows.base_m[on]
    fraction = standards.clearance[number].fraction if number >= 0 else 1.0
    asked_z = surface + fraction * rows.required_m[on]
    if passed is not None and passed.is_power and is_known:
        asked_x = np.array([passed.start_m])
        surface = margins.crossing_available_m[[row]] * 0 + layout.power_z_m(row)
        asked_z = surface - margins.crossing_required_m[row]
    rule, note = what_rules(row, layout, standards.rule_set, float(fraction))
    if not is_known:
        case, rule, note = "", "", why_not_checked(row, layout, standards.rule_set)
    return SpanClearance(
        "yard" if passed is None else passed.name,
        "yard" if passed is None else passed.kind.value,
        0.0 if passed is None else passed.start_m,
        question.distance_m if passed is None else passed.end_m,
        float(margins.crossing_required_m[row]),
        float(margins.crossing_available_m[row]),
        float(margins.crossing_margin_m[row]),
        float(margins.crossing_part[row]) * question.distance_m,
        case,
        rule,
        note,
        asked_x,
        asked_z,
        surface,
    )
