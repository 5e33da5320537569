"""The back tells all power, counts people once, stops where work must stop, and asks no plan."""

from __future__ import annotations

import dataclasses
import math

import pytest

from geoplan.hanging_flags import clearance_flags
from geoplan.reports.sheets.back import (
    crew_of,
    materials_of,
    signs_of,
)
from geoplan.reports.sheets.cautions import concerning
from geoplan.reports.sheets.hazard_table import (
    KEEP_OFF,
    PLANNING_CODES,
    TO_DO,
    hazards_of,
    nothing_more,
)
from geoplan.reports.sheets.wording import MOST_HAZARDS
from geoplan.routes.hazards import hazard_flags
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps
from geoplan.work.steps_of_traffic import traffic
from tests.work.cases import case_of

PLANNERS = ("Look for", "Plan it", "another wall", "Choose another", "Get an easement",
            "Get the permit", "start on the field side")  # fmt: skip
"""Openings of remedies that only who plans can follow."""


@pytest.fixture(scope="module")
def case(demo_work):
    return case_of(demo_work, demo_work.drops["address_id"].iloc[0])


def with_job(case, **columns):
    blank = {"run_trees": None, "run_traffic_class": None, "power_around": None,
             "power_lines": None, "run_power": None, "run_roads": None, "poor_poles": None,
             "unrated_poles": None, "other_roads": None, "power_approach": "none",
             "power_approach_m": math.nan, "power_approach_note": None,
             "power_tight": None, "power_in_reach": None}  # fmt: skip
    return dataclasses.replace(case, job={**case.job, **blank, **columns}, hazards=())


def flag(code, severity="warning", feature_id="X1", what="is there", remedy="Plan it."):
    return {"code": code, "severity": severity, "feature_id": feature_id, "what": what,
            "remedy": remedy}  # fmt: skip


def power_of(case, reach_m=3.0):
    return dict(crew_of(case, 0, reach_m))["Power:"]


def test_number_of_people_is_said_once(case):
    told = crew_of(with_job(case, crew_size=2, crew_reasons="two: long span", flaggers=3), 2, 3.0)
    assert told[0] == ("2 PEOPLE + 3 FLAGGERS:", "long span")
    note = "E1, supply drop, 240 V: 1.0 ft asked for; by a rule"
    near = with_job(case, crew_size=2, crew_reasons=f"two: power near: {note}; roof",
                    power_approach="within", power_approach_note=note)  # fmt: skip
    told = crew_of(near, 0, 3.0)
    assert told[0][1] == "power near: see Power; roof"
    assert "Nearest to its limit" not in told[2][1]  # a box has it, with its figures
    none = with_job(case, crew_size=1, crew_reasons=f"one: {note}", power_approach_note=note)
    assert crew_of(none, 0, 3.0)[0][1] == "no power found near"
    far = with_job(case, power_approach="clear", power_approach_note=note)
    assert "Nearest to its limit: E1: 1.0 ft asked for; by a rule" in power_of(far)
    one = crew_of(with_job(case, crew_size=1, crew_reasons="one: short span"), 2, 3.0)
    assert one[0][1] == "short span"


def test_a_road_is_described_once(case):
    road = "Mill Lane, collector, 30 mph assumed, 2900 vehicles a day"
    other = "Isle of Man Road, collector, 30 mph assumed, 2900 vehicles a day"
    reasons = f"over {road}: flaggers; strand run over 30.0 ft of {road}: flaggers; over {other}: x"
    told = crew_of(with_job(case, traffic_reasons=reasons, other_roads=None), 0, 3.0)[1][1]
    assert told.startswith(f"over {road}: flaggers; strand run over 30.0 ft of Mill Lane: flaggers")
    assert other in told


def test_why_the_span_hangs_over_a_street_is_told_once(case):
    hung = "the air span hangs over the whole width of A Street, from 1.0 ft: counts as over the"
    hung += " street"
    jobs = {"crew_reasons": f"two: crosses A Street; {hung}; bucket job", "other_roads": None}
    for reasons, is_left_out in ((f"over A Street: x; {hung}", True), ("over A Street: x", False)):
        told = crew_of(with_job(case, crew_size=2, traffic_reasons=reasons, **jobs), 0, 3.0)
        assert (hung not in told[0][1]) == is_left_out
        assert "crosses A Street" in told[0][1]
        assert "bucket job" in told[0][1]
        assert (hung in told[1][1]) == is_left_out


def test_the_rule_of_a_distance_not_checked_is_told(case):
    note = (
        "E1, supply drop, 240 V: 1.0 ft asked for, distance not known; 29 CFR 1910.268; from memory"
    )
    for state in ("within", "not_checked"):
        words = power_of(with_job(case, power_approach=state, power_approach_note=note))
        assert "Asked by 29 CFR 1910.268; from memory." in words
        assert "distance not known" not in words


def test_power_along_the_run_is_told_once(case):
    lines = "E3, supply drop, 240 V: keep 1.0 ft away"
    job = {"power_lines": lines, "power_approach": "clear"}
    both = power_of(with_job(case, run_power="E3, supply drop, 240 V; E33, neutral", **job))
    assert "Along the strand run: E33." in both


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
    assert words == (
        "No power in the layers within 10.0 ft of wire, hook, ladders and run: look up, and stop if"
        " there is any."
    )
    assert "No power" not in power_of(with_job(case, run_power="E7, supply drop, 240 V"))


def test_what_is_not_checked_at_the_end_of_long_reasons_is_not_cut(case):
    reasons = f"{'over a road with many words; ' * 30}sight distance not checked: no layer tells"
    reasons += "; class of it not recorded"
    told = crew_of(with_job(case, traffic_reasons=reasons, other_roads="Hask Lane"), 0, 3.0)
    assert "sight distance" not in told[1][1]  # a box asks for it
    assert told[1][1].endswith(
        "class of it not recorded. Beside it: Hask Lane: sign and guard there too."
    )


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


@pytest.mark.parametrize("state", ["within", "not_checked", "close"])
def test_all_power_in_reach_is_named_whatever_is_gravest(case, state):
    note = "E105, supply drop, 240 V: 1.0 ft asked for, there is at least 1.8 ft; by a rule"
    found = with_job(
        case, power_approach=state, power_approach_note=note,
        power_in_reach="E105;power on pole PQ06",
    )  # fmt: skip
    (reach,) = [what for _, what, _ in hazards_of(found) if "in reach of head and hands" in what]
    named = reach.rpartition(": ")[2]
    assert named == ("E105 and power on pole PQ06" if state == "close" else "power on pole PQ06")
    found.job["power_in_reach"] += ";power on pole PQ07"
    assert any("power on poles PQ06 and PQ07" in what for _, what, _ in hazards_of(found))


def test_power_that_is_clear_by_little_is_to_be_measured(case):
    note = "E7, supply drop, 240 V: 1.0 ft asked for, there is at least 1.1 ft; by a rule"
    tight = "E7: at least 1.1 ft worked out from hook or clamp, 1.0 ft asked"
    found = with_job(
        case, power_approach="clear", power_approach_note=note, power_tight=f"{tight}; E8: as well"
    )
    assert hazards_of(found) == [
        ("WARNING", f"power {tight}", "Measure before anybody goes up. E7 measured: ____"),
        ("WARNING", "power E8: as well", "Measure before anybody goes up. E8 measured: ____"),
    ]


def test_a_line_in_reach_that_is_to_be_measured_has_one_row(case):
    tight = "E7: at least 1.6 ft worked out from the wire beside it (1 ft out), 1.0 ft asked"
    found = with_job(
        case, power_approach="close", power_approach_note="E7, drop: there is 1.6 ft; rule",
        power_tight=tight, power_in_reach="E7;E9",
    )  # fmt: skip
    reach, measured = hazards_of(found)
    assert reach[1].endswith("above hook or strand: E9")
    assert measured[1] == f"power {tight}"
    assert measured[2] == (
        "Head and hands below hook and strand; measure before the wire goes up. E7 measured: ____"
    )


def test_a_stop_names_all_power_that_is_not_kept(case):
    places = "short: E1;short: E2;short: power on pole P1"
    note = "E2, drop, 240 V: 10.0 ft asked for, there is 0.0 ft; rule"
    found = with_job(
        case, power_approach="within", power_approach_note=note, power_places=places,
        power_in_reach="E1;E9",
    )  # fmt: skip
    stop, reach = hazards_of(found)
    assert stop[:2] == (
        "STOP", "planned WITHIN THE APPROACH DISTANCE of power: E2, E1 and power on pole P1"
    )  # fmt: skip
    assert stop[2].endswith("Measured: E2 ____, E1 ____, power on pole P1 ____")
    assert reach[1].endswith("above hook or strand: E9")


def test_power_by_the_building_run_has_a_row_and_who_doesnt_say_there_is_none(case):
    words = "lands on this house 3 m from the attachment"
    found = with_job(
        case, crew_size=1, crew_reasons="one: looked; nothing there", power_approach="none",
        power_approach_note="nothing there", power_places=f"house_run: E7, {words}",
    )  # fmt: skip
    row = ("WARNING", f"E7, live, {words}", "Keep building run, ladder and hands off it.")
    assert row in hazards_of(found)
    assert crew_of(found, 0, 3.0)[0][1] == "looked; power by the building run only"
    far = with_job(
        found, crew_size=1, crew_reasons="one: nothing there", power_approach="none",
        power_approach_note="nothing there", power_places=f"wall: E7, {words}",
    )  # fmt: skip
    assert hazards_of(far) == []
    assert crew_of(far, 0, 3.0)[0][1] == "no power found near"
    measured = with_job(case, power_approach="close", power_tight="E7: 1 m",
                        power_places=f"house_run: E7, {words}")  # fmt: skip
    assert row not in hazards_of(measured)


@pytest.mark.parametrize(("state", "level"), [("within", "STOP"), ("close", "WARNING")])
def test_a_line_that_a_row_on_power_measures_has_no_row_of_its_flag(case, state, level):
    note = "E7, drop, 240 V: 1.0 ft asked for, there is 0.9 ft; rule"
    tight = None if state == "within" else "E7: 1.2 ft worked out from the wire beside it"
    found = with_job(case, power_approach=state, power_approach_note=note, power_tight=tight)
    flags = tuple(flag("near_power", feature_id=name) for name in ("E7", "E8"))
    told = hazards_of(dataclasses.replace(found, hazards=flags))
    rows = [one for one in told if "measure" in one[2].casefold()]
    assert sorted(one[0] for one in rows) == sorted([level, "WARNING"])
    assert [one for one in rows if "E7 measured: ____" in one[2]]


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
    told = {what: (level, todo) for level, what, todo in hazards_of(found)}
    poor = "pole PS05 recorded in POOR condition"
    assert told[poor] == (
        "WARNING", "No ladder, no climb before the owner has judged it (step 1).",
    )  # fmt: skip
    assert told["strand run over Hask Lane: clearance NOT WORKED OUT"][0] == "WARNING"
    steps, checks = " ".join(build_steps(found)), " ".join(build_site_checks(found, {}))
    assert "on Hask Lane for the strand run" in steps
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
    flags = [flag("near_pool", feature_id=k, what=f"passes 1.0 ft from pool {k}")
             for k in ("K1", "K2")]  # fmt: skip
    told = hazards_of(dataclasses.replace(with_job(case), hazards=tuple(flags)))
    assert told == [("WARNING", "passes 1.0 ft from pools K1 and K2", TO_DO["near_pool"])]


def test_another_drop_that_is_crossed_unchecked_is_a_warning_told_once(case):
    row = {"crossing_kind": "existing_drop", "feature_id": "X42", "feature_name": None,
           "is_near_miss": False, "clearance_basis": "not_checked", "at_m": 3.0}  # fmt: skip
    flags = (flag("existing_drop_crossing", "note", "X42"),
             flag("clearance_not_checked", "warning", "X42"))  # fmt: skip
    met = dataclasses.replace(with_job(case), hazards=flags, crossings=(row,))
    ((level, what, _),) = hazards_of(met, is_boxed=False)
    assert level == "WARNING"
    assert what.startswith("crosses existing drop X42, ")
    assert what.endswith("over or under NOT CHECKED")


def test_a_strand_run_through_a_crown_is_a_warning(case):
    ((level, what, todo),) = hazards_of(with_job(case, run_trees="V1;V2"))
    assert (level, todo) == ("WARNING", TO_DO["tree_crown"])
    assert what == "strand run through the crown of V1 and V2"


def test_flaggers_of_the_strand_run_are_counted(case):
    told = crew_of(with_job(case, crew_size=2, traffic_class="short_stop",
                            run_traffic_class="flaggers", flaggers=5), 2, 3.0)  # fmt: skip
    assert told[0][0] == "2 PEOPLE + 5 FLAGGERS:"
    assert told[1][0] == "Traffic control, short stop; for the strand run flaggers:"
    bare = with_job(case, crew_size=2, run_traffic_class="flaggers", flaggers=None)
    assert crew_of(bare, 2, 3.0)[0][0] == "2 PEOPLE + 2 FLAGGERS:"


def test_flaggers_that_are_split_up_are_told_so(case):
    split = "5 flaggers besides the crew, 2 on each road that is held, one on each that joins"
    for told in (split, "2 flaggers besides the crew; x"):
        words = crew_of(with_job(case, traffic_reasons=f"a; {told}", other_roads=None), 2, 3.0)
        assert words[1][1].startswith(f"a; {told}")


def test_roads_told_by_the_reasons_or_held_for_the_run_are_not_told_as_beside(case):
    job = {"traffic_reasons": "over A Road, alley: x", "run_lanes": "B Road", "run_roads": None}
    words = crew_of(with_job(case, **job, other_roads="A Road;B Road;C Road"), 2, 3.0)
    assert words[1][1].endswith("Beside it: C Road: sign and guard there too.")
    lane = {**job, "traffic_reasons": "pole P1 1.7 ft from the carriageway of A Road, alley: x"}
    words = crew_of(with_job(case, **lane, other_roads="A Road"), 2, 3.0)
    assert "Beside it" not in words[1][1]


def test_a_road_that_one_person_closes_is_no_short_stop(case):
    alone = with_job(case, crew_size=1, traffic_class="short_stop", is_over_street=True)
    assert crew_of(alone, 2, 3.0)[1][0] == "Traffic control, closed by signs and cones:"


def test_lines_beyond_reach_are_told_as_near_or_farther_off(case):
    around = "E8, drop, 240 V, 5 ft from pole P1: keep 1.0 ft away;E9, drop, 240 V, 30 ft from x"
    told = crew_of(with_job(case, power_around=around, power_approach="clear"), 0, 3.0)[2][1]
    assert "Near too: E8, drop, 240 V, 5 ft from pole P1: keep 1.0 ft away." in told
    assert told.endswith("Farther off: E9, drop, 240 V, 30 ft from x.")


def test_a_wire_nearly_along_its_strand_and_another_strand_are_hazards(case):
    told = hazards_of(with_job(case, strand_angle_deg=9.0, strands_met="strand P1-P2, 5.0 ft out"))
    what = [one for level, one, _ in told if level == "WARNING"]
    assert "wire leaves only 9 deg off the strand: the clamp may slide" in what
    assert "crosses strand P1-P2, 5.0 ft out: over or under NOT CHECKED" in what


def test_power_close_to_head_and_hands_is_a_warning(case):
    note = "E1, supply drop, 240 V: 1.0 ft asked for, there is at least 1.6 ft; by a rule"
    near = with_job(case, power_approach="close", power_approach_note=note, power_places="hook: E1")
    ((level, what, todo),) = hazards_of(near)
    assert level == "WARNING"
    assert what.endswith("in reach of head and hands above hook or strand: E1")
    assert "below" in todo
    assert power_of(near).startswith("CLOSE: clear only while head and hands stay below")
    assert "E1 is close and live: head and hands below the strand" in " ".join(build_steps(near))


def test_a_sheet_without_flags_sends_to_its_boxes(case):
    assert hazards_of(with_job(case)) == []
    ((level, _, todo),) = nothing_more()
    assert level == "note"
    assert "Do each of them before the work" in todo


def test_lines_farther_off_are_told(case):
    around = "E9, supply drop, 10 ft from the house attachment"
    words = power_of(with_job(case, power_approach="clear", power_around=around))
    assert words.endswith(f"Farther off: {around}.")


def test_a_bracket_is_listed_where_the_step_asks_for_one(case):
    rows = [{"item": "house_hook", "title": "House hook or bracket with screws", "quantity": 1.0,
             "unit": "each"}]  # fmt: skip
    plain = dataclasses.replace(case, hazards=())
    assert materials_of(rows, plain) == "1\N{NO-BREAK SPACE}×\N{NO-BREAK SPACE}" + rows[0]["title"]
    steep = dataclasses.replace(case, hazards=(flag("steep_wall_angle"),))
    assert materials_of(rows, steep).endswith("×\N{NO-BREAK SPACE}House bracket with screws")


def test_what_does_not_concern_a_drop_is_not_told_on_its_sheet(case):
    unchecked = (
        "not checked: heights where two planned drops cross; creep of the wire",
        "not checked: clearance over water; rule set 'us' holds no figure",
        "not checked for want of the layer rail: tracks",
        "not checked: something new",
    )
    dry = dataclasses.replace(case, crossings=())
    assert concerning(dry, unchecked) == (
        "Not checked for want of the layer rail: tracks. Not checked: creep of the wire; something"
        " new."
    )
    row = {"crossing_kind": "water", "is_near_miss": False}
    told = concerning(dataclasses.replace(case, crossings=(row,)), unchecked)
    assert "clearance over water; rule set 'us' holds no figure; something new." in told


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
