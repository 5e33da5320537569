"""What a job waits for: told as step 1 and as a box with a place for a name or number."""

from __future__ import annotations

import dataclasses
import re

import pytest

from geoplan.work.holds import BLANK, BY_NAME, NO_ADDRESS, NUMBER, build_holds, first_part
from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.run_trucks import CLOSES
from geoplan.work.side_roads import FOR_RUN, NOT_HELD
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps
from tests.work.cases import case_of


@pytest.fixture
def quiet(demo_work):
    """Return a drop that crosses nothing that anybody must allow, with power that is clear."""
    case = case_of(demo_work, "A001")
    return dataclasses.replace(
        case,
        crossings=(),
        hazards=(),
        places={},
        job={
            **case.job, "power_approach": "clear", "is_owner_permit_needed": False,
            "poor_poles": None, "run_roads": None, "near_rail": None, "first_port": 1,
            "last_port": 1, "run_lots": None, "run_lots_sides": None, "run_trees": None,
            "run_lanes": None,
        },
    )  # fmt: skip


def test_nothing_to_wait_for_is_no_step(quiet):
    assert build_holds(quiet) == []
    assert build_steps(quiet)[0].startswith("Walk the line")


@pytest.mark.parametrize(
    ("changes", "until", "box"),
    [
        (
            {"power_approach": "within", "power_approach_note": "E9, supply drop: 0.2 m; rule"},
            "made E9 safe",
            "WITHIN THE APPROACH DISTANCE: E9, supply drop: 0.2 m. Made safe or allowed by",
        ),
        (
            {"power_approach": "not_checked", "power_approach_note": "E7, line: not known; rule"},
            "the distance to E7 is judged (NOT CHECKED)",
            "NOT CHECKED: E7, line: not known. Judged by",
        ),
        ({"is_owner_permit_needed": True}, "the permit of the owner of", "Owner's permit for"),
        ({"run_roads": "Mill Lane"}, "the permit for Mill Lane is here", "Permit for Mill Lane: n"),
        (
            {"near_rail": "T1, 3.0 ft from the ladder"},
            "railway allows work near track T1",
            "Work near track T1 (3.0 ft from the ladder): allowed",
        ),
        ({"poor_poles": "P1;P2"}, "poles P1 and P2, recorded in POOR", "recorded of poles P1 and"),
        ({"last_port": 2}, "what goes on each of ports 1 to 2", "2 ports (1 to 2), one wire: what"),
    ],
)
def test_power_and_owners_stop_the_job(quiet, changes, until, box):
    case = dataclasses.replace(quiet, job={**quiet.job, "power_lines": None, **changes})
    first = build_steps(case)[0]
    assert first.startswith("Do not start until ")
    assert until in first
    check = build_site_checks(case, {})[0]
    assert box in check
    assert check.endswith(BLANK)


def test_every_stop_of_the_demo_is_a_step_and_a_box(demo_work):
    hazards = demo_work.hazards
    stops = hazards[hazards["severity"].eq("error")]
    assert len(stops) > 5
    for row in stops.itertuples():
        case = case_of(demo_work, row.address_id)
        first, checks = build_steps(case)[0], build_site_checks(case, {})
        assert first.startswith("Do not start until")
        name = {r["feature_id"]: r["feature_name"] for r in case.crossings}.get(row.feature_id)
        word = name if isinstance(name, str) else str(row.feature_id)
        assert word in first
        assert any(word in check and check.endswith(BLANK) for check in checks)


def test_roads_and_other_lots_need_a_paper(demo_work):
    hazards = demo_work.hazards
    for code, word in (("street_crossing", r"permits? for"), ("third_party_lot", r"easements? ov")):
        ids = hazards.loc[hazards["code"].eq(code), "address_id"].unique()
        assert len(ids) > 5
        for name in ids:
            assert re.search(word, build_steps(case_of(demo_work, name))[0])


def test_a_stop_of_an_unknown_kind_is_told_as_it_is(quiet):
    row = {"severity": "error", "code": "new_kind", "what": "hangs over a well"}
    case = dataclasses.replace(quiet, hazards=(row,))
    assert "this is settled: hangs over a well" in build_steps(case)[0]


def test_a_note_on_power_is_taken_up_to_its_rule():
    assert first_part("E1, 240 V: 1 ft asked for; some rule; more") == "E1, 240 V: 1 ft asked for"
    assert first_part(None) == ""


def _row(kind, name, distance_m, **columns):
    return {"crossing_kind": kind, "feature_id": name, "feature_name": None, "at_m": 5.0,
            "is_near_miss": True, "distance_m": distance_m, "clearance_basis": "none",
            **columns}  # fmt: skip


def test_pools_without_a_clearance_stop_the_job(quiet):
    case = dataclasses.replace(quiet, crossings=(_row("pool", "K1", 1.0), _row("pool", "K2", 2.0)))
    (hold,) = build_holds(case)
    assert "the office has settled the clearance at pools K1 and K2 (not worked out)" in hold.until
    assert "pools K1 and K2 NOT WORKED OUT" in hold.box


@pytest.mark.parametrize(
    ("distance_m", "swing_m", "is_held"),
    [(0.3, 0.5, True), (0.6, 0.5, False), (0.6, float("nan"), True), (float("nan"), 0.5, True)],
)
def test_a_building_within_the_swing_stops_the_job(quiet, distance_m, swing_m, is_held):
    drop = {**quiet.drop, "air_span_m": 10.0, "swing_worst_m": swing_m}  # at its middle
    case = dataclasses.replace(quiet, crossings=(_row("roof", "B1", distance_m),), drop=drop)
    assert ("room and height at building B1 beside" in _until(case)) == is_held


def test_a_building_beside_the_wire_is_told_once_with_what_to_measure(quiet):
    drop = {**quiet.drop, "air_span_m": 10.0, "swing_worst_m": 0.5}
    rows = (_row("roof", "B1", 0.3), _row("roof", "B2", 0.8))
    case = dataclasses.replace(quiet, crossings=rows, drop=drop)
    (hold,) = build_holds(case)
    assert (
        f"B1 (16.4 ft from the clamp, 1.0 ft aside, the wire swings {case.length(0.5)})" in hold.box
    )
    assert "B2" not in hold.box
    assert hold.box.count(BLANK) == 3
    steps = [step for step in build_steps(case) if step.startswith("Building ")]
    assert [("B1" in step, "B2" in step) for step in steps] == [(False, True), (False, False)]
    unknown = dataclasses.replace(case, crossings=(rows[1] | {"clearance_basis": "not_checked"},))
    assert "building B2" in _until(unknown)


def _until(case):
    """Return what the job waits for."""
    return " ".join(hold.until for hold in build_holds(case))


def test_each_easement_and_each_neighbour_has_a_line_of_its_own(quiet):
    lots = (
        _row("lot", "L1", 0.0) | {"is_near_miss": False, "feature_name": "1 Mill Lane"},
        _row("lot", "L2", 0.0) | {"is_near_miss": False},
    )
    places = {"ladder": "below; on lot L3: ask there first", "reel": "on lot L3: ask there first"}
    case = dataclasses.replace(quiet, crossings=lots, places=places)
    easement, leave = build_holds(case)
    assert easement.box == (
        f"Easement over 1 Mill Lane (lot L1): {NUMBER}; lot L2 (owner not in the layers: find out):"
        f" {NUMBER}"
    )
    assert leave.until == "leave is given to stand on lot L3"
    assert "lot L3 (owner not in the layers: find out), for ladder and reel: (name)" in leave.box
    assert "ask there first" not in " ".join(build_steps(case))


def test_an_address_in_the_road_waits_for_the_office(quiet):
    doubt = "it is in the carriageway of R1"
    case = dataclasses.replace(quiet, doubts=(doubt,))
    assert "the office has named the house" in build_holds(case)[0].until
    findings = {("addresses", str(case.drop["address_id"])): [doubt]}
    assert "see which house it is" not in " ".join(build_site_checks(case, findings))


def test_a_roof_is_passed_only_with_its_owners_leave(quiet):
    roof = _row("roof", "B5", 0.0) | {"is_near_miss": False}
    (hold,) = build_holds(dataclasses.replace(quiet, crossings=(roof,)))
    assert hold.until == "the owner allows a wire over roof B5"
    assert hold.box.startswith("Leave to pass over roof B5: (name)")


def test_a_line_too_near_is_not_judged_without_the_others(quiet):
    changes = {
        "power_approach": "not_checked",
        "power_approach_note": "E7, line: not known; by a rule",
        "power_lines": "E7, line: keep 1.0 m away; E8, line: keep 1.0 m away",
    }
    changes["power_places"] = "short: E8;short: E7"
    (hold,) = build_holds(dataclasses.replace(quiet, job={**quiet.job, **changes}))
    assert "the distance to E7 and E8 is judged" in hold.until
    assert "Not kept or not known too: E8. Judged by" in hold.box


def test_leave_for_the_strand_run_is_asked_before_the_start(quiet):
    lots = {"run_lots": "L1 (1 Mill Lane);L2", "run_trees": "V1"}
    run, crown = build_holds(dataclasses.replace(quiet, job={**quiet.job, **lots}))
    assert run.until == "leave is given for the strand run on lots L1 and L2"
    told = f"on lots L1 (1 Mill Lane) and L2 ({NO_ADDRESS}): {BY_NAME}"
    assert run.box == f"Leave for the strand run {told}"
    assert crown.box == f"Leave to trim V1: {BY_NAME}"


def test_leave_on_one_side_of_the_run_is_enough_where_either_will_do(quiet):
    sides = "north side: L1 (1 Mill Lane);north side: L2;south side: L3 (4 Hill Road)"
    (hold,) = build_holds(dataclasses.replace(quiet, job={**quiet.job, "run_lots_sides": sides}))
    told = "on one side: lots L1 and L2 (north side) or lot L3 (south side)"
    assert hold.until == f"leave is given for the ladder along the run {told}"
    assert f"north, lots L1 (1 Mill Lane) and L2 ({NO_ADDRESS}): {BY_NAME}; or south" in hold.box
    assert hold.box.endswith(f"south, lot L3 (4 Hill Road): {BY_NAME}")


def test_a_side_road_that_nobody_may_hold_stops_the_job(quiet):
    reasons = f"over A Road: flaggers;{FOR_RUN}side road B Road (both ways): {NOT_HELD}"
    case = dataclasses.replace(quiet, job={**quiet.job, "traffic_reasons": reasons})
    (hold,) = build_holds(case)
    assert hold.until == "how side road B Road (both ways) is held is settled with its owner"
    assert hold.box.startswith("Control of side road B Road (both ways) NOT WORKED OUT")
    assert hold.box.endswith(BY_NAME)


def test_a_road_that_one_person_closes_needs_a_permit_that_says_so(quiet):
    road = _row("road", "R1", 0.0) | {"is_near_miss": False, "feature_name": "Snib Alley"}
    job = {**quiet.job, "traffic_class": "short_stop", "crew_size": 1}
    (alone,) = build_holds(dataclasses.replace(quiet, crossings=(road,), job=job))
    assert alone.until == "the permit for Snib Alley is here and lets it be closed for the work"
    assert alone.box == f"Permit for Snib Alley and its closing: {NUMBER}"
    (two,) = build_holds(dataclasses.replace(quiet, crossings=(road,), job={**job, "crew_size": 2}))
    assert two.box == f"Permit for Snib Alley: {NUMBER}"


def test_the_lane_of_the_truck_needs_a_permit(quiet):
    job = {**quiet.job, "run_roads": "A Street", "run_lanes": "B Street"}
    (hold,) = build_holds(dataclasses.replace(quiet, job=job))
    assert hold.until == "the permits for A Street and B Street are here"
    closes = {**job, "run_truck": f"on the strand's north side, in the lane of B Street{CLOSES}"}
    (hold,) = build_holds(dataclasses.replace(quiet, job=closes))
    assert hold.until.endswith("B Street are here and let B Street be closed for the work")
    assert hold.box == f"Permit for A Street: {NUMBER}; B Street and its closing: {NUMBER}"


def test_a_lane_closed_at_the_kerb_and_a_road_held_for_others_need_permits(quiet):
    lane = "clamp 1 m from the carriageway of A Street, x: the lane beside it closed: flaggers"
    case = dataclasses.replace(quiet, job={**quiet.job, "traffic_reasons": lane})
    (hold,) = build_holds(case)
    assert hold.box == f"Permit for A Street: {NUMBER}"
    shut = {**quiet.job, "traffic_reasons": lane.replace(LANE_BESIDE, ROAD_BESIDE)}
    (hold,) = build_holds(dataclasses.replace(quiet, job=shut))
    assert hold.until == "the permit for A Street is here and lets it be closed for the work"
    assert hold.box == f"Permit for A Street and its closing: {NUMBER}"
    below = {"span_drops_over": "A8", "span_drops_busy": None, "traffic_class": "short_stop"}
    job = {**quiet.job, **below, "crew_size": 2, "is_bucket_job": False}
    (hold,) = build_holds(dataclasses.replace(quiet, job=job, road_name="B Alley"))
    assert hold.box == f"Permit for B Alley: {NUMBER}"
