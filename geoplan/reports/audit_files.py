"""The audit of crossings as files and on the screen.

Enters: a `Plan` with its audit of crossings, a folder.
Leaves: table, workbook, map layer and permit pages, whole or not at all; a few lines of text.
Does not do: compute; every figure is in the plan.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geoplan.errors import OutputError, one_line
from geoplan.reports.caution import CAUTION
from geoplan.reports.csv_tables import write_csv
from geoplan.reports.frames import declared_frame, report_frame, storable
from geoplan.reports.gpkg import write_gpkg
from geoplan.reports.pdf import render_pdf
from geoplan.reports.permits import permit_html, permit_rows
from geoplan.reports.workbook import write_tables
from geoplan.reports.write import MARKER, MARKER_FILE, REMEDY_FOREIGN, output_folder
from geoplan.units import say

if TYPE_CHECKING:
    from geoplan.model import Plan

TABLE = "crossing_audit"
AUDIT_FILES = (
    "crossing_audit.csv",
    "crossing_audit.gpkg",
    "crossing_audit.xlsx",
    "permits.html",
    "permits.pdf",
    MARKER_FILE,
)
SHOWN_ROADS = 40
"""Lines of the summary on the screen."""


def write_audit(plan: Plan, out: Path, *, with_pdf: bool = True) -> list[Path]:
    """Write the audit of crossings to a folder.

    Parameters
    ----------
    plan : Plan
        A plan with its audit of crossings.
    out : pathlib.Path
        Folder: absent, empty, or written by an audit before, which is then replaced.
    with_pdf : bool
        Whether permit pages are written as PDF too.

    Returns
    -------
    list of pathlib.Path
        The files, sorted by name; permit pages only where a crossing needs its owner's permit.

    Raises
    ------
    OutputError
        If the folder holds anything else, a plan among it, or cannot be written.
    MissingExtraError
        If a PDF is wanted and what makes it is not installed.

    Notes
    -----
    The same plan gives the same bytes.
    """
    _refuse_others(out)
    with output_folder(out) as folder:
        write_csv(report_frame(plan, TABLE), TABLE, folder / f"{TABLE}.csv")
        write_gpkg(plan, folder / f"{TABLE}.gpkg", (TABLE,))
        write_tables(plan, (TABLE,), folder / f"{TABLE}.xlsx")
        permits = permit_rows(plan)
        if len(permits):
            page = permit_html(plan)
            (folder / "permits.html").write_text(page, encoding="utf-8")
            if with_pdf:
                render_pdf(page, folder / "permits.pdf")
        marker = {
            **MARKER,
            "what": "audit of crossings",
            "caution": list(CAUTION),
            "not_checked": list(plan.unchecked),
            "crossings": len(declared_frame(plan, TABLE)),
            "permits": len(permits),
        }
        text = json.dumps(marker, indent=2, ensure_ascii=False)
        (folder / MARKER_FILE).write_text(f"{text}\n", encoding="utf-8")
        names = sorted(entry.name for entry in folder.iterdir())
    return [out / name for name in names]


def _refuse_others(out: Path) -> None:
    """Refuse a folder with a plan in it: an audit would take its place."""
    if not out.is_dir():
        return
    others = sorted(entry.name for entry in out.iterdir() if entry.name not in AUDIT_FILES)
    if others:
        raise OutputError(
            f"output folder '{out.name or out}'",
            f"holds more than an audit: '{others[0]}'",
            REMEDY_FOREIGN,
        )


def audit_summary(plan: Plan) -> str:
    """Write what the audit came to, by what is crossed and who has to agree.

    Parameters
    ----------
    plan : Plan
        A plan with its audit of crossings.

    Returns
    -------
    str
        A few lines for a terminal: count and least margin, most crossings first.
    """
    audit, units = declared_frame(plan, TABLE), plan.project.units
    drops = audit["address_id"].nunique()
    free = int(audit.groupby("address_id")["other_terminal_id"].first().notna().sum())
    lines = [
        f"{len(audit)} crossings of roads, railways and water by {drops} of {len(plan.drops)} "
        f"drops; {free} of these could do without one."
    ]
    groups = audit.assign(
        name=audit["feature_name"].fillna(""),
        margin=audit["margin_m"].fillna(np.inf),
        is_open=audit["clearance_basis"] == "not_checked",
    ).groupby(["crossing_kind", "feature_id", "name", "permit_owner"], as_index=False)
    table = groups.agg(count=("at_m", "size"), least=("margin", "min"), open=("is_open", "sum"))
    table = table.sort_values(
        ["count", "crossing_kind", "feature_id"], ascending=[False, True, True], kind="stable"
    )
    for row in table.head(SHOWN_ROADS).to_dict("records"):
        what = one_line(storable(f"{row['crossing_kind']} {row['feature_id']} {row['name']}"))
        owner = one_line(storable(row["permit_owner"]))
        parts = [f"  {what}, {owner}: {row['count']}"]
        if np.isfinite(row["least"]):
            parts.append(f"least margin {say(row['least'], 'sag', units)}")
        if row["open"]:
            parts.append(f"{row['open']} not checked for clearance")
        lines.append(", ".join(parts))
    if len(table) > SHOWN_ROADS:
        lines.append(f"  … and {len(table) - SHOWN_ROADS} more; see {TABLE}.csv")
    permits = permit_rows(plan)
    pages = "page" if len(permits) == 1 else "pages"
    lines.append(
        f"{len(permits)} permit {pages} for railways, water and highways."
        if len(permits)
        else "No railway, water or highway is crossed: no permit pages."
    )
    return "\n".join(lines)
