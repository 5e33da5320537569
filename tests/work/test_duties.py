"""Who does what while the wire goes up: everybody once, whoever holds traffic nothing else."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.duties import duties, holders, mates_held
from geoplan.work.side_roads import BOTH_WAYS, BY_CREW
from tests.work.cases import case_of, cases_of_kind

COUNTED = {"one": 1, "two": 2, "three": 3, "four": 4}
LONG = "air span 120.0 ft, longer than the 100.0 ft that one raises in one pull"


def _changed(case, **job):
    quiet = {
        "power_beside": None, "power_approach": "clear", "crew_reasons": "x",
        "traffic_reasons": "x", "is_bucket_job": False,
    }  # fmt: skip
    return dataclasses.replace(case, job={**case.job, **quiet, **job})


def _people(words: str) -> int:
    return sum(COUNTED[part.split()[0]] for part in words.split(", ") if "one of them" not in part)


@pytest.fixture
def crossing(demo_work):
    """Return a drop over a street, with nothing else in the way."""
    (case, *_) = cases_of_kind(demo_work, "street_crossing", 1)
    return dataclasses.replace(case, crossings=tuple(case.crossed("road")))


@pytest.fixture
def mates(demo_work):
    """Return a drop over no road whose ladder brings wires of others down over one."""
    case = dataclasses.replace(case_of(demo_work, "A001"), crossings=())
    told = {"traffic_class": "short_stop", "span_drops_over": "A8;A9", "span_drops_busy": None}
    return _changed(case, is_over_street=False, **told)


@pytest.mark.parametrize("people", [2, 3, 4])
@pytest.mark.parametrize("reasons", ["x", LONG])
def test_everybody_has_one_duty(crossing, people, reasons):
    case = _changed(crossing, traffic_class="short_stop", crew_size=people, crew_reasons=reasons)
    words = duties(case)
    assert words.startswith("one holds traffic, ")
    assert _people(words) == people
    none_held = _changed(case, traffic_class="flaggers", crew_size=people, crew_reasons=reasons)
    assert "holds" not in duties(none_held)
    assert _people(duties(none_held)) == people


def test_who_holds_a_side_road_has_no_other_duty(crossing):
    why = f"side roads Marl Gate{BOTH_WAYS} and Hask Lane: {BY_CREW[1]}"
    told = {"traffic_class": "short_stop", "traffic_reasons": why}
    words = duties(_changed(crossing, crew_size=5, **told))
    assert words == (
        "one holds traffic, two hold Marl Gate, one holds Hask Lane, one works at hook or clamp"
    )
    assert "NOBODY LEFT" in duties(_changed(crossing, crew_size=4, **told))


def test_traffic_below_others_wires_is_held_by_one(mates):
    two = _changed(mates, crew_size=2)
    assert mates_held(two) == ["A8", "A9"]
    assert duties(two) == "one holds traffic below A8 and A9, one works at hook or clamp"
    assert "watches" in duties(_changed(mates, crew_size=3))
    assert mates_held(_changed(mates, span_drops_busy="A9")) == ["A8"]
    assert holders(_changed(mates, traffic_class="beside_road", crew_size=2)) == []
    assert mates_held(_changed(mates, is_bucket_job=True)) == []


def test_a_long_pull_has_two_hands_and_power_somebody_who_watches(mates):
    plain = _changed(mates, traffic_class="none", crew_size=3)
    live = _changed(plain, crew_size=3, power_beside="E5", crew_reasons=LONG, traffic_class="none")
    assert duties(live) == "two pull, one watches the wire and power E5"
    long = _changed(plain, crew_size=2, crew_reasons=LONG, traffic_class="none")
    assert duties(long) == "two pull, one of them at hook or clamp"
    bucket = _changed(long, crew_size=3, crew_reasons=LONG, is_bucket_job=True)
    assert duties(bucket) == "one in the bucket, two at the hand line"
    assert "NOBODY LEFT" in duties(_changed(bucket, crew_size=1, is_bucket_job=True))
