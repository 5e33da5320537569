"""Steps: proper order, made from the drop's own data."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.drop_case import compass, feature_name
from geoplan.work.steps import build_steps
from tests.work.cases import case_of, cases_of_kind

KINDS = ("same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp")


def _at(steps: list[str], words: str) -> int:
    return next(number for number, step in enumerate(steps) if words in step)


@pytest.mark.parametrize("kind", KINDS)
def test_steps_begin_with_the_checks_and_end_with_the_measurement(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        steps = build_steps(case)
        assert "check on site first" in steps[0]
        assert "as-built" in steps[-1]
        assert _at(steps, "House: set the attachment") < _at(steps, "Connect at terminal")


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
        ):
            assert words in text


@pytest.mark.parametrize("kind", KINDS[2:])
def test_no_wire_lies_on_the_road_before_the_hand_line_hangs(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        steps = build_steps(case)
        assert _at(steps, "Set up traffic control") < _at(steps, "Hang the hand line")
        assert _at(steps, "Hang the hand line") < _at(steps, "lay the wire over the road")
        assert _at(steps, "lay the wire over the road") < _at(steps, "in one pull; make the hand")
        roads = [feature_name(row) for row in case.crossed("road")]
        assert roads
        assert all(road in steps[_at(steps, "Set up traffic control")] for road in roads)


@pytest.mark.parametrize("kind", KINDS[:2])
def test_no_street_is_spoken_of_where_none_is_crossed(demo_work, kind):
    for case in cases_of_kind(demo_work, kind):
        text = " ".join(build_steps(case))
        assert "Set up traffic control on" not in text
        assert "lay the wire over the road" not in text
        assert "in a gap in traffic" not in text
        beside = case.job["traffic_class"] != "none"
        assert ("Set up traffic control beside" in text) == beside


def test_ladder_on_the_strand_has_its_own_sag_and_a_check_without_it(demo_work):
    drops = demo_work.drops
    allowed = drops[drops["strand_ladder"].eq("allowed") & drops["ladder_sag_m"].notna()]
    for name in allowed["address_id"].head(15):
        case = case_of(demo_work, name)
        steps = build_steps(case)
        on = _at(steps, f"set a sag of {case.sag(case.drop['ladder_sag_m'])}")
        assert _at(steps, "Take the ladder away") == on + 1


def test_bucket_job_has_no_ladder_at_the_strand(demo_work):
    ids = demo_work.jobs.loc[demo_work.jobs["is_bucket_job"], "address_id"]
    assert len(ids) > 0
    for name in ids:
        steps = build_steps(case_of(demo_work, name))
        assert any(step.startswith("No ladder on this strand") for step in steps)
        assert not any("With the ladder on the strand" in step for step in steps)


def test_power_and_trees_in_the_way_are_named_before_the_wire_goes_up(demo_work):
    crossings = demo_work.crossings
    crossed = crossings[crossings["crossing_kind"].isin(["power", "tree"])]
    for name in crossed.loc[~crossed["is_near_miss"], "address_id"].unique():
        case = case_of(demo_work, name)
        steps = build_steps(case)
        for row in case.crossed("power", "tree"):
            assert _at(steps, str(row["feature_id"])) < _at(steps, "Hang the hand line")


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
