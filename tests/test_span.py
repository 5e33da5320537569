"""One span by hand: worked checks, the figures of the rules, and what cannot be."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import LoadCase
from geoplan.model import Plan
from geoplan.project import Project
from geoplan.span import SpanAnswer, SpanClearance, SpanError, SpanQuestion, Verdict, solve_span
from geoplan.span_layout import Passed
from geoplan.standards import ClearanceCase, Standards, TensionCase, load_standards
from geoplan.tables import CrossingKind

FT, INCH, LBF = 0.3048, 0.0254, 4.4482216152605
G = 9.80665


def _own(weight: str, width: str, strength: str) -> dict[str, object]:
    """Return a wire that does not stretch or grow, as a user would write it."""

    def figure(value: str) -> dict[str, str]:
        return {"value": value, "document": "worked check", "status": "computed"}

    return {
        "title": "check",
        "construction": "check",
        "carries": "copper_pair",
        "weight": figure(weight),
        "width": figure(width),
        "height": figure(width),
        "breaking_strength": figure(strength),
        "stiffness": figure("1e12 N"),
        "expansion": figure("1e-12 1/K"),
        "max_total_length": figure("2000 m"),
        "max_air_span": {"any": figure("1000 m")},
    }


def _standards(
    rule_set: str = "us", district: str = "light", wire: dict[str, object] | None = None
) -> Standards:
    own = {} if wire is None else {"check": wire}
    name = "copper_clad_pair" if wire is None else "check"
    project = Project(rule_set=rule_set, loading_district=district, wire=name, wires=own, layers={})
    return load_standards(project)


US = _standards()
CALIFORNIA = _standards("california")
ROAD = Passed(CrossingKind.ROAD, 30 * FT, 58 * FT, "residential")
DRIVEWAY = Passed(CrossingKind.DRIVEWAY, 70 * FT, 80 * FT)
WALK = Passed(CrossingKind.SIDEWALK, 20 * FT, 25 * FT)


def _ask(*over: Passed, **changes: object) -> SpanQuestion:
    ask = SpanQuestion(22 * FT, 18 * FT, 95 * FT, "light", over)
    return replace(ask, **changes)  # type: ignore[arg-type]


def _over(answer: SpanAnswer, name: str) -> SpanClearance:
    return next(item for item in answer.clearances if item.over == name)


def test_published_sag_gives_its_tension() -> None:
    """Reference check 1 (printed): 1 kg/m, 10,000 kgf, 500 m, sag 3.125 m."""
    standards = _standards(wire=_own("1 kg/m", "20 mm", "1e6 N"))
    ask = SpanQuestion(30.0, 30.0, 500.0, "light", sag_m=3.125)
    answer = solve_span(ask, standards)
    now = answer.states[0]
    # The catenary of that sag is tighter than the parabola by (S / c)^2 / 48 of it: 0.005 %.
    assert now.horizontal_tension_n / G == pytest.approx(10_000.0, rel=1e-4)
    assert answer.parabola_sag_m == pytest.approx(3.125, rel=1e-4)
    assert now.low_point_m == pytest.approx(250.0, abs=1e-6)
    assert now.low_point_height_m == pytest.approx(30.0 - 3.125, abs=1e-9)


def test_catenary_and_parabola_of_a_printed_check_part_in_the_last_digit() -> None:
    """Reference check 6, bare: 250 m, 0.650 kg/m, 3500 kgf: 1.4510 m, parabola 1.4509 m."""
    standards = _standards(wire=_own("0.65 kg/m", "11 mm", "1e6 N"))
    answer = solve_span(SpanQuestion(30.0, 30.0, 250.0, "light", sag_m=1.4510), standards)
    assert answer.states[0].horizontal_tension_n / G == pytest.approx(3500.0, rel=1e-4)
    assert answer.parabola_sag_m == pytest.approx(1.4509, abs=1e-4)
    assert answer.parabola_sag_m < answer.sag_m


@pytest.mark.parametrize(
    ("case", "resultant_m", "parabola_m", "vertical_m"),
    [
        pytest.param(LoadCase(15.0, wind_pa=350.0), 1.6949, 1.6948, 1.451, id="check 6, wind"),
        pytest.param(
            LoadCase(
                15.0, ice_thickness_m=0.010, ice_density_kg_per_m3=915.0 * 9.81 / G, wind_pa=400.0
            ),
            3.9752,
            3.9738,
            2.798,
            id="check 6, ice and wind",
        ),
    ],
)
def test_loaded_wire_hangs_as_the_worked_check(
    case: LoadCase, resultant_m: float, parabola_m: float, vertical_m: float
) -> None:
    limit = 3500 * 9.81  # the check's gravity; the ice's too
    standards = replace(
        _standards(wire=_own(f"{0.65 * 9.81} N/m", "11 mm", "1e6 N")),
        tension=(TensionCase("tension_loaded", 15.0, case, limit, "check"),),
    )
    # Too low for a road, so it is hung as tight as the limit allows.
    road = Passed(CrossingKind.ROAD, 120.0, 130.0, "local")
    answer = solve_span(SpanQuestion(4.7, 4.7, 250.0, "light", (road,)), standards)
    loaded = next(state for state in answer.states if state.name == "tension_loaded")
    assert loaded.tension_max_n == pytest.approx(limit, rel=1e-9)
    # The check holds the horizontal tension at that figure; sag goes with its inverse.
    to_check = loaded.horizontal_tension_n / limit
    assert math.hypot(loaded.sag_m, loaded.swing_m) * to_check == pytest.approx(
        resultant_m, abs=3e-4
    )
    # Its vertical part is the parabola's: 3.9738 m times 12.298 / 17.465 is 2.798 m.
    to_parabola = to_check * parabola_m / resultant_m
    assert loaded.sag_m * to_parabola == pytest.approx(vertical_m, abs=6e-4)
    assert answer.verdict is Verdict.MISSES


def test_slack_span_needs_the_catenary() -> None:
    """Reference check 10: 140 m of 3 kg/m over 120 m: D 31.70 m, H 1808.3 N, end 2741.2 N."""
    standards = _standards(wire=_own(f"{3 * 9.81} N/m", "20 mm", "1e6 N"))
    answer = solve_span(SpanQuestion(50.0, 50.0, 120.0, "light", sag_m=31.70), standards)
    now = answer.states[0]
    assert now.length_m == pytest.approx(140.0, abs=0.01)
    assert now.horizontal_tension_n == pytest.approx(1808.3, rel=4e-4)
    assert now.tension_from_n == pytest.approx(2741.2, rel=4e-4)
    assert answer.parabola_sag_m < 0.93 * answer.sag_m


def test_tension_given_and_sag_given_are_one_state() -> None:
    by_sag = solve_span(_ask(sag_m=18 * INCH), US)
    by_tension = solve_span(_ask(tension_n=by_sag.tension_n), US)
    assert by_tension.sag_m == pytest.approx(18 * INCH, rel=1e-8)
    assert by_tension.unstressed_m == pytest.approx(by_sag.unstressed_m, rel=1e-12)


def test_temperature_is_that_of_the_sag_given() -> None:
    answer = solve_span(_ask(sag_m=18 * INCH, temperature_c=35.0, table_c=(0.0, 20.0)), US)
    assert [row.temperature_c for row in answer.stringing] == [0.0, 20.0, 35.0]
    sags = [row.sag_m for row in answer.stringing]
    assert sags == sorted(sags)
    assert sags[-1] == pytest.approx(18 * INCH, rel=1e-8)
    cold = solve_span(_ask(sag_m=18 * INCH, temperature_c=0.0, table_c=(35.0,)), US)
    assert cold.stringing[0].sag_m == pytest.approx(18 * INCH, rel=1e-8)
    assert cold.stringing[1].sag_m > 18 * INCH


def test_margin_is_available_less_required_by_hand() -> None:
    """A tight, straight wire: the chord is 15.5 ft + crown above the road's middle + 4 in."""
    sag = 0.5 * INCH
    standards = replace(US, clearance=(replace(US.clearance[0], case=LoadCase(20.0)),))
    middle = Passed(CrossingKind.ROAD, 40 * FT, 60 * FT, "residential")
    crown = 4 * INCH
    ask = SpanQuestion(
        18 * FT, 18 * FT, 100 * FT, "light", (middle,), 0.0, sag, None, 20.0, 0.0, crown
    )
    standards = replace(
        standards, wire=replace(standards.wire, stiffness_n=1e9, expansion_per_c=1e-12),
        entry=replace(standards.entry, figures=dict(standards.entry.figures) | {
            "breaking_strength": replace(
                standards.entry.figures["breaking_strength"], value_si=1e6)}),
    )  # fmt: skip
    road = _over(solve_span(ask, standards), "road, residential")
    assert road.at_m == pytest.approx(50 * FT, abs=0.05 * FT)
    assert road.required_m == pytest.approx(15.5 * FT)
    assert road.available_m == pytest.approx(18 * FT - sag - crown, abs=1e-5)
    assert road.margin_m == pytest.approx(road.available_m - road.required_m, abs=1e-12)


@pytest.mark.parametrize(
    ("from_kerb_ft", "required_ft"), [(0.0, 16.0), (6.0, 17.0), (12.0, 18.0), (16.0, 18.0)]
)
def test_general_order_95_grades_toward_the_kerb(from_kerb_ft: float, required_ft: float) -> None:
    road = Passed(CrossingKind.ROAD, 20 * FT, 60 * FT, "residential")
    answer = solve_span(_ask(road, sag_m=10 * INCH), CALIFORNIA)
    item = _over(answer, "road, residential")
    assert item.case == "clearance_table"
    for x in (20 + from_kerb_ft, 60 - from_kerb_ft):
        asked = np.interp(x * FT, item.asked_x_m, item.asked_z_m - item.surface_z_m)
        assert asked == pytest.approx(required_ft * FT, abs=1e-6)
    assert "16 ft at the kerb over 12 ft" in item.note
    assert "read" in item.rule


def test_where_the_grading_begins_is_looked_at() -> None:
    """The far edge of the full height is at no even part of the road, and governs here."""
    answer = solve_span(_ask(ROAD, from_height_m=22 * FT, to_height_m=15 * FT), CALIFORNIA)
    road = _over(answer, "road, residential")
    assert road.at_m == pytest.approx((58 - 12) * FT, abs=1e-9)
    assert road.required_m == pytest.approx(18 * FT)


def test_hot_case_of_general_order_asks_nine_tenths_and_says_so() -> None:
    slack = replace(
        CALIFORNIA,
        clearance=tuple(case for case in CALIFORNIA.clearance if case.name == "clearance_hot"),
    )
    item = _over(solve_span(_ask(ROAD, sag_m=10 * INCH), slack), "road, residential")
    assert item.required_m == pytest.approx(0.9 * 18 * FT)
    assert "90% of the figure" in item.note


def test_driveway_figure_is_lowered_only_for_a_low_attachment() -> None:
    high = _over(solve_span(_ask(DRIVEWAY, sag_m=6 * INCH), US), "driveway")
    low = _over(solve_span(_ask(DRIVEWAY, sag_m=6 * INCH, to_height_m=14 * FT), US), "driveway")
    assert high.required_m == pytest.approx(15.5 * FT)
    assert low.required_m == pytest.approx(11.5 * FT)
    assert "from memory" in low.rule
    assert "secondary" in high.rule


def test_most_sag_leaves_just_the_margin() -> None:
    answer = solve_span(_ask(ROAD, WALK, margin_m=6 * INCH), US)
    assert answer.verdict is Verdict.CLEARS
    assert answer.findings == ()
    assert answer.basis == "the most sag that keeps the clearances with the margin"
    assert 6 * INCH - 1e-3 <= answer.least_margin_m <= 6 * INCH + 0.02
    assert answer.clearances[answer.governs].over == "road, residential"
    more = solve_span(_ask(ROAD, WALK, margin_m=6 * INCH, sag_m=answer.sag_m + 2 * INCH), US)
    assert more.verdict is Verdict.SHORT_OF_MARGIN
    assert solve_span(_ask(ROAD, sag_m=answer.sag_m + 12 * INCH), US).verdict is Verdict.MISSES


def test_most_sag_is_not_more_than_the_set_part() -> None:
    answer = solve_span(_ask(max_sag_share=0.02), US)
    assert answer.sag_m == pytest.approx(0.02 * 95 * FT, rel=1e-8)
    assert answer.basis.startswith("the most sag set, 2.0%")


def test_too_low_a_wire_is_hung_as_tight_as_the_limits_allow_and_misses() -> None:
    answer = solve_span(_ask(ROAD, from_height_m=16 * FT, to_height_m=12 * FT), US)
    assert answer.verdict is Verdict.MISSES
    assert max(s.limit_share for s in answer.states if s.limit_n > 0) == pytest.approx(1.0)
    assert answer.least_margin_m < 0
    assert "tension" not in answer.findings


def test_share_of_the_limit_is_tension_over_limit_and_a_tight_wire_passes_it() -> None:
    answer = solve_span(_ask(sag_m=2 * INCH), US)
    loaded = next(state for state in answer.states if state.name == "tension_loaded")
    assert loaded.limit_n == pytest.approx(0.6 * 340 * LBF, rel=1e-9)
    assert loaded.limit_share == pytest.approx(loaded.tension_max_n / loaded.limit_n)
    assert "tension" in answer.findings
    assert answer.verdict is Verdict.MISSES


def test_span_past_the_wires_longest_is_told() -> None:
    answer = solve_span(_ask(distance_m=201 * FT, sag_m=1.0), US)
    assert answer.span_limit_m == pytest.approx(200 * FT)
    assert "span_length" in answer.findings
    assert "span_length" not in solve_span(_ask(distance_m=200 * FT, sag_m=1.0), US).findings


def test_what_the_rules_hold_no_figure_for_is_not_checked() -> None:
    answer = solve_span(_ask(Passed(CrossingKind.WATER, 5.0, 8.0), sag_m=6 * INCH), US)
    water = _over(answer, "water")
    assert math.isnan(water.margin_m)
    assert (water.case, water.rule) == ("", "")
    assert "rows for water" in water.note
    assert answer.findings == ("not_checked",)


def test_power_is_compared_with_the_cold_wire() -> None:
    power = Passed(CrossingKind.POWER, 50 * FT, 50 * FT, "supply_drop", 22 * FT)
    answer = solve_span(_ask(power, sag_m=12 * INCH), US)
    item = _over(answer, "power, supply drop")
    chord = 22 * FT + (18 - 22) * FT * 50 / 95
    assert 22 * FT - chord < item.available_m < 22 * FT - chord + 12 * INCH
    assert item.required_m == pytest.approx(12 * INCH)
    assert item.case == "cold, bare wire"
    assert item.surface_z_m == pytest.approx(22 * FT)
    assert item.asked_z_m == pytest.approx(21 * FT)
    near = replace(power, height_m=20 * FT)
    assert solve_span(_ask(near, sag_m=6 * INCH), US).verdict is Verdict.MISSES


def test_rising_ground_takes_clearance_away() -> None:
    level = solve_span(_ask(DRIVEWAY, sag_m=8 * INCH), US)
    rising = solve_span(_ask(DRIVEWAY, sag_m=8 * INCH, ground_rise_m=2 * FT), US)
    # The wire is given from the ground at each end, so it rises with it: no change over it.
    for one, other in zip(level.clearances, rising.clearances, strict=True):
        assert other.available_m == pytest.approx(one.available_m, abs=2e-3)
    for state in rising.states:
        wire = rising.shape.wire_z_m[state.name] - rising.shape.ground_z_m
        at = np.interp(state.low_point_m, rising.shape.x_m, wire)
        assert state.low_point_height_m == pytest.approx(at, abs=2e-3)
    falling = solve_span(_ask(sag_m=8 * INCH, ground_rise_m=-3 * FT), US)
    assert falling.states[0].low_point_m == pytest.approx(95 * FT)
    assert falling.states[0].low_point_height_m == pytest.approx(18 * FT)
    assert rising.shape.ground_z_m[-1] == pytest.approx(2 * FT)
    assert rising.shape.wire_z_m["stringing"][-1] == pytest.approx(20 * FT)


@settings(max_examples=25, deadline=None)
@given(st.floats(4.0, 9.0), st.floats(4.0, 9.0), st.floats(10.0, 60.0), st.floats(0.01, 0.05))
def test_turned_around_it_is_the_same_span(
    near_m: float, far_m: float, span_m: float, share: float
) -> None:
    start, end = 0.3 * span_m, 0.45 * span_m
    road = Passed(CrossingKind.ROAD, start, end, "local")
    back = replace(road, start_m=span_m - end, end_m=span_m - start)
    one = solve_span(
        SpanQuestion(near_m, far_m, span_m, "light", (road,), sag_m=share * span_m), US
    )
    two = solve_span(
        SpanQuestion(far_m, near_m, span_m, "light", (back,), sag_m=share * span_m), US
    )
    assert two.clearances[0].margin_m == pytest.approx(one.clearances[0].margin_m, abs=1e-7)
    for left, right in zip(one.states, two.states, strict=True):
        assert right.tension_to_n == pytest.approx(left.tension_from_n, rel=1e-7)
        assert right.sag_m == pytest.approx(left.sag_m, rel=1e-7)
        assert right.low_point_height_m == pytest.approx(left.low_point_height_m, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.floats(2.0, 30.0), st.floats(1.0, 20.0))
def test_more_sag_never_gives_more_clearance(sag_in: float, more_in: float) -> None:
    less = solve_span(_ask(ROAD, WALK, DRIVEWAY, sag_m=sag_in * INCH), US)
    more = solve_span(_ask(ROAD, WALK, DRIVEWAY, sag_m=(sag_in + more_in) * INCH), US)
    for one, other in zip(less.clearances, more.clearances, strict=True):
        assert other.margin_m <= one.margin_m + 1e-9
    assert more.tension_n < less.tension_n


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"distance_m": -1.0}, "distance: is -1, not above zero"),
        ({"distance_m": math.nan}, "distance: is nan"),
        ({"from_height_m": 0.0}, "near end: is 0, not above zero"),
        ({"sag_m": 0.0}, "sag: is 0, not above zero"),
        ({"sag_m": 1.0, "tension_n": 100.0}, "both given.*Give one"),
        ({"sag_m": 1e-3}, "breaking strength"),
        ({"sag_m": 30.0}, "lie on the ground"),
        ({"tension_n": 1e-3}, "has no solution.*Change the sag"),
        ({"margin_m": -0.1}, "margin: is -0.1"),
        ({"over": (Passed(CrossingKind.ROAD, 20.0, 40.0, "local"),)}, "not within the span"),
        ({"over": (Passed(CrossingKind.ROAD, 9.0, 7.0, "local"),)}, "near end first"),
    ],
)
def test_what_cannot_be_is_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(SpanError, match=words):
        solve_span(_ask(**changes), US)


def test_every_clearance_case_is_asked_at_its_own_fraction() -> None:
    """Two cases with one weather: the one that asks more governs."""
    case = US.clearance[0]
    twice = (case, ClearanceCase("stricter", case.temperature_c, case.case, 1.2, "check"))
    item = _over(solve_span(_ask(ROAD, sag_m=4 * INCH), replace(US, clearance=twice)),
                 "road, residential")  # fmt: skip
    assert item.case == "stricter"
    assert item.required_m == pytest.approx(1.2 * 15.5 * FT)


@pytest.mark.parametrize("is_sag_given", [True, False], ids=["sag given", "most sag"])
def test_drops_of_a_plan_are_the_same_one_by_one(tiny_plan: Plan, is_sag_given: bool) -> None:
    """Every drop of the tiny place, all from poles and on level ground."""
    roads = tiny_plan.crossings[tiny_plan.crossings["crossing_kind"] == "road"]
    assert len(tiny_plan.drops) == 11
    assert len(roads) == 4
    for drop in tiny_plan.drops.itertuples():
        met = roads[roads["address_id"] == drop.address_id]
        over = tuple(
            Passed(CrossingKind.ROAD, row.start_m, row.end_m, row.feature_class)
            for row in met.itertuples()
        )
        ask = SpanQuestion(
            drop.hook_height_m, drop.attachment_height_m, drop.air_span_m, "light", over
        )
        answer = solve_span(replace(ask, sag_m=drop.stringing_sag_m) if is_sag_given else ask, US)
        worst = max(s.sag_m for s in answer.states if s.purpose == "clearance")
        pulls = [s.tension_max_n for s in answer.states if s.purpose == "tension"]
        # The plan looks at 5 places over a road and at 11 over the yard, so it may miss a little.
        assert answer.sag_m == pytest.approx(drop.stringing_sag_m, abs=0.005)
        assert worst == pytest.approx(drop.sag_worst_m, rel=1e-6 if is_sag_given else 0.02)
        assert max(pulls) == pytest.approx(drop.tension_worst_n, rel=1e-6 if is_sag_given else 0.02)
        assert answer.states[0].length_m == pytest.approx(drop.wire_arc_m, abs=1e-3)
        assert drop.margin_m - 0.006 < answer.least_margin_m < drop.margin_m + 1e-3
        name = answer.clearances[answer.governs].over
        assert name == ("yard" if drop.margin_over == "yard" else "road, residential")
