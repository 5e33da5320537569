"""Packed columns come out as they went in, and always as the same text."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.reports.map.pack import LETTERS, MOST, Pack, from_letters, to_letters, unpack

NUMBERS = st.lists(st.none() | st.integers(-MOST, MOST), max_size=40)
TEXTS = st.lists(st.none() | st.text(st.characters(exclude_categories=["Cs"])), max_size=20)


@given(NUMBERS, TEXTS)
@settings(max_examples=80, deadline=None)
def test_columns_come_out_as_they_went_in(
    numbers: list[int | None], texts: list[str | None]
) -> None:
    pack = Pack()
    known = np.array([number is not None for number in numbers], dtype=bool)
    pack.numbers("n", [number or 0 for number in numbers], known)
    pack.texts("t", pd.Series(texts, dtype="str"))
    pack.value("v", {"a": [1, "b"]})
    assert unpack(pack.text()) == {"n": numbers, "t": texts, "v": {"a": [1, "b"]}}


@given(st.lists(st.integers(-(10**9), 10**9), max_size=40))
@settings(max_examples=50, deadline=None)
def test_steps_add_up_to_the_numbers(numbers: list[int]) -> None:
    pack = Pack()
    pack.numbers("n", numbers, steps=True)
    assert unpack(pack.text())["n"] == numbers


def test_small_numbers_take_one_byte_each_and_unknown_costs_nothing_more() -> None:
    pack = Pack()
    pack.numbers("small", [-100, 100, 0], np.array([True, True, False]))
    pack.numbers("large", [127, 128])
    assert pack._columns["small"][1] == 1
    assert pack._columns["large"][1] == 2


def test_numbers_that_a_column_cannot_hold_are_refused() -> None:
    with pytest.raises(ValueError, match=r"column 'n' holds numbers beyond 2147483646"):
        Pack().numbers("n", [MOST + 1])
    with pytest.raises(ValueError, match=r"column 'n' cannot have steps and unknown values"):
        Pack().numbers("n", [1], np.array([True]), steps=True)


def test_the_text_is_one_that_cannot_end_its_element() -> None:
    pack = Pack()
    pack.texts("t", pd.Series(["</script><!--", "\u2028"]))
    assert set(pack.text()) <= set(LETTERS)
    assert not set(LETTERS) & set("<>&\"'`\\ ")


@given(st.binary(max_size=40))
@settings(max_examples=80, deadline=None)
def test_bytes_come_out_as_they_went_in(raw: bytes) -> None:
    text = to_letters(raw)
    assert from_letters(text) == raw
    assert len(text) == 5 * (1 + -(-len(raw) // 4))
