"""Time and memory of the main job on synthetic regions, with a floor in the same run.

    python tests/benchmarks/bench_plan.py 1000 10000

For each size a fresh process makes the region, writes it as GeoParquet, and times geoplan from
files to a plan in memory, stage by stage. The floor is what the bare libraries need for what the
job can't avoid: pairs of poles and addresses within 75 m, lines, road crossings by a search tree,
and a minimum-cost flow with ports; no rules, no checks, no tables. Prints one JSON object.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def measure(count: int) -> dict[str, object]:
    """Measure one size in this process."""
    sys.path.insert(0, str(ROOT / "data_samples"))
    from geoplan.layers import read_layers
    from geoplan.plan import make_plan
    from geoplan.project import read_project

    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [
                sys.executable,
                str(ROOT / "data_samples" / "make_town.py"),
                "--addresses",
                str(count),
                "--out",
                folder,
            ],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        project = read_project(Path(folder) / "project.toml")
        before = time.perf_counter()
        layers = read_layers(project)
        read_s = time.perf_counter() - before
    stages: dict[str, float] = {}
    last = ["", time.perf_counter()]

    def note(stage: str, done: int, total: int) -> None:
        del done, total
        now = time.perf_counter()
        if stage != last[0]:
            if last[0]:
                stages[last[0]] = stages.get(last[0], 0.0) + now - last[1]
            last[:] = [stage, now]

    before = time.perf_counter()
    plan = make_plan(layers, project, note)
    note("end", 0, 0)
    plan_s = time.perf_counter() - before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    floor_s = floor(layers)
    return {
        "addresses": count,
        "served": len(plan.drops),
        "unserved": len(plan.unserved),
        "cost": plan.optimality["plan_cost"],
        "files_to_layers_s": round(read_s, 3),
        "layers_to_plan_s": round(plan_s, 3),
        "stages_s": {name: round(seconds, 3) for name, seconds in stages.items()},
        "peak_memory_mb": round(peak),
        "floor_s": round(floor_s, 3),
        "plan_over_floor": round(plan_s / floor_s, 1),
    }


def floor(layers: object) -> float:
    """Time the bare library calls."""
    import numpy as np
    import shapely
    from ortools.graph.python import min_cost_flow
    from scipy.spatial import cKDTree

    before = time.perf_counter()
    addresses = shapely.get_coordinates(layers.addresses.geometry.values)
    terminals = layers.poles[layers.poles["ports_total"] > 0]
    poles = shapely.get_coordinates(terminals.geometry.values)
    near = cKDTree(addresses).query_ball_tree(cKDTree(poles), 75.0)
    counts = np.array([len(row) for row in near])
    a = np.repeat(np.arange(len(near)), counts)
    t = np.concatenate([np.array(row, dtype=np.int64) for row in near])
    lines = shapely.linestrings(np.stack([addresses[a], poles[t]], axis=1))
    crossed, _ = shapely.STRtree(layers.roads.geometry.values).query(lines, predicate="crosses")
    cents = np.rint(shapely.length(lines) * 150).astype(np.int64)
    cents += 8000 * np.bincount(crossed, minlength=len(lines))
    solver = min_cost_flow.SimpleMinCostFlow()
    count, sink = len(addresses), len(addresses) + len(poles)
    ports = (terminals["ports_total"] - terminals["ports_in_use"]).to_numpy()
    everyone = np.arange(count)
    solver.add_arcs_with_capacity_and_unit_cost(
        np.concatenate([a, everyone, np.arange(count, sink)]),
        np.concatenate([t + count, np.full(count + len(poles), sink)]),
        np.concatenate([np.ones(len(a) + count, dtype=np.int64), np.maximum(ports, 0)]),
        np.concatenate([cents, np.full(count, 10**7), np.zeros(len(poles), dtype=np.int64)]),
    )
    supply = np.zeros(sink + 1, dtype=np.int64)
    supply[:count], supply[-1] = 1, -count
    solver.set_nodes_supplies(np.arange(sink + 1), supply)
    if solver.solve() != solver.OPTIMAL:
        message = "the floor's flow has no optimum"
        raise ArithmeticError(message)
    return time.perf_counter() - before


def main() -> None:
    """Measure each size in a process of its own, so that peaks of memory are its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sizes", type=int, nargs="*", default=[1000, 10_000])
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.here:
        print(json.dumps(measure(options.sizes[0])))
        return
    results = []
    for size in options.sizes:
        done = subprocess.run(
            [sys.executable, __file__, str(size), "--here"],
            check=True,
            capture_output=True,
            text=True,
        )
        results.append(json.loads(done.stdout.splitlines()[-1]))
    growth = []
    for small, large in itertools.pairwise(results):
        n, m = small["addresses"], large["addresses"]
        growth.append(
            {
                "from": n,
                "to": m,
                "measured": round(large["layers_to_plan_s"] / small["layers_to_plan_s"], 2),
                "n_log_n": round(m * math.log(m) / (n * math.log(n)), 2),
            }
        )
    print(json.dumps({"sizes": results, "growth": growth}, indent=2))


if __name__ == "__main__":
    main()
