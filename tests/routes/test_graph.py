"""Runs along the strand, on small plants that can be followed by eye."""

from __future__ import annotations

import numpy as np

from geoplan.routes.graph import find_reach, path_spans, strand_graph

LINE = np.array([[0, 1], [1, 2], [2, 3]], dtype=np.int64)


def _reach(ends: np.ndarray, length: list[float], terminals: list[int], **limits: float):
    return find_reach(
        np.array(terminals, dtype=np.int64),
        ends,
        np.array(length, dtype=np.float64),
        max_run_m=limits.get("run", 1000.0),
        max_spans=int(limits.get("spans", 10)),
    )


def test_a_terminal_reaches_its_own_pole_without_a_run() -> None:
    reach = _reach(LINE, [40.0, 40.0, 40.0], [1], spans=0)
    assert reach.pole.tolist() == [1]
    assert reach.run_m.tolist() == [0.0]
    assert reach.previous.tolist() == [-1]


def test_runs_add_up_along_the_strand() -> None:
    reach = _reach(LINE, [40.0, 41.0, 42.0], [0])
    assert dict(zip(reach.pole.tolist(), reach.run_m.tolist(), strict=True)) == {
        0: 0.0,
        1: 40.0,
        2: 81.0,
        3: 123.0,
    }


def test_the_limits_on_run_and_spans_hold() -> None:
    assert _reach(LINE, [40.0, 40.0, 40.0], [0], run=80.0).pole.tolist() == [0, 1, 2]
    assert _reach(LINE, [40.0, 40.0, 40.0], [0], spans=1).pole.tolist() == [0, 1]


def test_a_longer_way_with_fewer_spans_is_kept_beside_a_shorter_one() -> None:
    ends = np.array([[0, 1], [1, 2], [0, 2]], dtype=np.int64)
    reach = _reach(ends, [20.0, 20.0, 50.0], [0])
    ways = [
        (int(passed), run)
        for pole, passed, run in zip(reach.pole, reach.spans_passed, reach.run_m, strict=True)
        if pole == 2
    ]
    assert ways == [(1, 50.0), (2, 40.0)]


def test_a_detour_that_is_longer_and_has_more_spans_is_dropped() -> None:
    ends = np.array([[0, 1], [1, 2], [0, 2]], dtype=np.int64)
    reach = _reach(ends, [20.0, 20.0, 30.0], [0])
    assert reach.spans_passed[reach.pole == 2].tolist() == [1]


def test_the_path_names_its_spans_from_the_terminal_outward() -> None:
    reach = _reach(LINE, [40.0, 41.0, 42.0], [0])
    row = int(np.flatnonzero(reach.pole == 3)[0])
    assert path_spans(reach, row) == [0, 1, 2]


def test_a_plant_without_strand_reaches_only_itself() -> None:
    reach = _reach(np.zeros((0, 2), dtype=np.int64), [], [0, 2])
    assert reach.pole.tolist() == [0, 2]


def test_the_graph_model_carries_lengths() -> None:
    graph = strand_graph(4, LINE, np.array([40.0, 41.0, 42.0]))
    assert graph.number_of_nodes() == 4
    assert graph.edges[1, 2, 0]["length_m"] == 41.0
