"""Columns of text equal what would be written row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.text_columns import assembled, joined, numbers, places, ranks, row_order, worded

FIGURES = st.one_of(
    st.floats(-1e12, 1e12),
    st.floats(-200, 200),
    st.integers(-9_999, 9_999).map(lambda whole: whole / 1000),  # ties of the last digit
    st.sampled_from([0.0, -0.0, -0.001, 0.125, 1.005, 0.285, np.nan, np.inf, -np.inf]),
)
WORDS = st.one_of(st.none(), st.text(alphabet="abé日𝄞Z0 ", max_size=3))


@given(st.lists(FIGURES, max_size=30), st.integers(0, 3))
@settings(max_examples=200, deadline=None)
def test_numbers_are_written_as_python_writes_each(values: list[float], decimals: int) -> None:
    expected = [f"{v:.{decimals}f}" if np.isfinite(v) else "unknown" for v in values]
    assert numbers(np.array(values, dtype=np.float64), decimals).tolist() == expected


@given(st.lists(WORDS, max_size=12))
@settings(max_examples=60, deadline=None)
def test_ranks_sort_as_texts_do_with_null_last(words: list[str | None]) -> None:
    rank = ranks(pd.Series(words, dtype="str"))
    keys = [(word is None, word or "") for word in words]
    assert [rank[i] < rank[j] for i in range(len(words)) for j in range(len(words))] == [
        a < b for a in keys for b in keys
    ]


@given(st.lists(st.tuples(WORDS, st.sampled_from([1.0, 2.0, np.nan])), max_size=12))
@settings(max_examples=60, deadline=None)
def test_rows_are_ordered_as_pandas_orders_them(rows: list[tuple[str | None, float]]) -> None:
    frame = pd.DataFrame(rows, columns=["word", "figure"]).astype(
        {"word": "str", "figure": "float64"}
    )
    order = row_order(frame, ["word", "figure"])
    expected = frame.sort_values(["word", "figure"], kind="stable").index.to_numpy()
    assert (np.arange(len(frame)) if order is None else order).tolist() == expected.tolist()
    ordered = frame.iloc[expected].reset_index(drop=True)
    assert row_order(ordered, ["word", "figure"]) is None


def test_words_stand_for_codes_and_null_for_none() -> None:
    assert worded(np.array([1, 0, 1]), ("low", "high")).tolist() == ["high", "low", "high"]
    assert worded(np.array([True, False]), ("no", "yes")).tolist() == ["yes", "no"]
    assert pd.isna(worded(np.array([-1]), ("low",))[0])


def test_pieces_are_joined_row_by_row_and_null_spreads() -> None:
    text = joined("from ", pd.Series(["A", None], dtype="str"), " to ", ["x", "y"])
    assert text[0] == "from A to x"
    assert pd.isna(text[1])


def test_parts_are_put_at_their_rows() -> None:
    whole = assembled(4, [(np.array([3, 0]), ["d", "a"]), (np.array([2]), ["c"])])
    assert pd.Series(whole).fillna("-").tolist() == ["a", "-", "c", "d"]
    assert pd.isna(assembled(2, [])).all()


def test_places_are_rows_and_minus_one_where_there_is_none() -> None:
    assert places(pd.Series(["b", None, "z"], dtype="str"), ["a", "b"]).tolist() == [1, -1, -1]


def test_a_code_without_a_word_is_refused() -> None:
    with pytest.raises(IndexError, match="out of bounds"):
        worded(np.array([2]), ("low", "high"))
