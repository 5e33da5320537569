"""Steps of traffic control: signs first, posts of the crew, the strand run apart."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.side_roads import BY_CREW, BY_FLAGGER, FOR_RUN
from geoplan.work.site_checks import build_site_checks
from geoplan.work.site_words import roads_over, side_roads_held, while_held
from geoplan.work.steps_at_support import open_road
from geoplan.work.steps_of_traffic import traffic, traffic_for_run
from tests.work.cases import case_of, cases_of_kind


def _changed(case, **job):
    return dataclasses.replace(case, job={**case.job, **job})


def test_signs_are_told_nearest_first_on_each_approach(demo_work):
    case = _changed(
        case_of(demo_work, "A001"), traffic_class="beside_road", sign_1_m=30.0, sign_2_m=40.0,
        sign_3_m=None, taper_m=None, buffer_m=None, other_roads="Side Lane", crew_size=1,
    )  # fmt: skip
    words = traffic(dataclasses.replace(case, road_name="Main Street"))
    one, two = case.length(30.0), case.length(40.0)
    assert words.startswith("Now set up traffic control beside Main Street; on each approach")
    assert f"the nearest sign {one} before the work, the next {two} farther" in words
    assert "Side Lane: near too" in words
    assert ": beside road" not in words
    assert "Nobody and nothing stands on the carriageway" in words


def test_without_a_road_there_is_no_traffic_step(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A290"), road_name="")
    case = _changed(case, other_roads=None, run_roads=None)
    assert traffic(case) == ""
    assert traffic_for_run(case) == ""


@pytest.mark.parametrize(
    ("people", "kind", "words"),
    [
        (1, "lane_closure", "Can't hold traffic alone while wire lies on the road: wait"),
        (2, "short_stop", "does nothing else: one holds traffic, one works at hook or clamp."),
        (3, "short_stop", "one holds traffic, one pulls, one watches the wire"),
        (2, "lane_closure", "Who holds the rest of the traffic: as the permit tells."),
        (2, "flaggers", "no wire on the road before they hold traffic"),
    ],
)
def test_everybody_has_one_post(demo_work, people, kind, words):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    plain = {"crew_reasons": "x", "traffic_reasons": "x", "is_bucket_job": False}
    told = traffic(_changed(case, crew_size=people, traffic_class=kind, **plain))
    assert words in told
    assert ("Traffic runs on until" in told) == (kind == "short_stop")


def test_one_person_closes_the_road_before_the_wire_goes_over(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    told = traffic(_changed(case, crew_size=1, traffic_class="short_stop", is_bucket_job=False))
    assert ": closed by signs and cones; on each approach" in told
    assert "signs and cones across it on both sides" in told
    assert "hold" not in told
    assert "runs on" not in told


def test_flaggers_are_told_by_their_number(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    told = traffic(_changed(case, crew_size=2, traffic_class="flaggers", flaggers=5))
    assert "The 5 flaggers come besides the crew" in told


def test_a_truck_in_a_lane_takes_traffic_control_of_its_own(demo_work):
    case = _changed(
        case_of(demo_work, "A001"), run_roads=None, run_lanes="Main Street",
        run_traffic_class="flaggers",
    )  # fmt: skip
    told = traffic_for_run(case)
    assert told.startswith("Now set up traffic control on Main Street for the strand run: flaggers")
    assert "flaggers besides the crew let traffic by in turn while the truck is in a lane" in told
    assert "only while wire, boom or person is over the other lane" in told
    shut = traffic_for_run(_changed(case, run_truck="on its north side, in the lane of Main Street"
                                    ", which it closes"))  # fmt: skip
    assert "keep Main Street closed as long as the truck stands there" in shut
    assert "in turn" not in shut


def test_flaggers_who_hold_the_whole_road_stand_off_it_without_a_taper(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    figures = {"sign_1_m": 30.0, "sign_2_m": None, "sign_3_m": None, "buffer_m": 60.0}
    told = traffic(_changed(case, traffic_class="flaggers", taper_m=None, **figures))
    one, far = case.length(30.0), case.length(60.0)
    assert f": flaggers, {far} before the work; on each approach the nearest sign {one}" in told
    assert "before the flagger" in told
    assert "both ways, a few minutes at a time, only while wire or somebody is over" in told
    assert "taper" not in told


def test_a_lane_at_the_kerb_is_closed_before_anybody_stands_there(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A001"), road_name="Main Street")
    why = f"ladder 2 ft from the carriageway of Main Street, x: {LANE_BESIDE}: flaggers"
    lane = {"traffic_reasons": why, "traffic_class": "flaggers", "flaggers": 2}
    told = traffic(_changed(case, **lane))
    assert told.startswith("Now set up traffic control on Main Street: flaggers")
    assert "The 2 flaggers come besides the crew and let traffic by in turn: before ladder" in told
    corner = why.replace("Main Street", "Side Lane")
    both = traffic(_changed(case, **(lane | {"traffic_reasons": f"{why}; {corner}"})))
    assert both.startswith("Now set up traffic control on Main Street and Side Lane: flaggers")
    closed = traffic(_changed(case, **(lane | {"traffic_class": "lane_closure"})))
    assert "The lane is closed before ladder or reel is set up at the kerb" in closed
    (over, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    over = dataclasses.replace(over, road_name="Main Street")
    told = traffic(_changed(over, **lane))
    assert " and Main Street: flaggers" in told
    assert "no ladder or reel at the kerb, no wire on the road before they hold traffic" in told


def test_a_road_without_room_to_pass_is_shut_not_its_lane(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A001"), road_name="Side Lane")
    why = f"pole 1 ft from the carriageway of Side Lane, x: {ROAD_BESIDE}: flaggers"
    job = {"traffic_reasons": why, "traffic_class": "flaggers", "flaggers": 2, "taper_m": None}
    told = traffic(_changed(case, **job))
    assert "come besides the crew and keep Side Lane closed: before ladder" in told
    assert "in turn" not in told
    (over, *_) = cases_of_kind(demo_work, "street_crossing_span_clamp", 1)
    lane = why.replace("Side Lane", "Main Street").replace(ROAD_BESIDE, LANE_BESIDE)
    both = _changed(over, **(job | {"traffic_reasons": f"{why}; {lane}"}))
    told = traffic(both)
    assert "past the closed lane in turn as long as anybody works there" in told
    assert told.endswith("; Side Lane stays closed as long as anybody works there.")
    opened = open_road(both)
    assert "The lane stays closed as long as anybody works beside Main Street." in opened
    assert "Side Lane stays closed as long as anybody works there." in opened
    name = roads_over(over)
    shut = _changed(over, **(job | {"traffic_reasons": why.replace("Side Lane", name)}))
    assert traffic(shut).endswith(f"traffic: {name} stays closed as long as anybody works there.")
    assert f"measure over {name}. {name} stays closed" in open_road(shut)
    assert "Open the road" not in open_road(shut)


def test_a_side_road_of_a_short_stop_has_its_own_post(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    why = f"over x; side road Hask Lane: {BY_CREW[0]}"
    case = _changed(case, crew_size=3, traffic_class="short_stop", traffic_reasons=why)
    told = traffic(_changed(case, is_bucket_job=False))
    assert "one holds traffic, one holds Hask Lane, one works at hook or clamp." in told
    assert "Side roads that join" not in told
    assert side_roads_held(case) == ["Hask Lane"]
    assert while_held(_changed(case, is_bucket_job=False)).endswith(", those at Hask Lane too")
    assert any("Hask Lane" in check and "Sight" in check for check in build_site_checks(case, {}))


def test_side_roads_are_told_where_their_traffic_control_is_set_up(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A001"), road_name="Main Street", crossings=())
    case = _changed(case, is_over_street=False, run_lanes="Main Street", run_roads=None)
    case = _changed(case, traffic_class="beside_road", run_traffic_class="flaggers")
    why = f"side road Hask Lane: {BY_FLAGGER[0]}"
    for reasons, first, later in ((why, True, False), (f"{FOR_RUN}{why}", False, True)):
        told = _changed(case, traffic_reasons=f"x; {reasons}")
        assert ("Side roads that join: see" in traffic(told)) == first
        assert ("Side roads: see" in traffic_for_run(told)) == later


def test_traffic_below_others_wires_is_held_from_the_ladder_on(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A001"), road_name="Main Street", crossings=())
    told = {"traffic_class": "short_stop", "span_drops_over": "A8", "span_drops_busy": None}
    case = _changed(case, is_over_street=False, crew_size=2, is_bucket_job=False, **told)
    words = traffic(_changed(case, traffic_reasons="x"))
    assert "Traffic runs on until the ladder goes on the strand. From then on" in words
    assert "one holds traffic below A8, one works" in words


def test_a_ladder_on_a_strand_beside_the_road_has_traffic_held_from_then_on(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing_span_clamp", 1)
    held = _changed(case, traffic_class="short_stop", crew_size=2, is_bucket_job=False)
    assert "Traffic runs on until the ladder goes on the strand" in traffic(held)


def test_before_a_run_over_a_road_nobody_is_on_it_until_then(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A001"), road_name="Main Street")
    case = _changed(case, traffic_class="beside_road", traffic_reasons="x", run_lanes="Main Street")
    assert "Until the strand run nobody and nothing stands on the carriageway" in traffic(case)


def test_a_run_on_the_road_already_controlled_is_not_told_anew(demo_work):
    case = dataclasses.replace(case_of(demo_work, "A001"), road_name="Main Street", crossings=())
    lane = f"clamp 1 m from the carriageway of Main Street, x: {LANE_BESIDE}: flaggers"
    names = [f"{run}{name}_m" for run in ("", "run_") for name in ("sign_1", "taper", "buffer")]
    case = _changed(
        case, is_over_street=False, run_roads="Main Street", run_lanes=None, traffic_reasons=lane,
        traffic_class="flaggers", run_traffic_class="flaggers", **dict.fromkeys(names, 30.0),
    )  # fmt: skip
    again = traffic_for_run(case)
    assert "Main Street as set up before, moved along with the work" in again
    assert "nearest sign" not in again
    other = traffic_for_run(_changed(case, run_taper_m=60.0))
    assert "Now set up traffic control on Main Street for the strand run" in other
    elsewhere = traffic_for_run(_changed(case, run_roads="Side Lane"))
    assert "Now set up traffic control on Side Lane" in elsewhere
    assert "The lane of Main Street stays closed." in elsewhere
