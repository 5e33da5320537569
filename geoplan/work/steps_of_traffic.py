"""Steps of traffic control: what is set up for the work, and what for the strand run.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: compute; tell of ladders and wire.
"""

from __future__ import annotations

import math
from typing import Any

from geoplan.work.drop_case import DropCase, is_known
from geoplan.work.site_words import (
    CLOSED,
    has_signs,
    has_traffic,
    in_a_row,
    is_closed,
    is_positive,
    over_road,
    parts_of,
    roads_over,
)

SIDE_ROADS = "within taper and buffer"
"""Mark of reasons that name side roads inside the control."""
LEAST_POSTS = 3
"""People from whom on one is free to watch the wire while another holds traffic."""


def traffic(case: DropCase) -> str:
    """Tell which traffic control is set up before anybody works at pole or strand."""
    if not has_traffic(case):
        return ""
    job = case.job
    kind = str(job["traffic_class"])
    road = roads_over(case) if over_road(case) else case.road_name or "the road"
    words = f"Now set up traffic control {'on' if over_road(case) else 'beside'} {road}"
    told = CLOSED if is_closed(case) else kind.replace("_", " ")
    words += "" if kind == "beside_road" else f": {told}"
    words += f"{_figures(case, '') if has_signs(case) or kind != 'beside_road' else ''}. "
    others = [name for name in parts_of(job.get("other_roads")) if name not in words]
    if others:
        words += (
            f"{in_a_row(others)}: near too, signs on each approach as 'Traffic control' tells. "
        )
    if SIDE_ROADS in str(job["traffic_reasons"]):
        words += "Side roads that join: see 'Traffic control'. "
    return words + _holding(case)


def traffic_for_run(case: DropCase) -> str:
    """Tell which traffic control is set up before the strand run goes over a carriageway."""
    over, lanes = (parts_of(case.job.get(f"run_{name}")) for name in ("roads", "lanes"))
    roads = list(dict.fromkeys([*over, *lanes]))
    if not roads:
        return ""
    kind = case.job.get("run_traffic_class")
    again = over_road(case) and roads_over(case) == in_a_row(roads)
    words = "Hold traffic again" if again else "Now set up traffic control"
    words += f" on {in_a_row(roads)} for the strand run"
    if not is_known(kind) or kind == "none":
        return f"{words}, on each approach: its kind was NOT WORKED OUT, ask the office first."
    words += f": {str(kind).replace('_', ' ')}{_figures(case, 'run_')}. "
    who = {
        "flaggers": "The flaggers hold traffic",
        "lane_closure": "The lane is closed and the rest of the traffic held",
        "owner": "Traffic is held as the owner's permit says",
    }.get(str(kind), "A second person holds traffic, and does nothing else,")
    when = "while anybody or any wire on its way is over the road" if over else ""
    stands = f"as long as the truck stands in the lane of {in_a_row(lanes)}" if lanes else ""
    return f"{words}{who} {' and '.join(part for part in (when, stands) if part)}."


def _figures(case: DropCase, prefix: str) -> str:
    """Write distances of signs, taper and buffer, each with its mark before it."""
    job = case.job

    def told(name: str) -> str:
        value = job.get(f"{prefix}{name}_m", math.nan)
        return case.length(value) if is_positive(value) else ""

    signs = [far for far in (told(f"sign_{n}") for n in (1, 2, 3)) if far]
    signs = signs if told("sign_1") else []  # the others are counted from the first
    words = ""
    if signs:
        start = "taper" if told("taper") else "work"
        words += f"; on each approach the nearest sign {signs[0]} before the {start}"
        words += "".join(f", the next {far} farther" for far in signs[1:])
    words += f"; taper {told('taper')}" if told("taper") else ""
    return words + (f", buffer {told('buffer')}" if told("buffer") else "")


def _holding(case: DropCase) -> str:
    kind, people = str(case.job["traffic_class"]), int(case.job["crew_size"])
    if not over_road(case):
        return "Nobody and nothing stands on the carriageway."
    if kind == "flaggers":
        come = "come besides the crew; no wire on the road before they hold traffic."
        count: Any = case.job.get("flaggers")
        return f"The {int(count)} flaggers {come}" if is_positive(count) else f"The flaggers {come}"
    if is_closed(case):
        return (
            "Before the wire goes over: signs and cones across it on both sides of the work, so"
            " that nobody drives through. A car comes: it waits until the wire hangs."
        )
    runs = "Traffic runs on until the wire goes over the road." if kind == "short_stop" else ""
    if people >= LEAST_POSTS or (people > 1 and case.job["is_bucket_job"]):
        posts = f"Posts then: {_posts(case)}."
    elif people > 1:
        posts = "Posts then: one works, one holds traffic and does nothing else."
    else:
        posts = "Can't hold traffic alone while wire lies on the road: wait for a second person."
    return f"{runs} {posts}".strip()


def _posts(case: DropCase) -> str:
    """Name what each of three or more does while the wire is on the road."""
    names = in_a_row([str(row["feature_id"]) for row in case.crossed("power")])
    watched = f"the wire and power {names}" if names else "the wire"
    if case.job["is_bucket_job"]:
        return "one in the bucket, one at the wire, and somebody besides holds traffic"
    return f"one works at hook or clamp, one holds traffic, one watches {watched}"
