"""Runs along the strand against scipy's and networkx's shortest paths on random plants."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from geoplan.routes.graph import find_reach, strand_graph


@pytest.mark.parametrize("seed", range(40))
def test_shortest_runs_equal_dijkstra(seed: int) -> None:
    rng = np.random.default_rng(seed)
    poles = int(rng.integers(2, 60))
    pairs = rng.integers(0, poles, (int(rng.integers(1, 150)), 2))
    ends = np.unique(np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1), axis=0).astype(np.int64)
    length = rng.uniform(5.0, 60.0, len(ends))
    terminals = np.unique(rng.integers(0, poles, 8)).astype(np.int64)
    limit = float(rng.uniform(50.0, 300.0))
    reach = find_reach(terminals, ends, length, max_run_m=limit, max_spans=poles)
    shortest = np.full((poles, poles), np.inf)
    np.minimum.at(shortest, (reach.terminal, reach.pole), reach.run_m)
    matrix = coo_array((length, (ends[:, 0], ends[:, 1])), shape=(poles, poles)).tocsr()
    expected = dijkstra(matrix, directed=False, indices=terminals, limit=limit)
    np.testing.assert_allclose(shortest[terminals], expected, rtol=1e-12)
    graph = strand_graph(poles, ends, length)
    for terminal in terminals.tolist():
        runs = nx.single_source_dijkstra_path_length(
            graph, terminal, cutoff=limit, weight="length_m"
        )
        found = {pole: shortest[terminal, pole] for pole in runs}
        assert found == pytest.approx(runs)
        assert np.isfinite(shortest[terminal]).sum() == len(runs)
