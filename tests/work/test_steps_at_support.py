"""Steps at pole or strand: sides, signs, sag, and the way the clamp goes."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.site_words import roads_over
from geoplan.work.steps_at_support import (
    BY_HAND_N,
    SIGHTED_M,
    hand_line,
    open_road,
    sagging,
    stand,
    support,
)
from tests.work.cases import case_of, cases_of_kind


def _changed(case, *, job=None, drop=None):
    return dataclasses.replace(
        case, job={**case.job, **(job or {})}, drop={**case.drop, **(drop or {})}
    )


@pytest.mark.parametrize(
    ("before", "after", "sag_on", "sag_off", "way", "gain"),
    [
        (-0.02, 0.08, 0.05, 0.5, "toward the house", "gets more"),
        (0.40, 0.08, 1.50, 0.5, "away from the house", "gets less"),
    ],
)
def test_the_clamp_goes_the_way_that_the_signs_say(
    demo_work, before, after, sag_on, sag_off, way, gain
):
    case = _changed(
        case_of(demo_work, "A001"),
        drop={
            "strand_ladder": "allowed", "ladder_shift_m": before, "clamp_shift_m": after,
            "ladder_sag_m": sag_on, "stringing_sag_m": sag_off,
        },
    )  # fmt: skip
    on, gone = sagging(case)
    assert f"the clamp goes {way}, {case.sag(abs(after - before))}, and the sag {gain}" in gone
    assert ("the least allowed" in on) == (gain == "gets more")
    assert case.sag(sag_on) in on
    assert "let wire out" in gone
    assert "take it up" in gone


def test_every_clamp_with_a_ladder_goes_as_planned(demo_work):
    drops = demo_work.drops
    allowed = drops[drops["strand_ladder"].eq("allowed") & drops["ladder_sag_m"].notna()]
    ways = set()
    for name in allowed["address_id"]:
        case = case_of(demo_work, name)
        _, gone = sagging(case)
        toward = case.drop["clamp_shift_m"] > case.drop["ladder_shift_m"]
        assert ("toward the house" in gone) == toward
        assert ("away from the house" in gone) != toward
        ways.add(toward)
    assert ways == {True, False}


def test_bucket_job_has_no_ladder_at_the_strand(demo_work):
    ids = demo_work.jobs.loc[demo_work.jobs["is_bucket_job"], "address_id"]
    assert len(ids) > 0
    for name in ids:
        case = case_of(demo_work, name)
        words = stand(case)
        assert words.startswith("No ladder on this strand: ")
        assert "Bucket at the clamp, on the strand's " in words
        assert "bucket no ladder" not in words
        assert not any("With the ladder on the strand" in step for step in sagging(case))


@pytest.mark.parametrize("kind", ["street_crossing", "street_crossing_span_clamp"])
def test_over_a_street_the_ladder_is_on_the_field_side(demo_work, kind):
    for case in cases_of_kind(demo_work, kind, 50):
        if not case.job["is_bucket_job"]:
            told = stand(case)
            assert "the field side away from" in told or "free ground off the road" in told
            assert "never in the street" in stand(case)


def test_the_clamp_is_measured_toward_a_named_pole(demo_work):
    for case in cases_of_kind(demo_work, "span_clamp", 40):
        assert f"from pole {case.drop['access_pole_id']}, toward pole " in support(case)


def test_the_road_opens_only_when_the_ladder_is_off_the_strand(demo_work):
    case = case_of(demo_work, "A001")
    on = _changed(case, drop={"strand_ladder": "allowed", "ladder_sag_m": 0.1})
    assert "ladder off the strand" in open_road(on)
    off = _changed(case, drop={"strand_ladder": "strand_small", "ladder_sag_m": None})
    assert "clamp holds the wire" in open_road(off)


def test_drops_on_the_same_strand_span_are_named_where_the_sag_is_compared(demo_work):
    case = case_of(demo_work, "A001")
    for drop in ({"strand_ladder": "allowed", "ladder_sag_m": 0.1}, {"strand_ladder": "x"}):
        told = sagging(_changed(case, drop=drop, job={"span_drops": "A8;A9"}))[-1]
        assert "Figures are with A8 and A9 hung on this strand span too" in told
        assert "hang all before comparing or re-tensioning" in told
        assert "the last one up: compare all again" in told
        assert "strand span" not in sagging(_changed(case, drop=drop, job={"span_drops": None}))[-1]


@pytest.mark.parametrize("state", ["ladder", "stringing"])
def test_a_pull_too_great_for_a_hand_is_set_with_a_hoist(demo_work, state):
    case = case_of(demo_work, "A001")
    other = {"ladder": "stringing", "stringing": "ladder"}[state]
    drop = {
        "strand_ladder": "allowed" if state == "ladder" else "strand_small",
        f"{state}_tension_n": BY_HAND_N + 1.0,
        f"{state}_sag_m": SIGHTED_M - 0.01,
        f"{other}_tension_n": BY_HAND_N - 50.0,
    }
    told = " ".join(sagging(_changed(case, drop=drop)))
    assert f"with a pull gauge: {case.force(BY_HAND_N + 1.0)} at" in told
    assert "go by the pull" in told
    light = _changed(case, drop={**drop, f"{state}_tension_n": BY_HAND_N})
    assert "gauge" not in " ".join(sagging(dataclasses.replace(light, stringing=())))


def test_a_pull_that_grows_as_the_ladder_goes_is_set_with_a_hoist_too(demo_work):
    case = case_of(demo_work, "A001")
    drop = {
        "strand_ladder": "allowed", "ladder_sag_m": 0.3, "ladder_tension_n": BY_HAND_N - 10.0,
        "stringing_tension_n": BY_HAND_N + 10.0,
    }  # fmt: skip
    told = sagging(_changed(case, drop=drop))[0]
    assert f"with a pull gauge: {case.force(BY_HAND_N - 10.0)} at" in told


def test_a_ladder_on_a_span_that_others_hang_from_over_a_road_asks_for_traffic_to_be_held(
    demo_work,
):
    case = case_of(demo_work, "A001")
    one = stand(_changed(case, job={"span_drops_over": "A8", "is_bucket_job": False}))
    assert "Where A8 hangs already over a road from this span" in one
    assert "hold traffic there until it is off" in one
    assert "Where A8 and A9 hang already" in stand(
        _changed(case, job={"span_drops_over": "A8;A9", "is_bucket_job": False})
    )
    for job in ({"span_drops_over": None}, {"span_drops_over": "A8", "is_bucket_job": True}):
        assert "from this span" not in stand(_changed(case, job=job))


def test_a_sag_is_told_as_neither_more_nor_less(demo_work):
    for case in cases_of_kind(demo_work, "same_side"):
        (told,) = sagging(case)
        assert "no more, no less" in told
        assert "allows" not in told


def test_hooks_at_one_place_are_set_beside_each_other(demo_work):
    (case, *_) = cases_of_kind(demo_work, "same_side", 1)
    mates = dataclasses.replace(case, hook_mates=("A8", "A9"))
    assert "hooks of A8 and A9 at the same height: set them beside each other" in support(mates)
    assert "same height" not in support(case)


def test_across_a_street_a_second_ladder_goes_to_the_support(demo_work):
    for case in cases_of_kind(demo_work, "street_crossing"):
        assert stand(case).startswith("Take the SECOND ladder to pole ")
    for case in cases_of_kind(demo_work, "same_side"):
        assert stand(case).startswith("Move the ladder to pole ")


def test_a_wire_over_a_busy_road_on_the_same_span_goes_up_after_this_one(demo_work):
    (case, *_) = cases_of_kind(demo_work, "span_clamp", 1)
    busy = {
        "span_drops": "A8;A9", "span_drops_over": "A8;A9", "span_drops_busy": "A9",
        "span_drops_later": "A9", "is_bucket_job": False,
    }  # fmt: skip
    told = stand(_changed(case, job=busy))
    assert "Where A8 hangs already over a road from this span" in told
    assert "A9 goes over a busy road from this span: hang this drop before it." in told
    assert "no ladder on the strand before flaggers hold that road" in told
    (street, *_) = cases_of_kind(demo_work, "street_crossing_span_clamp", 1)
    enough = {**busy, "span_drops_later": None, "traffic_class": "flaggers"}
    flagged = stand(_changed(street, job=enough))
    assert "hold traffic there until it is off" in flagged
    assert "before flaggers" not in flagged


def test_a_lane_at_the_kerb_stays_closed_after_the_wire_is_up(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    lane = "pole P1 1 m from the carriageway of {}, x: the lane beside it closed: flaggers"
    one, two = lane.format("Main Street"), lane.format("Side Lane")
    job = {**case.job, "traffic_class": "flaggers"}
    for reasons, words in (
        ("x", None),
        (one, " The lane stays closed as long as anybody works beside Main Street."),
        (
            f"{one}; {two}",
            " The lanes stay closed as long as anybody works beside Main Street and Side Lane.",
        ),
    ):
        told = open_road(dataclasses.replace(case, job={**job, "traffic_reasons": reasons}))
        assert told.startswith("Open the road again only when the clamp holds the wire")
        assert told.endswith(words or "at its height.")
    name = roads_over(case)
    own = {**job, "traffic_reasons": lane.format(name)}
    told = open_road(dataclasses.replace(case, job=own))
    assert told.startswith("Open the road again, but for its closed lane, only when the clamp")


def test_the_hand_line_is_on_no_carriageway_unless_the_ladder_brings_it_there(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing_span_clamp", 1)
    begins_m = min(float(row["start_m"]) for row in case.crossed("road"))
    for shift_m, is_off in ((begins_m - 0.31, True), (begins_m - 0.29, False), (None, True)):
        told = hand_line(dataclasses.replace(case, drop={**case.drop, "ladder_shift_m": shift_m}))
        assert (", on no carriageway" in told) == is_off
        assert ("to the carriageway's edge: only with traffic held" in told) == (not is_off)
