"""Sentences of flags, and flags of all kinds as one table."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.project import Project
from geoplan.routes.flags import HAZARD_COLUMNS, Flags, flag_table, lengths, sentences
from geoplan.tables import Severity

US = Project(layers={}, units="us")
METRIC = Project(layers={}, units="metric")


@given(
    st.lists(
        st.tuples(
            st.text(alphabet="{}nameclsx ", max_size=12), st.text(alphabet="{}classn", max_size=9)
        ),
        max_size=5,
    )
)
@settings(max_examples=60, deadline=None)
def test_what_a_word_contains_is_never_taken_for_a_blank(rows: list[tuple[str, str]]) -> None:
    words = {
        "{name}": lambda: pd.Series([row[0] for row in rows], dtype="str"),
        "{class}": lambda: pd.Series([row[1] for row in rows], dtype="str"),
    }
    filled = sentences("met {class} of {name} and {name}.", words, len(rows))
    assert filled.tolist() == [f"met {kind} of {name} and {name}." for name, kind in rows]


def test_a_sentence_without_blanks_is_repeated() -> None:
    assert sentences("as is", {}, 2).tolist() == ["as is", "as is"]


def test_a_sentence_whose_word_is_unknown_is_unknown() -> None:
    words = {"{why}": lambda: pd.Series(["it is far", None], dtype="str")}
    filled = sentences("no: {why}", words, 2)
    assert filled[0] == "no: it is far"
    assert pd.isna(filled[1])


def test_lengths_are_written_in_the_units_of_the_reports() -> None:
    metres = np.array([3.048, np.nan, 0.0])
    assert lengths(metres, US).tolist() == ["10.0 ft", "unknown", "0.0 ft"]
    assert lengths(metres, METRIC).tolist() == ["3.05 m", "unknown", "0.00 m"]
    assert lengths(metres, US, "sag").tolist() == ["120.0 in", "unknown", "0.0 in"]


def _flags(code: str, rows: list[int], *, is_of_crossing: bool) -> Flags:
    figures = np.arange(len(rows), dtype=np.float64)
    return Flags(
        code,
        Severity.NOTE,
        "limits.some",
        "Look.",
        is_of_crossing,
        np.array(rows, dtype=np.int64),
        figures + 1,
        figures + 2,
        sentences(f"{code} here", {}, len(rows)),
    )


def test_flags_take_their_ids_from_the_table_that_they_follow_from() -> None:
    crossings = pd.DataFrame(
        {"address_id": ["A", "B"], "terminal_id": ["T", "U"], "feature_id": ["road", "tree"]},
        dtype="str",
    )
    drops = pd.DataFrame(
        {"address_id": ["B", "C"], "terminal_id": ["U", "V"], "building_id": ["house", None]},
        dtype="str",
    )
    parts = [
        _flags("met", [1], is_of_crossing=True),
        _flags("none", [], is_of_crossing=False),
        _flags("own", [1, 0], is_of_crossing=False),
    ]
    table = flag_table(parts, crossings, drops)
    assert table.columns.tolist() == list(HAZARD_COLUMNS)
    assert table["address_id"].tolist() == ["B", "C", "B"]
    assert table["terminal_id"].tolist() == ["U", "V", "U"]
    assert table["feature_id"].fillna("-").tolist() == ["tree", "-", "house"]
    assert table["code"].tolist() == ["met", "own", "own"]
    assert table["what"].tolist() == ["met here", "own here", "own here"]
    assert table["at_m"].tolist() == [1.0, 1.0, 2.0]
    assert table["amount"].tolist() == [2.0, 2.0, 3.0]
