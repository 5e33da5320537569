"""Array look-ups agree with the scalar ones, for a million rows as for one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.errors import RuleDataError
from geoplan.rules import (
    Approach,
    ClearanceKind,
    RuleSet,
    SeparationKind,
    Where,
    approach_table,
    available_rule_sets,
    clearance_table,
    load_rule_set,
    separation_table,
)
from geoplan.rules.keys import CLEARANCE_CLASSES
from geoplan.rules.lookup import UNKNOWN_CODE

US = load_rule_set("us")
SETS = [load_rule_set(name) for name in available_rule_sets()]
PAIRS = [(str(kind), name) for kind in ClearanceKind for name in CLEARANCE_CLASSES[kind]]
VOLTS = st.one_of(st.none(), st.floats(0, 1.2e6), st.sampled_from([300.0, 750.0, 15e3, 20e3, 50e3]))


def value(figure: object) -> float:
    return float(getattr(figure, "value_si", float("nan")))


@pytest.mark.parametrize("rule_set", SETS, ids=available_rule_sets())
def test_clearance_table_agrees_with_every_scalar_look_up(rule_set: RuleSet) -> None:
    table = clearance_table(rule_set)
    kinds, classes = zip(*PAIRS, strict=True)
    found_m = table.required(table.kind_codes(kinds), table.class_codes(classes))
    expected_m = [
        value(
            rule_set.clearance(kind, road_class=name)
            if kind.startswith("road")
            else rule_set.clearance(kind, surface=name)
        )
        for kind, name in PAIRS
    ]
    np.testing.assert_array_equal(found_m, expected_m)
    assert np.isfinite(found_m).sum() == sum(k.startswith("clearance.") for k in rule_set.figures)


def test_uncovered_and_null_clearances_are_nan() -> None:
    table = clearance_table(US)
    kinds = np.array(["water", None, "road", "rail", float("nan")], dtype=object)
    classes = np.array(["any", "local", None, "local", "any"], dtype=object)
    assert table.kind_codes(kinds)[1] == UNKNOWN_CODE
    assert np.isnan(table.required(table.kind_codes(kinds), table.class_codes(classes))).all()


def test_unknown_word_is_refused_with_row_and_nearest() -> None:
    table = clearance_table(US)
    with pytest.raises(RuleDataError, match=r"row 2 of .*'lokal' is not known\. .*'local'\?"):
        table.class_codes(np.array(["local", None, "lokal"], dtype=object))


def test_roof_classes_agree_with_the_scalar_look_up() -> None:
    table = clearance_table(US)
    slope = np.array([0.0, 0.2, 4 / 12, 1.0, np.nan, 1.0])
    is_walkable = np.array([False, False, False, False, False, True])
    codes = table.roof_class_codes(slope, is_walkable)
    found_m = table.required(table.kind_codes(["roof"] * 6), codes)
    expected_m = [
        value(US.clearance("roof", slope=float(s), is_walkable=bool(w)))
        for s, w in zip(slope, is_walkable, strict=True)
    ]
    np.testing.assert_array_equal(found_m, expected_m)


def test_a_million_crossings_are_answered_in_order() -> None:
    table = clearance_table(US)
    names = np.array(["local", "limited_access", "alley"], dtype=object)
    pick = np.random.default_rng(7).integers(0, 3, 1_000_000)
    kinds = np.full(1_000_000, "road", dtype=object)
    found_m = table.required(table.kind_codes(kinds), table.class_codes(names[pick]))
    expected_m = np.array([15.5, 18.0, 15.5])[pick] * 0.3048
    np.testing.assert_allclose(found_m, expected_m, rtol=1e-12)


@settings(max_examples=150)
@given(
    rule_set=st.sampled_from(SETS),
    rows=st.lists(
        st.tuples(st.sampled_from(SeparationKind), st.sampled_from(Where), VOLTS),
        min_size=1,
        max_size=12,
    ),
)
def test_separation_table_agrees_with_the_scalar_look_up(
    rule_set: RuleSet, rows: list[tuple[SeparationKind, Where, float | None]]
) -> None:
    table = separation_table(rule_set)
    codes = table.row_codes([f"{kind}.{where}" for kind, where, _ in rows])
    voltage_v = np.array([np.nan if volts is None else volts for _, _, volts in rows])
    expected_m = [value(rule_set.separation(kind, volts, where)) for kind, where, volts in rows]
    np.testing.assert_array_equal(table.distance(codes, voltage_v), expected_m)


@settings(max_examples=150)
@given(
    rule_set=st.sampled_from(SETS),
    rows=st.lists(st.tuples(st.sampled_from(Approach), VOLTS), min_size=1, max_size=12),
)
def test_approach_table_agrees_with_the_scalar_look_up(
    rule_set: RuleSet, rows: list[tuple[Approach, float | None]]
) -> None:
    table = approach_table(rule_set)
    codes = table.row_codes([str(who) for who, _ in rows])
    voltage_v = np.array([np.nan if volts is None else volts for _, volts in rows])
    expected_m = [value(rule_set.approach_distance(volts, who)) for who, volts in rows]
    np.testing.assert_array_equal(table.distance(codes, voltage_v), expected_m)


def test_one_row_broadcasts_over_many_voltages() -> None:
    table = approach_table(US)
    distance_m = table.distance(table.row_codes(["worker"]), np.array([240.0, 7200.0, np.nan]))
    np.testing.assert_allclose(distance_m, [0.0, 24 * 0.0254, np.nan])


def test_tables_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        clearance_table(US).required_m[0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        separation_table(US).distance_m[0, 0] = 1.0
