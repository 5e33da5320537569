"""Checks on site: each assumption is named, and none where there is none."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.site_checks import build_site_checks, wire_words
from tests.work.cases import case_of


def _checks(case, findings=None, wire="") -> str:
    return " | ".join(build_site_checks(case, findings or {}, wire))


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
    ],
)
def test_each_assumption_is_named_and_only_then(case, column, value, words):
    assert words not in _checks(case)
    assumed = dataclasses.replace(case, drop={**case.drop, column: value})
    assert words in _checks(assumed)


def test_power_approach_that_was_not_checked_is_named(case):
    job = {**case.job, "power_approach": "not_checked", "power_approach_note": "voltage unknown"}
    assert "NOT CHECKED: voltage unknown." in _checks(dataclasses.replace(case, job=job))


def test_every_crossing_not_checked_is_named_with_its_reason(demo_work):
    crossings = demo_work.crossings
    open_ones = crossings[crossings["clearance_basis"].eq("not_checked")]
    assert len(open_ones) > 5
    for row in open_ones.itertuples():
        text = _checks(case_of(demo_work, row.address_id))
        assert f"NOT CHECKED: {row.clearance_note}" in text


def test_findings_of_the_drops_own_rows_are_named_and_no_others(case):
    pole = case.drop["access_pole_id"]
    findings = {("poles", pole): ["height is 'tall'"], ("poles", "P-OTHER"): ["leans"]}
    text = _checks(case, findings)
    assert f"Pole {pole}: height is 'tall'." in text
    assert "leans" not in text


def test_wire_is_named_where_its_figures_were_not_read():
    assert wire_words("Pair", ["read", "read"]) == ""
    words = wire_words("Pair", ["read", "memory", "practice"])
    assert words.startswith("Wire 'Pair': 2 of its 3 figures were not read at their source")
    assert "(memory, practice)" in words
