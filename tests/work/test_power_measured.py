"""Power measured before the work: before what, and in which step."""

from __future__ import annotations

import dataclasses
import re

import pytest

from geoplan.work.power_measured import (
    AT_HOUSE,
    AT_SUPPORT,
    MOST_NAMED,
    OF_RUN,
    OF_WIRE,
    blank,
    measured_before,
    to_measure,
)
from geoplan.work.power_pairs import (
    BESIDE,
    FAR_POLE,
    HOOK,
    HOUSE_LADDER,
    LADDER,
    REASONS,
    RUN,
    RUN_BUCKET,
    RUN_POLE,
    TERMINAL,
    TERMINAL_SIDE,
)
from geoplan.work.steps import build_steps
from tests.work.cases import case_of

STEPS = (AT_HOUSE, AT_SUPPORT, OF_WIRE, OF_RUN)


def words(reason, place="", name="E7"):
    return f"{name}: at least 0.6 m worked out from {REASONS[reason]}{place}, 0.3 m asked"


def told_in(case, step_words):
    """Return in which step, and how, a line is told to be measured."""
    one = dataclasses.replace(case, job={**case.job, "power_tight": step_words})
    return {step: told for step in STEPS if (told := to_measure(one, step))}


@pytest.fixture
def hook(demo_work):
    """Return a drop from the pole P1 whose wire goes on along the strand."""
    own = case_of(demo_work, "A001")
    job = {**own.job, "job_kind": "same_side", "is_bucket_job": False, "is_run_bucket": False}
    drop = {**own.drop, "access_pole_id": "P1", "terminal_id": "P2", "strand_run_m": 20.0}
    return dataclasses.replace(own, job=job, drop=drop)


@pytest.mark.parametrize(
    ("reason", "place", "step", "when"),
    [
        (BESIDE, " (1.0 m out from the pole)", OF_WIRE, "before the wire goes up"),
        (HOUSE_LADDER, "", AT_HOUSE, "before anybody goes up there"),
        (HOOK, "", AT_SUPPORT, "before anybody goes up"),
        (LADDER, "", AT_SUPPORT, "before anybody goes up"),
        (FAR_POLE, " (P2)", AT_SUPPORT, "before anybody goes up"),
        (RUN, " (1.0 m from pole P1)", AT_SUPPORT, "before anybody goes up"),
        (RUN, " (1.0 m from pole P2)", OF_RUN, "before the ladder goes to P2"),
        (RUN, " (1.0 m out from the pole)", OF_RUN, "before the ladder goes along the run"),
        (RUN_POLE, " (P2)", OF_RUN, "before the ladder goes to P2"),
        (TERMINAL_SIDE, " (1.0 m from pole P2)", OF_RUN, "before the ladder goes to P2"),
    ],
)
def test_a_line_is_measured_in_the_one_step_before_it_is_near(hook, reason, place, step, when):
    told = words(reason, place)
    assert told_in(hook, told) == {step: f" Measure to E7, live, {when}."}
    assert measured_before(hook, told) == when


def test_power_on_a_pole_of_the_run_is_measured_before_that_pole(hook):
    told = words(RUN_POLE, name="power on pole P2")
    assert measured_before(hook, told) == "before the ladder goes to P2"
    own = words(RUN_POLE, name="power on pole P1")
    assert measured_before(hook, own) == "before anybody goes up"


def test_nothing_is_measured_for_a_run_that_there_is_not(hook):
    direct = dataclasses.replace(hook, drop={**hook.drop, "strand_run_m": 0.0})
    for told in (words(TERMINAL, " (P2)"), words(TERMINAL_SIDE, " (1.0 m from pole P2)")):
        assert list(told_in(direct, told)) == [AT_SUPPORT]
    unknown = dataclasses.replace(hook, drop={**hook.drop, "strand_run_m": float("nan")})
    assert list(told_in(unknown, words(TERMINAL, " (P2)"))) == [OF_RUN]


def test_at_a_clamp_the_access_pole_is_one_of_the_run(hook):
    clamp = dataclasses.replace(hook, job={**hook.job, "job_kind": "span_clamp"})
    bucket = dataclasses.replace(clamp, job={**clamp.job, "is_run_bucket": True})
    told = words(RUN, " (1.0 m from pole P1)")
    assert measured_before(clamp, told) == "before the ladder goes to P1"
    assert measured_before(bucket, told) == "before the bucket goes to P1"
    assert measured_before(bucket, words(RUN_BUCKET)) == "before the bucket goes along the run"


def test_each_line_to_be_measured_stands_in_just_one_step(hook):
    tight = ";".join(
        [
            words(BESIDE, " (1.0 m out from the pole)", "E1"),
            words(LADDER, "", "E2"),
            words(HOUSE_LADDER, "", "E3"),
            words(RUN, " (1.0 m from pole P2)", "E4"),
        ]
    )
    bare = {"power_lines": None, "power_places": None, "run_power": None, "power_beside": None}
    case = dataclasses.replace(hook, job={**hook.job, **bare, "power_tight": tight}, crossings=())
    steps = build_steps(case)
    places = {"E1": "Hang the hand line", "E2": "Move the ladder to pole", "E3": "House: ladder",
              "E4": "Strand run"}  # fmt: skip
    for name, opening in places.items():
        (step,) = [one for one in steps if f"Measure to {name}" in one]
        assert step.startswith(opening)
    lines = [n for n, one in enumerate(steps) if "Measure to E1" in one]
    assert lines[0] < next(n for n, one in enumerate(steps) if one.startswith("Raise the wire"))


def _one_by_one(found):
    """Name the power on each of several poles."""
    return ", ".join(f"power on pole {pole}" for pole in re.findall(r"[A-Z]+\d+", found[1]))


def test_every_line_to_be_measured_in_the_demo_stands_in_a_step(demo_work):
    tight = demo_work.jobs.set_index("address_id")["power_tight"].dropna()
    assert len(tight) > 20
    for address_id, lines in tight.items():
        steps = " ".join(build_steps(case_of(demo_work, address_id)))
        for line in lines.split(";"):
            name = line.partition(": ")[0]
            told = [part.partition(", live,")[0] for part in steps.split("Measure to ")]
            if "Measure to each before" in steps:
                before = steps.partition(" Measure to each before")[0]
                told.append(before.rpartition("Power along it, live: ")[2])
            plain = [re.sub(r"power on poles ([^;]+)", _one_by_one, part) for part in told]
            assert any(name in part for part in plain), (address_id, name)


def test_a_blank_names_its_line():
    assert blank() == ""
    assert blank("E7") == "E7 measured: ____"
    assert blank("E7", "E8") == "Measured: E7 ____, E8 ____"
    several = [f"E{n}" for n in range(MOST_NAMED + 1)]
    assert blank(*several) == "Measured: E0 ____, nearest of the others, which: ____, ____"
    assert blank(*several[:-1]).count("E") == MOST_NAMED
