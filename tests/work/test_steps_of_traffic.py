"""Steps of traffic control: signs first, posts of the crew, the strand run apart."""

from __future__ import annotations

import dataclasses

import pytest

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
        (2, "short_stop", "one works, one holds traffic and does nothing else"),
        (3, "short_stop", "one works at hook or clamp, one holds traffic, one watches the wire"),
        (2, "flaggers", "no wire on the road before they hold traffic"),
    ],
)
def test_everybody_has_one_post(demo_work, people, kind, words):
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    told = traffic(_changed(case, crew_size=people, traffic_class=kind, is_bucket_job=False))
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
    assert "as long as the truck stands in the lane of Main Street" in told
    assert "over the road" not in told
