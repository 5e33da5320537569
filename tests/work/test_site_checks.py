"""Checks on site: each assumption is named, and none where there is none."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.holds import BLANK
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
    job = {"power_approach": "not_checked", "power_approach_note": "voltage unknown"}
    words = f"NOT CHECKED: voltage unknown. Judged by (name) {BLANK}"
    assert words in _checks(_changed(case, job=job))


def test_no_power_in_the_layers_is_a_thing_to_look_at(case):
    words = "No power line is in the layers near here"
    assert words in _checks(_changed(case, job={"power_approach": "none"}))
    assert words not in _checks(_changed(case, job={"power_approach": "clear"}))


def test_poor_poles_have_a_place_for_who_judged_them(case):
    words = f"POOR condition is recorded of pole P1: judged by the owner (name) {BLANK}"
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
    for row in open_ones.itertuples():
        text = _checks(case_of(demo_work, row.address_id))
        assert f"NOT CHECKED: {row.clearance_note}" in text


def test_a_clearance_for_residential_driveways_is_to_be_seen_to_fit(demo_work):
    crossings = demo_work.crossings
    drives = crossings[crossings["crossing_kind"].eq("driveway")]
    homes = drives["rule"].str.contains("residential", regex=False)
    assert homes.any()
    assert not homes.all()
    for row, is_home in zip(drives.itertuples(), homes, strict=True):
        text = _checks(case_of(demo_work, row.address_id))
        assert (f"riveway {row.feature_id}: residential, no trucks" in text) == is_home


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
    words = "one wire is planned for 2 ports: asked what goes on each"
    assert words in _checks(_changed(case, job={"first_port": 3, "last_port": 4}))
    assert "one wire is planned" not in _checks(
        _changed(case, job={"last_port": 3, "first_port": 3})
    )


def test_wire_is_named_where_its_figures_were_not_read():
    assert wire_words("Pair", ["read", "read"]) == ""
    words = wire_words("Pair", ["read", "memory", "practice"])
    assert words.startswith("Wire 'Pair': 2 of its 3 figures were not read at their source")
    assert "(memory, practice)" in words
