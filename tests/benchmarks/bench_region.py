"""Time, memory and cost of the main job on synthetic regions; floor and baseline in the same run.

    python tests/benchmarks/bench_region.py 1000 10000
    python tests/benchmarks/bench_region.py 10000 --baseline-up-to 10000
    python tests/benchmarks/bench_region.py 100000 1000000 --estimate
    python tests/benchmarks/bench_region.py --startup

For each size the region is made with `data_samples/make_town.py` and written as GeoParquet; one
row in a thousand is broken. A fresh process then times geoplan: files to layers, layers to plan
by stage, plan to GeoParquet; then the floor (`floor.py`). Another fresh process runs the plain
baseline (`plain_baseline.py`) from the same files and compares its price of every address and
terminal with geoplan's, mechanics switched off on our side for that comparison only. Prints one
JSON object; what happens meanwhile goes to the error stream.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import re
import resource
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BROKEN_SHARE = 0.001
FLOORS, SMALL = 3, 100_000
"""Up to this size the floor is run so often, and the fastest counts."""
BY_AREA_FROM = 100_000
"""From this size on layers are put away and worked on by area, as the command line does."""
NUMBERS = re.compile(r"\[[\s\d.,e+-]+\]")
"""Lists of figures, which stand on one line of the output."""
Result = dict[str, object]


def processor_s() -> float:
    """Return seconds of the processors, those of processes that were split off among them."""
    return sum(os.times()[:4])


class Stages:
    """Seconds on the clock and of the processors, by stage."""

    def __init__(self) -> None:
        self.wall_s: dict[str, float] = {}
        self.cpu_s: dict[str, float] = {}
        self._stage = ""
        self._since = (0.0, 0.0)

    def note(self, stage: str, done: int = 0, total: int = 0) -> None:
        """Take note that a stage goes on, or that the next one begins."""
        del done, total
        now = (time.perf_counter(), processor_s())
        if stage == self._stage:
            return
        if self._stage:
            for table, index in ((self.wall_s, 0), (self.cpu_s, 1)):
                spent = now[index] - self._since[index]
                table[self._stage] = table.get(self._stage, 0.0) + spent
        self._stage, self._since = stage, now

    def rounded(self) -> dict[str, list[float]]:
        """Return seconds on the clock and of the processors by stage."""
        return {
            name: [round(seconds, 3), round(self.cpu_s[name], 3)]
            for name, seconds in self.wall_s.items()
        }


def measure(folder: Path, size: int, repeats: int) -> Result:
    """Measure geoplan and the floor in this process."""
    from floor import run_floor

    from geoplan.layers import read_layers
    from geoplan.plan import decide, make_plan
    from geoplan.project import read_project
    from geoplan.reports import write_plan
    from geoplan.reports.by_area import write_by_area

    project = read_project(folder / "project.toml")
    reading = Stages()
    begin = time.perf_counter(), processor_s()
    shelf = folder / "shelf" if size >= BY_AREA_FROM else None
    if shelf is not None:
        shelf.mkdir()
    layers = read_layers(
        project, lambda step: reading.note(step.split(maxsplit=1)[0]), shelf_folder=shelf
    )
    reading.note("end")
    read = time.perf_counter() - begin[0], processor_s() - begin[1]
    tries = []
    for _ in range(repeats):
        plan = None  # its memory is free before the next try
        planning = Stages()
        begin = time.perf_counter(), processor_s()
        plan = (make_plan if shelf is None else decide)(layers, project, planning.note)
        planning.note("end")
        tries.append((time.perf_counter() - begin[0], processor_s() - begin[1], planning))
    begin = time.perf_counter(), processor_s()
    if shelf is None:
        written = write_plan(plan, folder / "plan", "geoparquet")
    else:
        written, plan = write_by_area(plan, folder / "plan")
    write = time.perf_counter() - begin[0], processor_s() - begin[1]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    best = min(tries, key=lambda one: one[0])
    whole = read[0] + best[0] + write[0]
    figures: Result = {
        "served": len(plan.drops),
        "unserved": len(plan.unserved),
        "plan_cost": plan.optimality["plan_cost"],
        "rows_set_aside": len(plan.set_aside),
        "files_to_layers_s": pair(read),
        "layers_to_plan_s": pair(best[:2]),
        "first_layers_to_plan_s": pair(tries[0][:2]),
        "plan_to_geoparquet_s": pair(write),
        "files_to_geoparquet_s": round(whole, 3),
        "reading_stages_s": reading.rounded(),
        "planning_stages_s": best[2].rounded(),
        "peak_memory_mb": round(peak),
        "input_mb": round(megabytes(folder.glob("*.parquet")), 2),
        "output_mb": round(megabytes(written), 2),
    }
    del plan
    floor = min(
        (
            run_floor(layers.addresses, layers.poles, layers.roads)
            for _ in range(FLOORS if size <= SMALL else 1)
        ),
        key=lambda one: one["total_s"],
    )
    figures["floor_s"] = {name: round(value, 3) for name, value in floor.items()}
    figures["plan_over_floor"] = round(best[0] / floor["total_s"], 2)
    figures["files_to_geoparquet_over_floor"] = round(whole / floor["total_s"], 2)
    return figures


def pair(seconds: tuple[float, ...]) -> list[float]:
    """Round seconds on the clock and of the processors."""
    return [round(value, 3) for value in seconds[:2]]


def megabytes(paths: object) -> float:
    """Add up the sizes of files."""
    return sum(path.stat().st_size for path in paths) / 1e6  # type: ignore[attr-defined]


def measure_baseline(folder: Path) -> Result:
    """Measure the plain baseline in this process, and compare its prices with geoplan's."""
    from compare_prices import cheapest, compare, prices_without_mechanics
    from plain_baseline import make_plain_plan, read_files

    from geoplan.layers import read_layers
    from geoplan.project import read_project
    from geoplan.standards import load_standards

    project = read_project(folder / "project.toml")
    standards = load_standards(project)
    begin = time.perf_counter(), processor_s()
    layers = read_files(folder, project)
    read = time.perf_counter() - begin[0], processor_s() - begin[1]
    begin = time.perf_counter(), processor_s()
    plain = make_plain_plan(
        layers,
        project,
        max_air_span_m=standards.max_air_span_m,
        max_route_m=standards.max_route_m,
    )
    planned = time.perf_counter() - begin[0], processor_s() - begin[1]
    checked = read_layers(project)
    ours = prices_without_mechanics(checked, project)
    first = prices_without_mechanics(checked, project, cheapest_only=True)
    return {
        "files_to_layers_s": pair(read),
        "layers_to_plan_s": pair(planned),
        "stages_s": {name: round(seconds, 3) for name, seconds in plain.seconds.items()},
        "air_spans_priced": plain.candidates,
        "served": len(plain.terminal),
        "cost_without_heights": plain.cents / 100,
        "prices": compare(plain.price, ours),
        "cheapest_of_each_address": compare(cheapest(plain.price), cheapest(first)),
    }


def ratios(ours: Result, plain: Result) -> Result:
    """Compare geoplan, mechanics and tables included, with the baseline."""
    (plain_read, read_cpu), (plain_plan, plan_cpu) = (
        plain["files_to_layers_s"],
        plain["layers_to_plan_s"],
    )  # type: ignore[misc]
    read, plan = ours["files_to_layers_s"], ours["layers_to_plan_s"]
    return {
        "layers_to_plan": round(plain_plan / plan[0], 1),  # type: ignore[index]
        "layers_to_plan_cpu": round(plan_cpu / plan[1], 1),  # type: ignore[index]
        "files_to_plan": round((plain_read + plain_plan) / (read[0] + plan[0]), 1),  # type: ignore[index]
        "files_to_plan_cpu": round((read_cpu + plan_cpu) / (read[1] + plan[1]), 1),  # type: ignore[index]
    }


def measure_size(size: int, options: argparse.Namespace) -> Result:
    """Make a region, and measure each side in a process of its own."""
    with tempfile.TemporaryDirectory(prefix="region-") as name:
        folder = Path(name)
        begin = time.perf_counter()
        made = [str(ROOT / "data_samples" / "make_town.py"), "--addresses", str(size)]
        made += ["--seed", str(options.seed), "--broken-share", str(BROKEN_SHARE), "--out", name]
        made += ["--scarce"] if options.scarce else []
        subprocess.run([sys.executable, *made], check=True, stdout=subprocess.DEVNULL)
        with (folder / "project.toml").open("a", encoding="utf-8") as file:
            file.write(f"\n[choice]\nalternatives = {options.alternatives}\n")
        result: Result = {
            "addresses": size,
            "alternatives": options.alternatives,
            "ports_are_scarce": options.scarce,
            "load_before": round(os.getloadavg()[0], 2),
            "make_region_s": round(time.perf_counter() - begin, 2),
        }
        result |= in_a_fresh_process("geoplan", folder, size, options.repeat)
        if size <= options.baseline_up_to:
            plain = in_a_fresh_process("baseline", folder, size, 1)
            result["baseline"] = plain
            result["times_faster_than_baseline"] = ratios(result, plain)
    return result


def in_a_fresh_process(part: str, folder: Path, size: int, repeats: int) -> Result:
    """Run one part, so that its peak of memory and its first imports are its own."""
    sys.stderr.write(f"{part}: {folder.name}\n")
    words = [sys.executable, __file__, "--part", part, str(folder), str(size)]
    words += ["--repeat", str(repeats)]
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment) as run:
        with MemoryOfAll(run.pid) as memory:
            told, _ = run.communicate()
        if run.returncode:
            raise subprocess.CalledProcessError(run.returncode, words)
    return json.loads(told.splitlines()[-1]) | {"peak_memory_of_all_mb": round(memory.peak_mb)}


class MemoryOfAll:
    """The peak of what a process and those split off from it hold together, looked at from outside.

    Pages that several share count once (``Pss``). The parent's own peak is told beside it. A look
    at gigabytes takes a while, so looks take no more than a fiftieth of the time.
    """

    EVERY_S, IDLE_TIMES = 0.5, 50

    def __init__(self, process: int) -> None:
        self.peak_mb = 0.0
        self._process = process
        self._is_over = threading.Event()
        self._looking = threading.Thread(target=self._look)

    def __enter__(self) -> MemoryOfAll:
        self._looking.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._is_over.set()
        self._looking.join()

    def _look(self) -> None:
        pause_s = self.EVERY_S
        while not self._is_over.wait(pause_s):
            begin = time.perf_counter()
            tree = [self._process, *children_of(self._process)]
            self.peak_mb = max(self.peak_mb, sum(map(pss_mb, tree)))
            pause_s = max(self.EVERY_S, self.IDLE_TIMES * (time.perf_counter() - begin))


def children_of(process: int) -> list[int]:
    """Return the processes begun by the main thread of another."""
    try:
        told = Path(f"/proc/{process}/task/{process}/children").read_text()
    except OSError:
        return []
    return [int(number) for number in told.split()]


def pss_mb(process: int) -> float:
    """Return the memory of a process, with its part of shared pages; 0 if it is gone."""
    try:
        told = Path(f"/proc/{process}/smaps_rollup").read_text()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in told.splitlines() if line.startswith("Pss:")) / 1e3


def startup(times: int = 5) -> Result:
    """Time whole processes, least of several: the help text, and the demo's plan."""
    demo = ROOT / "data_samples" / "demo" / "project.toml"
    result: Result = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, words in (
            ("help_s", ["--help"]),
            ("demo_plan_s", ["plan", str(demo), "--out", f"{folder}/demo", "--quiet"]),
        ):
            seconds = []
            for _ in range(times):
                begin = time.perf_counter()
                subprocess.run(
                    [sys.executable, "-m", "geoplan.cli", *words],
                    check=True,
                    stdout=subprocess.DEVNULL,
                    cwd=ROOT,
                )
                seconds.append(time.perf_counter() - begin)
            result[name] = round(min(seconds), 3)
    return result


def growth(results: list[Result]) -> list[Result]:
    """Compare each size with the one before."""
    rows: list[Result] = []
    for small, large in itertools.pairwise(results):
        n, m = small["addresses"], large["addresses"]
        rows.append(
            {
                "from": n,
                "to": m,
                "layers_to_plan": round(
                    large["layers_to_plan_s"][0] / small["layers_to_plan_s"][0], 2
                ),
                "files_to_geoparquet": round(
                    large["files_to_geoparquet_s"] / small["files_to_geoparquet_s"], 2
                ),
                "n_log_n": round(m * math.log(m) / (n * math.log(n)), 2),
            }
        )
    return rows


def main() -> None:
    """Measure what was asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("sizes", nargs="*", help="addresses (default: 1000 10000)")
    parser.add_argument(
        "--baseline-up-to", type=int, default=1_000, help="largest size for the plain baseline"
    )
    parser.add_argument("--repeat", type=int, default=1, help="plans made; the fastest counts")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument(
        "--alternatives", type=int, default=0, help="runner-ups told of each address (%(default)s)"
    )
    parser.add_argument("--scarce", action="store_true", help="fewer free ports than addresses")
    parser.add_argument("--startup", action="store_true", help="time whole processes too")
    parser.add_argument(
        "--estimate",
        "--hundred-million",
        action="store_true",
        help="from the largest size, work out 100 million addresses on paper",
    )
    parser.add_argument("--part", choices=("geoplan", "baseline"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.part:
        folder = Path(options.sizes[0])
        is_ours = options.part == "geoplan"
        size = int(options.sizes[1])
        figures = measure(folder, size, options.repeat) if is_ours else measure_baseline(folder)
        print(json.dumps(figures))
        return
    report: Result = {}
    sizes = [int(size) for size in options.sizes]
    if not sizes and not options.startup:
        sizes = [1_000, 10_000]
    results = [measure_size(size, options) for size in sizes]
    if results:
        report |= {"sizes": results, "growth": growth(results)}
    if options.startup:
        report["startup"] = startup()
    print(NUMBERS.sub(lambda found: " ".join(found[0].split()), json.dumps(report, indent=2)))
    if options.estimate and results:
        from paper_estimate import estimate

        print("\n".join(estimate(results[-1])))


if __name__ == "__main__":
    main()
