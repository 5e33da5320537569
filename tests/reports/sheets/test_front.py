"""The front says what the plan holds, and never that all is well where nothing was worked out."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest

from geoplan.reports.sheets.content import load_case_words
from geoplan.reports.sheets.front import (
    Clamp,
    alerts_of,
    big_of,
    figures_of,
    kinds_of,
    with_ladder_of,
)
from geoplan.reports.sheets.front_tables import (
    NOT_THEN,
    crossings_of,
    profile_legend,
    rule_key_of,
    stringing_key,
    stringing_notes,
    stringing_of,
)
from geoplan.reports.sheets.gather import SheetSource
from geoplan.reports.sheets.wording import MOST_ALERTS, at_an_end
from geoplan.standards import load_standards
from geoplan.units import say
from geoplan.work.profiles import Envelope
from geoplan.work.side_roads import NOT_HELD
from tests.work.cases import case_of


@pytest.fixture(scope="module")
def clamp_case(demo_work):
    drops = demo_work.drops
    hung = drops["ladder_sag_m"].notna() & drops["margin_over"].eq("yard")
    return case_of(demo_work, drops.loc[hung, "address_id"].iloc[0])


@pytest.fixture(scope="module")
def pole_case(demo_work):
    drops = demo_work.drops
    return case_of(demo_work, drops.loc[drops["route_kind"].eq("direct"), "address_id"].iloc[0])


def changed(case, *, drop=None, job=None, **others):
    return dataclasses.replace(
        case, drop={**case.drop, **(drop or {})}, job={**case.job, **(job or {})}, **others
    )


def crossing(**columns):
    row = {
        "crossing_kind": "power", "feature_id": "E9", "feature_name": None, "feature_class": None,
        "is_near_miss": False, "at_m": 6.0, "start_m": 5.0, "end_m": 7.0, "distance_m": 0.0,
        "required_m": math.nan, "available_m": math.nan, "margin_m": math.nan, "rule": None,
        "clearance_basis": "none", "clearance_note": None,
    }  # fmt: skip
    return {**row, **columns}


def test_flaggers_are_counted_only_where_they_stand(pole_case):
    flagged = changed(pole_case, job={"traffic_class": "flaggers", "crew_size": 2, "flaggers": 5})
    assert dict(kinds_of(flagged, 2))["Who"] == "2 PEOPLE + 5 FLAGGERS"
    bare = changed(flagged, job={"flaggers": None})
    assert dict(kinds_of(bare, 2))["Who"] == "2 PEOPLE + 2 FLAGGERS"
    alone = changed(pole_case, job={"traffic_class": "beside_road", "crew_size": 1})
    assert dict(kinds_of(alone, 2))["Who"] == "ONE PERSON"


@pytest.mark.parametrize(
    ("job", "words"),
    [
        ({"power_approach": "within", "power_approach_m": 3.048},
         "WITHIN APPROACH DISTANCE, keep 10.0 ft away"),
        ({"power_approach": "not_checked", "power_approach_m": math.nan}, "NOT CHECKED"),
        ({"power_approach": "clear",
          "power_lines": "E1, supply line, 7200 V: keep 2.0 ft away;"
          "E2, neutral, voltage not recorded: keep 1.0 ft away"}, "keep 2.0 ft away"),
        ({"power_approach": "within", "power_lines": "E9, supply line, 7200 V: keep 2.0 ft away",
          "power_approach_note": "E1, supply drop, 240 V: 1.0 ft asked for, there is 0.9 ft; rule"},
         "WITHIN APPROACH DISTANCE: E1, 1.0 ft asked"),
        ({"power_approach": "none", "run_power": "E3, supply drop, 240 V"}, "along the strand run"),
    ],
)  # fmt: skip
def test_power_stands_on_the_front(pole_case, job, words):
    bare = {"power_lines": None, "run_power": None, "power_approach_m": math.nan,
            "power_approach_note": None}  # fmt: skip
    assert dict(alerts_of(changed(pole_case, job={**bare, **job})))["Power"] == words


def test_no_power_makes_no_box_on_power(pole_case):
    none = {"power_lines": None, "run_power": None, "power_approach": "none",
            "power_approach_m": math.nan}  # fmt: skip
    assert "Power" not in dict(alerts_of(changed(pole_case, job=none)))


def test_stops_stand_on_the_front_before_all_else(pole_case):
    stop = {"code": "power_crossing", "severity": "error", "what": "crosses power E027",
            "remedy": "", "feature_id": "E027"}  # fmt: skip
    job = {"run_roads": "Hask Lane", "poor_poles": "PS05;PS08", "power_approach": "within"}
    case = changed(pole_case, job=job, hazards=(stop,), drop={"access_pole_id": "PX"})
    alerts = alerts_of(case)
    assert alerts[0] == ("STOP", "crosses power E027: see back")
    assert ("POOR POLE", "PS05, PS08: see back") in alerts
    assert len(alerts) == MOST_ALERTS
    told = "Strand run: OVER Hask Lane; Hook on pole: PX, not the terminal's: see back"
    assert alerts[-1] == ("LOOK", told)


def test_a_side_road_that_nobody_may_hold_stands_on_the_front(pole_case):
    reasons = f"over A Road: flaggers;side road B Road: {NOT_HELD}"
    case = changed(pole_case, job={"traffic_reasons": reasons})
    assert ("NOT WORKED OUT", "control of side road B Road: see back") in alerts_of(case)


def test_every_stop_of_the_plan_is_on_its_front(demo_work):
    stopped = demo_work.hazards.loc[demo_work.hazards["severity"].eq("error"), "address_id"]
    assert len(stopped) > 5
    for address_id in stopped.unique():
        assert alerts_of(case_of(demo_work, address_id))[0][0] == "STOP"


@pytest.mark.parametrize(
    ("kind", "is_near", "words"),
    [("power", True, "LOOK: see 'Power' on the back; treat as live"),
     ("pool", True, "look: no clearance worked out; pools have a rule of their own"),
     ("tree", False, "look: no clearance worked out; leave room for growth and swing"),
     ("lot", False, "look: no clearance worked out but that over the yard"),
     ("planned_drop", False, "look: heights of both wires are not compared")],
)  # fmt: skip
def test_what_was_not_worked_out_says_look(pole_case, kind, is_near, words):
    row = crossing(crossing_kind=kind, is_near_miss=is_near, distance_m=1.0)
    told = crossings_of(changed(pole_case, crossings=(row,)), [])[0]
    assert told[3:] == ("–", "–", "–", words)
    assert (", 3.3 ft aside in plan" in told[1]) == is_near


def test_power_beside_the_wire_has_one_row_with_what_was_worked_out(pole_case):
    places = "wire: E1, just under 1.0 ft (3.3 ft out from the pole), 1.0 ft asked"
    row = crossing(crossing_kind="power", feature_id="E1", is_near_miss=True, distance_m=1.0)
    case = changed(pole_case, crossings=(row, row), job={"power_places": places})
    told = [one for one in crossings_of(case, []) if "E1" in one[1]]
    assert told == [
        ("–", "power E1, beside", "3.3 ft", "1.0 ft", "just under 1.0 ft", "–",
         "approach distance; LIVE: see back"),
    ]  # fmt: skip


def test_nothing_is_said_to_need_no_clearance(demo_work, demo_paper):
    assert "none" in set(demo_work.crossings["clearance_basis"])
    assert not [text for text in demo_paper.texts if "nothing to clear" in text]


def test_reason_of_a_clearance_not_checked_is_told_in_full(pole_case):
    note = "heights of both wires are not compared with each other at all, so look"
    row = crossing(clearance_basis="not_checked", clearance_note=note)
    told = crossings_of(changed(pole_case, crossings=(row,)), [])[0]
    assert told[-1] == f"NOT CHECKED: {note}"


def test_rule_keeps_its_number_and_the_key_tells_the_short_forms(pole_case):
    rule = (
        "National Electrical Safety Code (ANSI C2), Table 232-1, column 1, driveways, parking"
        " lots, alleys (as quoted, edition not stated); secondary"
    )
    row = crossing(crossing_kind="driveway", clearance_basis="computed", required_m=4.7,
                   available_m=6.0, margin_m=1.3, rule=rule)  # fmt: skip
    case = changed(pole_case, crossings=(row,), drop={"margin_over": "driveway E9"})
    told = crossings_of(case, [])
    assert told[0][-1] == "NESC Table 232-1, col. 1, driveways, parking lots, alleys *"
    key = rule_key_of(told)
    assert "National Electrical Safety Code" in key
    assert "*: as quoted elsewhere" in key
    assert "from memory" not in key
    assert rule_key_of([("–",) * 7]) == ""


def test_great_margins_are_lengths_and_no_zero_is_negative(pole_case):
    rows = [crossing(crossing_kind="road", clearance_basis="computed", required_m=4.7, rule="R",
                     available_m=6.0, margin_m=margin, start_m=n)
            for n, margin in enumerate((1.3, 0.5, -0.0001))]  # fmt: skip
    case = changed(pole_case, crossings=tuple(rows), drop={"margin_over": "road E9"})
    assert [told[5] for told in crossings_of(case, [])] == ["4.3 ft", "19.7 in", "0.0 in"]


def test_yard_has_a_row_just_where_it_governs(demo_work):
    of_yard = demo_work.drops["margin_over"].eq("yard")
    assert 0 < of_yard.sum() < len(of_yard)
    for address_id, governs in zip(demo_work.drops["address_id"], of_yard, strict=True):
        case = case_of(demo_work, address_id)
        told = [row for row in crossings_of(case, []) if row[1].startswith("yard")]
        assert len(told) == governs
        for row in told:
            drop = case.drop
            at = "air_span_m" if at_an_end(case) == "the house attachment" else "margin_at_m"
            assert row[2:5] == (case.length(drop[at]),
                                case.length(drop["margin_required_m"]),
                                case.length(drop["margin_available_m"]))  # fmt: skip
            along = case.job["drives_beside"]
            drives = re.findall(r"driveway \w+", along) if isinstance(along, str) else []
            assert row[6].startswith("LOOK: along driveway" if drives else "NESC ")
            assert all(name in row[6] for name in drives)


def test_least_clearance_at_an_end_is_called_so(clamp_case, pole_case):
    span = clamp_case.drop["air_span_m"]
    at_house = changed(clamp_case, drop={"margin_over": "yard", "margin_at_m": span - 0.1})
    assert crossings_of(at_house, [])[-1][1] == "yard (fine dots), at the house attachment itself"
    amid = changed(clamp_case, drop={"margin_over": "yard", "margin_at_m": span / 2})
    assert crossings_of(amid, [])[-1][1] == "yard (fine dots), lowest place"
    hook = changed(pole_case, drop={"margin_over": "yard", "margin_at_m": 0.0}, crossings=())
    assert big_of(hook)[0][3][0] == "Least, at the hook / asked"
    house = changed(hook, drop={"margin_at_m": pole_case.drop["air_span_m"]})
    assert big_of(house)[0][3][0] == "Least, at the house / asked"
    open_ = changed(hook, crossings=(crossing(clearance_basis="not_checked"),))
    assert big_of(open_)[0][3][0] == OPEN_LEAST
    pool = changed(hook, crossings=(crossing(crossing_kind="pool", is_near_miss=True),))
    assert big_of(pool)[0][3][0] == OPEN_LEAST
    tree = changed(hook, crossings=(crossing(crossing_kind="tree", is_near_miss=True),))
    assert big_of(tree)[0][3][0] == "Least, at the hook / asked"
    run = changed(hook, job={"run_roads": "Hask Lane"})
    assert big_of(run)[0][3][0] == OPEN_LEAST


OPEN_LEAST = "Least of the checked / asked"


def test_each_road_below_the_strand_run_has_a_row_not_worked_out(pole_case):
    job = {"run_roads": "Hask Lane;Pruddle Street", "run_asked_m": 4.7244}
    case = changed(pole_case, crossings=(), drop={"margin_over": "road R1"}, job=job)
    told = crossings_of(case, [])
    assert [row[1] for row in told] == ["strand run over Hask Lane",
                                        "strand run over Pruddle Street"]  # fmt: skip
    assert all(row[3:6] == ("15.5 ft", "–", "–") for row in told)
    assert all(row[6].startswith("NOT WORKED OUT") for row in told)
    unknown = changed(case, job={"run_asked_m": math.nan})
    assert crossings_of(unknown, [])[0][3] == "–"


def test_height_asked_over_the_strand_run_is_that_of_the_rules(demo_work):
    over = demo_work.jobs["run_roads"].notna()
    ids = demo_work.jobs.loc[over, "address_id"]
    at = np.flatnonzero(demo_work.drops["address_id"].isin(ids))
    assert len(at) > 5
    for sheet in SheetSource(demo_work, at[:6]).batch(0, 6):
        run = [row for row in sheet["crossings"] if row[1].startswith("strand run over")]
        assert run
        assert all(row[3] == "15.5 ft" for row in run)


def test_clearance_stands_in_large_type_where_a_ladder_leans_over_a_street(demo_work):
    drops = demo_work.drops
    street = drops["is_street_crossing"] & drops["strand_ladder"].eq("allowed")
    for address_id in drops.loc[street, "address_id"].head(5):
        first, second = big_of(case_of(demo_work, address_id))
        assert len(first) == len(second) == 5
        names = [name for name, _ in first]
        assert "Sag, ladder on strand" in names
        assert names[-1].startswith("Least")


def test_a_bucket_job_has_the_clearance_where_no_ladder_sag_is(clamp_case):
    first, second = big_of(changed(clamp_case, job={"is_bucket_job": True}))
    assert len(first) == len(second) == 4
    assert first[3][0].startswith("Least")


def test_traffic_and_reach_of_the_run_stand_beside_those_of_the_air_span(pole_case):
    job = {"traffic_class": "beside_road", "run_traffic_class": "flaggers", "crew_size": 2,
           "is_bucket_job": False, "is_run_bucket": True, "flaggers": 2}  # fmt: skip
    told = dict(kinds_of(changed(pole_case, job=job), 2))
    assert told["Traffic control"] == "BESIDE ROAD; RUN: FLAGGERS"
    assert told["Who"] == "2 PEOPLE + 2 FLAGGERS"
    assert told["Reach"] == "Ladder at the pole; BUCKET for the run"
    same = changed(pole_case, job={**job, "traffic_class": "flaggers", "is_run_bucket": False})
    assert dict(kinds_of(same, 2))["Traffic control"] == "FLAGGERS"
    assert dict(kinds_of(same, 2))["Reach"] == "Ladder at the pole"
    none = changed(pole_case, job={**job, "traffic_class": "none", "run_traffic_class": None})
    assert dict(kinds_of(none, 2))["Traffic control"] == "none"


def test_existing_drops_and_pools_not_worked_out_stand_on_the_front(pole_case):
    rows = (crossing(crossing_kind="pool", feature_id="K13"),
            crossing(crossing_kind="existing_drop", feature_id="X40",
                     clearance_basis="not_checked"))  # fmt: skip
    alerts = dict(alerts_of(changed(pole_case, crossings=rows)))
    assert alerts["NOT WORKED OUT"] == "clearance at pool K13, drop X40"


def test_ladder_words_take_sides_from_the_signs(clamp_case):
    drop = {"ladder_shift_m": -0.0457, "clamp_shift_m": 0.0356, "ladder_sag_m": 0.03,
            "ladder_tension_n": 300.0}  # fmt: skip
    words = with_ladder_of(changed(clamp_case, drop=drop), [])
    assert "pull 67 lbf; the clamp stands 1.8 in away from the house." in words
    assert "the clamp stands 1.4 in toward the house and" in words
    assert "street" not in words
    assert "holds at 60 degF only" in words


def test_ladder_words_name_the_other_drops_of_the_span(clamp_case):
    others = changed(clamp_case, job={"span_drops": "A138;A139"})
    assert "with A138, A139 hung too, on the same strand span." in with_ladder_of(others, [])
    alone = changed(clamp_case, job={"span_drops": None})
    assert "No other drop is planned on this strand span." in with_ladder_of(alone, [])


def test_height_there_has_a_line_by_temperature_and_a_note_of_its_place(pole_case, clamp_case):
    rows = [{"temperature_c": 15.555556, "sag_m": 0.1, "tension_n": 20.0, "height_there_m": 3.3}]
    case = changed(pole_case, drop={"margin_over": "road R1", "margin_at_m": 6.096})
    table = stringing_of(rows, case)
    assert dict(table)["Height, road, ft"] == [("10.8", True)]
    notes = stringing_notes(table, case, "119 lbf at 60 degF, no load")
    assert "Height: wire over the road 20.0 ft from the hook." in notes
    assert "Limits of pull: 119 lbf at 60 degF, no load; no other." in notes
    bare = stringing_of([{**rows[0], "height_there_m": math.nan}], case)
    assert [head for head, _ in bare] == ["At, degF", "Sag, in", "Pull, lbf"]
    assert stringing_notes(bare, case, "") == ""
    hung = changed(clamp_case, drop={"margin_at_m": clamp_case.drop["air_span_m"]})
    words = stringing_notes(stringing_of(rows, hung), hung, "")
    assert words == "Height: wire over the yard at the house attachment, ladder gone."


def test_ladder_words_leave_other_temperatures_to_the_table_that_has_them(clamp_case):
    rows = [{"temperature_c": 15.555556, "sag_m": 0.1, "tension_n": 20.0, "ladder_sag_m": 0.02,
             "ladder_tension_n": 250.0}]  # fmt: skip
    assert "only" not in with_ladder_of(clamp_case, rows)
    table = dict(stringing_of(rows, clamp_case))
    assert table["Ladder on: sag, in"] == [("0.8", True)]
    assert table["Ladder on: pull, lbf"] == [("56", True)]


def test_clamp_that_stays_is_where_it_was(clamp_case):
    words = with_ladder_of(changed(clamp_case, drop={"ladder_shift_m": 0.0001}), [])
    assert "the clamp stands where it was." in words


def test_temperature_without_a_sag_says_not_to_string(pole_case):
    rows = [{"temperature_c": t, "sag_m": sag, "tension_n": sag * 100}
            for t, sag in ((-17.8, math.nan), (15.555556, 0.1))]  # fmt: skip
    table = stringing_of(rows, pole_case)
    assert dict(table)["Sag, in"] == [(NOT_THEN, False), ("3.9", True)]
    assert stringing_key(table).startswith("NO: do not string at this temperature")
    assert stringing_key(stringing_of(rows[1:], pole_case)) == ""


def test_pull_nearest_its_limit_names_its_case_and_that_cases_limit(demo_work, pole_case):
    words = load_case_words(load_standards(demo_work.project), "us")
    assert words["tension_loaded"] == "30 degF, wind"
    assert words["tension_unloaded"] == "60 degF"
    drop = {"tension_case": "tension_loaded", "tension_worst_n": 400.0, "tension_limit_n": 900.0,
            "tension_case_c": -1.111111, "tension_case_load": "wind, constant",
            "sag_worst_case": "clearance_hot"}  # fmt: skip
    told = dict(figures_of(changed(pole_case, drop=drop), None, words))
    assert told["Pull nearest its limit: 30 degF, wind and constant"] == "90 of 202 lbf"
    assert "Worst sag, 120 degF" in told


def test_wire_of_no_length_is_left_out(pole_case):
    case = changed(pole_case, job={"strand_wire_m": 0.0, "pole_run_m": 1.0})
    told = dict(figures_of(case, None, {}))
    assert "Wire: on the strand" not in told
    assert told["Wire: at the pole"] == "3.3 ft"


def test_clamp_is_told_from_both_poles_the_nearer_first(clamp_case):
    told = figures_of(clamp_case, Clamp("PM01", 0.37, "PM02", 42.8), {})
    assert told[3:5] == [("Clamp from PM01", "1.2 ft"), ("Clamp from PM02", "140.4 ft")]


def test_clamps_of_the_plan_lie_between_their_poles(demo_work, demo_paper):
    spans = demo_work.layers.spans
    poles = demo_work.layers.poles.geometry
    drops = demo_work.drops[demo_work.drops["clamp_at_m"].notna()]
    starts = demo_work.air_spans.set_index("address_id").geometry
    for drop in drops.itertuples():
        span = spans.loc[drop.strand_span_id]
        text = demo_paper.sheet(drop.address_id)
        begin = starts[drop.address_id].coords[0]
        for pole in (span["from_pole_id"], span["to_pole_id"]):
            (told,) = re.findall(rf"Clamp from {pole} ([\d.]+) ft", text)
            measured = np.hypot(*(np.array(begin[:2]) - poles[pole].coords[0][:2])) / 0.3048
            assert float(told) == pytest.approx(measured, abs=0.11), (drop.address_id, pole)


def test_legend_tells_only_of_marks_that_are_there(pole_case):
    assert "Grey" not in profile_legend(pole_case, [])
    assert "table below" not in profile_legend(pole_case, [])
    zeros = np.zeros(3)
    road = Envelope("1", "road", "R1", "", 1.0, 2.0, 1.5, zeros, 4.7, 6.0, 1.3, "computed")
    assert "Grey: to be kept clear" in profile_legend(pole_case, [road])
    assert "table below" in profile_legend(pole_case, [road])
    power = dataclasses.replace(road, kind="power")
    assert "Grey" not in profile_legend(pole_case, [power])


def test_lots_passed_are_named_by_their_address(demo_work):
    rows = demo_work.crossings[demo_work.crossings["crossing_kind"].eq("lot")]
    labels = demo_work.layers.addresses.set_index("parcel_id")["label"]
    row = next(r for r in rows.itertuples() if r.feature_id in labels.index)
    at = np.flatnonzero(demo_work.drops["address_id"].eq(row.address_id))
    sheet = SheetSource(demo_work, at).batch(0, 1)[0]
    label = labels[row.feature_id]
    assert any(f"lot {row.feature_id} ({label})" in told[1] for told in sheet["crossings"])
    assert any(f"{label} (lot {row.feature_id})" in words for words in sheet["checks"])


def test_least_clearance_in_large_type_is_that_of_the_plan(pole_case):
    drop = pole_case.drop
    there = say(drop["margin_available_m"], "length", "us").removesuffix(" ft")
    assert big_of(pole_case)[0][3][1] == f"{there} / {pole_case.length(drop['margin_required_m'])}"


def test_a_wire_that_may_touch_a_building_stops_on_the_front(pole_case):
    row = crossing(crossing_kind="roof", feature_id="B9", is_near_miss=True, distance_m=0.0)
    near = changed(pole_case, crossings=(row,))
    told = f"wire may touch building B9, {near.length(0.0)} aside: see back"
    assert ("STOP", told) in alerts_of(near)


def test_planned_drops_and_other_strands_not_worked_out_stand_on_the_front(pole_case):
    row = crossing(crossing_kind="planned_drop", feature_id="A9", clearance_basis="not_checked")
    job = {"strands_met": "strand P1-P2, 5.0 ft out"}
    told = dict(alerts_of(changed(pole_case, crossings=(row,), job=job)))
    assert told["NOT WORKED OUT"] == "clearance at drop A9, strand P1-P2"
