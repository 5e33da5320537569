"""Which drops of a strand span go up first is told on both sheets, and who holds the road."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.reports.sheets.hang_boxes import order_boxes
from geoplan.work.hang_words import (
    hang_before,
    held_again,
    held_to_compare,
    hung_after,
    hung_first,
    is_last_up,
    up_already,
)
from geoplan.work.holds import build_holds
from geoplan.work.steps_along_strand import strand_run
from geoplan.work.steps_at_support import sagging, stand
from geoplan.work.tools import tools_of
from tests.work.cases import cases_of_kind

NONE = {
    "span_drops_over": None, "span_drops_busy": None, "span_drops_first": None,
    "span_drops_turned": None, "span_drops_later": None, "run_drops_over": None,
    "span_drops": None, "is_bucket_job": False, "is_run_bucket": False,
    "run_roads": None, "run_lanes": None,
}  # fmt: skip
BUSY = {
    "span_drops": "A8;A9", "span_drops_over": "A9", "span_drops_busy": "A9",
    "span_drops_later": "A9",
}  # fmt: skip
FIRST = {"span_drops": "A8;A9", "span_drops_first": "A8;A9"}
RUN = {"run_drops_over": "P1 and P2: A4, A5 over Low Alley;P2 and P3: A6 over High Road"}
LADDER = {"strand_ladder": "allowed", "ladder_sag_m": 0.1, "strand_run_m": 20.0}


def _of(case, job):
    return dataclasses.replace(case, job={**case.job, **NONE, **job}, drop={**case.drop, **LADDER})


@pytest.fixture
def side(demo_work):
    """Return a drop from a span clamp over no road."""
    (case, *_) = cases_of_kind(demo_work, "span_clamp", 1)
    assert not case.crossed("road")
    return case


@pytest.fixture
def street(demo_work):
    """Return a drop from a span clamp over a street with flaggers."""
    (case, *_) = cases_of_kind(demo_work, "street_crossing_span_clamp", 1)
    return dataclasses.replace(case, job={**case.job, "traffic_class": "flaggers"})


def _boxes(case):
    return [hold.box for hold in build_holds(case) if " strand span" in hold.box]


def test_the_drop_of_the_ladder_says_what_it_is_hung_before(side):
    case = _of(side, BUSY)
    assert (hang_before(case), up_already(case)) == (["A9"], [])
    assert order_boxes(case) == [("HANG BEFORE", "A9")]
    assert "hang this drop before it. Is it up already: no ladder on the strand" in stand(case)
    assert strand_run(case)[-1].endswith(
        "On the clamp's span as before: if A9 hangs by now, flaggers hold that road first."
    )
    told = sagging(case)[-1]
    assert "compare all again, flaggers holding traffic below. " in told
    assert "ladder on again (A9 up: flaggers hold its road first), let wire out" in told
    assert not _boxes(case)


def test_the_drop_over_the_busy_road_says_what_is_hung_first(street):
    case = _of(street, FIRST)
    assert (hung_first(case), hung_after(case)) == (["A8", "A9"], [])
    assert order_boxes(case) == [("FIRST HANG", "A8, A9")]
    (box,) = _boxes(case)
    assert box.startswith("First: A8 and A9 (ladder on this strand span) hung? Seen by ")
    told = sagging(case)[-1]
    assert "with A8 and A9 hung too: compare all, by their sheets, traffic held below. " in told
    assert is_last_up(case)
    assert "sheets of A8 and A9" in tools_of(case)
    assert "ladder on again, traffic held, let wire out" in told


def test_an_order_that_the_days_could_not_keep_is_told_on_both(side, street):
    case = _of(side, {**BUSY, "span_drops_turned": "A9"})
    assert (hang_before(case), up_already(case)) == ([], ["A9"])
    assert [name for name, _ in order_boxes(case)] == ["FLAGGERS"]
    assert "A9 hangs over a busy road from this span by then: no ladder" in stand(case)
    assert "hang this drop before" not in stand(case)
    assert strand_run(case)[-1].endswith("traffic held below A9 until the ladder is off it.")
    (box,) = _boxes(case)
    road = "Flaggers for the road below A9 (on a strand span of this ladder, hung before): ordered"
    assert box.startswith(road)
    other = _of(street, {**FIRST, "span_drops_turned": "A9"})
    assert (hung_first(other), hung_after(other)) == (["A8"], ["A9"])
    assert order_boxes(other)[0] == ("FIRST HANG", "A8")
    assert order_boxes(other)[1] == ("FLAGGERS AGAIN", "A9, hung after this: see back")
    assert "A9 only after this drop: flaggers hold the road again then." in sagging(other)[-1]
    assert "A9" not in _boxes(other)[0]
    assert not is_last_up(other)
    assert not [name for name in tools_of(other) if name.startswith("sheets of")]


def test_where_nothing_of_the_span_is_over_a_busy_road_no_order_is_told(side, street):
    for case in (_of(side, {"span_drops": "A8"}), _of(street, {"span_drops": "A8"})):
        assert order_boxes(case) == []
        assert not _boxes(case)
    quiet = _of(side, {"span_drops": "A8", "span_drops_over": "A8"})
    assert order_boxes(quiet) == []
    assert held_to_compare(quiet) == ", traffic held below"
    assert held_again(quiet) == " (A8 up: traffic held first)"
    alone = _of(side, {"span_drops": "A8"})
    assert held_to_compare(alone) == held_again(alone) == ""


def test_several_up_are_told_as_several(side):
    two = {"span_drops": "A8;A9", "span_drops_over": "A8;A9", "span_drops_later": "A8;A9"}
    case = _of(side, {**two, "span_drops_busy": "A8;A9"})
    assert "hang this drop before them. Is one up already: no ladder" in stand(case)
    assert "(A8 and A9 up: flaggers hold their road first)" in sagging(case)[-1]


def test_drops_below_spans_that_the_run_passes_are_told_in_its_step_only(side):
    case = _of(side, {**RUN, "span_drops_later": "A4;A5;A6"})
    assert order_boxes(case) == [("HANG BEFORE", "A4, A5, A6")]
    for words in ("A4", "A6"):
        assert words not in stand(case)
        assert words not in sagging(case)[-1]
    run = strand_run(case)[-1]
    assert run.endswith(
        " Between P1 and P2: if one of A4 and A5 is up over Low Alley by now, no ladder there"
        " before flaggers hold it. Between P2 and P3: if A6 is up over High Road by now, no ladder"
        " there before flaggers hold it."
    )
    assert "On the clamp's span" not in run


def test_what_hangs_below_the_run_by_the_crew_days_is_held_by_flaggers(side):
    case = _of(side, {**RUN, "span_drops_later": "A4;A5;A6", "span_drops_turned": "A5;A6"})
    assert [name for name, _ in order_boxes(case)] == ["HANG BEFORE", "FLAGGERS"]
    assert strand_run(case)[-1].endswith(
        " Between P1 and P2 A5 hangs over Low Alley: flaggers hold it while a ladder is on that"
        " span; measure, then open. Between P1 and P2: if A4 is up over Low Alley by now, no ladder"
        " there before flaggers hold it. Between P2 and P3 A6 hangs over High Road: flaggers hold"
        " it while a ladder is on that span; measure, then open."
    )
    (box,) = _boxes(case)
    assert box.startswith("Flaggers for the road below A5 and A6 (on a strand span of this ladder")


def test_a_quiet_road_of_the_clamps_span_is_told_beside_a_busy_one(side):
    told = stand(_of(side, {**BUSY, "span_drops_over": "A8;A9"}))
    assert "A9 goes over a busy road from this span: hang this drop before it." in told
    assert "Where A8 hangs already over a road from this span" in told
