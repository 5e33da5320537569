"""Clauses joined row by row, against plain Python."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.work.clauses import chained, in_words, per_row

WORDS = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=5)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 4), WORDS), max_size=12))
def test_each_row_gets_all_its_clauses_in_order(pairs: list[tuple[int, str]]) -> None:
    rows = np.array([row for row, _ in pairs], dtype=np.int64)
    found = per_row(rows, [word for _, word in pairs], 5)
    for number in range(5):
        own = [word for row, word in pairs if row == number]
        got = found[number]
        assert (got == "; ".join(own)) if own else (got is None or got != got)  # noqa: PLR0124


def test_null_clauses_are_left_out() -> None:
    both = np.array([0, 1])
    found = chained(2, [(both, ["a", None]), (both, [None, None]), (both, ["b", "c"])], ", ")
    assert list(found) == ["a, b", "c"]


def test_no_rows_give_no_words() -> None:
    assert len(chained(0, [])) == 0
    assert len(per_row(np.zeros(0, dtype=np.int64), [], 0)) == 0


def test_unknown_has_no_unit() -> None:
    assert list(in_words(np.array([3.048, np.nan]), "length", "us")) == ["10.0 ft", "unknown"]
