"""Checks on site: each assumption is named, and none where there is none."""

from __future__ import annotations

import dataclasses
import re

import pytest

from geoplan.work.crossed_later import not_up_yet
from geoplan.work.holds import BY_NAME, beside_unjudged
from geoplan.work.run_trucks import NO_ROAD
from geoplan.work.site_checks import build_site_checks, wire_words
from tests.work.cases import case_of


def _checks(case, findings=None) -> str:
    return " | ".join(build_site_checks(case, findings or {}))


def _changed(case, *, job=None, drop=None):
    return dataclasses.replace(
        case, job={**case.job, **(job or {})}, drop={**case.drop, **(drop or {})}
    )


@pytest.fixture
def case(demo_work):
    return case_of(demo_work, "A006")


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("height_basis", "default", "Heights are assumed"),
        ("ground_basis", "default", "LEVEL GROUND ASSUMED"),
        ("strand_basis", "inferred", "The strand is inferred"),
        ("attachment_basis", "address_point", "No building is known here"),
        ("pole_power_basis", "not_checked", "separation NOT CHECKED"),
        ("attachment_is_raised", True, "The wall reaches"),
    ],
)
def test_each_assumption_is_named_and_only_then(case, column, value, words):
    assert words not in _checks(case)
    assert words in _checks(_changed(case, drop={column: value}))


def test_power_approach_that_was_not_checked_is_named(case):
    job = {
        "power_approach": "not_checked",
        "power_approach_note": "voltage unknown",
        "power_lines": None,
    }
    words = f"NOT CHECKED: voltage unknown. Judged by {BY_NAME}"
    assert words in _checks(_changed(case, job=job))


def test_no_power_in_the_layers_is_a_thing_to_look_at(case):
    words = "Looked up along wire, hook, ladders and run: the layers have no power there."
    far = "E9, supply drop, 10 ft from the house attachment"
    for around in (None, far):
        told = _checks(_changed(case, job={"power_approach": "none", "power_around": around}))
        assert words in told
        assert (f"Drawn farther off: {far}." in told) == bool(around)
        assert "there is none" not in told
        for place, is_near in (("house", True), ("wall", False)):
            lands = f"{place}: E9, lands on this house 10 ft from the attachment"
            there = {"power_approach": "none", "power_around": around, "power_places": lands}
            told = _checks(_changed(case, job=there))
            assert ("Drawn farther off" in told) == (bool(around) and not is_near)
            but = f"{words[:-1]} but E9. Any more seen: stop"
            assert (but in told) == is_near
    assert words not in _checks(_changed(case, job={"power_approach": "clear"}))


def test_poor_poles_have_a_place_for_who_judged_them(case):
    words = f"POOR condition is recorded of pole P1: judged by the owner {BY_NAME}"
    assert words in _checks(_changed(case, job={"poor_poles": "P1"}))
    assert "POOR" not in _checks(_changed(case, job={"poor_poles": None}))


@pytest.mark.parametrize(("run", "bucket", "told"), [(0.0, False, False), (9.0, False, True),
                                                     (9.0, True, False)])  # fmt: skip
def test_the_strand_is_looked_at_where_a_ladder_comes_to_lean_on_it(case, run, bucket, told):
    drop = {"strand_run_m": run, "strand_ladder": None}
    other = _changed(case, drop=drop, job={"job_kind": "same_side", "is_bucket_job": bucket})
    assert ("Strand: look at its size and soundness" in _checks(other)) == told


def test_every_crossing_not_checked_is_named_with_its_reason(demo_work):
    crossings = demo_work.crossings
    open_ones = crossings[crossings["clearance_basis"].eq("not_checked")]
    assert len(open_ones) > 5
    held = 0
    for row in open_ones.itertuples():
        case = case_of(demo_work, row.address_id)
        text = _checks(case)
        if row.feature_id in [str(some["feature_id"]) for some in not_up_yet(case)]:
            assert f"Planned drop {row.feature_id} not up yet: room left" in text
            continue
        if row.feature_id in [str(some["feature_id"]) for some in beside_unjudged(case)]:
            assert "Room beside building" in text
            held += 1
        else:
            assert f"NOT CHECKED: {row.clearance_note}. Measured:\N{NO-BREAK SPACE}____" in text
    assert 0 < held < len(open_ones)


def test_a_clearance_for_residential_driveways_is_to_be_seen_to_fit(demo_work):
    crossings = demo_work.crossings
    drives = crossings[crossings["crossing_kind"].eq("driveway")]
    homes = drives["rule"].str.contains("residential", regex=False)
    assert homes.any()
    assert not homes.all()
    for row, is_home in zip(drives.itertuples(), homes, strict=True):
        text = _checks(case_of(demo_work, row.address_id))
        named = rf"riveway {row.feature_id}(?: and driveway \S+|, [^:.]*)?: residential, no trucks"
        assert bool(re.search(named, text)) == is_home


def test_findings_of_the_drops_own_rows_are_named_and_no_others(case):
    pole = case.drop["access_pole_id"]
    findings = {("poles", pole): ["height is 'tall'"], ("poles", "P-OTHER"): ["leans"]}
    text = _checks(case, findings)
    assert f"Pole {pole}: height is 'tall'." in text
    assert "leans" not in text


def test_findings_on_addresses_say_what_to_look_at(case):
    found = {("addresses", "A006"): ["it is at the centroid of lot 'L1': probably geocoded"]}
    text = _checks(case, found)
    assert "Address A006: see that this is the right house" in text
    assert "centroid" not in text


def test_several_ports_ask_what_goes_on_each(case):
    words = "2 ports (3 to 4), one wire: what goes on each told by the office"
    assert words in _checks(_changed(case, job={"first_port": 3, "last_port": 4}))
    assert "one wire" not in _checks(_changed(case, job={"last_port": 3, "first_port": 3}))


def test_the_slope_of_a_roof_is_seen_where_the_rule_is_for_steep_ones(demo_work):
    roofs = demo_work.crossings
    roofs = roofs[roofs["crossing_kind"].eq("roof") & ~roofs["is_near_miss"]]
    steep = roofs["rule"].str.contains("exception for slope", regex=False)
    assert steep.any()
    for row, is_steep in zip(roofs.itertuples(), steep, strict=True):
        text = _checks(case_of(demo_work, row.address_id))
        assert (f"Roof {row.feature_id} slopes at least 4 in 12" in text) == is_steep


def test_each_road_of_the_sight_distance_is_named_once(demo_work):
    for address_id in demo_work.jobs.loc[demo_work.jobs["run_roads"].notna(), "address_id"]:
        checks = build_site_checks(case_of(demo_work, address_id), {})
        told = [words for words in checks if words.startswith("Sight distance along ")]
        for words in told:
            roads = words.removeprefix("Sight distance along ").partition(" is enough")[0]
            names = re.split(r", | and ", roads)
            assert len(names) == len(set(names)), address_id


def test_sight_distance_is_looked_at_on_every_road_of_the_work(case):
    job = {"traffic_class": "beside_road", "other_roads": "Side Lane (Main Street)",
           "run_roads": "Mill Lane", "is_over_street": False}  # fmt: skip
    road = dataclasses.replace(case, crossings=(), road_name="Main Street")
    words = (
        "Sight distance along Main Street, Side Lane and Mill Lane is enough both ways (no layer"
    )
    assert words in _checks(_changed(road, job=job))
    none = {"traffic_class": "none", "other_roads": None, "run_roads": None}
    assert "Sight" not in _checks(_changed(road, job={**job, **none}))


def test_other_drops_on_the_strand_span_are_named(case):
    words = "On one strand span with A8 and A9"
    assert words in _checks(_changed(case, job={"span_drops": "A8;A9"}))
    assert "strand span" not in _checks(_changed(case, job={"span_drops": None}))


def test_a_truck_has_to_get_along_a_run_by_bucket(case):
    drop = {"strand_run_m": 9.0, "terminal_id": "P9"}
    text = _checks(_changed(case, drop=drop, job={"is_run_bucket": True}))
    assert "A truck gets to the bucket's place, and along the run to pole P9" in text
    assert "A truck" not in _checks(_changed(case, drop=drop))


def test_wire_is_named_where_its_figures_were_not_read():
    assert wire_words("Pair", ["read", "read"]) == ""
    words = wire_words("Pair", ["read", "memory", "practice"])
    assert words.startswith("Wire 'Pair': 2 of its 3 figures were not read at their source")
    assert "(memory, practice)" in words


def test_the_height_of_the_strand_over_a_road_has_a_box(case):
    words = _checks(_changed(case, job={"run_roads": "Main Street", "run_asked_m": 4.7}))
    asked = case.length(4.7)
    assert f"below the run over Main Street NOT WORKED OUT: strand measured there, {asked}" in words
    assert "below the run over" not in _checks(_changed(case, job={"run_roads": None}))


def test_another_strand_in_the_line_has_a_box(case):
    words = _checks(_changed(case, job={"strands_met": "strand P1-P2, 5.0 ft out"}))
    assert "Clearance at strand P1-P2, 5.0 ft out NOT CHECKED" in words


@pytest.mark.parametrize(
    ("label", "is_told"),
    [("12 Mill Lane", False), ("=1+1", True), ("The yard", True), (None, True)],
)
def test_a_house_without_a_usual_address_is_found_by_the_drawing(case, label, is_told):
    words = _checks(_changed(case, drop={"label": label}))
    assert ("find the house by the drawing" in words) == is_told


def test_a_wire_along_a_driveway_is_measured_there(case):
    words = _checks(_changed(case, job={"drives_beside": "driveway D1, 0.3 ft aside"}))
    assert "Wire along the edge of driveway D1, 0.3 ft aside, judged as yard only" in words
    assert "along the edge" not in _checks(_changed(case, job={"drives_beside": None}))


@pytest.mark.parametrize(("truck", "is_told"), [(NO_ROAD, True), ("in the lane", False)])
def test_a_truck_without_a_road_needs_leave_of_those_whose_lots_it_goes_over(case, truck, is_told):
    job = {"is_bucket_job": True, "run_truck": truck}
    assert ("others' lots with leave only" in _checks(_changed(case, job=job))) == is_told
