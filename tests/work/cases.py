"""Cases of one drop each, gathered from a plan with its work."""

from __future__ import annotations

from geoplan.model import Plan
from geoplan.work.drop_case import DropCase, is_known


def case_of(plan: Plan, address_id: str) -> DropCase:
    """Return all that the tables say of one drop."""

    def rows(name: str) -> list[dict]:
        frame = getattr(plan, name)
        return frame[frame["address_id"].eq(address_id)].to_dict("records")

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
