"""Planned drops that cross: the first leaves room, the later one measures."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from geoplan.work.crossed_later import not_up_yet, with_crossed_later
from geoplan.work.site_checks import MEASURED, build_site_checks
from geoplan.work.steps import build_steps
from tests.work.cases import case_of


def _told(stops: list[tuple[str, int, str]]) -> list[object]:
    jobs = pd.DataFrame({"address_id": ["A1", "A2", "A3"]})
    pairs = [("A1", "A2"), ("A2", "A1"), ("A1", "A3"), ("A3", "A1")]
    crossings = pd.DataFrame(pairs, columns=["address_id", "feature_id"])
    crossings["crossing_kind"] = "planned_drop"
    crew = pd.DataFrame(stops, columns=["crew_day_id", "stop", "address_id"])
    told = with_crossed_later(jobs, crossings, crew)["crossed_later"]
    return [value if isinstance(value, str) else None for value in told]


def test_the_earlier_by_day_and_stop_is_told_which_come_later() -> None:
    stops = [("D2", 1, "A3"), ("D1", 2, "A1"), ("D1", 1, "A2")]
    assert _told(stops) == ["A3", "A1", None]


def test_without_a_stop_nobody_knows_which_is_first() -> None:
    assert _told([]) == [None, None, None]
    assert _told([("D1", 1, "A1"), ("D1", 2, "A3")]) == ["A3", None, None]


@pytest.fixture(scope="module")
def pair(demo_work):
    """Return both cases of two planned drops that cross, the earlier first."""
    first = demo_work.jobs.loc[demo_work.jobs["crossed_later"].notna(), "address_id"].iloc[0]
    case = case_of(demo_work, first)
    later = str(not_up_yet(case)[0]["feature_id"])
    return case, case_of(demo_work, later)


def test_the_first_leaves_room_and_has_nothing_to_measure(pair) -> None:
    first, later = pair
    name = str(later.drop["address_id"])
    assert any(f"{name}" in step and "not up yet: leave room" in step
               for step in build_steps(first))  # fmt: skip
    checks = [check for check in build_site_checks(first, {}) if f"drop {name}" in check]
    assert len(checks) == 1
    assert "not up yet: room left" in checks[0]
    assert "____" not in checks[0]


def test_the_later_one_measures_both(pair) -> None:
    first, later = pair
    name = str(first.drop["address_id"])
    assert not_up_yet(later) == []
    (check,) = [check for check in build_site_checks(later, {}) if f"drop {name}" in check]
    assert check.endswith(MEASURED)
    assert any(name in step and "settle it" in step for step in build_steps(later))


def test_without_an_order_both_measure(pair) -> None:
    first, later = pair
    bare = dataclasses.replace(first, job={**first.job, "crossed_later": None})
    name = str(later.drop["address_id"])
    (check,) = [check for check in build_site_checks(bare, {}) if f"drop {name}" in check]
    assert check.endswith(MEASURED)
