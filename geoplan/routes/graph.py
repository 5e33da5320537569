"""The plant as a graph: how far along the strand each terminal reaches.

Enters: poles, strand spans, terminals, limits.
Leaves: `Reach`, every (terminal, pole) within the limits with its run; or a networkx graph.
Does not do: air spans.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geoplan.routes.segments import FloatArray, IntArray, expand

if TYPE_CHECKING:
    import networkx as nx


@dataclass(frozen=True)
class Reach:
    """Runs along the strand, one row per (terminal, pole, spans passed).

    Rows are sorted by pole, then terminal, then spans passed. For one terminal and pole a row
    with more spans is kept only where its run is shorter.
    """

    terminal: IntArray
    pole: IntArray
    run_m: FloatArray
    spans_passed: IntArray
    previous: IntArray
    """Row one span nearer to the terminal; -1 at the terminal itself."""
    span: IntArray
    """Strand span run along last; -1 at the terminal itself."""


def strand_graph(pole_count: int, ends: IntArray, length_m: FloatArray) -> nx.MultiGraph:
    """Build the graph of poles and strand spans.

    Parameters
    ----------
    pole_count : int
        Number of poles; nodes are 0 to ``pole_count - 1``.
    ends : ndarray of int64, shape (s, 2)
        The two poles of each span.
    length_m : ndarray of float64, shape (s,)
        Length of each span in metres.

    Returns
    -------
    networkx.MultiGraph
        Edges carry ``span`` (row) and ``length_m``.
    """
    import networkx as nx

    graph: nx.MultiGraph = nx.MultiGraph()
    graph.add_nodes_from(range(pole_count))
    graph.add_edges_from(
        (int(a), int(b), {"span": row, "length_m": float(length)})
        for row, ((a, b), length) in enumerate(zip(ends.tolist(), length_m.tolist(), strict=True))
    )
    return graph


def find_reach(
    terminals: IntArray,
    ends: IntArray,
    length_m: FloatArray,
    *,
    max_run_m: float,
    max_spans: int,
) -> Reach:
    """Find every pole that each terminal reaches along the strand.

    Parameters
    ----------
    terminals : ndarray of int64, shape (t,)
        Poles that carry a terminal, ascending.
    ends : ndarray of int64, shape (s, 2)
        The two poles of each strand span.
    length_m : ndarray of float64, shape (s,)
        Length of each span in metres, > 0.
    max_run_m : float
        Longest run in metres.
    max_spans : int
        Most spans run along.

    Returns
    -------
    Reach
        Shortest runs by number of spans.

    Notes
    -----
    One relaxation per span passed, over all terminals at once: after k rounds each label is the
    shortest run with exactly k spans, so the kept labels hold the best choice for any price per
    metre and per pole. Cost O(max_spans x labels x spans per pole).
    """
    both = np.concatenate([ends, ends[:, ::-1]]) if len(ends) else np.zeros((0, 2), np.int64)
    row = np.tile(np.arange(len(ends), dtype=np.int64), 2)
    length = np.tile(length_m, 2)
    order = np.lexsort((row, both[:, 0]))
    tail, head, row, length = both[order, 0], both[order, 1], row[order], length[order]
    zero = np.zeros(len(terminals), dtype=np.int64)
    layers = [_Labels(terminals, terminals, np.zeros(len(terminals)), zero - 1, zero - 1)]
    best = layers[0]
    offset = 0
    for _ in range(max_spans):
        front = layers[-1]
        low, high = np.searchsorted(tail, front.pole), np.searchsorted(tail, front.pole, "right")
        source, rank = expand((high - low).astype(np.int64))
        edge = low[source] + rank
        run = front.run_m[source] + length[edge]
        keep = run <= max_run_m
        fresh = _Labels(
            front.terminal[source][keep],
            head[edge][keep],
            run[keep],
            source[keep] + offset,
            row[edge][keep],
        ).shortest()
        fresh = fresh.shorter_than(best)
        if len(fresh.pole) == 0:
            break
        offset += len(front.pole)
        layers.append(fresh)
        best = _Labels.joined([best, fresh]).shortest()
    labels = _Labels.joined(layers)
    passed = np.repeat(np.arange(len(layers)), [len(layer.pole) for layer in layers])
    order = np.lexsort((passed, labels.terminal, labels.pole))
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    previous = labels.previous[order]
    return Reach(
        labels.terminal[order],
        labels.pole[order],
        labels.run_m[order],
        passed[order].astype(np.int64),
        np.where(previous >= 0, place[np.maximum(previous, 0)], -1),
        labels.span[order],
    )


@dataclass(frozen=True)
class _Labels:
    terminal: IntArray
    pole: IntArray
    run_m: FloatArray
    previous: IntArray
    span: IntArray

    @staticmethod
    def joined(parts: list[_Labels]) -> _Labels:
        names = ("terminal", "pole", "run_m", "previous", "span")
        return _Labels(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def take(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> _Labels:
        return _Labels(
            self.terminal[rows],
            self.pole[rows],
            self.run_m[rows],
            self.previous[rows],
            self.span[rows],
        )

    def shortest(self) -> _Labels:
        order = np.lexsort((self.span, self.previous, self.run_m, self.pole, self.terminal))
        lead = np.ones(len(order), dtype=bool)
        pole, terminal = self.pole[order], self.terminal[order]
        lead[1:] = (pole[1:] != pole[:-1]) | (terminal[1:] != terminal[:-1])
        return self.take(order[lead])

    def shorter_than(self, best: _Labels) -> _Labels:
        """Keep what improves on the best label known; `best` is sorted by `shortest`."""
        if len(self.pole) == 0:
            return self
        width = int(max(self.pole.max(), best.pole.max())) + 1
        key, known = self.terminal * width + self.pole, best.terminal * width + best.pole
        order = np.argsort(known, kind="stable")
        at = np.minimum(np.searchsorted(known[order], key), len(known) - 1)
        same = known[order][at] == key
        limit = np.where(same, best.run_m[order][at], np.inf)
        return self.take(self.run_m < limit - 1e-9)


def path_spans(reach: Reach, row: int) -> list[int]:
    """List the strand spans of one run, from the terminal outward.

    Parameters
    ----------
    reach : Reach
        All runs.
    row : int
        Row of the run.

    Returns
    -------
    list of int
        Rows of strand spans.
    """
    spans = []
    while reach.previous[row] >= 0:
        spans.append(int(reach.span[row]))
        row = int(reach.previous[row])
    return spans[::-1]
