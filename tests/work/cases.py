"""Cases of one drop each, gathered from a plan with its work."""

from __future__ import annotations

from collections import defaultdict

from geoplan.model import Plan
from geoplan.work.drop_case import DropCase, is_known

TABLES = ("drops", "jobs", "crossings", "hazards", "work_places", "stringing")
Rows = dict[str, dict[str, list[dict]]]
_held: list[tuple[Plan, Rows]] = []
"""Rows of the plan asked for last: cutting them out of its tables drop by drop is slow."""


def _rows_of(plan: Plan) -> Rows:
    """Return the rows of each table by address."""
    if not _held or _held[0][0] is not plan:
        found: Rows = {name: defaultdict(list) for name in TABLES}
        for name, by_address in found.items():
            for row in getattr(plan, name).to_dict("records"):
                by_address[row["address_id"]].append(row)
        _held[:] = [(plan, found)]
    return _held[0][1]


def case_of(plan: Plan, address_id: str) -> DropCase:
    """Return all that the tables say of one drop."""
    by_table = _rows_of(plan)

    def rows(name: str) -> list[dict]:
        return [dict(row) for row in by_table[name].get(address_id, [])]

    job = rows("jobs")[0]
    roads = plan.layers.roads["name"]
    road = job["road_id"]
    return DropCase(
        rows("drops")[0],
        job,
        tuple(sorted(rows("crossings"), key=lambda row: row["start_m"])),
        tuple(rows("hazards")),
        {row["place"]: row["note"] or "" for row in rows("work_places")},
        str(roads.get(road, road)) if is_known(road) else "",
        "north",
        "us",
        tuple(rows("stringing")),
    )


def cases_of_kind(plan: Plan, kind: str, count: int = 12) -> list[DropCase]:
    """Return some cases of a kind of job."""
    ids = plan.jobs.loc[plan.jobs["job_kind"].eq(kind), "address_id"]
    return [case_of(plan, name) for name in ids.head(count)]
