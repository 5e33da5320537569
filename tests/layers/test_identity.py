"""Ids and an order that depend on content only."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.layers.identity import content_order, find_repeats, is_ascending, name_rows

ROWS = st.lists(
    st.tuples(
        st.sampled_from(["a", "b", "row-1", None]),
        st.one_of(st.none(), st.tuples(st.integers(0, 2), st.integers(0, 2))),
        st.sampled_from(["u", "v", None]),
    ),
    min_size=1,
    max_size=9,
)


def columns(rows: list[Any]) -> tuple[pd.Series, Any, Any]:
    geometry = np.array([None if at is None else shapely.Point(at) for _, at, _ in rows])
    ids = pd.Series([one for one, _, _ in rows], dtype="str")
    notes = pd.DataFrame({"note": [note for _, _, note in rows]})
    return ids, geometry, lambda at: notes.iloc[at]


@settings(max_examples=60, deadline=None)
@given(rows=ROWS, seed=st.randoms(use_true_random=False))
def test_names_and_order_follow_content(rows: list[Any], seed: Any) -> None:
    def told(these: list[Any]) -> list[Any]:
        identity = name_rows(*columns(these))
        return [(identity.ids[at], these[at]) for at in identity.order]

    mixed = list(rows)
    seed.shuffle(mixed)
    assert told(rows) == told(mixed)


@settings(max_examples=60, deadline=None)
@given(rows=ROWS)
def test_made_names_are_new_and_unique(rows: list[Any]) -> None:
    ids, geometry, more = columns(rows)
    identity = name_rows(ids, geometry, more)
    made = identity.ids[identity.is_generated]
    assert len(set(made)) == len(made) == ids.isna().sum()
    assert not set(made) & set(ids.dropna())


def test_order_runs_from_west_to_east_and_ends_with_no_geometry() -> None:
    geometry = np.array([None, shapely.Point(2, 0), shapely.Point(1, 5)])
    assert content_order(geometry, pd.DataFrame(index=range(3))).tolist() == [2, 1, 0]


def test_rounding_of_a_file_has_no_say() -> None:
    geometry = shapely.points([[1.0 + 1e-7, 5.0], [1.0, 6.0]])
    assert content_order(geometry, pd.DataFrame(index=range(2))).tolist() == [0, 1]


def test_repeats_point_to_the_first() -> None:
    is_repeat, first = find_repeats(np.array(["a", "a", "a", "b", "c", "c"], dtype=object))
    assert is_repeat.tolist() == [False, True, True, False, False, True]
    assert first.tolist() == [0, 0, 0, 3, 4, 4]


@settings(max_examples=60, deadline=None)
@given(ids=st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=3), max_size=6))
def test_ascending_ids_are_sorted_and_unique(ids: list[str]) -> None:
    wanted = all(one < other for one, other in itertools.pairwise(ids))
    assert is_ascending(pd.Series(ids, dtype="str")) == wanted


@pytest.mark.parametrize("ids", [["a", "b", "c"], ["c", "a", "b"], []])
def test_rows_with_ids_of_their_own_are_not_looked_at(ids: list[str]) -> None:
    geometry = shapely.points(np.zeros((len(ids), 2)))
    asked: list[Any] = []
    identity = name_rows(pd.Series(ids, dtype="str"), geometry, asked.append)
    assert asked == []
    assert [ids[at] for at in identity.order] == sorted(ids)
    assert identity.is_sorted == (ids == sorted(ids))
