"""The strand run: poles, roads, power, and how it is reached."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.holds import build_holds
from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.side_roads import BY_CREW, BY_FLAGGER
from geoplan.work.site_checks import build_site_checks
from geoplan.work.site_words import roads_over
from geoplan.work.steps_along_strand import connection, strand_run
from tests.work.cases import case_of


def _changed(case, *, job=None, drop=None):
    return dataclasses.replace(
        case, job={**case.job, **(job or {})}, drop={**case.drop, **(drop or {})}
    )


@pytest.fixture
def case(demo_work):
    """Return a run past two poles that no road is near."""
    quiet = dataclasses.replace(case_of(demo_work, "A001"), crossings=(), road_name="")
    return _changed(
        quiet,
        job={
            "run_poles": "P1;P2;P3", "run_roads": None, "run_power": None, "run_trees": None,
            "other_roads": None, "is_bucket_job": False, "is_run_bucket": False,
            "run_reach_note": None, "is_over_street": False, "last_ladder": None,
        },
        drop={"terminal_id": "P3", "access_pole_id": "P1", "strand_ladder": "allowed"},
    )  # fmt: skip


OVER = {
    "run_roads": "Main Street", "run_traffic_class": "flaggers", "run_sign_1_m": 30.0,
    "run_sign_2_m": 40.0, "run_sign_3_m": None, "run_taper_m": 20.0, "run_buffer_m": 50.0,
    "run_asked_m": 4.7, "is_run_bucket": True, "run_reach_note": "hangs over Main Street",
}  # fmt: skip


def test_poles_power_and_trees_of_the_run_are_named(case):
    (run,) = strand_run(_changed(case, job={"run_power": "E9, line, 240 V", "run_trees": "V1;V2"}))
    assert "from the clamp, past poles P1 and P2 to pole P3" in run
    assert "Move the ladder along, lashed each time; look up first" in run
    assert "Onto other people's lots only with their leave" in run
    assert "No ladder on a span whose strand failed the check" in run
    assert "Power along it, live: E9; approach distance not kept: stop." in run
    assert "Through the crown of V1 and V2" in run


def test_over_a_road_traffic_comes_first_and_no_ladder_goes_along(case):
    over = _changed(case, job=OVER)
    control, run = strand_run(over)
    one, two, taper, buffer = (case.length(far) for far in (30.0, 40.0, 20.0, 50.0))
    assert control.startswith(
        "Now set up traffic control on Main Street for the strand run: flaggers; on each approach"
        f" the nearest sign {one} before the taper, the next {two} farther; taper {taper}, buffer"
        f" {buffer}."
    )
    assert (
        "flaggers besides the crew let traffic by in turn while the truck is in a lane" in control
    )
    assert "By bucket, the lane closed where it works over Main Street: no ladder" in run
    assert "Move the ladder" not in run
    assert run.endswith(f"over Main Street NOT WORKED OUT: measure it, {case.length(4.7)} asked.")
    last = connection(over)
    assert last.startswith("From the bucket connect at terminal P3")
    assert last.endswith(
        " Bucket down, truck away and the clearance measured: only then open Main Street."
    )
    lane = _changed(over, job={"run_roads": None, "run_lanes": "Side Lane"})
    assert connection(lane).endswith("Bucket down, truck away: only then open Side Lane.")
    assert "open" not in connection(case)
    assert "permit for Main Street" in build_holds(over)[-1].until


ROAD = {
    "crossing_kind": "road", "feature_id": "R1", "feature_name": "Main Street",
    "is_near_miss": False, "is_overhang": False, "required_m": 4.7, "margin_m": 0.1,
    "clearance_basis": "computed", "at_m": 5.0, "start_m": 4.0, "end_m": 6.0,
}  # fmt: skip


def test_a_road_is_shut_again_while_the_ladder_is_on_the_clamps_span(case):
    over = dataclasses.replace(case, crossings=(ROAD,))
    hold, run = strand_run(over)
    name = roads_over(over)
    assert hold.startswith(f"Hold traffic again on {name}: on the clamp's span the ladder")
    assert "No ladder on a span whose strand failed the check." in run
    assert run.endswith(
        f"Ladder off that span: measure over {name}, {case.length(4.7)} or more; then open the"
        " road."
    )
    side = {"traffic_class": "short_stop", "traffic_reasons": f"side road Hask Lane: {BY_CREW[0]}"}
    hold, _ = strand_run(_changed(over, job=side))
    assert hold.startswith(f"Hold traffic again on {name}, those at Hask Lane too: on the clamp's")
    by_flagger = {"traffic_class": "flaggers", "traffic_reasons": f"side road Y: {BY_FLAGGER[0]}"}
    hold, _ = strand_run(_changed(over, job=by_flagger))
    assert ", those at Y too: " in hold
    lane = f"pole P1 1 m from the carriageway of {name}, x: {LANE_BESIDE}"
    _, run = strand_run(_changed(over, job={"traffic_reasons": lane}))
    assert run.endswith("then open the road but for its closed lane.")
    elsewhere = lane.replace(name, "Side Lane")
    _, run = strand_run(_changed(over, job={"traffic_reasons": elsewhere}))
    assert run.endswith("then open the road.")
    shut = lane.replace(LANE_BESIDE, ROAD_BESIDE)
    _, run = strand_run(_changed(over, job={"traffic_reasons": shut}))
    assert run.endswith(f"measure over {name}, {case.length(4.7)} or more.")
    unknown = dataclasses.replace(case, crossings=({**ROAD, "clearance_basis": "not_checked"},))
    assert strand_run(unknown)[1].endswith(f"measure over {name}; then open the road.")
    (run,) = strand_run(_changed(over, job={"is_run_bucket": True}))
    assert "Hold traffic again" not in run


def test_wires_of_others_over_a_road_are_told_for_the_run_too(case):
    (run,) = strand_run(_changed(case, job={"span_drops_over": "A8;A9"}))
    told = "traffic held below A8 and A9 until the ladder is off it."
    assert run.endswith(f"On the clamp's span as before: {told}")


def test_a_run_over_a_road_is_never_told_by_ladder(case):
    (control, run) = strand_run(
        _changed(case, job={**OVER, "is_run_bucket": False, "run_traffic_class": None})
    )
    assert "its kind was NOT WORKED OUT, ask the office first" in control
    assert "by bucket only, the lane closed; no ladder there" in run
    assert "Move the ladder" not in run


def test_the_road_that_the_air_span_crosses_is_held_again(case):
    row = {"crossing_kind": "road", "feature_id": "R1", "feature_name": "Main Street",
           "is_near_miss": False}  # fmt: skip
    crossing = dataclasses.replace(case, crossings=(row,))
    control, _ = strand_run(_changed(crossing, job={**OVER, "run_traffic_class": "short_stop"}))
    assert control.startswith("Hold traffic again on Main Street for the strand run: short stop")
    assert "A second person holds traffic, and does nothing else" in control


def test_no_ladder_along_a_strand_that_bears_none(case):
    (run,) = strand_run(_changed(case, job={"is_bucket_job": True}))
    assert "By bucket: no ladder on the strand." in run
    assert "Move the ladder" not in run
    note = "strand P1-P2 is in poor condition"
    bucket = _changed(case, job={"is_run_bucket": True, "run_reach_note": note})
    assert f"By bucket ({note}): no ladder" in strand_run(bucket)[0]


def test_a_run_that_was_not_worked_out_is_said_to_be_so(demo_work):
    drops = demo_work.drops
    ids = drops.loc[drops["route_kind"].eq("other_pole"), "address_id"]
    assert len(ids) > 20
    words = "(no span was worked out): small, poor or unmarked: bucket, no ladder"
    for name in ids:
        case = case_of(demo_work, name)
        text = " ".join(build_site_checks(case, {}))
        assert (words in text) != case.job["is_run_bucket"]


def test_a_direct_drop_has_no_run_and_its_ladder_stays(demo_work):
    drops = demo_work.drops
    name = drops.loc[drops["route_kind"].eq("direct"), "address_id"].iloc[0]
    case = case_of(demo_work, name)
    assert strand_run(case) == []
    assert connection(case).startswith("Connect at terminal")


def test_several_ports_are_named_and_the_ladder_goes_to_the_terminal(case):
    job = {"first_port": 2, "last_port": 3, "power_places": None}
    words = connection(_changed(case, job=job))
    assert words.startswith("Set the ladder at pole P3; lash it there")
    assert "ports 2 to 3, with a drip loop" in words


def test_a_run_by_bucket_tells_its_side_its_lane_and_to_look_up(case):
    job = {
        "is_run_bucket": True, "run_reach_note": None, "power_approach": "within",
        "run_truck": "on the strand's south side, in the lane of Main Street",
    }  # fmt: skip
    run = strand_run(_changed(case, job=job))[-1]
    assert "Truck: on the strand's south side, in the lane of Main Street." in run
    assert "Look up before each set-up; boom and bucket below the strand" in run


@pytest.mark.parametrize("state", ["within", "not_checked", "close"])
def test_power_close_to_the_terminal_is_told_where_hands_connect(case, state):
    elsewhere = _changed(case, job={"power_approach": state, "power_places": "hook: E8"})
    assert "live" not in connection(elsewhere)
    near = connection(_changed(case, job={"power_approach": state, "power_places": "terminal: E9"}))
    assert near.endswith("E9 is close and live: head and hands below the strand.")
    far = connection(_changed(case, job={"power_approach": "clear", "power_places": None}))
    assert "head and hands" not in far
