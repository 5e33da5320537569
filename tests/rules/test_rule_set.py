"""Look-ups answer from the figures, or say that nothing is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.errors import RuleDataError
from geoplan.rules import RuleSet, available_rule_sets, load_rule_set

US = load_rule_set("us")
CALIFORNIA = load_rule_set("california")
SETS = [load_rule_set(name) for name in available_rule_sets()]
FT = 0.3048


def metres(rule_set: RuleSet, kind: str, voltage_v: float | None, where: str) -> float | None:
    figure = rule_set.separation(kind, voltage_v, where)
    return None if figure is None else figure.value_si


def test_road_class_decides_the_clearance() -> None:
    highway = US.clearance("road", road_class="limited_access")
    local = US.clearance("road", road_class="local")
    assert highway is not None
    assert local is not None
    assert highway.value_si == pytest.approx(18 * FT)
    assert local.value_si == pytest.approx(15.5 * FT)


@pytest.mark.parametrize(
    ("slope", "is_walkable", "feet"),
    [
        (None, False, 8.0),
        (0.0, False, 8.0),
        (0.3332, False, 8.0),
        (4 / 12, False, 3.0),
        (1.0, False, 3.0),
        (1.0, True, 10.5),
        (float("nan"), False, 8.0),
    ],
)
def test_roof_clearance_follows_slope_and_use(
    slope: float | None, is_walkable: bool, feet: float
) -> None:
    figure = US.clearance("roof", slope=slope, is_walkable=is_walkable)
    assert figure is not None
    assert figure.value_si == pytest.approx(feet * FT)


def test_reduced_driveway_has_to_be_asked_for() -> None:
    plain, reduced = US.clearance("driveway"), US.clearance("driveway", surface="reduced")
    assert plain is not None
    assert reduced is not None
    assert plain.key == "clearance.driveway.residential"
    assert reduced.value_si < plain.value_si


def test_uncovered_clearance_is_none_with_a_reason() -> None:
    assert US.clearance("water") is None
    reason = US.why_not_covered(US.clearance_key("water"))
    assert reason.startswith("not covered by rule set 'us': The rows for water surfaces")


def test_road_without_class_is_refused() -> None:
    with pytest.raises(RuleDataError, match=r"clearance\.road: needs a class\. Name one of"):
        US.clearance("road")


@pytest.mark.parametrize(
    ("kind", "road_class", "message"),
    [
        ("raod", "local", r"'raod' is not known\. Did you mean 'road'\?"),
        ("road", "lokal", r"'lokal' is not known\. Did you mean 'local'\?"),
        ("rail", "local", r"'local' is not known"),
    ],
)
def test_unknown_clearance_is_refused(kind: str, road_class: str, message: str) -> None:
    with pytest.raises(RuleDataError, match=message):
        US.clearance(kind, road_class=road_class)


def test_separation_depends_on_kind_place_and_voltage() -> None:
    assert metres(US, "supply_line", 7200.0, "pole") == pytest.approx(1.016)
    assert metres(US, "supply_line", 7200.0, "span") == pytest.approx(0.762)
    assert metres(US, "supply_service", 240.0, "span") == pytest.approx(0.3048)
    assert metres(CALIFORNIA, "supply_line", 750.0, "span") == pytest.approx(2 * FT)
    assert metres(CALIFORNIA, "supply_line", 750.1, "span") is None


def test_voltage_above_the_bands_is_not_covered() -> None:
    assert metres(US, "supply_line", 69e3, "pole") is None
    reason = US.why_not_covered("separation.supply_line.pole")
    assert "voltage unknown or above 15000 V" in reason
    assert "ends at 750 V" in CALIFORNIA.why_not_covered("separation.supply_line.span")


@pytest.mark.parametrize("voltage_v", [None, float("nan")])
def test_unknown_voltage_gives_only_what_holds_at_any(voltage_v: float | None) -> None:
    assert metres(US, "supply_line", voltage_v, "pole") is None
    assert metres(US, "neutral", voltage_v, "pole") == pytest.approx(30 * 0.0254)
    assert US.approach_distance(voltage_v) is None


def test_unknown_separation_is_refused() -> None:
    with pytest.raises(RuleDataError, match=r"Did you mean 'supply_line'\?"):
        US.separation("supply_lines", 240.0, "pole")
    with pytest.raises(RuleDataError, match=r"Did you mean 'building'\?"):
        US.separation("neutral", None, "buildings")


def test_lowest_approach_band_is_avoid_contact() -> None:
    figure = US.approach_distance(240.0)
    assert figure is not None
    assert figure.value_si == 0.0
    assert figure.printed == "avoid contact"


def test_approach_ends_with_its_table() -> None:
    assert US.approach_distance(140_000.0) is not None
    assert US.approach_distance(140_001.0) is None
    assert US.approach_distance(1e6, "lifting_plant") is not None
    assert US.approach_distance(1.1e6, "lifting_plant") is None


@settings(max_examples=60)
@given(
    rule_set=st.sampled_from(SETS),
    who=st.sampled_from(["worker", "lifting_plant"]),
    volts=st.tuples(st.floats(0, 140e3), st.floats(0, 140e3)),
)
def test_higher_voltage_never_allows_a_nearer_approach(
    rule_set: RuleSet, who: str, volts: tuple[float, float]
) -> None:
    low = rule_set.approach_distance(min(volts), who)
    high = rule_set.approach_distance(max(volts), who)
    assert low is not None
    assert high is not None
    assert low.value_si <= high.value_si


def test_each_district_has_its_cases_in_order() -> None:
    assert [case.name for case in US.load_cases("heavy")] == [
        "tension_loaded",
        "tension_unloaded",
        "clearance_hot",
        "clearance_ice",
        "stringing",
    ]
    assert [case.name for case in US.load_cases("light", "clearance")] == ["clearance_hot"]
    assert [case.name for case in CALIFORNIA.load_cases("heavy", "clearance")] == [
        "clearance_table",
        "clearance_hot",
        "clearance_ice",
    ]


def test_california_lets_sag_take_a_tenth_of_the_clearance() -> None:
    fractions = {
        case.name: case.clearance_fraction.value_si
        for case in CALIFORNIA.load_cases("heavy", "clearance")
        if case.clearance_fraction is not None
    }
    assert fractions == {"clearance_table": 1.0, "clearance_hot": 0.9, "clearance_ice": 0.9}
    reduction = CALIFORNIA.limit("max_clearance_reduction")
    assert reduction is not None
    assert fractions["clearance_hot"] == pytest.approx(1 - reduction.value_si)


@pytest.mark.parametrize("rule_set", SETS, ids=available_rule_sets())
def test_cases_fit_their_purpose(rule_set: RuleSet) -> None:
    for district in rule_set.districts:
        for case in rule_set.load_cases(district):
            assert (case.clearance_fraction is not None) == (case.purpose == "clearance")
            assert case.district == district
            if case.purpose == "clearance":
                assert case.wind_pa == 0.0
        hot = next(c for c in rule_set.load_cases(district) if c.name == "clearance_hot")
        stringing = rule_set.load_cases(district, "stringing")[0]
        loaded = next(c for c in rule_set.load_cases(district) if c.name == "tension_loaded")
        assert loaded.temperature_c < stringing.temperature_c < hot.temperature_c
        assert loaded.wind_pa > 0


def test_unknown_district_or_purpose_is_refused() -> None:
    with pytest.raises(RuleDataError, match=r"Did you mean 'heavy'\?"):
        US.load_cases("hevy")
    with pytest.raises(RuleDataError, match=r"Did you mean 'tension'\?"):
        US.load_cases("heavy", "tensions")


def test_limits_that_are_not_covered_are_none() -> None:
    assert CALIFORNIA.tension_limit("drop_unloaded_final") is None
    assert US.limit("rail_wire_strength") is None
    with pytest.raises(RuleDataError, match=r"Did you mean 'strand_loaded'\?"):
        US.tension_limit("strand_load")
    with pytest.raises(RuleDataError, match=r"Did you mean 'clamp_from_pole'\?"):
        US.limit("clamp_from_poles")


def test_citation_tells_the_status_truthfully() -> None:
    assert CALIFORNIA.require("clearance.road.local").citation() == (
        "General Order 95, Table 1, case 3, column B (as first issued); read"
    )
    assert US.require("separation.neutral.pole.any_voltage").citation().endswith("from memory")
    assert load_rule_set("metric").require("clearance.pool.any").citation() == (
        "Common practice; common practice, no source"
    )
    assert not US.require("tension.drop_loaded").status.is_verified
    assert US.require("clearance.rail.any").status.is_verified


KERB_CHECK_15 = [(12.0, 18.0), (20.0, 18.0), (0.0, 16.0), (6.0, 17.0)]


@pytest.mark.parametrize(("from_kerb_ft", "required_ft"), KERB_CHECK_15)
def test_kerb_grading_gives_worked_check_15(from_kerb_ft: float, required_ft: float) -> None:
    grading = CALIFORNIA.kerb_grading()
    assert grading is not None
    required_m = grading.required_m(np.array([from_kerb_ft * FT]), 18 * FT)
    assert required_m[0] == pytest.approx(required_ft * FT)


def test_sets_without_kerb_rule_have_no_grading() -> None:
    assert US.kerb_grading() is None


@settings(max_examples=60)
@given(
    from_kerb_m=st.lists(st.floats(0, 30), min_size=2, max_size=20),
    full_m=st.floats(3, 8),
)
def test_kerb_grading_rises_from_kerb_to_full(from_kerb_m: list[float], full_m: float) -> None:
    grading = CALIFORNIA.kerb_grading()
    assert grading is not None
    required_m = grading.required_m(np.sort(from_kerb_m), full_m)
    assert np.all(np.diff(required_m) >= -1e-12)
    assert np.all(required_m <= full_m + 1e-12)
    assert np.all(required_m >= min(16 * FT, full_m) - 1e-12)
