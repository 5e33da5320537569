"""The floor: what bare libraries need for what no plan of a region can do without.

Pairs of address and terminal within 75 m by two kd-trees, a straight line for each, the roads it
crosses by a search tree, and one minimum-cost flow with ports. No lots, no power, no strand, no
rules, no mechanics, no checks, no tables. Arrays only, one thread, nothing kept for later.
"""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
import shapely
from ortools.graph.python import min_cost_flow
from scipy.spatial import cKDTree

REACH_M = 75.0
CENTS_PER_M = 150
CENTS_PER_CROSSING = 8_000
CENTS_UNSERVED = 10**7


def run_floor(
    addresses: gpd.GeoDataFrame, poles: gpd.GeoDataFrame, roads: gpd.GeoDataFrame
) -> dict[str, float]:
    """Time the bare calls; return seconds by step, and how many pairs there were."""
    start = time.perf_counter()
    terminals = poles[poles["ports_total"] > 0]
    here = shapely.get_coordinates(addresses.geometry.values)
    there = shapely.get_coordinates(terminals.geometry.values)
    near = cKDTree(here).sparse_distance_matrix(cKDTree(there), REACH_M, output_type="ndarray")
    a, t = near["i"], near["j"]
    paired = time.perf_counter()
    lines = shapely.linestrings(np.stack([here[a], there[t]], axis=1))
    crossed, _ = shapely.STRtree(roads.geometry.values).query(lines, predicate="crosses")
    cents = np.rint(near["v"] * CENTS_PER_M).astype(np.int64)
    cents += CENTS_PER_CROSSING * np.bincount(crossed, minlength=len(lines))
    priced = time.perf_counter()
    flow(a, t, cents, len(here), (terminals["ports_total"] - terminals["ports_in_use"]).to_numpy())
    end = time.perf_counter()
    return {
        "pairs": float(len(a)),
        "pairs_s": paired - start,
        "lines_and_crossings_s": priced - paired,
        "flow_s": end - priced,
        "total_s": end - start,
    }


def flow(a: np.ndarray, t: np.ndarray, cents: np.ndarray, count: int, ports: np.ndarray) -> None:
    """Serve as many as ports allow, most cheaply."""
    solver = min_cost_flow.SimpleMinCostFlow()
    terminals, sink = len(ports), count + len(ports)
    everyone = np.arange(count)
    solver.add_arcs_with_capacity_and_unit_cost(
        np.concatenate([a, everyone, np.arange(count, sink)]),
        np.concatenate([t + count, np.full(count + terminals, sink)]),
        np.concatenate([np.ones(len(a) + count, dtype=np.int64), np.maximum(ports, 0)]),
        np.concatenate([cents, np.full(count, CENTS_UNSERVED), np.zeros(terminals, np.int64)]),
    )
    supply = np.zeros(sink + 1, dtype=np.int64)
    supply[:count], supply[-1] = 1, -count
    solver.set_nodes_supplies(np.arange(sink + 1), supply)
    if solver.solve() != solver.OPTIMAL:
        message = "the floor's flow has no optimum"
        raise ArithmeticError(message)
