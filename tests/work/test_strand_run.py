"""Strand runs by hand: legs and poles in order, roads below by their width, conditions."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.ground import Ground
from geoplan.work.strand_run import (
    StrandRuns,
    pole_columns,
    roads_below,
    roads_near,
    trace_runs,
)

USUAL_M = 5.8
POLES = {"P1": (0, 0), "P2": (40, 0), "P3": (80, 0), "P4": (80, 40)}


def poles(**condition: str | None) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        {
            "strand_height_m": [6.0, np.nan, 6.4, 6.1],
            "condition": pd.Series([condition.get(name) for name in POLES], dtype="str"),
        },
        geometry=[shapely.Point(xy) for xy in POLES.values()],
    )
    frame.index = pd.Index(list(POLES), dtype="str", name="pole_id")
    return frame


def drops(*rows: tuple[str, str, bool, list[tuple[float, float]]]) -> gpd.GeoDataFrame:
    """Return drops of terminal, access pole, whether from a clamp, and route."""
    return gpd.GeoDataFrame(
        {
            "terminal_id": pd.Series([row[0] for row in rows], dtype="str"),
            "access_pole_id": pd.Series([row[1] for row in rows], dtype="str"),
            "strand_span_id": pd.Series(["Z1" if row[2] else None for row in rows], dtype="str"),
            "hook_height_m": [5.5] * len(rows),
        },
        geometry=[shapely.LineString(row[3]) for row in rows],
    )


DIRECT = ("P1", "P1", False, [(0, 0), (0, 20)])
CLAMP = ("P1", "P1", True, [(0, 0), (15, 0), (15, 20)])
OTHER = ("P1", "P3", False, [(0, 0), (40, 0), (80, 0), (90, 10)])
OTHER_CLAMP = ("P2", "P3", True, [(40, 0), (80, 0), (80, 25), (70, 30)])


def ground(width_m: float, *lines: list[tuple[float, float]]) -> Ground:
    """Return carriageways of one width, one road a line."""
    piece = np.concatenate([np.hstack([line[:-1], line[1:]]) for line in map(np.array, lines)])
    road = np.repeat(np.arange(len(lines)), [len(line) - 1 for line in lines])
    none = shapely.STRtree([])
    return Ground(
        piece.astype(float),
        road,
        np.full(len(piece), width_m / 2),
        shapely.STRtree(shapely.linestrings(piece.reshape(-1, 2, 2))),
        none,
        none,
        none,
    )


def runs(*rows: tuple[str, str, bool, list[tuple[float, float]]]) -> StrandRuns:
    return trace_runs(drops(*rows), poles(), USUAL_M)


def test_runs_go_from_clamp_or_access_pole_to_the_terminal() -> None:
    found = runs(DIRECT, CLAMP, OTHER, OTHER_CLAMP)
    assert found.drop.tolist() == [1, 2, 2, 3, 3]
    assert found.segment.tolist() == [
        [15, 0, 0, 0],
        [80, 0, 40, 0],
        [40, 0, 0, 0],
        [80, 25, 80, 0],
        [80, 0, 40, 0],
    ]
    assert found.from_pole.tolist() == [-1, 2, 1, -1, 2]
    assert found.to_pole.tolist() == [0, 1, 0, 2, 1]
    assert found.high_m.tolist() == [6.0, 6.4, 6.0, 6.4, 6.4]


def test_poles_are_named_from_the_access_pole_to_the_terminal() -> None:
    rows = (DIRECT, CLAMP, OTHER, OTHER_CLAMP)
    columns = pole_columns(runs(*rows), drops(*rows), poles(), np.array([-1, 1, -1, 3]))
    assert columns["run_poles"].fillna("").tolist() == ["", "P1", "P3;P2;P1", "P3;P2"]


def test_poor_and_unrated_poles_are_those_of_the_run_or_the_hook() -> None:
    rows = (DIRECT, CLAMP, OTHER, OTHER_CLAMP)
    own = poles(P1="good", P2="poor", P3=None, P4="poor")
    none = np.full(4, -1)
    columns = pole_columns(runs(*rows), drops(*rows), own, none)
    assert columns["poor_poles"].fillna("").tolist() == ["", "", "P2", "P2"]
    assert columns["unrated_poles"].fillna("").tolist() == ["", "", "P3", "P3"]
    hook = pole_columns(runs(DIRECT), drops(DIRECT), poles(P1="poor"), none[:1])
    assert hook["poor_poles"].tolist() == ["P1"]


def test_the_far_pole_of_a_clamps_span_is_judged_too_and_once() -> None:
    rows = (CLAMP, OTHER_CLAMP, CLAMP)
    own = poles(P1="good", P2="poor", P3="good", P4=None)
    columns = pole_columns(runs(*rows), drops(*rows), own, np.array([1, 3, 0]))
    assert columns["poor_poles"].fillna("").tolist() == ["P2", "P2", ""]
    assert columns["unrated_poles"].fillna("").tolist() == ["", "P4", ""]
    assert columns["run_poles"].fillna("").tolist() == ["P1", "P3;P2", "P1"]


def test_ladders_stand_at_poles_passed_and_at_the_terminal() -> None:
    found = runs(DIRECT, CLAMP, OTHER, OTHER_CLAMP)
    has_clamp = np.array([False, True, False, True])
    assert found.poles_passed(has_clamp).tolist() == [0, 1, 2, 2]


def test_legs_are_cut_back_at_poles_and_not_at_clamps() -> None:
    lines = runs(CLAMP, OTHER).beyond_poles(1.0)
    assert shapely.get_coordinates(lines).tolist() == [
        [15, 0],
        [1, 0],
        [79, 0],
        [41, 0],
        [39, 0],
        [1, 0],
    ]
    short = ("P1", "P1", True, [(0, 0), (1.5, 0), (0, 9)])
    assert shapely.length(runs(short).beyond_poles(1.0))[0] == pytest.approx(1.5 * 0.501)


def test_a_road_that_the_run_crosses_is_found_by_its_width() -> None:
    below = roads_below(runs(DIRECT, OTHER), ground(8.0, [(20, -50), (20, 50)]))
    assert (below.drop.tolist(), below.road.tolist()) == ([1], [0])
    assert below.over_m == pytest.approx([8.0])


@pytest.mark.parametrize(("offset_m", "is_over"), [(3.9, True), (4.1, False)])
def test_a_run_along_a_carriageway_hangs_over_it_within_half_its_width(
    offset_m: float, is_over: bool
) -> None:
    """The road lies beside the strand, its ends square to those of the run or beyond."""
    below = roads_below(runs(OTHER), ground(8.0, [(-50, offset_m), (30, offset_m)]))
    assert (len(below.road) == 1) == is_over
    if is_over:
        end = 30 + np.sqrt(4.0**2 - offset_m**2)
        assert below.over_m == pytest.approx([end])


def test_a_road_of_several_pieces_counts_once() -> None:
    bent = ground(8.0, [(20, -50), (20, 0), (20, 10), (20, 50)], [(60, -9), (60, 9)])
    below = roads_below(runs(OTHER, CLAMP, OTHER), bent)
    assert below.drop.tolist() == [0, 0, 2, 2]
    assert below.road.tolist() == [0, 1, 0, 1]
    assert below.over_m == pytest.approx([8.0] * 4)


def test_roads_near_runs_are_measured_to_the_edge() -> None:
    beside = ground(8.0, [(-5, 7), (100, 7)], [(-5, 30), (10, 30)])
    drop, road, edge = roads_near(runs(OTHER), beside, 4.5)
    assert set(drop.tolist()) == {0}
    assert set(road.tolist()) == {0}
    assert edge == pytest.approx(np.full(len(edge), 3.0))
    assert len(roads_near(runs(OTHER), beside, 2.9)[0]) == 0


def test_no_drops_and_no_roads_give_no_runs_and_no_pairs() -> None:
    empty = trace_runs(drops(DIRECT).iloc[:0], poles(), USUAL_M)
    assert len(empty.drop) == len(empty.pole) == 0
    assert len(roads_below(empty, ground(8.0, [(0, 0), (1, 1)])).drop) == 0
    assert pole_columns(empty, drops(DIRECT).iloc[:0], poles(), np.zeros(0, dtype=int)).empty


def test_runs_of_the_demo_are_as_long_as_the_plan_says(demo_plan: Plan) -> None:
    rows = demo_plan.drops
    found = trace_runs(rows, demo_plan.layers.poles, USUAL_M)
    length = np.hypot(*(found.segment[:, 2:] - found.segment[:, :2]).T)
    total = np.bincount(found.drop, weights=length, minlength=len(rows))
    assert total == pytest.approx(rows["strand_run_m"].to_numpy(), abs=0.05)
    by_clamp = rows["strand_span_id"].notna().to_numpy()
    poles_on = np.bincount(found.pole_drop, minlength=len(rows))
    has = poles_on > 0
    passed = rows["spans_passed"].to_numpy()
    assert (poles_on[has] == passed[has] + 1).all()
    assert (has == (rows["strand_run_m"].to_numpy() > 0)).all()
    assert (by_clamp & has).sum() > 20
