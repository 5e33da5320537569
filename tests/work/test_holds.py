"""What a job waits for: told as step 1 and as a box with a place for a name or number."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.holds import BLANK, build_holds, first_part
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps
from tests.work.cases import case_of


@pytest.fixture
def quiet(demo_work):
    """Return a drop that crosses nothing that anybody must allow, with power that is clear."""
    case = case_of(demo_work, "A001")
    return dataclasses.replace(
        case,
        crossings=(),
        hazards=(),
        job={**case.job, "power_approach": "clear", "is_owner_permit_needed": False},
    )


def test_nothing_to_wait_for_is_no_step(quiet):
    assert build_holds(quiet) == []
    assert build_steps(quiet)[0].startswith("Walk the line")


@pytest.mark.parametrize(
    ("changes", "until", "box"),
    [
        (
            {"power_approach": "within", "power_approach_note": "E9, supply drop: 0.2 m; rule"},
            "made E9 safe",
            "WITHIN THE APPROACH DISTANCE: E9, supply drop: 0.2 m. Made safe or allowed by",
        ),
        (
            {"power_approach": "not_checked", "power_approach_note": "E7, line: not known; rule"},
            "the distance to E7 is judged (NOT CHECKED)",
            "NOT CHECKED: E7, line: not known. Judged by",
        ),
        ({"is_owner_permit_needed": True}, "the permit of the owner of", "Owner's permit for"),
    ],
)
def test_power_and_owners_stop_the_job(quiet, changes, until, box):
    case = dataclasses.replace(quiet, job={**quiet.job, **changes})
    first = build_steps(case)[0]
    assert first.startswith("Do not start until ")
    assert until in first
    check = build_site_checks(case, {})[0]
    assert box in check
    assert check.endswith(BLANK)


def test_every_stop_of_the_demo_is_a_step_and_a_box(demo_work):
    hazards = demo_work.hazards
    stops = hazards[hazards["severity"].eq("error")]
    assert len(stops) > 5
    for row in stops.itertuples():
        case = case_of(demo_work, row.address_id)
        first, checks = build_steps(case)[0], build_site_checks(case, {})
        assert first.startswith("Do not start until")
        name = {r["feature_id"]: r["feature_name"] for r in case.crossings}.get(row.feature_id)
        word = name if isinstance(name, str) else str(row.feature_id)
        assert word in first
        assert any(word in check and check.endswith(BLANK) for check in checks)


def test_roads_and_other_lots_need_a_paper(demo_work):
    hazards = demo_work.hazards
    for code, word in (("street_crossing", "permit for"), ("third_party_lot", "easement over")):
        ids = hazards.loc[hazards["code"].eq(code), "address_id"].unique()
        assert len(ids) > 5
        for name in ids:
            assert word in build_steps(case_of(demo_work, name))[0]


def test_a_stop_of_an_unknown_kind_is_told_as_it_is(quiet):
    row = {"severity": "error", "code": "new_kind", "what": "hangs over a well"}
    case = dataclasses.replace(quiet, hazards=(row,))
    assert "this is settled: hangs over a well" in build_steps(case)[0]


def test_a_note_on_power_is_taken_up_to_its_rule():
    assert first_part("E1, 240 V: 1 ft asked for; some rule; more") == "E1, 240 V: 1 ft asked for"
    assert first_part(None) == ""
