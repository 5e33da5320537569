"""Words on power for single steps: what is close at a place, and what is measured before it.

Enters: a `DropCase`.
Leaves: sentences, or parts of them; empty where there is nothing to say.
Does not do: compute; judge.
"""

from __future__ import annotations

import re

from geoplan.work.drop_case import DropCase
from geoplan.work.power_pairs import BESIDE, REASONS
from geoplan.work.site_words import (
    capital,
    grouped_poles,
    in_a_row,
    names_at,
    near_road,
    parts_of,
    power_at,
    run_by_bucket,
)

POLE_OF_RUN = re.compile(r" from pole ([^()]+)\)")
"""How words on a distance name the pole that is nearest on the strand."""
BESIDE_WIRE = f"from {REASONS[BESIDE]}"
"""How words on a distance tell that the wire passes the line."""


def placed_at(case: DropCase, place: str) -> list[str]:
    """Name that power with what is told behind its name, in brackets."""
    parts = (words.partition(", ") for words in power_at(case, place))
    return [f"{name} ({rest})" if rest else name for name, _, rest in parts]


def names_short(case: DropCase, first: str = "") -> list[str]:
    """Name the power whose distance is not kept or not known, one that is told first, first.

    Power recorded on several poles is one entry.
    """
    names = [words.partition(", ")[0] for words in power_at(case, "short")]
    return grouped_poles(list(dict.fromkeys([*filter(None, [first]), *names])))


def not_looked_at(case: DropCase) -> str:
    """Name power that nothing is known of, where no line near the drop could be looked at."""
    lines = parts_of(case.job.get("power_lines"))
    is_dark = case.job["power_approach"] == "not_checked" and not lines
    return "power (NOT CHECKED) may be" if is_dark else ""


def close_to(case: DropCase, place: str, below: str, told: str = "") -> str:
    """Name the power that is close to hands at a place, and what keeps them clear of it.

    Lines of another place that the step has named before are not named again.
    """
    names = [words.partition(", ")[0] for words in power_at(case, place)]
    before = {words.partition(", ")[0] for words in power_at(case, told)}
    again = ["they"] if before.intersection(names) else []
    left = [name for name in names if name not in before]
    live = in_a_row([*again, *grouped_poles(left)]) or not_looked_at(case)
    return f" {capital(live)} close, live: head and hands below {below}." if live else ""


def measured_before(case: DropCase, words: str) -> str:
    """Say before what the distance to a line is measured, from the words that tell it."""
    pole = POLE_OF_RUN.search(words)
    if BESIDE_WIRE in words:
        return "before the wire goes up"
    if pole and pole.group(1) == str(case.drop["access_pole_id"]) and not case.is_from_clamp:
        return f"before the wire is led off {pole.group(1)}"
    if pole:
        what = "bucket" if run_by_bucket(case) else "ladder"
        return f"before the {what} goes to {pole.group(1)}"
    return "before anybody goes up there"


def along_run(case: DropCase) -> str:
    """Tell which power is along the strand run, where, and what is measured first."""
    met = [line.partition(", ")[0] for line in parts_of(case.job.get("run_power"))]
    placed = {name.partition(" (")[0]: name for name in placed_at(case, "run")}
    told = []
    if met:
        names = in_a_row([placed.get(name, name) for name in met])
        told.append(f"Power along it, live: {names}; approach distance not kept: stop.")
    elif parts_of(case.job.get("power_lines")) and not run_by_bucket(case):
        told.append("Head and hands below the strand: the lines under 'Power' are live.")
    lines: dict[str, list[str]] = {}
    for words in parts_of(case.job.get("power_tight")):
        if POLE_OF_RUN.search(words):
            name = words.partition(": ")[0]
            lines.setdefault(measured_before(case, words), []).append(name)
    told += [f"Measure to {in_a_row(names)}, live, {when}." for when, names in lines.items()]
    return " ".join(told)


def ladder_side(case: DropCase) -> str:
    """Tell on which side of the terminal's pole the ladder goes, by what it has to keep off."""
    live = names_at(case, "terminal_ladder")
    street = ", off the carriageway" if near_road(case) else ""
    if not live:
        return street
    road = " and the road" if street else ""
    return f"{street}, on the side away from {live} (live){road}: choose there"


def landing(case: DropCase, place: str = "wall") -> str:
    """Tell which power lands on the building that is worked on, and how far off.

    At ``house`` only what lands within reach of ladder and building run.
    """
    near = {words.partition(", ")[0] for words in power_at(case, "house_ladder")}
    return in_a_row(
        [
            words.replace(", ", ", live, ", 1)
            for words in power_at(case, place)
            if words.partition(", ")[0] not in near
        ]
    )
