"""Writing a finished plan: GeoPackage or GeoParquet, tables, summary and map page.

Enters: a `Plan` and a folder.
Leaves: the files, whole or not at all.
Does not do: compute; every figure is in the plan already.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from geoplan.layers.shelf import refuse_shelves
from geoplan.reports.csv_tables import write_csv, write_csv_tables
from geoplan.reports.frames import report_frame, sorted_frame
from geoplan.reports.gpkg import write_gpkg
from geoplan.reports.map_page import write_map_page
from geoplan.reports.parquet import write_parquet_tables
from geoplan.reports.screen import terminal_summary
from geoplan.reports.summary import write_check_summary, write_summary
from geoplan.reports.workbook import write_workbook
from geoplan.reports.write import output_folder
from geoplan.side_by_side import processors, side_by_side

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from geoplan.model import Plan

__all__ = ["terminal_summary", "write_findings", "write_plan"]

TableFormat = Literal["geopackage", "geoparquet", "both"]
"""What the tables of a plan are written as."""

CHECK_TABLES = ("set_aside", "findings")
"""Tables that are written as CSV always: a person mends the layers by them."""


def write_plan(
    plan: Plan, out: Path, tables: TableFormat = "geopackage", *, sheets: bool = False
) -> list[Path]:
    """Write all results of a plan to a folder.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    out : pathlib.Path
        Folder: absent, empty, or written by geoplan before, which is then replaced.
    tables : {'geopackage', 'geoparquet', 'both'}
        ``geopackage``: a GeoPackage, CSV tables, a workbook and a map page, for people.
        ``geoparquet``: one GeoParquet file per table and none of these, for programs and for big
        regions. The summary and the reports of what was set aside and found are written always.

    sheets : bool
        Whether to write the job sheet of each drop too, as a page that the map links to; the
        plan needs the tables of the work.

    Returns
    -------
    list of pathlib.Path
        The files and folders, sorted by name.

    Raises
    ------
    OutputError
        If the folder holds anything else, or cannot be written; what was there is still there.
    ValueError
        If shapes of layers are put away and the map needs them.

    Notes
    -----
    The same plan gives the same bytes, whatever the order of its rows.
    """
    if tables != "geoparquet":
        refuse_shelves(plan.layers)
    with output_folder(out) as folder:
        if tables == "geoparquet":
            for name in CHECK_TABLES:
                write_csv(report_frame(plan, name), name, folder / f"{name}.csv")
        else:
            writers = [
                lambda: write_workbook(plan, folder / "workbook.xlsx"),
                lambda: _write_pages(plan, folder, sheets=sheets),
                lambda: write_gpkg(plan, folder / "plan.gpkg"),
                lambda: write_csv_tables(plan, folder),
            ]
            list(side_by_side(_write, writers, processors()))
        if tables != "geopackage":
            write_parquet_tables(plan, folder)
        write_summary(plan, folder / "summary.json")
        names = sorted(entry.name for entry in folder.iterdir())
    return [out / name for name in names]


def _write(writer: Callable[[], object]) -> None:
    writer()


def _write_pages(plan: Plan, folder: Path, *, sheets: bool) -> None:
    """Write the map, and the job sheets that it links to."""
    if sheets:
        from geoplan.reports.sheets.page import paper_for
        from geoplan.reports.sheets.writing import write_sheet_pages

        write_sheet_pages(plan, folder, paper_for(plan.project.units))
    write_map_page(plan, folder / "map.html", sheets=sheets)


def write_findings(findings: pd.DataFrame, set_aside: pd.DataFrame, out: Path) -> list[Path]:
    """Write what the checks of the layers found to a folder.

    Parameters
    ----------
    findings, set_aside : pandas.DataFrame
        As in `geoplan.model.Layers`.
    out : pathlib.Path
        Folder: absent, empty, or written by geoplan before, which is then replaced.

    Returns
    -------
    list of pathlib.Path
        ``findings.csv``, ``set_aside.csv`` and ``summary.json``.

    Raises
    ------
    OutputError
        As in `write_plan`.
    """
    with output_folder(out) as folder:
        for name, frame in (("findings", findings), ("set_aside", set_aside)):
            write_csv(sorted_frame(frame, name), name, folder / f"{name}.csv")
        write_check_summary(findings, set_aside, folder / "summary.json")
        names = sorted(entry.name for entry in folder.iterdir())
    return [out / name for name in names]
