"""Words on power for single steps."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.last_ladders import NO_PLACE
from geoplan.work.power_steps import (
    LAST_LADDER,
    MOST_AGAIN,
    along_run,
    close_to,
    ladder_side,
    landing,
    names_short,
)
from geoplan.work.steps_at_support import support
from tests.work.cases import case_of

RUN = "E7: at least 0.6 m worked out from the strand run (1.0 m from pole P3), 0.3 m asked"
WIRE = "E8: at least 0.5 m worked out from the wire beside it (1.0 m out from the pole), 0.3 m"


@pytest.fixture
def case(demo_work):
    own = case_of(demo_work, "A001")
    bare = {"power_lines": None, "power_places": None, "power_tight": None, "run_power": None}
    job = {**own.job, **bare, "is_bucket_job": False, "is_run_bucket": False}
    return dataclasses.replace(own, job=job)


def changed(case, **job):
    return dataclasses.replace(case, job={**case.job, **job})


@pytest.mark.parametrize("state", ["within", "not_checked", "close"])
def test_power_is_close_only_in_the_step_whose_place_it_is_close_to(case, state):
    lines = "E7, supply drop, 240 V: keep 1.0 ft away"
    far = changed(case, power_approach=state, power_lines=lines, power_places="terminal: E7")
    assert "live" not in support(far)
    near = changed(case, power_approach=state, power_places="hook: E7;hook: power on pole P1")
    assert support(near).endswith(
        " E7 and power on pole P1 are close and live: head and hands below the strand."
    )


def test_what_the_ladders_step_names_is_not_all_named_again(case):
    names = [f"E{n}" for n in range(MOST_AGAIN + 1)]
    both = [f"{place}: {name}" for place in ("ladder", "hook") for name in names]
    told = changed(case, power_places=";".join(both))
    words = close_to(told, "hook", "x", "ladder")
    assert words == " All power named for the ladder is close and live: head and hands below x."
    more = changed(case, power_places=";".join([*both, "hook: E9"]))
    few = changed(case, power_places=";".join(part for part in both if part[-1] in "01"))
    for one in (more, few):
        assert "E0" in close_to(one, "hook", "x", "ladder")
    assert "E0" in close_to(told, "hook", "x")


def test_power_that_could_not_be_looked_at_may_be_anywhere(case):
    dark = changed(case, power_approach="not_checked")
    assert close_to(dark, "hook", "x") == (
        " Power (NOT CHECKED) may be close and live: head and hands below x."
    )
    assert close_to(changed(case, power_approach="none"), "hook", "x") == ""


def test_one_line_is_and_several_are_close(case):
    for places, words in (
        ("E1", "E1 is"),
        ("power on pole P1", "Power on pole P1 is"),
        ("E1;hook: E2", "E1 and E2 are"),
        ("power on pole P1;hook: power on pole P2", "Power on poles P1 and P2 are"),
    ):
        told = close_to(changed(case, power_places=f"hook: {places}"), "hook", "x")
        assert told == f" {words} close and live: head and hands below x."


def test_the_run_tells_where_power_is_and_what_to_measure(case):
    met = changed(
        case,
        run_power="E9, line, 240 V;E6, line, 240 V;power on pole P3, 1 V;power on pole P4, 1 V",
        power_places="run: E9 (5.0 m from pole P3)",
        power_tight=f"{RUN};{WIRE}",
    )
    assert along_run(met) == (
        "Power along it, live: E9 (5.0 m from pole P3), E6 and power on poles P3 and P4; approach"
        " distance not kept: stop."
        " Measure to E7, live, before the ladder goes to P3."
    )
    assert along_run(case) == ""


def test_the_last_ladder_goes_on_the_side_that_was_chosen(case):
    side = "on its south side;1.6 m from the carriageway of A Street;between E1 and E2"
    told = changed(case, last_ladder=side, power_places="terminal_ladder: E1;terminal_ladder: E2")
    place = ", on its south side, 1.6 m from the carriageway of A Street, between E1 and E2"
    assert ladder_side(told) == f"{place}, live: look up"
    more = changed(told, power_places=f"{told.job['power_places']};terminal_ladder: E3")
    assert ladder_side(more) == f"{place}; E3 over or by it, all live: look up"
    one = changed(more, last_ladder="on its east side")
    assert ladder_side(one) == (", on its east side; E1, E2 and E3 over or by it, live: look up")


def test_a_last_ladder_without_a_place_says_so(case):
    bare = dataclasses.replace(changed(case, last_ladder=None, other_roads=None), road_name="")
    assert "carriageway" not in ladder_side(dataclasses.replace(bare, crossings=()))
    lost = changed(case, last_ladder=NO_PLACE)
    assert ladder_side(lost) == f", {NO_PLACE}"


def test_what_passes_over_is_above_and_not_told_twice_in_one_step(case):
    over = changed(case, power_places="hook_over: E1;ladder: E1")
    words = " E1 is above and live: head and hands below x."
    assert close_to(over, "hook", "x", "ladder") == words
    both = changed(case, power_places="hook: E2;hook_over: E1;hook_over: E2")
    assert close_to(both, "hook", "x") == " E2 and E1 are close and live: head and hands below x."
    last = changed(case, power_places=f"terminal_over: E1;{LAST_LADDER}: E1")
    assert close_to(last, "terminal", "x", LAST_LADDER) == " Head and hands below x."
    assert close_to(last, "terminal", "x") == words
    full = [f"{place}: E{n}" for place in ("terminal", LAST_LADDER) for n in range(MOST_AGAIN + 1)]
    told = close_to(changed(case, power_places=";".join(full)), "terminal", "x", LAST_LADDER)
    assert told.startswith(" All power named for the ladder is close")


def test_the_run_names_what_is_live_at_each_pole_that_it_passes(case):
    places = "passed: E1, P2;passed: E2, P2;passed: power on pole P2, P2;passed: E3, P1"
    told = changed(case, power_places=places, run_poles="P1;P2;P3")
    assert along_run(told) == "At P1 E3 close, live; at P2 E1, E2 and power on it close, live."


def test_what_lands_on_the_house_is_told_with_how_far_off(case):
    told = changed(
        case,
        power_places="house_ladder: E1;house: E1, lands on this house 1 m from the attachment;"
        "house: E2, lands on this house 8 m from the attachment;"
        "wall: E3, lands on this house 30 m from the attachment",
    )
    assert landing(told) == "E2, live, lands on this house 8 m from the attachment"


def test_all_that_is_not_kept_is_named_the_one_told_first_first(case):
    places = "short: E1;short: E2;short: power on pole P1;short: power on pole P2;hook: E3"
    told = changed(case, power_places=places)
    assert names_short(told, "E2") == ["E2", "E1", "power on poles P1 and P2"]
