"""How fast job sheets are written, and in how much memory: many sheets in one run.

    python tests/benchmarks/bench_sheets.py --sheets 10000 --workers 2

The demo's drops are repeated under new ids until there are enough.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import threading
import time
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from geoplan.layers import read_layers
from geoplan.model import Plan
from geoplan.office import with_work
from geoplan.plan import make_plan
from geoplan.project import read_project
from geoplan.reports.sheets.writing import SheetOptions, write_sheets

DEMO = Path(__file__).resolve().parents[2] / "data_samples" / "demo" / "project.toml"
BY_ADDRESS = (
    "drops", "air_spans", "crossings", "hazards", "stringing", "jobs", "work_places",
    "drop_materials", "reel_cuts", "crew_stops",
)  # fmt: skip


def repeated(plan: Plan, sheets: int) -> Plan:
    """Return the plan with its drops repeated, at the same places, under new ids."""
    times = -(-sheets // len(plan.drops))
    kept = None
    tables = {}
    for name in BY_ADDRESS:
        frame = getattr(plan, name)
        copies = [
            frame.assign(address_id=f"{number:04d}-" + frame["address_id"])
            for number in range(times)
        ]
        table = pd.concat(copies, ignore_index=True)
        if name == "drops":
            kept = set(table["address_id"][:sheets])
        tables[name] = table[table["address_id"].isin(kept)].reset_index(drop=True)
    return dataclasses.replace(plan, **tables)


class Memory(threading.Thread):
    """Watches the memory of this process and of its children, in MB."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.own_mb = self.child_mb = 0.0
        self.stopped = threading.Event()

    def run(self) -> None:
        import psutil

        me = psutil.Process()
        while not self.stopped.wait(0.2):
            self.own_mb = max(self.own_mb, me.memory_info().rss / 1e6)
            for child in me.children(recursive=True):
                try:
                    self.child_mb = max(self.child_mb, child.memory_info().rss / 1e6)
                except psutil.Error:
                    continue


def cpu_s() -> float:
    """Return the processor seconds of this process and of its ended children."""
    import resource

    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sheets", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--paper", choices=("a4", "letter"), default="letter")
    options = parser.parse_args()
    project = read_project(DEMO)
    plan = with_work(make_plan(read_layers(project), project))
    plan = repeated(plan, options.sheets)
    memory = Memory()
    memory.start()
    with tempfile.TemporaryDirectory() as folder:
        since, used = time.perf_counter(), cpu_s()
        how = SheetOptions(paper=options.paper, workers=options.workers)
        write_sheets(plan, Path(folder) / "out", options=how)
        seconds, cpu = time.perf_counter() - since, cpu_s() - used
        size_mb = (Path(folder) / "out" / "sheets.pdf").stat().st_size / 1e6
    memory.stopped.set()
    count = len(plan.drops)
    print(f"{count} sheets with {options.workers} processes: {seconds:.0f} s, {cpu:.0f} CPU s")
    print(f"{count / seconds:.2f} sheets/s, {cpu / count:.3f} CPU s a sheet, {size_mb:.1f} MB")
    print(f"peak memory: {memory.own_mb:.0f} MB here, {memory.child_mb:.0f} MB in a process")


if __name__ == "__main__":
    main()
