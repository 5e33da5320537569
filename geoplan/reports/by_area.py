"""A plan written a part of its addresses at a time, so that its tables never exist as a whole.

Enters: a `Decision`.
Leaves: one GeoParquet file for each table, the summary; what the summary was made from.
Does not do: compute; every figure is in the tables already.
"""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from geoplan.collector import collector_off
from geoplan.memory import give_back
from geoplan.plan_tables import DROP_TABLES
from geoplan.reports.clearances import GREATEST_TENSION, LEAST_MARGIN
from geoplan.reports.csv_tables import write_csv
from geoplan.reports.frames import report_frame
from geoplan.reports.parquet import EncodedRows, TableFile, write_parquet_table
from geoplan.reports.summary import write_summary
from geoplan.reports.write import output_folder
from geoplan.side_by_side import processors, side_by_side

if TYPE_CHECKING:
    from geoplan.decision import Decision, Progress
    from geoplan.model import Plan

CHECK_TABLES = ("set_aside", "findings")
"""Tables that are written as CSV always: a person mends the layers by them."""

TOLD = {
    "drops": (
        "address_id",
        "terminal_id",
        "route_kind",
        "is_street_crossing",
        "air_span_m",
        "strand_run_m",
        "route_m",
        "cost",
        "ports_needed",
        "reserve_ports_used",
        "hook_height_m",
        "hook_is_raised",
        "attachment_height_m",
        "attachment_is_raised",
        "height_basis",
        "ground_basis",
        "strand_ladder",
        "clearance_note",
        *LEAST_MARGIN,
        *GREATEST_TENSION,
    ),
    "crossings": ("crossing_kind", "is_near_miss", "feature_class", "clearance_basis"),
    "hazards": ("severity", "code"),
}
"""Columns of the tables of drops that the summary and the terminal tell of."""


def write_by_area(
    decision: Decision, out: Path, tell: Progress | None = None, *, size: int | None = None
) -> tuple[list[Path], Plan]:
    """Build and write the tables of a plan, some addresses at a time.

    Parameters
    ----------
    decision : Decision
        A plan that is settled.
    out : pathlib.Path
        Folder: absent, empty, or written by geoplan before, which is then replaced.
    tell : callable, optional
        Called with stage, addresses done, addresses in all.
    size : int, optional
        Addresses of a part; no say in the result.

    Returns
    -------
    files : list of pathlib.Path
        As `write_plan` writes for ``geoparquet``, to the last byte; sorted by name.
    plan : Plan
        For a summary: its tables of drops hold the columns `TOLD` alone.

    Raises
    ------
    OutputError
        If the folder holds anything else, or cannot be written; what was there is still there.
    """
    with collector_off(), output_folder(out) as folder:
        told = _write_drops(decision, folder, tell or _silent, size)
        give_back()
        plan = decision.as_plan({**told, **decision.region_tables()})
        for name in ("unserved", "terminals", *CHECK_TABLES):
            write_parquet_table(plan, name, folder)
        for name in CHECK_TABLES:
            write_csv(report_frame(plan, name), name, folder / f"{name}.csv")
        write_summary(plan, folder / "summary.json")
        names = sorted(entry.name for entry in folder.iterdir())
    return [out / name for name in names], plan


def _silent(stage: str, done: int, total: int) -> None:
    del stage, done, total


def _write_drops(
    decision: Decision, folder: Path, tell: Progress, size: int | None
) -> dict[str, Any]:
    """Write the tables of drops; return the columns `TOLD` of them."""
    held: dict[str, list[pd.DataFrame]] = {name: [] for name in DROP_TABLES}
    crs, parts = decision.layers.crs, decision.parts(size)

    def work(part: range) -> dict[str, tuple[EncodedRows, pd.DataFrame]]:
        frames, rows = decision.tables_of_drops(part), {}
        for name in DROP_TABLES:
            frame = frames.pop(name)
            told = pd.DataFrame(frame[list(TOLD.get(name, ()))])
            rows[name] = EncodedRows.of(frame, name, crs), told
        return rows

    with ExitStack() as stack:
        files = {name: stack.enter_context(TableFile(name, folder, crs)) for name in DROP_TABLES}
        for part, rows in zip(parts, side_by_side(work, parts, processors()), strict=True):
            tell("tables", part.stop, len(decision.layers.addresses))
            for name, (encoded, told) in rows.items():
                files[name].add(encoded)
                held[name].append(told)
            give_back()
    return {name: pd.concat(frames, ignore_index=True) for name, frames in held.items()}
