"""How fast job sheets are written, and in how much memory: many sheets in one run.

    python tests/benchmarks/bench_sheets.py --sheets 10000 --workers 2

The demo's drops are repeated under new ids until there are enough. Joining is measured apart, in
a process of its own that has nothing else to hold: copies of one batch, as many as fill one file.

    python tests/benchmarks/bench_sheets.py --sheets 10000 --join-only
"""

from __future__ import annotations

import argparse
import dataclasses
import multiprocessing
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
from geoplan.reports.pdf import Bookmark, join_pdf
from geoplan.reports.sheets.batches import BATCH
from geoplan.reports.sheets.page import MOST_IN_FILE
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

    @staticmethod
    def now_mb() -> float:
        """Return what this process holds now."""
        import psutil

        return psutil.Process().memory_info().rss / 1e6

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


def measure_run(plan: Plan, how: SheetOptions) -> str:
    """Write the sheets of a plan; return what it took."""
    memory = Memory()
    memory.start()
    with tempfile.TemporaryDirectory() as folder:
        since, used = time.perf_counter(), cpu_s()
        write_sheets(plan, Path(folder) / "out", options=how)
        seconds, cpu = time.perf_counter() - since, cpu_s() - used
        files = (Path(folder) / "out").glob("*.pdf")
        size_mb = sum(file.stat().st_size for file in files) / 1e6
    memory.stopped.set()
    count = len(plan.drops)
    return (
        f"{count} sheets with {how.workers} processes: {seconds:.0f} s, {cpu:.0f} CPU s\n"
        f"{count / seconds:.2f} sheets/s, {cpu / count:.3f} CPU s a sheet, {size_mb:.1f} MB\n"
        f"peak memory: {memory.own_mb:.0f} MB here, {memory.child_mb:.0f} MB in a process"
    )


def join_copies(part: Path, pages: int, times: int) -> str:
    """Join copies of a part with a bookmark per sheet; return what it took."""
    memory = Memory()
    outline = []
    for first in range(0, pages * times, pages):
        sheets = [
            Bookmark(f"Sheet on page {first + at * pages // BATCH}", first + at * pages // BATCH)
            for at in range(BATCH)
        ]
        outline.append(Bookmark(f"Day of page {first}", first, tuple(sheets)))
    before_mb = memory.now_mb()
    memory.start()
    since, used = time.perf_counter(), cpu_s()
    target = part.with_name("joined.pdf")
    join_pdf([part] * times, target, "Joined", outline)
    seconds, cpu = time.perf_counter() - since, cpu_s() - used
    memory.stopped.set()
    return (
        f"join of {times * BATCH} sheets, {pages * times} pages: {seconds:.0f} s, {cpu:.0f} CPU s, "
        f"peak {memory.own_mb:.0f} MB, of these {before_mb:.0f} MB before, "
        f"{target.stat().st_size / 1e6:.1f} MB written"
    )


def measure_join(plan: Plan, sheets: int, how: SheetOptions) -> str:
    """Write one batch of sheets, and join copies of it in a new process."""
    import pikepdf

    with tempfile.TemporaryDirectory() as folder:
        write_sheets(repeated(plan, BATCH), Path(folder) / "out", options=how)
        part = Path(folder) / "out" / "sheets.pdf"
        with pikepdf.Pdf.open(part) as opened:
            pages = len(opened.pages)
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            return pool.apply(join_copies, (part, pages, -(-min(sheets, MOST_IN_FILE) // BATCH)))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sheets", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--paper", choices=("a4", "letter"), default="letter")
    parser.add_argument("--join-only", action="store_true", help="write one batch, join copies")
    options = parser.parse_args()
    project = read_project(DEMO)
    plan = with_work(make_plan(read_layers(project), project))
    how = SheetOptions(paper=options.paper, workers=options.workers)
    if not options.join_only:
        print(measure_run(repeated(plan, options.sheets), how), flush=True)
    print(measure_join(plan, options.sheets, how))


if __name__ == "__main__":
    main()
