"""Steps: proper order, made from the drop's own data."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.reports.sheets.hazard_table import hazards_of
from geoplan.work.drop_case import compass, feature_name, is_known
from geoplan.work.power_measured import passed_near
from geoplan.work.site_checks import build_site_checks
from geoplan.work.site_words import (
    at_an_end,
    height_to_open,
    names_over,
    out_of,
    parts_of,
    poles_of,
    powers_of,
    reel_is_beyond,
)
from geoplan.work.steps import build_steps
from geoplan.work.steps_of_traffic import roads_shut
from geoplan.work.unmeasured import unchecked
from tests.work.cases import case_of, cases_of_kind

KINDS = ("same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp")


def _at(steps: list[str], words: str) -> int:
    return next(number for number, step in enumerate(steps) if words in step)


@pytest.mark.parametrize("kind", KINDS)
def test_steps_begin_with_the_checks_and_end_with_the_measurement(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        steps = build_steps(case)
        assert "check on site first" in steps[_at(steps, "Walk the line")]
        assert _at(steps, "Walk the line") <= 1
        assert "as-built" in steps[-1]
        assert _at(steps, "House: ladder") < _at(steps, "onnect at terminal")
        assert _at(steps, "onnect at terminal") < _at(steps, "Building run:")


@pytest.mark.parametrize("kind", KINDS)
def test_steps_tell_heights_lengths_and_port_of_the_plan(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        text = " ".join(build_steps(case))
        for words in (
            f"{case.length(case.drop['hook_height_m'])} above the ground",
            f"{case.length(case.drop['attachment_height_m'])} above the ground",
            case.length(case.job["hand_line_m"]),
            f"terminal {case.drop['terminal_id']}, port {case.job['first_port']}",
            case.sag(case.drop["stringing_sag_m"]),
            case.length(case.job["cut_length_m"]),
        ):
            assert words in text


@pytest.mark.parametrize("kind", KINDS)
def test_every_pole_is_sounded_before_a_ladder_goes_up(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        checks, steps = build_site_checks(case, {}), build_steps(case)
        at = _at(checks, "Looked at and sounded before a ladder or climb")
        assert all(pole in checks[at] for pole in poles_of(case))
        assert _at(steps, "check on site first") < _at(steps, "House: ladder")


def test_poor_poles_are_told_first_and_unrated_ones_as_such(demo_work):
    case = case_of(demo_work, "A001")
    job = {**case.job, "poor_poles": "P1;P2", "unrated_poles": "P3"}
    changed = dataclasses.replace(case, job=job)
    first = build_steps(changed)[0]
    assert first.startswith("Do not start until")
    assert "poles P1 and P2, recorded in POOR condition, are judged by the owner (no lad" in first
    assert "(condition not recorded: P3)" in " ".join(build_site_checks(changed, {}))
    job = {**case.job, "unrated_poles": ";".join(poles_of(case))}
    changed = dataclasses.replace(case, job=job)
    assert "(condition not recorded)" in " ".join(build_site_checks(changed, {}))
    job = {**case.job, "poor_poles": None, "unrated_poles": None}
    changed = dataclasses.replace(case, job=job)
    text = " ".join([*build_steps(changed), *build_site_checks(changed, {})])
    assert "POOR" not in text
    assert "not recorded:" not in text


def test_steps_send_to_the_list_of_power_and_name_what_is_along_the_strand(demo_work):
    lines = "E1, supply line, 7200 V: keep 2.0 ft away;N1, neutral, 0 V: keep 1.0 ft away"
    case = case_of(demo_work, "A001")
    job = {**case.job, "power_lines": lines, "run_power": "E3, supply drop, 240 V"}
    near = dataclasses.replace(case, job=job, crossings=())
    steps = build_steps(near)
    assert _at(steps, "Lines under 'Power' are live") < _at(steps, "House: ladder")
    assert "Power along it, live: E3;" in steps[_at(steps, "Strand run")]
    assert "N1, neutral, 0 V: keep 1.0 ft away (a neutral is no dead wire: treat as live)" in (
        powers_of(near)
    )
    job = {**case.job, "power_lines": None, "run_power": None}
    none = build_steps(dataclasses.replace(case, job=job, crossings=()))
    assert "Lines under 'Power'" not in " ".join(none)


def test_no_wire_lies_on_the_road_before_the_hand_line_hangs(demo_work):
    count = 0
    for kind in KINDS[2:]:
        for case in cases_of_kind(demo_work, kind):
            steps = build_steps(case)
            control = _at(steps, "Now set up traffic control")
            assert _at(steps, "House: ladder") < control < _at(steps, "carry ")
            assert control < min(
                _at(steps, "SECOND ladder to") if reel_is_beyond(case) else 99,
                _at(steps, "Hang the hand line"),
            )
            assert _at(steps, "Hang the hand line") < _at(steps, "carry ")
            assert _at(steps, "carry ") < _at(steps, "in one pull")
            opened = "open the road" if is_known(height_to_open(case)) else "Open the road"
            if set(names_over(case)) <= set(roads_shut(case)):  # shut until all work there is done
                opened = "Ladder off the strand: measure over"
            assert _at(steps, "in one pull") <= _at(steps, opened)
            roads = [str(row["feature_name"]) for row in case.crossed("road")]
            assert roads
            assert all(road in steps[control] for road in roads)
            count += 1
    assert count > 15


@pytest.mark.parametrize("kind", KINDS)
def test_the_wire_is_clamped_at_the_house_before_it_is_raised(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        steps = build_steps(case)
        raised = _at(steps, "Raise the wire")
        run = case.length(case.job["building_run_m"])
        if reel_is_beyond(case):
            assert _at(steps, f"drop clamp on {run} from the wire's end") < raised
            assert _at(steps, "hang its clamp there") < raised
            house = steps[_at(steps, "House: ladder")]
            assert "Leave this ladder standing" in house
            assert raised < _at(steps, "and cut:")
        else:
            house = _at(steps, f"Leave {run} for the building run beyond the clamp")
            assert house < _at(steps, "carry the ") < raised
            assert "Leave this ladder standing" not in " ".join(steps)


@pytest.mark.parametrize("kind", KINDS[:2])
def test_no_street_is_spoken_of_where_none_is_near(demo_work, kind):
    seen = 0
    for case in cases_of_kind(demo_work, kind, 200):
        job = case.job
        if case.road_name or case.crossed("road") or job["run_roads"] == job["run_roads"]:
            continue
        text = " ".join(build_steps(case))
        for word in ("traffic", "carriageway", "street", "over the road", "signs"):
            assert word not in text.replace(str(case.drop["label"]), "").replace(" Street", "")
        seen += 1
    assert seen > 5


def test_signs_are_taken_down_only_where_some_were_set_up(demo_work):
    signed = set()
    for kind in KINDS:
        for case in cases_of_kind(demo_work, kind, 40):
            steps = build_steps(case)
            has = "on each approach the nearest sign" in " ".join(steps)
            assert ("take down all signs" in steps[-1]) == has
            signed.add(has)
    assert signed == {True, False}


def test_flaggers_hold_traffic_and_no_gap_is_waited_for(demo_work):
    ids = demo_work.jobs.loc[demo_work.jobs["traffic_class"].eq("flaggers"), "address_id"]
    crossing = 0
    for name in ids:
        case = case_of(demo_work, name)
        text = " ".join(build_steps(case))
        assert "gap in traffic" not in text
        if case.is_over_street:
            assert text.count("while the flaggers hold traffic") == 1
            assert text.index("while the flaggers hold") < text.index("in one pull, traffic still")
            crossing += 1
    assert crossing > 2


def test_over_water_no_road_is_named_and_the_water_is(demo_work):
    crossings = demo_work.crossings
    ids = crossings.loc[crossings["crossing_kind"].eq("water"), "address_id"].unique()
    assert len(ids) > 2
    for name in ids:
        case = case_of(demo_work, name)
        steps = build_steps(case)
        assert "permit of the owner of Nerrel Creek" in steps[0]
        assert "over Nerrel Creek" in steps[_at(steps, "carry the ")]
        assert not any("traffic" in step or "signs" in step for step in steps)


def test_the_last_step_tells_what_to_read_and_from_where(demo_work):
    words = set()
    for kind in KINDS:
        for case in cases_of_kind(demo_work, kind, 60):
            drop, last = case.drop, build_steps(case)[-1]
            assert f"{case.length(drop['margin_required_m'])} asked" in last
            if str(drop["margin_over"]).startswith("power "):
                assert f"{case.length(drop['margin_available_m'])} at its least" in last
                continue
            at_wall = at_an_end(case) == "the house attachment"
            assert ("is the house attachment itself" in last) == at_wall
            words.add(at_wall)
            if at_wall:
                assert (
                    f"its height, at least {case.length(drop['attachment_height_m'])} on any"
                    in last
                )
                continue
            at_c = drop["stringing_temperature_c"]
            (row,) = [row for row in case.stringing if row["temperature_c"] == at_c]
            there = f"{case.length(row['height_there_m'])} at {case.temperature(at_c)}"
            assert f"at least what the stringing table has for today: {there}" in last
            assert f"at least {case.length(drop['margin_available_m'])} today" not in last
    assert words == {True, False}


def test_a_height_for_today_that_was_not_worked_out_is_said_to_be_so(demo_work):
    case = case_of(demo_work, "A001")
    drop = {**case.drop, "margin_over": "yard", "margin_at_m": 5.0}
    bare = dataclasses.replace(case, drop=drop, stringing=())
    last = build_steps(bare)[-1]
    assert "over the yard" in last
    assert "what it must be today was NOT worked out" in last
    drop["margin_at_m"] = drop["air_span_m"] - 0.1
    last = build_steps(dataclasses.replace(bare, drop=drop))[-1]
    assert f"its height, at least {case.length(drop['attachment_height_m'])} on any" in last


def test_a_margin_that_was_not_worked_out_is_said_to_be_so(demo_work):
    case = case_of(demo_work, "A001")
    drop = {**case.drop, "margin_available_m": float("nan")}
    assert "clearance was NOT worked out" in build_steps(dataclasses.replace(case, drop=drop))[-1]


def test_trees_roofs_and_other_wires_are_named_before_the_wire_goes_up(demo_work):
    crossings = demo_work.crossings
    kinds = ("power", "tree", "roof", "existing_drop")
    crossed = crossings[crossings["crossing_kind"].isin(kinds) & ~crossings["is_near_miss"]]
    assert set(crossed["crossing_kind"]) == set(kinds)
    for name in crossed["address_id"].unique():
        case = case_of(demo_work, name)
        steps = build_steps(case)
        for row in case.crossed(*kinds):
            told = _at(steps, str(row["feature_id"]))
            assert told < _at(steps, "Hang the hand line")


def test_unknown_kind_is_refused(demo_work):
    case = case_of(demo_work, "A001")
    wrong = dataclasses.replace(case, job={**case.job, "job_kind": "by_balloon"})
    with pytest.raises(ValueError, match="'by_balloon'"):
        build_steps(wrong)


@pytest.mark.parametrize(
    ("dx", "dy", "word"),
    [(0, 1, "north"), (1, 0, "east"), (-1, -1, "south-west"), (1, -1, "south-east"), (0, 0, "")],
)
def test_compass_words_follow_grid_north(dx, dy, word):
    assert compass(dx, dy) == word


def test_a_building_that_the_wire_grazes_is_named(demo_work):
    case = case_of(demo_work, "A001")
    row = {
        "crossing_kind": "roof", "feature_id": "B9", "feature_name": None, "at_m": 4.0,
        "is_near_miss": True, "distance_m": 0.1, "clearance_basis": "none",
        "clearance_note": None,
    }  # fmt: skip
    drop = {**case.drop, "swing_worst_m": 0.05}  # within the swing a hold tells of it
    case = dataclasses.replace(case, drop=drop)
    near = build_steps(dataclasses.replace(case, crossings=(*case.crossings, row)))
    words = f"Building B9, {case.length(4.0)} from the clamp: the wire passes {case.length(0.1)}"
    assert _at(near, words) < _at(near, "House: ladder")
    assert not any(words in step for step in build_steps(case))


def test_signs_stand_before_the_reel_and_before_a_house_ladder_by_a_road(demo_work):
    seen = 0
    for kind in KINDS:
        for case in cases_of_kind(demo_work, kind, 40):
            steps = build_steps(case)
            if not any("Now set up traffic control" in step for step in steps[:6]):
                continue
            signs = _at(steps, "Now set up traffic control")
            assert signs < _at(steps, "Reel ")
            seen += 1
            near = {
                **case.places,
                "house_ladder": "here; 1.0 m from the carriageway of A",
            }
            told = build_steps(dataclasses.replace(case, places=near))
            assert _at(told, "Now set up traffic control") < _at(told, "House: ladder")
    assert seen > 60


def test_power_at_a_place_is_told_in_the_step_that_sets_it_up(demo_work):
    case = case_of(demo_work, "A001")
    places = "house_ladder: E2, 3.7 ft above it;ladder: E3;reel: E4;terminal: E5"
    places += ";wall: E2, lands on this house 1 m off;wall: E6, lands on this house 9 m off"
    places += ";wall: E7, lands on this house 3 m off;house: E7, lands on this house 3 m off"
    steps = build_steps(dataclasses.replace(case, job={**case.job, "power_places": places}))
    house = steps[_at(steps, "House: ladder")]
    assert "Live there: E2, 3.7 ft above it: ladder to the other side" in house
    building = steps[_at(steps, "Building run")]
    assert "clear of E2, live; E7, live, lands on this house 3 m off: keep run" in building
    assert "E7, live, lands on this house 3 m off: keep the ladder off" in house
    assert "E6" not in house + building
    assert "E3 over or by it, live" in steps[_at(steps, "ladder to the strand")]
    assert "E4 over it, live" in steps[_at(steps, "Reel ")]
    connected = steps[_at(steps, "Connect at")]
    assert "E5 is close and live: head and hands below the strand" in connected


def test_other_strands_in_the_line_are_told_with_other_wires(demo_work):
    case = case_of(demo_work, "A001")
    job = {**case.job, "strands_met": "strand P1-P2, 16.0 ft out"}
    steps = build_steps(dataclasses.replace(case, job=job))
    assert "strand P1-P2 (16.0 ft out)" in steps[_at(steps, "Other wire in the line")]
    assert "Measure at strand P1-P2 too, for the box." in steps[-1]


def test_every_blank_of_a_clearance_is_filled_in_by_the_last_step(demo_work):
    crossings = demo_work.crossings
    rows = crossings[crossings["clearance_basis"] == "not_checked"]
    kinds = set()
    for name in sorted(set(rows["address_id"])):
        case = case_of(demo_work, name)
        steps, boxes = build_steps(case), " ".join(build_site_checks(case, {}))
        for row in unchecked(case):
            told = f"{feature_name(row)} ({out_of(case, float(row['at_m']))})"
            assert f"Clearance at {told} NOT CHECKED" in boxes
            assert (told in steps[-1]) == (row["crossing_kind"] != "power")
            kinds.add(row["crossing_kind"])
    assert kinds >= {"water", "existing_drop", "planned_drop"}
    drives = demo_work.jobs.loc[demo_work.jobs["drives_beside"].notna(), "address_id"]
    case = case_of(demo_work, drives.iloc[0])
    name = parts_of(case.job["drives_beside"])[0].partition(", ")[0]
    assert f"at the edge of {name}" in build_steps(case)[-1]


def test_a_line_passed_near_is_measured_before_the_wire_goes_up(demo_work):
    case = case_of(demo_work, "A218")
    (name,) = passed_near(case)
    told = build_steps(case)
    assert f"Measure to {name}, live, before the wire goes up." in told[_at(told, "hand line over")]
    rows = [row for row in hazards_of(case) if name in row[1]]
    assert [row[2].endswith("Measured:\N{NO-BREAK SPACE}____") for row in rows] == [True]
    tight = {**case.job, "power_tight": f"{name}: 1 m from the wire"}
    assert passed_near(dataclasses.replace(case, job=tight)) == []


def test_distances_to_power_that_are_not_known_are_measured_before_all_else(demo_work):
    case = case_of(demo_work, "A001")
    for state in ("not_checked", "close", "none"):
        job = {**case.job, "power_approach": state}
        told = build_steps(dataclasses.replace(case, job=job))
        walk = told[_at(told, "Walk the line")]
        assert ("Measure now, from the ground" in walk) == (state == "not_checked")
