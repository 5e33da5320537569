"""Steps at pole or strand: sides, signs, sag, and the way the clamp goes."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.steps_at_support import open_road, sagging, stand, support, traffic
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
    assert "with all planned drops of this span hung" in gone
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
            assert "the field side away from" in stand(case)
            assert "never in the street" in stand(case)


def test_the_clamp_is_measured_toward_a_named_pole(demo_work):
    for case in cases_of_kind(demo_work, "span_clamp", 40):
        assert f"from pole {case.drop['access_pole_id']}, toward pole " in support(case)


def test_signs_are_told_nearest_first_on_each_approach(demo_work):
    case = _changed(
        case_of(demo_work, "A001"),
        job={
            "traffic_class": "beside_road", "sign_1_m": 30.0, "sign_2_m": 40.0, "sign_3_m": None,
            "taper_m": None, "other_roads": "Side Lane", "crew_size": 1,
        },
    )  # fmt: skip
    words = traffic(dataclasses.replace(case, road_name="Main Street"))
    one, two = case.length(30.0), case.length(40.0)
    assert words.startswith("Now set up traffic control beside Main Street; on each approach")
    assert f"the nearest sign {one} before the work, the next {two} farther" in words
    assert "Side Lane: near too" in words
    assert ": beside road" not in words


def test_without_a_road_there_is_no_traffic_step(demo_work):
    case = _changed(case_of(demo_work, "A290"), job={"other_roads": None})
    assert case.job["traffic_class"] == "owner"
    assert traffic(case) == ""


def test_the_road_opens_only_when_the_ladder_is_off_the_strand(demo_work):
    case = case_of(demo_work, "A001")
    on = _changed(case, drop={"strand_ladder": "allowed", "ladder_sag_m": 0.1})
    assert "ladder off the strand" in open_road(on)
    off = _changed(case, drop={"strand_ladder": "strand_small", "ladder_sag_m": None})
    assert "clamp holds the wire" in open_road(off)


@pytest.mark.parametrize(
    ("kind", "who"), [("short_stop", "a second person holds"), ("flaggers", "the flaggers hold")]
)
def test_traffic_stopped_for_the_strand_run_is_set_up_on_its_road(demo_work, kind, who):
    case = dataclasses.replace(case_of(demo_work, "A001"), crossings=())
    case = _changed(
        case, job={"traffic_class": kind, "run_roads": "Mill Lane", "is_over_street": False}
    )
    words = traffic(case)
    assert words.startswith(
        f"Now set up traffic control on Mill Lane for the strand run: {kind.replace('_', ' ')}"
    )
    assert f"While anybody works over the road {who} traffic." in words
