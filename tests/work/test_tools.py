"""What is brought fits the steps."""

from __future__ import annotations

import dataclasses

from geoplan.work.hand_pull import BY_HAND_N
from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.site_words import reel_is_beyond
from geoplan.work.steps import build_steps
from geoplan.work.steps_at_support import sagging
from geoplan.work.tools import tools_of
from tests.work.cases import cases_of_kind

KINDS = ("same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp")


def test_what_the_steps_use_is_brought(demo_work):
    for kind in KINDS:
        for case in cases_of_kind(demo_work, kind):
            told, text = "; ".join(tools_of(case)), " ".join(build_steps(case))
            assert f"hand line, {case.length(case.job['hand_line_m'])}" in told
            assert ("pull gauge" in told) == ("pull gauge" in text)
            assert ("bucket truck" in told) == ("By bucket" in text or "Bucket at" in text)
            assert ("signs and cones" in told) == ("nearest sign" in text)
            if not case.job["is_bucket_job"]:
                assert told.startswith("2" if reel_is_beyond(case) else "1")


def test_a_gauge_is_brought_where_a_hand_fails_only_in_the_cold(demo_work):
    (case, *_) = cases_of_kind(demo_work, "same_side", 1)
    drop = {**case.drop, "stringing_tension_n": BY_HAND_N - 10.0}
    for pull_n, is_brought in ((BY_HAND_N + 5.0, True), (BY_HAND_N, False)):
        rows = ({"temperature_c": -18.0, "tension_n": pull_n},
                {"temperature_c": 16.0, "tension_n": BY_HAND_N - 10.0})  # fmt: skip
        one = dataclasses.replace(case, drop=drop, stringing=rows)
        assert ("wire grip, hoist and pull gauge" in tools_of(one)) == is_brought
        (told,) = sagging(one)
        cold = f"At {case.temperature(-18.0)} or colder: wire grip, hoist and pull gauge."
        assert (cold in told) == is_brought


def test_a_pruner_is_brought_where_a_crown_is_trimmed(demo_work):
    (case, *_) = cases_of_kind(demo_work, "same_side", 1)
    bare = dataclasses.replace(case, crossings=(), job={**case.job, "run_trees": None})
    assert "pruner" not in tools_of(bare)
    crown = {"crossing_kind": "tree", "is_near_miss": False}
    assert "pruner" in tools_of(dataclasses.replace(bare, crossings=(crown,)))
    run = {**case.job, "run_trees": "V1"}
    assert "pruner" in tools_of(dataclasses.replace(bare, job=run))


def test_a_road_that_flaggers_keep_closed_has_its_signs(demo_work):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    lane = "pole P1 1 m from the carriageway of A Street, x: "
    for words, is_shut in ((LANE_BESIDE, False), (ROAD_BESIDE, True)):
        job = {**case.job, "traffic_reasons": f"{lane}{words}", "crew_size": 2}
        told = tools_of(dataclasses.replace(case, job=job))
        assert ("signs and cones, ROAD CLOSED for both sides" in told) == is_shut


def test_a_light_line_is_brought_for_water_and_roofs(demo_work):
    (case, *_) = cases_of_kind(demo_work, "same_side", 1)
    row = {"crossing_kind": "water", "is_near_miss": False}
    assert "light line" in tools_of(dataclasses.replace(case, crossings=(row,)))
    assert "light line" not in tools_of(dataclasses.replace(case, crossings=()))
