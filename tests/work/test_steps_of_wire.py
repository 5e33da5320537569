"""Steps that handle the wire: what lies under it, who holds traffic, when it is cut."""

from __future__ import annotations

import dataclasses

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
        assert "traffic held, carry the end over the road" in lay_over(alone)
        assert "traffic stays held" in lay_over(alone)
        flagged = _job(case, traffic_class="flaggers", crew_size=2)
        assert "while the flaggers hold traffic" in lay_over(flagged)
        assert "in one pull, traffic still held" in raise_wire(flagged)


def test_a_stocked_length_is_not_cut(demo_work):
    case = case_of(demo_work, "A001")
    bulk, stocked = _job(case, supply="bulk"), _job(case, supply="pre_connectorised")
    length = case.length(case.job["cut_length_m"])
    assert f"Draw off {length} in open loops out of people's way, and cut." in wire_at_house(bulk)
    assert f"stocked length of {length}" in wire_at_house(stocked)
    assert "and cut" not in wire_at_house(stocked)
    assert cut_off(bulk).endswith(f"and cut: {length} of wire in all.")
    assert cut_off(stocked) == ""


def test_a_second_person_is_told_what_to_do(demo_work):
    case = case_of(demo_work, "A001")
    case = dataclasses.replace(case, crossings=())
    case = _job(case, is_over_street=False)
    assert "2 people: one pulls" in raise_wire(_job(case, crew_size=2, is_bucket_job=False))
    assert "one up in the bucket" in raise_wire(_job(case, crew_size=2, is_bucket_job=True))
    assert "people" not in raise_wire(_job(case, crew_size=1, is_bucket_job=False))
