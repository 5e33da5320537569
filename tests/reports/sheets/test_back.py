"""The back tells all power, counts people once, stops where work must stop, and asks no plan."""

from __future__ import annotations

import dataclasses
import math

import pytest

from geoplan.hanging_flags import clearance_flags
from geoplan.reports.sheets.back import (
    KEEP_OFF,
    PLANNING_CODES,
    TO_DO,
    crew_of,
    hazards_of,
    signs_of,
)
from geoplan.reports.sheets.wording import MOST_HAZARDS
from geoplan.routes.hazards import hazard_flags
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps
from geoplan.work.steps_at_support import traffic
from tests.work.cases import case_of

PLANNERS = ("Look for", "Plan it", "another wall", "Choose another", "Get an easement",
            "Get the permit", "start on the field side")  # fmt: skip
"""Openings of remedies that only who plans can follow."""


@pytest.fixture(scope="module")
def case(demo_work):
    return case_of(demo_work, demo_work.drops["address_id"].iloc[0])


def with_job(case, **columns):
    blank = {"power_lines": None, "run_power": None, "run_roads": None, "poor_poles": None,
             "unrated_poles": None, "other_roads": None, "power_approach": "none",
             "power_approach_m": math.nan, "power_approach_note": None}  # fmt: skip
    return dataclasses.replace(case, job={**case.job, **blank, **columns}, hazards=())


def flag(code, severity="warning", feature_id="X1", what="is there", remedy="Plan it."):
    return {"code": code, "severity": severity, "feature_id": feature_id, "what": what,
            "remedy": remedy}  # fmt: skip


def power_of(case, reach_m=3.0):
    return dict(crew_of(case, 0, reach_m))["Power:"]


def test_number_of_people_is_said_once(case):
    told = crew_of(
        with_job(case, crew_size=2, crew_reasons="two: long span", traffic_class="flaggers"), 2, 3.0
    )
    assert told[0] == ("2 PEOPLE + 2 FLAGGERS:", "long span")
    note = "E1, supply drop, 240 V: 1.0 ft asked for; by a rule"
    near = with_job(case, crew_size=2, crew_reasons=f"two: power near: {note}; roof",
                    power_approach="within", power_approach_note=note)  # fmt: skip
    told = crew_of(near, 0, 3.0)
    assert told[0][1] == "power near: see Power; roof"
    assert "Nearest to its limit: E1; by a rule" in told[2][1]  # a box has the rest
    far = with_job(case, power_approach="clear", power_approach_note=note)
    assert "Nearest to its limit: E1: 1.0 ft asked for; by a rule" in power_of(far)
    one = crew_of(with_job(case, crew_size=1, crew_reasons="one: short span"), 2, 3.0)
    assert one[0][1] == "short span"


def test_all_power_is_told_the_highest_voltage_first(case):
    lines = (
        "E3, supply drop, 240 V: keep 1.0 ft away; E1, neutral, 0 V (voltage assumed): keep 1.0 ft"
        " away; E2, supply line, 7200 V: keep 2.0 ft away"
    )
    words = power_of(with_job(case, power_approach="clear", power_lines=lines,
                              run_power="E7, supply drop, 240 V"))  # fmt: skip
    assert words.index("E2, supply") < words.index("E3, supply") < words.index("E1, neutral")
    assert "0 V (" not in words
    assert "E1, neutral, voltage not known, TREAT AS LIVE" in words
    assert "Along the strand run: E7." in words


def test_power_of_unknown_voltage_comes_before_all_others(case):
    lines = "E3, supply drop, 240 V: keep 1.0 ft away;E4, kind unknown: keep 3.0 ft away"
    words = power_of(with_job(case, power_approach="clear", power_lines=lines))
    assert words.index("E4") < words.index("E3")


def test_no_power_says_where_it_was_looked_for_and_to_look(case):
    words = power_of(with_job(case), 3.048)
    assert words == ("No power in the layers within 10.0 ft of the work and the run: look for it.")
    assert "No power" not in power_of(with_job(case, run_power="E7, supply drop, 240 V"))


def test_what_is_not_checked_at_the_end_of_long_reasons_is_not_cut(case):
    reasons = f"{'over a road with many words; ' * 30}sight distance not checked: no layer tells"
    told = crew_of(with_job(case, traffic_reasons=reasons, other_roads="Hask Lane"), 0, 3.0)
    assert "sight distance not checked: no layer tells" in told[1][1]
    assert told[1][1].endswith(". Beside it: Hask Lane: sign and guard there too.")


@pytest.mark.parametrize(
    ("state", "words"),
    [("within", "WITHIN THE APPROACH DISTANCE"), ("not_checked", "NOT CHECKED")],
)
def test_power_too_near_or_not_checked_stops_the_work(case, state, words):
    note = "E105, supply drop, 240 V: 1.0 ft asked for, there is at least 0.8 ft; by a rule"
    stopped = with_job(case, power_approach=state, power_approach_note=note)
    level, what, todo = hazards_of(stopped)[0]
    assert level == "STOP"
    assert words in what
    assert "E105" in what
    assert "stop" in todo or "Do not start" in todo
    assert hazards_of(with_job(case, power_approach="clear", power_approach_note=note)) == []


def test_stops_come_first_and_what_is_left_out_is_counted(case):
    flags = [flag("new_kind", "note", f"V{n}", remedy=f"Look at {n}.") for n in range(MOST_HAZARDS)]
    flags += [flag("street_crossing"), flag("power_crossing", "error")]
    told = hazards_of(dataclasses.replace(with_job(case), hazards=tuple(flags)))
    assert [level for level, _, _ in told[:3]] == ["STOP", "WARNING", "note"]
    assert told[-1] == ("", "and 2 more", "See the plan's hazards.")


def test_poor_poles_and_the_strand_run_are_told_where_they_are_acted_on(case):
    drop = {**case.drop, "strand_run_m": 20.0}
    found = with_job(case, poor_poles="PS05", unrated_poles="PG01", run_roads="Hask Lane",
                     run_power="E005, supply line, 240 V")  # fmt: skip
    found = dataclasses.replace(found, drop=drop)
    assert hazards_of(found) == []  # each has a box or a step of its own
    steps, checks = " ".join(build_steps(found)), " ".join(build_site_checks(found, {}))
    assert "The strand run hangs over Hask Lane" in steps
    assert "Power along it, live: E005" in steps
    assert "PS05, recorded in POOR condition" in steps
    assert "POOR condition is recorded of pole PS05" in checks
    assert "(condition not recorded: PG01)" in checks


def test_what_a_box_tells_is_no_line_unless_it_is_a_stop_or_the_boxes_are_cut(case):
    flags = (flag("third_party_lot"), flag("strand_inferred", "error", "X2"))
    told = dataclasses.replace(with_job(case), hazards=flags)
    assert [level for level, _, _ in hazards_of(told)] == ["STOP"]
    assert len(hazards_of(told, is_boxed=False)) == 2


def test_what_asks_for_the_same_is_one_line(case):
    flags = (flag("driveway_crossing", "note", "D1", "passes over driveway D1"),
             flag("sidewalk_crossing", "note", "S1", "passes over sidewalk S1"))  # fmt: skip
    told = hazards_of(dataclasses.replace(with_job(case), hazards=flags))
    assert told == [("note", "passes over driveway D1, sidewalk S1", KEEP_OFF)]


def test_one_thing_is_not_told_twice(case):
    flags = (flag("oblique_crossing", feature_id="R1"), flag("street_crossing", feature_id="R1"),
             flag("oblique_crossing", feature_id="R2"))  # fmt: skip
    told = hazards_of(dataclasses.replace(with_job(case), hazards=flags))
    assert [todo for _, _, todo in told] == [TO_DO["street_crossing"], TO_DO["oblique_crossing"]]


def test_kinds_of_power_are_words(case):
    flags = (flag("power_crossing", "error", what="crosses power (supply_drop) E027"),)
    (told,) = hazards_of(dataclasses.replace(with_job(case), hazards=flags))
    assert told[1] == "crosses power (supply drop) E027"


def test_unknown_flags_keep_the_plans_remedy(case):
    told = hazards_of(dataclasses.replace(with_job(case), hazards=(flag("new_kind"),)))
    assert told == [("WARNING", "is there", "Plan it.")]


def test_each_flag_of_the_plan_has_a_word_for_the_crew(demo_work):
    crossings, drops = demo_work.crossings.iloc[:0], demo_work.drops.iloc[:0]
    flags = hazard_flags(crossings, drops, demo_work.project)
    flags += clearance_flags(crossings, drops, demo_work.project)
    codes = {some.code for some in flags}
    assert len(codes) > 25
    assert codes - set(PLANNING_CODES) - set(TO_DO) == set()


def test_no_planners_remedy_is_on_paper(demo_work, demo_paper):
    remedies = " ".join(demo_work.hazards["remedy"])
    assert [words for words in PLANNERS if words in remedies]
    for text in demo_paper.texts:
        assert not [words for words in PLANNERS if words in text]


def test_only_distances_that_there_are_have_a_column(case):
    signs = {"sign_1_m": 30.48, "sign_2_m": math.nan, "sign_3_m": math.nan, "taper_m": 0.0,
             "buffer_m": math.nan}  # fmt: skip
    quiet = dataclasses.replace(with_job(case, **signs, traffic_class="none"), road_name="")
    assert signs_of(quiet) == [("Work or taper to sign 1", "100.0 ft")]
    told = with_job(case, **signs, traffic_class="beside_road", other_roads="Hask Lane")
    assert signs_of(told) == []  # the step on traffic has them
    assert "the nearest sign 100.0 ft" in traffic(told)
    assert signs_of(with_job(case, **dict.fromkeys(signs, math.nan))) == []
