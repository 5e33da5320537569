"""Layers joined area by area: the same as all at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from shapely.geometry import Point, box

from geoplan.layers import by_area as module
from geoplan.layers import check_overlap
from geoplan.layers.by_area import join_by_area, nearest_on_shelf, same_outlines
from geoplan.layers.check_overlap import find_same_outlines
from geoplan.layers.check_topology import check_topology
from geoplan.layers.findings import join_findings, join_set_aside
from geoplan.layers.locate import locate_addresses
from geoplan.layers.shelf import DiskShelf, put_away
from geoplan.tables import LAYERS
from tests.layers.test_check_topology import Rows, make_layer, make_spans, towns

REACH_M = 8.0
quiet = settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
spots = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=12)


def joined(town: dict[str, Rows], folder: Path, area: int) -> Any:
    frames = {name: make_layer(name, town.get(name, {})).sort_index() for name in LAYERS}
    spans, shelves = make_spans(frames), {}
    for name in ("parcels", "buildings"):
        frames[name], shelves[name] = put_away(frames[name], folder / f"{name}.arrow")
    return join_by_area(frames, spans, shelves, max_building_distance_m=REACH_M, area=area)


@quiet
@given(towns, st.integers(1, 4))
def test_joined_by_area_is_what_is_joined_at_once(
    tmp_path: Path, town: dict[str, Rows], area: int
) -> None:
    frames = {name: make_layer(name, rows) for name, rows in town.items()}
    copies, findings, set_aside = check_topology(
        frames, make_spans(frames), max_building_distance_m=REACH_M
    )
    kept = frames["buildings"].drop(index=copies["buildings"])
    parcel, building = locate_addresses(
        frames["addresses"].sort_index(), frames["parcels"], kept, max_building_distance_m=REACH_M
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "AREA", area)
        patch.setattr(module, "GROUP", area)
        done = joined(town, tmp_path, area)
    assert_frame_equal(join_findings(done.findings), findings)
    assert_frame_equal(join_set_aside(done.set_aside), set_aside)
    addresses = done.frames["addresses"]
    assert addresses["parcel_id"].equals(parcel)
    assert addresses["building_id"].equals(building)
    assert done.frames["buildings"].index.tolist() == kept.sort_index().index.tolist()
    assert len(done.shelves["buildings"]) == len(kept)


def test_pairs_left_out_are_the_same_by_area(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(check_overlap, "MAX_OVERLAP_VERTICES", 45)
    shapes = {f"L{n}": box(n, 0, n + 3, 3 + n % 3) for n in range(12)}
    frames = {"parcels": make_layer("parcels", shapes)}
    _, findings, _ = check_topology(frames, make_spans({}))
    assert "parcels_overlap_not_checked" in set(findings["code"])
    done = joined({"parcels": shapes}, tmp_path, 2)
    mine = join_findings(done.findings)
    assert_frame_equal(mine, findings)


@quiet
@given(spots, spots, st.integers(1, 5))
def test_the_nearest_shape_is_found_however_far(
    tmp_path: Path, points: list[tuple[int, int]], corners: list[tuple[int, int]], size: int
) -> None:
    shapes = {f"L{n:02d}": box(x, y, x + 2, y + 1) for n, (x, y) in enumerate(corners)}
    frame = make_layer("parcels", shapes)
    _, shelf = put_away(frame, tmp_path / "parcels.arrow")
    asked = np.array([Point(point) for point in points], dtype=object)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "GROUP", size)
        nearest, away = nearest_on_shelf(asked, shelf, size)
    for number, point in enumerate(asked):
        gaps = shapely.distance(point, frame.geometry.to_numpy())
        assert nearest[number] == (gaps.argmin() if len(gaps) else -1)
        assert away[number] == (gaps.min() if len(gaps) else np.inf)


@quiet
@given(st.lists(st.sampled_from([(0, 0, 2), (0, 0, 3), (5, 5, 2), (5, 5, 2)]), max_size=12))
def test_outlines_there_twice_are_those_of_the_whole(
    tmp_path: Path, boxes: list[tuple[int, int, int]]
) -> None:
    shapes = {f"L{n:02d}": box(x, y, x + w, y + w) for n, (x, y, w) in enumerate(boxes)}
    frame = make_layer("parcels", shapes)
    _, shelf = put_away(frame, tmp_path / "parcels.arrow")
    first, is_copy = find_same_outlines(frame.geometry.to_numpy())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "AREA", 2)
        mine, is_mine = same_outlines(shelf)
    assert mine.tolist() == first.tolist()
    assert is_mine.tolist() == is_copy.tolist()


def test_a_far_address_brings_no_more_than_what_is_around_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    houses = {f"B{n:05d}": box(10.0 * n, 0, 10.0 * n + 5, 5) for n in range(30_000)}
    at = (*range(600), *range(29_400, 30_000))
    addresses = {f"A{n:05d}": Point(10.0 * n + 2, 2) for n in at}
    taken = []

    def take(shelf: DiskShelf, rows: Any) -> Any:
        taken.append(len(rows))
        return original(shelf, rows)

    original = DiskShelf.take
    monkeypatch.setattr(DiskShelf, "take", take)
    done = joined({"buildings": houses, "addresses": addresses}, tmp_path, 50_000)
    assert taken[0] < 3_000
    assert done.frames["addresses"]["building_id"].tolist() == [f"B{n:05d}" for n in at]
    assert isinstance(done.frames["addresses"], pd.DataFrame)
