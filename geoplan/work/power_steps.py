"""Words on power for single steps: what is close at a place, what is along the run.

Enters: a `DropCase`.
Leaves: sentences, or parts of them; empty where there is nothing to say.
Does not do: compute; judge.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase
from geoplan.work.last_ladders import BETWEEN
from geoplan.work.power_measured import MOST_AGAIN, OF_RUN, to_measure
from geoplan.work.site_words import (
    ON_POLE,
    capital,
    grouped_poles,
    in_a_row,
    near_road,
    parts_of,
    power_at,
    run_by_bucket,
)

SEVERAL_POLES = "power on poles "
"""How power that is recorded on several poles is named as one."""
LAST_LADDER = "terminal_ladder"
"""Place of the ladder that is set in the step in which the wire is connected."""


def placed_at(case: DropCase, place: str) -> list[str]:
    """Name that power with what is told behind its name, in brackets."""
    parts = (words.partition(", ") for words in power_at(case, place))
    return [f"{name} ({rest})" if rest else name for name, _, rest in parts]


def names_short(case: DropCase, first: str = "") -> list[str]:
    """Name the power whose distance is not kept or not known, one that is told first, first.

    Power recorded on several poles is one entry.
    """
    names = _names(case, "short")
    return grouped_poles(list(dict.fromkeys([*filter(None, [first]), *names])))


def not_looked_at(case: DropCase) -> str:
    """Name power that nothing is known of, where no line near the drop could be looked at."""
    lines = parts_of(case.job.get("power_lines"))
    is_dark = case.job["power_approach"] == "not_checked" and not lines
    return "power (NOT CHECKED) may be" if is_dark else ""


def close_to(case: DropCase, place: str, below: str, told: str = "") -> str:
    """Name the power that is close to hands at a place, and what keeps them clear of it.

    Lines that pass over the place, at any height, are named with it. More than `MOST_AGAIN` of it
    that the step of ladder or bucket names too are not named again, nor is what only passes over
    where that is the same step.
    """
    close, before = _names(case, place), set(_names(case, told))
    names = list(dict.fromkeys([*close, *_names(case, f"{place}_over")]))
    if told == LAST_LADDER and names and not close and before.issuperset(names):
        return f" Head and hands below {below}."
    is_again = len(names) > MOST_AGAIN and before.issuperset(names)
    what = "ladder" if told == LAST_LADDER else told
    names = [f"all power named for the {what}"] if is_again else grouped_poles(names)
    live = f"{in_a_row(names)} {_are(names)}" if names else not_looked_at(case)
    is_near = "close" if close or not names else "above"
    return f" {capital(live)} {is_near} and live: head and hands below {below}." if live else ""


def _names(case: DropCase, place: str) -> list[str]:
    return [words.partition(", ")[0] for words in power_at(case, place)]


def _are(names: list[str]) -> str:
    return "are" if len(names) > 1 or SEVERAL_POLES in names[0] else "is"


def along_run(case: DropCase) -> str:
    """Tell which power is along the strand run, where, and what is measured first."""
    met = [line.partition(", ")[0] for line in parts_of(case.job.get("run_power"))]
    placed = {name.partition(" (")[0]: name for name in placed_at(case, "run")}
    told = []
    if met:
        names = in_a_row(grouped_poles([placed.get(name, name) for name in met]))
        told.append(f"Power along it, live: {names}; approach distance not kept: stop.")
    elif parts_of(case.job.get("power_lines")) and not run_by_bucket(case):
        told.append("Head and hands below the strand: the lines under 'Power' are live.")
    passed = _passed(case, met)
    told += [f"{passed}."] if passed else []
    return f"{' '.join(told)}{to_measure(case, OF_RUN, met)}".strip()


def _passed(case: DropCase, named: list[str]) -> str:
    """Name the power at each pole that the run passes, pole by pole, but what was just named."""
    found: dict[str, list[str]] = {}
    for words in power_at(case, "passed"):
        name, _, pole = words.partition(", ")
        if name in named:
            continue
        found.setdefault(pole, []).append(POWER_THERE if name == f"{ON_POLE}{pole}" else name)
    order = [pole for pole in parts_of(case.job.get("run_poles")) if pole in found]
    told = [f"at {pole} {in_a_row(found[pole])} close, live" for pole in order]
    return capital("; ".join(told))


POWER_THERE = "power on it"


def ladder_side(case: DropCase) -> str:
    """Tell on which side of the terminal's pole the ladder goes, between and by which lines."""
    told = parts_of(case.job.get("last_ladder"))
    names = _names(case, LAST_LADDER)
    place = "".join(f", {words}" for words in told)
    if not told and near_road(case):
        place = ", off the carriageway"
    between = next((words for words in told if words.startswith(BETWEEN)), "")
    beside = between.removeprefix(BETWEEN).split(" and ")
    left = [name for name in names if name not in beside]
    if left:
        live = "all live" if between else "live"
        return f"{place}; {in_a_row(left)} over or by it, {live}: look up"
    return f"{place}, live: look up" if between else place


def landing(case: DropCase) -> str:
    """Tell which power lands on the building or passes it near ladder and building run."""
    near = {words.partition(", ")[0] for words in power_at(case, "house_ladder")}
    return in_a_row(
        [
            words.replace(", ", ", live, ", 1)
            for words in power_at(case, "house")
            if words.partition(", ")[0] not in near
        ]
    )
