"""Words on power for single steps."""

from __future__ import annotations

import dataclasses

import pytest

from geoplan.work.power_steps import (
    along_run,
    close_to,
    ladder_side,
    landing,
    measured_before,
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
        " E7 and power on pole P1 close, live: head and hands below the strand."
    )


def test_power_that_could_not_be_looked_at_may_be_anywhere(case):
    dark = changed(case, power_approach="not_checked")
    assert close_to(dark, "hook", "x") == (
        " Power (NOT CHECKED) may be close, live: head and hands below x."
    )
    assert close_to(changed(case, power_approach="none"), "hook", "x") == ""


def test_lines_named_before_in_a_step_are_not_named_again(case):
    told = changed(case, power_places="terminal: E1;terminal: E2;terminal_ladder: E1")
    assert close_to(told, "terminal", "x", "terminal_ladder").startswith(" They and E2 close")


def test_it_is_said_before_what_a_line_is_measured(case):
    assert measured_before(case, WIRE) == "before the wire goes up"
    assert measured_before(case, RUN) == "before the ladder goes to P3"
    assert measured_before(changed(case, is_run_bucket=True), RUN).startswith("before the bucket")
    assert measured_before(case, "E9: the ladder at the house") == "before anybody goes up there"
    hook = dataclasses.replace(case, drop={**case.drop, "access_pole_id": "P3"})
    hook = changed(hook, job_kind="same_side")
    assert measured_before(hook, RUN) == "before the wire is led off P3"


def test_the_run_tells_where_power_is_and_what_to_measure(case):
    met = changed(
        case,
        run_power="E9, line, 240 V;E6, line, 240 V",
        power_places="run: E9 (5.0 m from pole P3)",
        power_tight=f"{RUN};{WIRE}",
    )
    assert along_run(met) == (
        "Power along it, live: E9 (5.0 m from pole P3) and E6; approach distance not kept: stop."
        " Measure to E7, live, before the ladder goes to P3."
    )
    assert along_run(case) == ""


def test_the_last_ladder_goes_on_the_side_away_from_lines_and_road(case):
    assert "away" not in ladder_side(case)
    over = changed(case, power_places="terminal_ladder: E1;terminal_ladder: E2")
    assert ", on the side away from E1 and E2 (live)" in ladder_side(over)
    by_road = dataclasses.replace(over, road_name="A Street")
    assert ladder_side(by_road).endswith("E2 (live) and the road: choose there")


def test_what_lands_on_the_house_is_told_with_how_far_off(case):
    told = changed(
        case,
        power_places="house_ladder: E1;wall: E1, lands on this house 1 m off;"
        "wall: E2, lands on this house 8 m off",
    )
    assert landing(told) == "E2, live, lands on this house 8 m off"
    assert landing(told, "house") == ""


def test_all_that_is_not_kept_is_named_the_one_told_first_first(case):
    places = "short: E1;short: E2;short: power on pole P1;short: power on pole P2;hook: E3"
    told = changed(case, power_places=places)
    assert names_short(told, "E2") == ["E2", "E1", "power on poles P1 and P2"]
