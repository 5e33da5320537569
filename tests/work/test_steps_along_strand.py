"""The strand run: poles, roads, power, and how it is reached."""

from __future__ import annotations

import dataclasses

from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps_along_strand import connection, strand_run
from tests.work.cases import case_of


def _changed(case, *, job=None, drop=None):
    return dataclasses.replace(
        case, job={**case.job, **(job or {})}, drop={**case.drop, **(drop or {})}
    )


def test_poles_roads_and_power_of_the_run_are_named(demo_work):
    case = _changed(
        case_of(demo_work, "A001"),
        job={
            "run_poles": "P1;P2;P3", "run_roads": "Main Street", "run_power": "E9, line, 240 V",
            "is_bucket_job": False,
        },
        drop={"terminal_id": "P3", "access_pole_id": "P1", "strand_ladder": "allowed"},
    )  # fmt: skip
    run, road = strand_run(case)
    assert "from the clamp, past poles P1 and P2 to pole P3" in run
    assert "Move the ladder along, lashed each time, never on a carriageway" in run
    assert "No ladder on a span whose strand failed the check" in run
    assert "hangs over Main Street: traffic control on each approach" in road
    assert "Power along it, live: E9; approach distance not kept: stop." in run
    assert "Clearance there is not worked out" in road
    assert connection(case).startswith("Set the ladder at pole P3, off the carriageway, and lash")


def test_no_ladder_along_a_strand_that_bears_none(demo_work):
    case = _changed(case_of(demo_work, "A001"), job={"is_bucket_job": True})
    run = strand_run(case)[0]
    assert "By bucket: no ladder on this strand." in run
    assert "Move the ladder" not in run


def test_a_run_that_was_not_worked_out_is_said_to_be_so(demo_work):
    drops = demo_work.drops
    ids = drops.loc[drops["route_kind"].eq("other_pole"), "address_id"]
    assert len(ids) > 20
    for name in ids:
        text = " ".join(build_site_checks(case_of(demo_work, name), {}))
        assert "(no span was worked out): small, poor or unmarked: bucket, no ladder" in text


def test_a_direct_drop_has_no_run_and_its_ladder_stays(demo_work):
    drops = demo_work.drops
    name = drops.loc[drops["route_kind"].eq("direct"), "address_id"].iloc[0]
    case = case_of(demo_work, name)
    assert strand_run(case) == []
    assert connection(case).startswith("Connect at terminal")


def test_several_ports_and_one_wire_are_asked_about(demo_work):
    case = _changed(case_of(demo_work, "A001"), job={"first_port": 2, "last_port": 3})
    words = connection(case)
    assert "ports 2 to 3, with a drip loop" in words
    assert "2 ports and one wire in the plan: ask before" in words
