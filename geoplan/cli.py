"""The command line: the only place that prints, keeps time and sets exit codes.

Enters: arguments.
Leaves: files, words on the terminal, an exit code.
Does not do: compute.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from geoplan import __version__
from geoplan.collector import collector_off
from geoplan.errors import (
    EXIT_CLEAN,
    EXIT_INTERNAL,
    EXIT_WARNINGS,
    GeoplanError,
    UsageError,
    one_line,
)

if TYPE_CHECKING:
    import pandas as pd

    from geoplan.model import Layers, Plan
    from geoplan.project import Project
    from geoplan.working import Worker

Progress = Callable[[str, int, int], None]

SHOWN_FINDINGS = 40


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process by default.

    Returns
    -------
    int
        0 clean, 1 warnings (``check``, ``span``), 2 cannot plan or wrong usage.
    """
    options = _parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except GeoplanError as error:
        print(f"geoplan: {error}", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        return EXIT_CLEAN
    except Exception:
        traceback.print_exc()
        print(
            "geoplan: this is a defect of geoplan, not of your data; please report the lines above",
            file=sys.stderr,
        )
        return EXIT_INTERNAL
    except KeyboardInterrupt:
        print(
            "geoplan: stopped; no plan was written. A shared run can be taken up with --resume",
            file=sys.stderr,
        )
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="geoplan", description="Plan aerial communication service drops from GIS layers."
    )
    parser.add_argument("--version", action="version", version=f"geoplan {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    plan = commands.add_parser("plan", help="plan a drop for every address of a project")
    _project_argument(plan)
    plan.add_argument("--out", type=Path, help="folder for the results (default: maps/NAME)")
    plan.add_argument(
        "--tables",
        choices=("geopackage", "geoparquet", "both"),
        default="geopackage",
        help="geopackage: with CSV, workbook and map; geoparquet: one file per table, for big "
        "regions, without jobs, materials and crew days (%(default)s)",
    )
    plan.add_argument(
        "--sheets", action="store_true", help="write a job sheet per drop too, linked from the map"
    )
    plan.add_argument("--workers", type=_count, metavar="N", help="share the work over N processes")
    plan.add_argument(
        "--scheduler", metavar="ADDRESS", help="share it over the machines of a Dask scheduler"
    )
    plan.add_argument(
        "--work", type=Path, help="folder that all of them see (default: beside --out)"
    )
    plan.add_argument(
        "--resume", action="store_true", help="take up a shared run that was broken off"
    )
    plan.add_argument("--quiet", action="store_true", help="print errors only")
    plan.set_defaults(run=_plan)
    check = commands.add_parser("check", help="check a project's layers without planning")
    _project_argument(check)
    check.add_argument("--out", type=Path, help="folder for findings.csv and set_aside.csv")
    check.add_argument("--quiet", action="store_true", help="print errors only")
    check.set_defaults(run=_check)
    audit = commands.add_parser("audit", help="audit what a plan asks others for")
    audits = audit.add_subparsers(title="audits", required=True, metavar="WHAT")
    crossings = audits.add_parser(
        "crossings", help="roads, railways and water crossed, and what avoiding them would cost"
    )
    _project_argument(crossings)
    crossings.add_argument("--out", type=Path, help="folder (default: maps/NAME-crossings)")
    crossings.add_argument("--html", action="store_true", help="permit pages as HTML only, no PDF")
    crossings.add_argument("--quiet", action="store_true", help="print errors only")
    crossings.set_defaults(run=_audit_crossings)
    _sheets_parser(commands.add_parser("sheets", help="write job sheets for the planned drops"))
    _span_parser(commands.add_parser("span", help="work out one span: sag, tension, clearances"))
    keys = commands.add_parser("keys", help="print every key of a project file")
    keys.set_defaults(run=_keys)
    return parser


def _count(words: str) -> int:
    """Read a number of processes."""
    count = int(words) if words.isdecimal() else 0
    if count < 1:
        message = f"'{words}' is not a number of processes, 1 or more"
        raise argparse.ArgumentTypeError(message)
    return count


def _project_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("project", type=Path, metavar="PROJECT.toml", help="project file")


def _sheets_parser(parser: argparse.ArgumentParser) -> None:
    _project_argument(parser)
    parser.add_argument("--out", type=Path, help="folder (default: maps/NAME-sheets)")
    for name, what in (
        ("address", "addresses, by id"),
        ("road", "roads the work is done from or over, by id or name"),
        ("terminal", "terminals, by id"),
        ("day", "crew days, by id"),
    ):
        parser.add_argument(
            f"--{name}", nargs="+", action="extend", default=[], metavar="ID", help=what
        )
    parser.add_argument("--paper", choices=("a4", "letter"), help="(default: letter if units: us)")
    files = parser.add_mutually_exclusive_group()
    files.add_argument(
        "--one-file", action="store_true", help="all in one file with an index (the default)"
    )
    files.add_argument("--each", action="store_true", help="one file for each drop")
    parser.add_argument("--html", action="store_true", help="HTML made for print, not PDF")
    parser.add_argument(
        "--workers", type=_count, metavar="N", help="processes (default: one per processor)"
    )
    parser.add_argument("--quiet", action="store_true", help="print errors only")
    parser.set_defaults(run=_sheets)


def _span_parser(parser: argparse.ArgumentParser) -> None:
    for name, what in (
        ("from-height", "attachment above the ground, near end"),
        ("to-height", "attachment above the ground, far end"),
        ("distance", "horizontal distance of the ends"),
    ):
        parser.add_argument(f"--{name}", required=True, metavar="LENGTH", help=what)
    parser.add_argument("--wire", default="copper_clad_pair", help="wire (%(default)s)")
    parser.add_argument("--wires", type=Path, metavar="FILE.toml", help="your own wires")
    parser.add_argument("--rules", default="us", help="rule set or its file (%(default)s)")
    parser.add_argument("--district", default="heavy", help="loading district (%(default)s)")
    hung = parser.add_mutually_exclusive_group()
    hung.add_argument("--sag", metavar="LENGTH", help="sag of the bare wire")
    hung.add_argument("--tension", metavar="FORCE", help="greatest tension of the bare wire")
    parser.add_argument("--temperature", help="for sag or tension (default: the rule set's)")
    parser.add_argument(
        "--over",
        action="append",
        metavar="KIND[:CLASS][=HEIGHT]@FROM-TO",
        help="passed over, such as road:residential@30ft-58ft; as often as needed",
    )
    parser.add_argument("--ground", metavar="LENGTH", help="rise of the ground to the far end")
    parser.add_argument("--margin", metavar="LENGTH", help="to keep beyond every clearance")
    parser.add_argument("--crown", metavar="LENGTH", help="middle of a road above its edges")
    parser.add_argument("--units", choices=("us", "metric"), default="us", help="of the answer")
    parser.add_argument("--json", action="store_true", help="print JSON in SI")
    parser.add_argument("--out", type=Path, help="folder for span.txt, span.json, span.svg")
    parser.set_defaults(run=_span)


class _Clock:
    """Notes how long each stage took, and shows bars on a terminal.

    The bars have no thread of their own: work is split off only from a process without others.
    """

    def __init__(self, *, quiet: bool, expected_layers: int) -> None:
        self._expected, self._steps = expected_layers, dict[str, int]()
        self.seconds: dict[str, float] = {}
        self._stage, self._since = "", time.perf_counter()
        self._bars = None
        self._tasks: dict[str, object] = {}
        if not quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import Progress as Bars

            self._bars = Bars(console=Console(stderr=True), transient=True, auto_refresh=False)
            self._bars.start()

    def tell(self, stage: str, done: int, total: int) -> None:
        """Take note of a stage's progress."""
        now = time.perf_counter()
        if stage != self._stage:
            self._close(now)
            self._stage, self._since = stage, now
        if self._bars is not None:
            if stage not in self._tasks:
                self._tasks[stage] = self._bars.add_task(stage, total=total)
            self._bars.update(
                self._tasks[stage],  # type: ignore[arg-type]
                completed=done,
                total=total,
                refresh=True,
            )

    def step(self, words: str) -> None:
        """Take note of one step of reading, named by its first word."""
        stage = words.split(maxsplit=1)[0]
        self._steps[stage] = self._steps.get(stage, 0) + 1
        self.tell(stage, self._steps[stage], self._expected)

    def stop(self) -> dict[str, float]:
        """End the last stage and return the seconds of all."""
        self._close(time.perf_counter())
        self._stage = ""
        if self._bars is not None:
            self._bars.stop()
        return self.seconds

    def _close(self, now: float) -> None:
        if self._stage:
            self.seconds[self._stage] = self.seconds.get(self._stage, 0.0) + now - self._since


@contextmanager
def _loading() -> Iterator[None]:
    """Load modules without looking for garbage, then or later, among what they leave for good."""
    was_on, is_first = gc.isenabled(), not gc.get_freeze_count()
    gc.disable()
    try:
        yield
    finally:
        if is_first:  # in a process of many runs, what one run leaves is garbage for the next
            gc.freeze()
        if was_on:
            gc.enable()


def _plan(options: argparse.Namespace) -> int:
    with _loading():
        from geoplan.layers import read_layers
        from geoplan.plan import with_timings
        from geoplan.project import read_project
        from geoplan.reports import terminal_summary
        from geoplan.reports.write import scratch_folder

    project = read_project(options.project)
    out = options.out or Path("maps") / _folder_name(project.name)
    clock = _Clock(quiet=options.quiet, expected_layers=len(project.layers))
    try:
        with collector_off(), ExitStack() as stack:
            shelf = None
            if options.tables == "geoparquet":  # nothing needs the shapes of the whole region
                shelf = stack.enter_context(scratch_folder(out))
            layers = read_layers(project, clock.step, shelf_folder=shelf)
            written, plan = _planned(options, layers, project, out, clock)
    finally:
        seconds = clock.stop()
    if not options.quiet:
        print(terminal_summary(with_timings(plan, seconds)))
        print(f"Written to {out}: {', '.join(sorted(path.name for path in written))}")
    return EXIT_CLEAN


def _planned(
    options: argparse.Namespace, layers: Layers, project: Project, out: Path, clock: _Clock
) -> tuple[list[Path], Plan]:
    """Plan and write; GeoParquet alone is built and written some addresses at a time."""
    from geoplan.plan import decide, make_plan

    if options.tables == "geoparquet":
        if options.sheets:
            where = "--sheets, --tables geoparquet"
            raise UsageError(where, "there is no map to link sheets from", "Drop one of them")
        from geoplan.reports.by_area import write_by_area

        with _shared_work(options, layers, project, out, clock) as worker:
            decision = decide(layers, project, clock.tell, worker=worker)
        return write_by_area(decision, out, clock.tell)
    from geoplan.office import refuse_wrong_settings, with_work
    from geoplan.reports import write_plan

    refuse_wrong_settings(layers, project)
    with _shared_work(options, layers, project, out, clock) as worker:
        plan = make_plan(layers, project, clock.tell, worker=worker)
    clock.tell("work", 0, 1)
    plan = with_work(plan)
    clock.tell("write", 0, 1)
    return write_plan(plan, out, options.tables, sheets=options.sheets), plan


@contextmanager
def _shared_work(
    options: argparse.Namespace, layers: Layers, project: Project, out: Path, clock: _Clock
) -> Iterator[Worker | None]:
    """Start the processes asked for; after a fault their answers are kept for --resume."""
    if options.workers is None and options.scheduler is None:
        if options.resume or options.work:
            where = "--resume, --work"
            raise UsageError(where, "nothing is shared out", "Add --workers N")
        yield None
        return
    if options.workers is not None and options.scheduler is not None:
        where = "--workers, --scheduler"
        raise UsageError(where, "both are given", "Keep one of them")
    from geoplan.cluster import Cluster
    from geoplan.standards import load_standards

    cluster = Cluster(
        layers,
        project,
        load_standards(project),
        options.work or out.parent / f"{out.name}.work",
        workers=options.workers or 0,
        scheduler=options.scheduler,
        resume=options.resume,
        tell=clock.tell,
    )
    done = False
    try:
        yield cluster
        done = True
    finally:
        cluster.close(keep=not done)


def _folder_name(name: str) -> str:
    """Make a folder's name of a project's: letters, digits and hyphens."""
    words = "".join(letter if letter.isalnum() else " " for letter in name).split()
    return "-".join(words).lower() or "plan"


def _check(options: argparse.Namespace) -> int:
    with _loading():
        from geoplan.layers import read_layers
        from geoplan.project import read_project

    project = read_project(options.project)
    clock = _Clock(quiet=options.quiet, expected_layers=len(project.layers))
    try:
        layers = read_layers(project, clock.step)
    finally:
        clock.stop()
    if options.out is not None:
        from geoplan.reports import write_findings

        write_findings(layers.findings, layers.set_aside, options.out)
    severities = layers.findings["severity"].value_counts()
    warnings = int(severities.drop("note", errors="ignore").sum()) + len(layers.set_aside)
    if not options.quiet:
        _print_rows("set aside", layers.set_aside)
        _print_rows("finding", layers.findings[layers.findings["severity"] != "note"])
        _print_rows("note", layers.findings[layers.findings["severity"] == "note"])
        read = ", ".join(f"{name} {count}" for name, count in sorted(layers.counts.items()))
        print(f"Rows read: {read}.")
        print(
            f"{len(layers.set_aside)} rows set aside, "
            f"{int(severities.drop('note', errors='ignore').sum())} warnings, "
            f"{int(severities.get('note', 0))} notes."
        )
    return EXIT_WARNINGS if warnings else EXIT_CLEAN


def _audit_crossings(options: argparse.Namespace) -> int:
    with _loading():
        from geoplan.audit.alone import with_audit
        from geoplan.layers import read_layers
        from geoplan.plan import make_plan
        from geoplan.project import read_project
        from geoplan.reports.audit_files import audit_summary, write_audit

    project = read_project(options.project)
    out = options.out or Path("maps") / f"{_folder_name(project.name)}-crossings"
    clock = _Clock(quiet=options.quiet, expected_layers=len(project.layers))
    try:
        with collector_off():
            plan = make_plan(read_layers(project, clock.step), project, clock.tell)
            clock.tell("audit", 0, 1)
            plan = with_audit(plan)
            clock.tell("write", 0, 1)
            written = write_audit(plan, out, with_pdf=not options.html)
    finally:
        clock.stop()
    if not options.quiet:
        print(audit_summary(plan))
        print(f"Written to {out}: {', '.join(sorted(path.name for path in written))}")
    return EXIT_CLEAN


def _sheets(options: argparse.Namespace) -> int:
    with _loading():
        from geoplan.layers import read_layers
        from geoplan.office import refuse_wrong_settings, with_work
        from geoplan.plan import make_plan
        from geoplan.project import read_project
        from geoplan.reports.sheets.page import paper_for
        from geoplan.reports.sheets.selection import Selection
        from geoplan.reports.sheets.writing import SheetOptions, write_sheets

    project = read_project(options.project)
    out = options.out or Path("maps") / f"{_folder_name(project.name)}-sheets"
    asked = (options.address, options.road, options.terminal, options.day)
    selection = Selection(*(tuple(words) for words in asked))
    how = SheetOptions(
        paper=options.paper or paper_for(project.units),
        is_each=options.each,
        is_html=options.html,
        workers=options.workers or os.cpu_count() or 1,
    )
    clock = _Clock(quiet=options.quiet, expected_layers=len(project.layers))
    try:
        with collector_off():
            layers = read_layers(project, clock.step)
            refuse_wrong_settings(layers, project)
            plan = make_plan(layers, project, clock.tell)
            clock.tell("work", 0, 1)
            plan = with_work(plan)
        written = write_sheets(plan, out, selection, how, clock.tell)
    finally:
        clock.stop()
    if not options.quiet:
        print(f"Written to {out}: {', '.join(sorted(path.name for path in written))}")
    return EXIT_CLEAN


def _span(options: argparse.Namespace) -> int:
    from geoplan.reports.span_files import write_span
    from geoplan.reports.span_sheet import span_json, span_text
    from geoplan.span import solve_span
    from geoplan.span_question import read_question, read_standards

    question = read_question(vars(options), options.units)
    standards = read_standards(options.rules, options.district, options.wire, options.wires)
    answer = solve_span(question, standards)
    if options.out is not None:
        write_span(answer, standards, options.units, options.out)
    write = span_json if options.json else span_text
    print(write(answer, standards, options.units))
    if options.out is not None and not options.json:
        print(f"Written to {options.out}: span.txt, span.json, span.svg")
    return EXIT_WARNINGS if answer.findings else EXIT_CLEAN


def _print_rows(title: str, rows: pd.DataFrame) -> None:
    for row in rows.head(SHOWN_FINDINGS).itertuples():
        where = str(row.layer)
        if isinstance(row.row_id, str) and row.row_id:
            where += f" row {row.row_id}"
        line = f"{title}: {where}: {row.reason}. {row.remedy}"
        print(one_line(line))
    if len(rows) > SHOWN_FINDINGS:
        print(f"{title}: … and {len(rows) - SHOWN_FINDINGS} more; use --out to get all as files")


def _keys(options: argparse.Namespace) -> int:
    del options
    from geoplan.reference import describe_keys

    print(describe_keys())
    return EXIT_CLEAN


__all__ = ["main"]

if __name__ == "__main__":
    sys.exit(main())
