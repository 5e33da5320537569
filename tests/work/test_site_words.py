"""Words shared by steps and checks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from geoplan.work.site_words import (
    ITS_END_M,
    NO_PLACE,
    at_an_end,
    height_to_open,
    in_a_row,
    is_closed,
    is_flat,
    kept_off,
    least_at,
    lines_around,
    names_at,
    others_ground,
    out_of,
    parts_of,
    place_words,
    poles_of,
    power_at,
    powers_of,
    swing_at,
    toward_pole,
    while_held,
)
from tests.work.cases import case_of


@pytest.fixture
def case(demo_work):
    return case_of(demo_work, "A001")


def _with(case, **columns):
    return dataclasses.replace(case, job={**case.job, **columns})


@pytest.mark.parametrize(
    ("text", "parts"), [(None, []), ("", []), ("a", ["a"]), ("a; b ;;c", ["a", "b", "c"])]
)
def test_texts_are_split(text, parts):
    assert parts_of(text) == parts


@pytest.mark.parametrize(
    ("names", "words"), [([], ""), (["a"], "a"), (["a", "a"], "a"), (["a", "b", "c"], "a, b and c")]
)
def test_names_are_joined_once_each(names, words):
    assert in_a_row(names) == words


def test_lines_of_a_kind_are_told_together_and_a_neutral_as_live(case):
    told = powers_of(
        _with(
            dataclasses.replace(case, crossings=()),
            power_lines="E1, supply line, 7200 V: keep 2.0 ft away;"
            "E2, supply drop, 240 V: keep 1.0 ft away;E3, supply drop, 240 V: keep 1.0 ft away;"
            "N1, neutral, 0 V (assumed): keep 1.0 ft away",
        )
    )
    assert told[0] == "E1, supply line, 7200 V: keep 2.0 ft away"
    assert told[1] == "E2 and E3, supply drop, 240 V: keep 1.0 ft away"
    assert told[2].startswith("N1, neutral, 0 V (assumed)")
    assert told[2].endswith("treat as live)")


def test_power_that_the_wire_meets_is_told_even_where_no_list_names_it(case):
    row = {
        "crossing_kind": "power", "feature_id": "E5", "feature_class": "supply_line", "at_m": 3.0,
        "is_near_miss": False, "distance_m": 0.0, "feature_name": None,
    }  # fmt: skip
    met = dataclasses.replace(case, crossings=(row,))
    assert powers_of(_with(met, power_lines=None)) == [
        f"E5 (meets the wire {case.length(3.0)} from the clamp), supply line, voltage not told:"
        " treat as live"
    ]
    assert "E5 (meets the wire" in powers_of(_with(met, power_lines="E5, line, 1 V: keep"))[0]


def test_power_beside_the_wire_has_its_voltage_and_is_told_once(case):
    row = {
        "crossing_kind": "power", "feature_id": "E5", "feature_class": "supply_drop", "at_m": 3.0,
        "is_near_miss": True, "distance_m": 2.0, "feature_name": None,
    }  # fmt: skip
    around = "E5, drop, 240 V, 7 ft from the wire: keep 1.0 ft away;E6, drop, 240 V, 9 ft from x"
    met = _with(dataclasses.replace(case, crossings=(row,)), power_lines=None, power_around=around)
    place = f"{case.length(3.0)} from the clamp, {case.length(2.0)} aside in plan"
    assert powers_of(met) == [f"E5 ({place}), drop, 240 V: keep 1.0 ft away"]
    assert lines_around(met) == ([], ["E6, drop, 240 V, 9 ft from x"])
    bare = dataclasses.replace(met, crossings=())
    assert lines_around(bare)[0] == ["E5, drop, 240 V, 7 ft from the wire: keep 1.0 ft away"]


def test_power_at_a_place_is_named(case):
    told = _with(case, power_places="ladder: E1;house_ladder: E2, 3.7 ft above it;ladder: E3")
    assert power_at(told, "house_ladder") == ["E2, 3.7 ft above it"]
    assert names_at(told, "house_ladder") == "E2"
    assert names_at(told, "ladder") == "E1 and E3"
    assert names_at(told, "reel") == ""


def test_ends_of_the_air_span_are_named(case):
    span = float(case.drop["air_span_m"])
    assert out_of(case, span) == "at the house"
    assert out_of(case, 0.0) == "at the clamp"
    assert out_of(case, span / 2) == f"{case.length(span / 2)} from the clamp"


@pytest.mark.parametrize(
    ("kind", "crew", "word"),
    [
        ("flaggers", 2, "while the flaggers hold traffic"),
        ("short_stop", 2, "the second person still holding traffic"),
        ("owner", 2, "owner's permit"),
        ("lane_closure", 2, "lane closed"),
    ],
)
def test_traffic_is_held_by_somebody(case, kind, crew, word):
    told = while_held(_with(case, traffic_class=kind, crew_size=crew))
    assert word in told
    assert "gap in traffic" not in told, "held since the ladder is on the strand"
    hook = _with(case, traffic_class=kind, crew_size=crew, job_kind="street_crossing")
    assert ("gap in traffic, the second person holding" in while_held(hook)) == (
        kind == "short_stop"
    )


def test_one_person_closes_the_road_and_holds_nobody(case):
    road = {"crossing_kind": "road", "feature_id": "R1", "is_near_miss": False}
    over = dataclasses.replace(case, crossings=(road,))
    alone = _with(over, traffic_class="short_stop", crew_size=1)
    assert is_closed(alone)
    assert while_held(alone) == "the road closed by signs and cones on both sides"
    assert kept_off(alone) == "the road still closed"
    two = _with(over, traffic_class="short_stop", crew_size=2)
    assert not is_closed(two)
    assert kept_off(two) == "traffic still held"


def test_a_road_is_opened_early_at_the_height_asked_where_a_hand_holds_the_pull(case):
    row = {
        "crossing_kind": "road", "feature_id": "R1", "is_near_miss": False, "required_m": 4.7,
        "margin_m": 0.1, "clearance_basis": "computed",
    }  # fmt: skip
    hook = _with(dataclasses.replace(case, crossings=(row,)), job_kind="street_crossing")
    hook = _with(hook, traffic_class="short_stop", crew_size=2)

    def opened(pull_n, **road):
        drop = {**case.drop, "stringing_tension_n": pull_n}
        return dataclasses.replace(hook, drop=drop, crossings=({**row, **road},))

    assert height_to_open(opened(200.0)) == 4.7
    assert np.isnan(height_to_open(opened(201.0))), "grip and hoist set the sag"
    assert np.isnan(height_to_open(opened(200.0, margin_m=-0.1)))
    assert np.isnan(height_to_open(opened(200.0, clearance_basis="not_checked")))
    assert np.isnan(height_to_open(_with(opened(200.0), crew_size=1))), "closed by cones"
    assert np.isnan(height_to_open(dataclasses.replace(case, crossings=(row,)))), "a clamp"
    flagged = _with(hook, traffic_class="flaggers")
    drop = {**case.drop, "stringing_tension_n": 100.0}
    assert np.isnan(height_to_open(dataclasses.replace(flagged, drop=drop))), "they hold it anyway"


def test_a_wire_nearly_along_its_strand_is_told(case):
    assert is_flat(_with(case, strand_angle_deg=9.0))
    assert not is_flat(_with(case, strand_angle_deg=30.0))
    assert not is_flat(_with(case, strand_angle_deg=float("nan")))


def test_a_place_that_was_not_found_is_said_to_be_missing(case):
    lost = dataclasses.replace(case, places={})
    assert place_words(lost, "ladder") == NO_PLACE
    assert toward_pole(lost) == ""


def test_the_far_pole_is_told_with_the_clamp_and_not_with_the_ladder(case):
    told = dataclasses.replace(case, places={"ladder": "here; toward pole P9, 2 m short of it"})
    assert place_words(told, "ladder") == "here"
    assert toward_pole(told) == "toward pole P9, 2 m short of it"


def test_an_end_of_the_span_is_named_by_one_limit(case):
    span = float(case.drop["air_span_m"])
    for at_m, words in (
        (span - ITS_END_M, "the house attachment"), (ITS_END_M, "the clamp"),
        (span + 0.1, "the house attachment"), (span - ITS_END_M - 0.01, ""), (float("nan"), ""),
    ):  # fmt: skip
        drop = {**case.drop, "margin_over": "yard", "margin_at_m": at_m}
        assert at_an_end(dataclasses.replace(case, drop=drop)) == words
    road = {**case.drop, "margin_over": "road R1", "margin_at_m": span}
    assert at_an_end(dataclasses.replace(case, drop=road)) == ""


def test_the_far_pole_of_the_clamps_span_is_among_the_poles(case):
    told = poles_of(_with(case, far_pole_id="P9", run_poles="P1;P2"))
    assert told[:4] == [str(case.drop["access_pole_id"]), "P9", "P1", "P2"]


@pytest.mark.parametrize(
    ("at_m", "clamp_at_m", "place"), [(10.03, 2.0, 10.0), (0.04, 2.0, 0.04), (5.0, 2.0, 5.0)]
)
def test_the_least_clearance_at_the_house_is_told_no_farther_out_than_the_house(
    case, at_m, clamp_at_m, place
):
    drop = {**case.drop, "air_span_m": 10.0, "margin_at_m": at_m, "margin_over": "yard",
            "clamp_at_m": clamp_at_m}  # fmt: skip
    assert least_at(dataclasses.replace(case, drop=drop)) == place


def test_other_peoples_ground_is_found_and_told_as_allowed(case):
    places = {"ladder": "here; on lot L1 (1 Mill Lane): ask there first", "reel": "there"}
    told = dataclasses.replace(case, places=places)
    assert others_ground(told) == {"lot L1 (1 Mill Lane)": ["ladder"]}
    assert place_words(told, "ladder") == "here; on lot L1 (1 Mill Lane), with leave"


@pytest.mark.parametrize(("part", "swing_m"), [(0.0, 0.0), (0.5, 2.0), (0.25, 1.5), (1.0, 0.0)])
def test_the_wire_swings_by_a_parabola(case, part, swing_m):
    drop = {**case.drop, "air_span_m": 20.0, "swing_worst_m": 2.0}
    assert swing_at(dataclasses.replace(case, drop=drop), 20.0 * part) == pytest.approx(swing_m)
