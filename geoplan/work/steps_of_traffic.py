"""Steps of traffic control: what is set up for the work, and what for the strand run.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: compute; tell of ladders and wire.
"""

from __future__ import annotations

import math
from typing import Any

from geoplan.work.drop_case import DropCase, is_known
from geoplan.work.duties import duties, holders
from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.run_trucks import CLOSES
from geoplan.work.side_roads import BY_CREW, FOR_RUN, SIDE_ROAD
from geoplan.work.site_words import (
    BY_ROAD,
    CLOSED,
    has_signs,
    has_traffic,
    in_a_row,
    is_closed,
    is_positive,
    names_over,
    over_road,
    parts_of,
    roads_over,
)


def traffic(case: DropCase) -> str:
    """Tell which traffic control is set up before anybody works at pole or strand."""
    if not has_traffic(case):
        return ""
    job = case.job
    kind = str(job["traffic_class"])
    on = names_over(case) if over_road(case) else []
    on += lanes_beside(case) or ([] if on else [case.road_name or "the road"])
    road = in_a_row(list(dict.fromkeys(on)))
    where = "on" if over_road(case) or lanes_beside(case) else "beside"
    words = f"Now set up traffic control {where} {road}"
    told = CLOSED if is_closed(case) else kind.replace("_", " ")
    words += "" if kind == "beside_road" else f": {told}"
    words += f"{_figures(case, '') if has_signs(case) or kind != 'beside_road' else ''}. "
    others = [name for name in parts_of(job.get("other_roads")) if name not in words]
    if others:
        words += (
            f"{in_a_row(others)}: near too, signs on each approach as 'Traffic control' tells. "
        )
    joining = [part for part in parts_of(job["traffic_reasons"]) if part.startswith(SIDE_ROAD)]
    if any(not part.endswith(BY_CREW) for part in joining):
        words += "Side roads that join: see 'Traffic control'. "
    return words + _holding(case)


def lanes_beside(case: DropCase, *told_by: str) -> list[str]:
    """Name the roads of which a lane, or all, is closed beside ladder, reel, pole or clamp."""
    told_by = told_by or (LANE_BESIDE, ROAD_BESIDE)
    told = [
        part
        for part in parts_of(case.job["traffic_reasons"])
        if any(words in part for words in told_by)
    ]
    return [part.partition(BY_ROAD)[2].partition(", ")[0] for part in told]


def roads_shut(case: DropCase) -> list[str]:
    """Name those of them that are too narrow for traffic to pass."""
    return lanes_beside(case, ROAD_BESIDE)


def closed_by_work(case: DropCase) -> list[str]:
    """Name roads that flaggers keep closed: beside the work, or where the run's truck stands."""
    return list(dict.fromkeys([*roads_shut(case), *by_truck(case)]))


def by_truck(case: DropCase) -> list[str]:
    """Name roads that the run's truck closes as it stands in their lane."""
    told = in_a_row(parts_of(case.job.get("run_truck")))
    return [name for name in parts_of(case.job.get("run_lanes")) if f"{name}{CLOSES}" in told]


def stays_shut(names: list[str]) -> str:
    """Tell how long roads without room to pass are closed; empty without one."""
    stay = "stay" if len(names) > 1 else "stays"
    return f"{in_a_row(names)} {stay} closed as long as anybody works there" if names else ""


def traffic_for_run(case: DropCase) -> str:
    """Tell which traffic control is set up before the strand run goes over a carriageway."""
    job = case.job
    over, lanes = (parts_of(job.get(f"run_{name}")) for name in ("roads", "lanes"))
    roads = list(dict.fromkeys([*over, *lanes]))
    if not roads:
        return ""
    kind = job.get("run_traffic_class")
    beside = lanes_beside(case)
    is_joined = f"{FOR_RUN}{SIDE_ROAD}" in str(job["traffic_reasons"])
    side = "Side roads: see 'Traffic control'. " if is_joined else ""
    is_same = kind == job["traffic_class"] and _figures(case, "") == _figures(case, "run_")
    if kind == "flaggers" and is_same and set(beside) == set(roads):
        words = f"Traffic control on {in_a_row(roads)} as set up before, moved along with the work."
        return f"{words} {side}{_by_flaggers(case, over, lanes)}"
    again = over_road(case) and roads_over(case) == in_a_row(roads)
    words = "Hold traffic again" if again else "Now set up traffic control"
    words += f" on {in_a_row(roads)} for the strand run"
    if not is_known(kind) or kind == "none":
        return f"{words}, on each approach: its kind was NOT WORKED OUT, ask the office first."
    words += f": {str(kind).replace('_', ' ')}{_figures(case, 'run_')}. {side}"
    if kind == "flaggers":
        shut = [name for name in roads_shut(case) if name not in roads]
        kept = in_a_row([name for name in beside if name not in [*roads, *shut]])
        kept = f" The lane of {kept} stays closed." if kept else ""
        kept += f" {stays_shut(shut)}." if shut else ""
        return f"{words}{_by_flaggers(case, over, lanes)}{kept}"
    who = {
        "lane_closure": "The lane is closed and the rest of the traffic held",
        "owner": "Traffic is held as the owner's permit says",
    }.get(str(kind), "A second person holds traffic, and does nothing else,")
    when = "while anybody or any wire on its way is over the road" if over else ""
    stands = f"as long as the truck stands in the lane of {in_a_row(lanes)}" if lanes else ""
    return f"{words}{who} {' and '.join(part for part in (when, stands) if part)}."


def _by_flaggers(case: DropCase, over: list[str], lanes: list[str]) -> str:
    """Tell what flaggers do while a wire is led along the strand by truck."""
    shut = by_truck(case)
    passed = [name for name in lanes if name not in shut]
    words = f"{_flaggers(case)} besides the crew"
    by = "let traffic by in turn while the truck is in a lane"
    stop = (
        "both ways stopped, a few minutes at a time, only while wire, boom or person is over the"
        " other lane"
    )
    parts = [f"{by}; {stop}"] if over or passed else []
    if shut:
        parts.append(f"keep {in_a_row(shut)} closed as long as the truck stands there")
    return f"{words} {'; they '.join(parts)}."


def _flaggers(case: DropCase) -> str:
    """Name the flaggers by their number, where it is known."""
    count: Any = case.job.get("flaggers")
    return f"The {int(count)} flaggers" if is_positive(count) else "The flaggers"


def _figures(case: DropCase, prefix: str) -> str:
    """Write distances of signs, taper and buffer, each with its mark before it."""
    job = case.job

    def told(name: str) -> str:
        value = job.get(f"{prefix}{name}_m", math.nan)
        return case.length(value) if is_positive(value) else ""

    signs = [far for far in (told(f"sign_{n}") for n in (1, 2, 3)) if far]
    signs = signs if told("sign_1") else []  # the others are counted from the first
    taper, buffer = told("taper"), told("buffer")
    is_held = bool(buffer) and not taper and job[f"{prefix}traffic_class"] == "flaggers"
    words = f", {buffer} before the work" if is_held else ""
    if signs:
        start = "taper" if taper else "flagger" if is_held else "work"
        words += f"; on each approach the nearest sign {signs[0]} before the {start}"
        words += "".join(f", the next {far} farther" for far in signs[1:])
    return words + (f"; taper {taper}, buffer {buffer}" if taper else "")


def _holding(case: DropCase) -> str:
    kind, people = str(case.job["traffic_class"]), int(case.job["crew_size"])
    if not over_road(case):
        return _beside(case)
    if kind == "flaggers":
        is_lane, shut = bool(lanes_beside(case, LANE_BESIDE)), stays_shut(roads_shut(case))
        what = "no ladder or reel at the kerb, no wire" if is_lane or shut else "no wire"
        lane = "; past the closed lane in turn as long as anybody works there" if is_lane else ""
        lane += f"; {shut}" if shut else ""
        if shut and set(names_over(case)) <= set(roads_shut(case)) and not is_lane:
            return (
                f"{_flaggers(case)} come besides the crew; {what} on the road before they hold"
                f" traffic: {shut}."
            )
        return (
            f"{_flaggers(case)} come besides the crew; {what} on the road before they hold traffic:"
            " both ways, a few minutes at a time, only while wire or somebody is over the road"
            f"{lane}."
        )
    if is_closed(case):
        return (
            "Before the wire goes over: signs and cones across it on both sides of the work, so"
            " that nobody drives through. A car comes: it waits until the wire hangs."
        )
    runs = _runs_on(case) if kind == "short_stop" else ""
    if people < 2:
        posts = "Can't hold traffic alone while wire lies on the road: wait for a second person."
    elif kind == "short_stop":
        posts = f"Posts then, who holds does nothing else: {duties(case)}."
    else:
        posts = "Who holds the rest of the traffic: as the permit tells."
    return f"{runs} {posts}".strip()


def _beside(case: DropCase) -> str:
    """Tell what holds where the wire is over no road."""
    job = case.job
    is_lane = bool(lanes_beside(case))
    if is_lane and job["traffic_class"] != "flaggers":
        return (
            "The lane is closed before ladder or reel is set up at the kerb, until both are gone."
        )
    if is_lane:
        does = ["let traffic by in turn"] if lanes_beside(case, LANE_BESIDE) else []
        shut = roads_shut(case)
        does += [f"keep {in_a_row(shut)} closed"] if shut else []
        return (
            f"{_flaggers(case)} come besides the crew and {' and '.join(does)}: before ladder or"
            " reel is set up at the kerb, as long as anybody works there."
        )
    if holders(case):
        return (
            "Traffic runs on until the ladder goes on the strand. From then on, who holds does"
            f" nothing else: {duties(case)}."
        )
    later = parts_of(job.get("run_roads")) or parts_of(job.get("run_lanes"))
    until = "Until the strand run nobody" if later else "Nobody"
    return f"{until} and nothing stands on the carriageway."


def _runs_on(case: DropCase) -> str:
    """Tell until when traffic runs: a ladder on a strand may bring its head over the road."""
    if case.is_from_clamp and not case.job["is_bucket_job"]:
        return "Traffic runs on until the ladder goes on the strand; from then on it is held."
    return "Traffic runs on until the wire goes over the road."
