"""Air spans as columns."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from geoplan.routes.air_spans import (
    ADDRESS_POINT,
    BASIS_NAMES,
    WALL_CORNER,
    WALL_FACE,
    AirSpans,
)


def _spans() -> AirSpans:
    whole, real = np.arange(3, dtype=np.int64), np.array([0.0, 10.0, 20.0])
    return AirSpans(
        whole,
        whole,
        whole - 1,
        real,
        real,
        real * 0,
        real + 3.0,
        real * 0 + 4.0,
        whole,
        whole,
        real,
    )


def test_length_is_horizontal_distance() -> None:
    assert _spans().length_m.tolist() == pytest.approx([5.0, 5.0, 5.0])


def test_segment_runs_from_start_to_end() -> None:
    assert _spans().segment.tolist() == [
        [0.0, 0.0, 3.0, 4.0],
        [10.0, 0.0, 13.0, 4.0],
        [20.0, 0.0, 23.0, 4.0],
    ]


def test_rows_are_taken_by_number_or_by_mask_in_every_column() -> None:
    spans = _spans()
    by_number = spans.take(np.array([2, 0], dtype=np.int64))
    by_mask = spans.take(np.array([True, False, True]))
    for field in dataclasses.fields(AirSpans):
        column = getattr(spans, field.name)
        assert getattr(by_number, field.name).tolist() == [column[2], column[0]]
        assert getattr(by_mask, field.name).tolist() == [column[0], column[2]]


def test_joining_parts_gives_back_the_whole() -> None:
    spans = _spans()
    parts = [spans.take(np.array([0])), AirSpans.empty(), spans.take(np.array([1, 2]))]
    whole = AirSpans.joined(parts)
    assert len(whole) == 3
    for field in dataclasses.fields(AirSpans):
        assert getattr(whole, field.name).tolist() == getattr(spans, field.name).tolist()
        assert getattr(whole, field.name).dtype == getattr(spans, field.name).dtype


def test_an_empty_table_has_no_length_and_no_segments() -> None:
    empty = AirSpans.empty()
    assert len(empty) == 0
    assert empty.length_m.shape == (0,)
    assert empty.segment.shape == (0, 4)


def test_each_basis_has_its_name() -> None:
    assert BASIS_NAMES[WALL_FACE] == "wall_face"
    assert BASIS_NAMES[WALL_CORNER] == "wall_corner"
    assert BASIS_NAMES[ADDRESS_POINT] == "address_point"
