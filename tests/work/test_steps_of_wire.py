"""Steps that handle the wire: what lies under it, who holds traffic, when it is cut."""

from __future__ import annotations

import dataclasses

from geoplan.work.drop_case import is_known
from geoplan.work.site_words import height_to_open
from geoplan.work.steps_at_support import open_road
from geoplan.work.steps_of_wire import cut_off, lay, lay_over, raise_wire, wire_at_house
from tests.work.cases import case_of, cases_of_kind


def _job(case, **columns):
    return dataclasses.replace(case, job={**case.job, **columns})


def test_people_are_kept_off_what_the_wire_lies_on(demo_work):
    seen = 0
    for case in cases_of_kind(demo_work, "span_clamp", 40):
        walks = case.crossed("sidewalk", "driveway", "pool", "lot")
        words = lay(case)
        assert all(str(row["feature_id"]) in words for row in walks)
        assert ("clear of plantings" in words) == (not walks)
        seen += bool(walks)
    assert seen > 10


def test_a_wire_on_the_road_needs_traffic_held(demo_work):
    for case in cases_of_kind(demo_work, "street_crossing"):
        alone = _job(case, traffic_class="short_stop", crew_size=1)
        assert "closed by signs and cones on both sides, carry the end over" in lay_over(alone)
        assert "the road still closed" in lay_over(alone)
        assert "held" not in lay_over(alone)
        flagged = _job(case, traffic_class="flaggers", crew_size=2)
        assert "while the flaggers hold traffic" in lay_over(flagged)
        assert "traffic still held" in lay_over(flagged)
        assert "in one pull, traffic still held" in raise_wire(flagged)


def test_the_road_is_opened_while_the_wire_is_tensioned(demo_work):
    seen = set()
    for case in cases_of_kind(demo_work, "street_crossing", 200):
        asked = height_to_open(case)
        is_early = is_known(asked)
        words = raise_wire(case)
        assert ("the hand line fast: open the road" in words) == is_early
        if is_early:
            assert f"{case.length(asked)} or more" in words
            assert "comes down again" in words
            assert "Open the road" not in open_road(case)
            assert f"{case.length(asked)} or more" in open_road(case)
        else:
            assert open_road(case).startswith("Open the road again")
            assert " only when the clamp holds" in open_road(case)
        seen.add(is_early)
    assert seen == {True, False}


def test_what_each_does_is_told_where_flaggers_hold_traffic(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    case = _job(case, crew_size=3, is_bucket_job=False, crew_reasons="x")
    assert "one watches the wire" in raise_wire(_job(case, traffic_class="flaggers"))
    assert "watches" not in raise_wire(_job(case, traffic_class="short_stop"))


def test_power_over_the_reel_is_told_at_the_reel(demo_work):
    case = case_of(demo_work, "A001")
    words = wire_at_house(_job(case, power_places="reel: E9;ladder: E8"))
    assert "E9 over it, live: no wire thrown or whipped up." in words
    assert "E8" not in words


def test_a_stocked_length_is_not_cut(demo_work):
    case = case_of(demo_work, "A001")
    bulk, stocked = _job(case, supply="bulk"), _job(case, supply="pre_connectorised")
    length = case.length(case.job["cut_length_m"])
    assert f"Draw off {length} in open loops out of people's way, and cut." in wire_at_house(bulk)
    assert f"stocked length of {length}" in wire_at_house(stocked)
    assert "and cut" not in wire_at_house(stocked)
    assert cut_off(bulk).endswith(f"and cut: {length} in all.")
    assert cut_off(stocked) == ""


def test_what_is_off_the_reel_beyond_the_cut_goes_back_on_it(demo_work):
    case = case_of(demo_work, "A001")
    more = _job(case, supply="bulk", cut_length_m=30.48, drawn_m=31.0)
    assert cut_off(more) == "Take the rest back on the reel, and cut: 100.0 ft in all."
    less = _job(more, drawn_m=30.48)
    assert cut_off(less).startswith("Draw off more for ")
    assert "take back" in cut_off(_job(more, drawn_m=float("nan")))


def test_a_second_person_is_told_what_to_do(demo_work):
    case = case_of(demo_work, "A001")
    case = dataclasses.replace(case, crossings=())
    case = _job(case, is_over_street=False, traffic_class="none", crew_reasons="x")
    assert "2 people: one pulls" in raise_wire(_job(case, crew_size=2, is_bucket_job=False))
    assert "one in the bucket" in raise_wire(_job(case, crew_size=2, is_bucket_job=True))
    assert "people" not in raise_wire(_job(case, crew_size=1, is_bucket_job=False))


def test_the_tail_for_the_strand_run_stays_on_the_ground(demo_work):
    case = case_of(demo_work, "A001")
    assert case.drop["strand_run_m"] > 0
    mark = f"Tie the hand line on {case.length(case.job['air_arc_m'])} from the house's clamp"
    assert mark in lay(case)
    direct = dataclasses.replace(case, drop={**case.drop, "strand_run_m": 0.0})
    assert "carry the other end" in lay(direct)
    assert mark not in lay(direct)


def test_power_that_the_wire_goes_up_past_is_named(demo_work):
    row = {"crossing_kind": "power", "feature_id": "E5", "is_near_miss": False}
    for kind in ("same_side", "street_crossing"):
        (case, *_) = cases_of_kind(demo_work, kind, 1)
        others = tuple(row for row in case.crossings if row["crossing_kind"] != "power")
        near = raise_wire(dataclasses.replace(case, crossings=(*others, row)))
        assert "It goes up near power E5, live: pull slowly" in near
        assert "live" not in raise_wire(dataclasses.replace(case, crossings=others))


def test_a_roof_is_passed_by_the_line_led_over_it(demo_work):
    row = {"crossing_kind": "roof", "feature_id": "B5", "is_near_miss": False}
    (case, *_) = cases_of_kind(demo_work, "same_side", 1)
    over = dataclasses.replace(case, crossings=(*case.crossings, row))
    assert "over roof B5 by the line led there" in lay(over)
