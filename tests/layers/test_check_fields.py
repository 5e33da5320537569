"""Reading of numbers, ids and words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.layers.check_fields import (
    check_fields,
    read_ids,
    read_numbers,
    read_text,
)
from geoplan.layers.columns import Match
from geoplan.tables import LAYERS

HEIGHT = LAYERS["poles"].column("height_m")
PORTS = LAYERS["poles"].column("ports_total")
SLOPE = LAYERS["buildings"].column("roof_slope_deg")


def text(*values: str | None) -> pd.Series[Any]:
    return pd.Series(values, dtype="str")


@pytest.mark.parametrize(
    ("given_text", "expected"),
    [
        ("35", 35 * 0.3048),
        (" 35 ft ", 35 * 0.3048),
        ("35ft", 35 * 0.3048),
        ("10 m", 10.0),
        ("1e1 M", 10.0),
        (".5", 0.5 * 0.3048),
        ("39370 ftus", 39370 * 1200 / 3937),
        ("120 in", 3.048),
    ],
)
def test_text_is_read_with_its_unit(given_text: str, expected: float) -> None:
    values, bad = read_numbers(text(given_text), HEIGHT, "ft")
    assert values[0] == pytest.approx(expected, rel=1e-14)
    assert bad.empty


@pytest.mark.parametrize(
    ("given_text", "problem"),
    [
        ("tall", "is 'tall', not a number"),
        ("7,5", "is '7,5', not a number"),
        ("1,200", "is '1,200', not a number"),
        ("35 furlongs", "is '35 furlongs', not a number"),
        ("3.5.1", "is '3.5.1', not a number"),
        ("inf", "is 'inf', not a finite number of any use"),
        ("1e300", "is '1e300', not a finite number of any use"),
        ("-3", "is '-3', less than 0"),
        ("True", "is 'True', not a number"),
        ("３", "is '３', not a number"),
    ],
)
def test_text_that_is_no_height_is_told(given_text: str, problem: str) -> None:
    values, bad = read_numbers(text("1", given_text), HEIGHT, "m")
    assert np.isnan(values[1])
    assert bad["position"].tolist() == [1]
    assert bad["problem"].tolist() == [problem]


@pytest.mark.parametrize("blank", [None, "", "  ", "nan", "NaN"])
def test_blank_is_null_without_complaint(blank: str | None) -> None:
    values, bad = read_numbers(text(blank), HEIGHT, "m")
    assert np.isnan(values[0])
    assert bad.empty


def test_numbers_are_checked_like_text() -> None:
    raw = pd.Series([3.0, np.nan, np.inf, -1.0])
    values, bad = read_numbers(raw, HEIGHT, "ft")
    assert values[0] == pytest.approx(3.0 * 0.3048, rel=1e-15)
    assert np.isnan(values[1:]).all()
    assert bad["position"].tolist() == [2, 3]


def test_booleans_are_no_numbers() -> None:
    _, bad = read_numbers(pd.Series([True, False]), HEIGHT, "m")
    assert bad["position"].tolist() == [0, 1]


def test_counts_must_be_whole() -> None:
    values, bad = read_numbers(text("4.0", "4.5"), PORTS, None)
    assert values[0] == 4.0
    assert bad["problem"].tolist() == ["is '4.5', not a whole number"]


def test_counts_take_no_unit() -> None:
    _, bad = read_numbers(text("4 m"), PORTS, None)
    assert bad["problem"].tolist() == ["is '4 m', not a number"]


def test_upper_bound_holds() -> None:
    _, bad = read_numbers(text("91"), SLOPE, "deg")
    assert bad["problem"].tolist() == ["is '91', more than 90"]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=8))
def test_numbers_survive_as_text(numbers: list[float]) -> None:
    as_text, bad = read_numbers(text(*map(repr, numbers)), HEIGHT, "ft")
    as_numbers, _ = read_numbers(pd.Series(numbers), HEIGHT, "ft")
    np.testing.assert_allclose(as_text, as_numbers, rtol=1e-15)
    assert bad.empty


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=12), min_size=1, max_size=8))
def test_any_text_is_number_null_or_told(texts: list[str]) -> None:
    values, bad = read_numbers(text(*texts), HEIGHT, "m")
    told = set(bad["position"])
    for position, one in enumerate(texts):
        is_blank = one.strip().lower() in ("", "nan")
        assert (position in told) == (np.isnan(values[position]) and not is_blank)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (pd.Series([12.0, 1.5]), ["12", "1.5"]),
        (pd.Series([12, 7]), ["12", "7"]),
        (text(" a ", "12.0", "12.50", "007", "1.0.0"), ["a", "12", "12.50", "007", "1.0.0"]),
        (pd.Series([2.0**60]), [str(2**60)]),
    ],
)
def test_ids_become_text(raw: pd.Series[Any], expected: list[str]) -> None:
    assert read_ids(raw).tolist() == expected


def test_blank_ids_are_null() -> None:
    assert read_ids(text("", "  ", None)).isna().all()
    assert read_ids(pd.Series([np.nan])).isna().all()


def test_text_is_kept_but_for_blanks() -> None:
    raw = text(' "x"\n', "Ünal", "  ", None)
    assert read_text(raw).dropna().tolist() == [' "x"\n', "Ünal"]


def test_lists_of_ids_are_read_as_ids() -> None:
    columns = LAYERS["addresses"].columns
    matches = [
        Match(one, one.name if one.name.startswith("forb") else None, None, "none")
        for one in columns
    ]
    raw = pd.DataFrame({"forbidden_terminal_ids": text("P2 ; 12.0;;P2", ";", None)})
    values = check_fields(LAYERS["addresses"], raw, matches).values
    assert values["forbidden_terminal_ids"].iloc[0] == "12;P2"
    assert values["forbidden_terminal_ids"].iloc[1:].isna().all()
    assert values["ports_needed"].tolist() == [1, 1, 1]


def test_ports_are_essential_and_heights_are_not() -> None:
    matches = [Match(PORTS, "p", None, "none"), Match(HEIGHT, "h", "m", "name")]
    raw = pd.DataFrame({"p": text("x"), "h": text("y")})
    cells = check_fields(LAYERS["poles"], raw, matches).cells.set_index("key")
    assert cells["is_essential"].to_dict() == {"ports_total": True, "height": False}
