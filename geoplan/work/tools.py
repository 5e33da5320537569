"""What a crew has to bring besides wire and what stays on it: ladders, lines, signs, gauges.

Enters: a `DropCase`.
Leaves: names of things.
Does not do: count what is built in; that is ``drop_materials``.
"""

from __future__ import annotations

from typing import Any

from geoplan.work.drop_case import DropCase, is_known
from geoplan.work.duties import holders
from geoplan.work.hang_words import is_last_up
from geoplan.work.site_words import (
    has_signs,
    has_traffic,
    in_a_row,
    is_closed,
    is_positive,
    over_road,
    parts_of,
    reel_is_beyond,
    run_by_bucket,
)
from geoplan.work.steps_at_support import heavy_below, is_heavy
from geoplan.work.steps_of_traffic import closed_by_work


def tools_of(case: DropCase) -> list[str]:
    """Name what the steps of a job need.

    Parameters
    ----------
    case : DropCase
        One planned drop.

    Returns
    -------
    list of str
        Names, with count or length where the plan has one.

    References
    ----------
    Common practice, no source.
    """
    job = case.job
    ladders = 2 if reel_is_beyond(case) and not job["is_bucket_job"] else 1
    names = [f"{ladders}\N{NO-BREAK SPACE}ladder{'s' if ladders > 1 else ''}"]
    if run_by_bucket(case):
        names.append("bucket truck")
    names.append(f"hand line, {case.length(job['hand_line_m'])}")
    if case.crossed("water", "roof"):
        names.append("light line")
    if is_heavy(case) or is_known(heavy_below(case)):
        names.append("wire grip, hoist and pull gauge")
    if case.crossed("tree") or parts_of(job.get("run_trees")):
        names.append("pruner")
    roads = parts_of(job.get("run_roads"))
    if has_signs(case) and (has_traffic(case) or roads):
        shut = is_closed(case) or closed_by_work(case)
        closing = ", ROAD CLOSED for both sides" if shut else ""
        names.append(f"signs and cones{closing}")
    count: Any = job.get("flaggers")
    if (over_road(case) and not is_closed(case)) or holders(case) or roads or is_positive(count):
        each = f"{int(count)}\N{NO-BREAK SPACE}" if is_positive(count) else ""
        names.append(f"{each}stop and slow paddles")
    if is_last_up(case):
        names.append(f"sheets of {in_a_row(parts_of(job['span_drops']))}")
    return names
