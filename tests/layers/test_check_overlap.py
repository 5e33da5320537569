"""Copies and overlaps are found among many outlines that only touch."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.layers import check_overlap
from geoplan.layers.check_overlap import find_same_outlines, first_of_each, have_shared_key


def test_an_outline_is_the_same_wherever_it_begins_and_whichever_way_it_runs() -> None:
    corners = [(0, 0), (4, 0), (4, 2), (0, 2)]
    shapes = [
        shapely.Polygon(corners),
        shapely.Polygon(corners[1:] + corners[:1]),
        shapely.Polygon(corners[::-1]),
        shapely.Polygon([(0, 0), (4, 0), (4, 2), (1, 2), (0, 1)]),
    ]
    first, is_copy = find_same_outlines(np.array(shapes))
    assert first.tolist() == [0, 0, 0, 3]
    assert is_copy.tolist() == [False, True, True, False]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(*[st.sampled_from([-0.0, 0.0, 1.0, 1e-9, 3e5])] * 2), max_size=8))
def test_keys_are_shared_where_all_numbers_agree(rows: list[tuple[float, float]]) -> None:
    keys = np.array(rows, dtype=np.float64).reshape(-1, 2)
    wanted = [sum(row == other for other in rows) > 1 for row in rows]
    assert have_shared_key(keys).tolist() == wanted


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_no_overlap_is_lost_among_bounds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.integers(0, 8, (2, 12)) * 5.0
    shapes = shapely.box(x, y, x + 5.0, y + 5.0)
    angle = rng.choice([0.0, 20.0], 12)
    turned = [shapely.affinity.rotate(a, b) for a, b in zip(shapes, angle, strict=True)]
    shapes = np.array(turned)
    inner = shapely.buffer(shapes, -check_overlap.EDGE_M, join_style="mitre")
    meets = np.argwhere(shapely.intersects(inner[:, None], shapes) & ~np.eye(12, dtype=bool))
    crowded, crowd = check_overlap._crowded(shapes, shapely.STRtree(shapes))
    assert set(meets[:, 0]) <= set(crowded)
    assert set(meets[:, 1]) <= set(crowd)


def test_lots_that_only_touch_are_spared() -> None:
    x = np.arange(6) * 20.1
    lots = shapely.box(x, 0.0, x + 20.1, 35.0)
    crowded, crowd = check_overlap._crowded(lots, shapely.STRtree(lots))
    assert len(crowded) == len(crowd) == 0


def test_the_least_key_wins_and_then_the_least_match() -> None:
    row, match = np.array([3, 1, 3, 3]), np.array([8, 9, 7, 6])
    found, at = first_of_each(row, match, np.array([1.0, 5.0, 1.0, 2.0]))
    assert found.tolist() == [1, 3]
    assert match[at].tolist() == [9, 7]
