"""What the back of a job sheet says, but for hazards, steps and checks.

Enters: a drop with its job.
Leaves: texts and lists of them; every figure is one of the plan's, rounded.
Does not do: compute; markup; draw.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import (
    ID_LETTERS,
    MATERIAL_LETTERS,
    NUMBER_WORDS,
    REASON_LETTERS,
    TEXT_LETTERS,
    flaggers_of,
    listed,
    live,
    people_words,
    power_lines,
    short_rule,
)
from geoplan.units import say
from geoplan.work.drop_case import DropCase, Row, is_known
from geoplan.work.kerb_lanes import LANE_BESIDE, ROAD_BESIDE
from geoplan.work.power_measured import STOPPED
from geoplan.work.power_steps import landing
from geoplan.work.site_words import (
    CLOSED,
    ON_POLE,
    has_traffic,
    is_closed,
    lines_around,
    power_at,
    powers_of,
)
from geoplan.work.traffic_words import BOTH_WAYS


def crew_of(case: DropCase, flaggers: int, power_reach_m: float) -> list[tuple[str, str]]:
    """Say who does the work, with what traffic control, and how near power is, and why.

    Parameters
    ----------
    case : DropCase
        The drop.
    flaggers : int
        Flaggers by the crew rules, where the job needs any.
    power_reach_m : float
        How far from the work power was looked for, m; NaN: not known.

    Returns
    -------
    list of (str, str)
        Headings with sentences.
    """
    job = case.job
    traffic = str(job["traffic_class"])
    run = job.get("run_traffic_class")
    count = int(job["crew_size"])
    crew = people_words(count, flaggers_of(case, flaggers))
    control = CLOSED if is_closed(case) else traffic.replace("_", " ")
    if is_known(run) and run != "none":
        control += f"; for the strand run {str(run).replace('_', ' ')}"
    reasons = _told(job["traffic_reasons"])
    for told in TOLD_ELSEWHERE:
        reasons = reasons.replace(f"; {told}", "")
    for closed in (LANE_BESIDE, ROAD_BESIDE):
        reasons = reasons.replace(f"{closed}: {control}", closed)  # the heading says by whom
    reasons = reasons.replace(NO_LIMITS, "")
    reasons = cut(_status_once(_roads_once(reasons)), REASON_LETTERS)
    why = _reasons(_why(case)).removeprefix(_opening(count)).replace(MADE_SAFE, "")
    for hung in HUNG.findall(why):
        why = why.replace(f"; {hung}", "") if hung in reasons else why
    for name in HUNG_OVER.findall(reasons):
        why = why.replace(f"crosses {name},", f"over {name},")
    held = [*listed(job, "run_roads"), *listed(job, "run_lanes")]
    others = [
        name
        for name in listed(job, "other_roads")
        if not any(f"{words}{name}" in reasons for words in ROAD_TOLD)
        and f"{name} too: " not in reasons
        and name not in held
    ]
    if others:
        reasons = reasons.rstrip(".")
        reasons += f". Beside it: {', '.join(others)}: sign and guard there too."
    return [
        (f"{crew}:", why),
        (f"Traffic control, {control}:", reasons),
        ("Power:", _power(case, power_reach_m)),
    ]


ROAD_TOLD = ("over ", "carriageway of ")
"""Words by which the reasons for traffic control tell what is done on a road."""
TOLD_ELSEWHERE = (
    "sight distance not checked: no layer tells",  # a box asks for it
    "signs count from the start of the taper",  # the step says before what
    BOTH_WAYS,  # the step tells when
)
"""Parts of the reasons for traffic control that other places of the back tell."""


NO_LIMITS = " (by the limits of a crossing: there are none for a run)"
MADE_SAFE = "not to be started before the power's owner has made it safe: "
"""Parts of reasons that the first step tells, or that say how a figure was come by."""
HUNG = re.compile(r"the air span hangs over [^;]*: counts as over the street")
"""A reason for people and traffic control alike: told once."""
HUNG_OVER = re.compile(r"the air span hangs over the whole width of ([^;]*), from ")
"""Names the road that is hung over, not crossed."""
ROAD = re.compile(r", [a-z ]+, [\d.]+ \S+(?: assumed)?, \d+ vehicles a day(?: assumed)?")
"""How reasons describe a road behind its name."""


def _roads_once(reasons: str) -> str:
    """Return reasons in which each road is described once, by its name alone after that."""
    for what in dict.fromkeys(ROAD.findall(reasons)):
        first, mark, rest = reasons.partition(what)
        name = first.rpartition(" of ")[2] if " of " in first else first
        name = name.rpartition("over ")[2]
        reasons = first + mark + rest.replace(f"{name}{what}", name)
    return reasons


NO_SOURCE = "common practice, no source"
ALIKE = "likewise"


def _status_once(reasons: str) -> str:
    """Return reasons in which figures without a source are called so once, then alike."""
    first, mark, rest = reasons.partition(NO_SOURCE)
    return first + mark + rest.replace(NO_SOURCE, ALIKE)


def _opening(count: int) -> str:
    """Return the number that reasons for a crew begin with: it stands before them already."""
    return f"{NUMBER_WORDS[count] if count < len(NUMBER_WORDS) else count}: "


def _why(case: DropCase) -> object:
    """Return the reasons for a crew without what stands below them under Power."""
    job = case.job
    why, note = job["crew_reasons"], job["power_approach_note"]
    if not is_known(why):
        return why
    told = str(why)
    if is_known(note):
        none = ONLY_AT_HOUSE if power_at(case, "house_run") else NO_POWER
        instead = none if job["power_approach"] == "none" else SEE_POWER
        told = told.replace(str(note), instead)
        told = told.replace(str(note).partition("; ")[0], instead)
    if is_known(job["run_roads"]):
        told = OVER_ROAD_AGAIN.sub("", told)
    run = "; ".join(listed(job, "run_power"))
    told = told.replace(f": {run}: ", ": ") if run else told
    return told.replace("a class that one may not cross alone", "not to be crossed alone")


SEE_POWER = "see Power"
OVER_ROAD_AGAIN = re.compile(r"(?<=by bucket, one up, one on the ground): hangs over [^;]*")
"""Why a run is by bucket, where it is told before that it is over a road."""
NO_POWER = "no power found near"
ONLY_AT_HOUSE = "power by the building run only"


def _reasons(words: object) -> str:
    return cut(_told(words), REASON_LETTERS)


def _told(words: object) -> str:
    return short_rule(live(str(words))) if is_known(words) else "no reason recorded."


def _power(case: DropCase, reach_m: float) -> str:
    """Tell every line by the work, the highest voltage first, and how near the nearest comes."""
    job = case.job
    lines = powers_of(case, power_lines(case))
    run = [line.partition(", ")[0] for line in listed(job, "run_power")]
    told = " ".join(lines)
    poles = " ".join(line for line in lines if line.lower().startswith(POLES))
    run = [
        name
        for name in run
        if not _is_named(name, told) and not _is_named(name.removeprefix(ON_POLE), poles)
    ]
    state = str(job["power_approach"])
    near, farther = lines_around(case)
    around = f" Near too: {'; '.join(near)}." if near else ""
    around += f" Farther off: {'; '.join(farther)}." if farther else ""
    words = {
        "within": "WITHIN THE APPROACH DISTANCE.",
        "not_checked": "NOT CHECKED.",
        "close": "CLOSE: clear only while head and hands stay below hook and strand.",
        "clear": "Clear of the approach distance, as computed.",
    }
    if state == "none" and not lines and not run:
        reach = f"within {case.length(reach_m)} " if is_known(reach_m) else "near enough to tell "
        none = f"No power in the layers {reach}of wire, hook, ladders and run: look up, and stop if"
        lands = landing(case)
        return f"{none} there is any more. {lands}." if lands else f"{none} there is any."
    parts = [] if state == "none" else [words.get(state, state)]
    asked = job["power_approach_m"]
    if lines:
        told = "; ".join(lines)
        parts.append(f"{told[:1].upper()}{told[1:]}.")
    elif is_known(asked):
        parts.append(f"Keep {case.length(asked)} away.")
    if run:
        parts.append(f"Along the strand run: {', '.join(run)}.")
    note = job["power_approach_note"]
    if is_known(note) and state in STOPPED:  # a box has the line and distances
        rule = short_rule(str(note)).partition("; ")[2]
        parts += [f"Asked by {rule}."] if rule else []
    elif is_known(note):
        parts.append(f"Nearest to its limit: {_nearest(short_rule(str(note)))}")
    told = " ".join(parts).rstrip(".")
    return cut(f"{told}.{around}", REASON_LETTERS)


POLES = "power on poles "


def _is_named(name: str, words: str) -> bool:
    return bool(re.search(rf"(?<!\w){re.escape(name)}(?!\w)", words))


def _nearest(note: str) -> str:
    """Return a note on power in short."""
    line, mark, rule = note.partition("; ")
    name, _, rest = line.partition(", ")
    _, _, told = rest.partition(": ")  # kind and voltage are in the list of lines
    return live(f"{name}: {told or rest}{mark}{rule}" if rest else note)


def signs_of(case: DropCase) -> list[tuple[str, str]]:
    """Return distances of signs, taper and buffer where no step tells them."""
    if has_traffic(case):
        return []
    names = {
        "sign_1_m": "Work or taper to sign 1",
        "sign_2_m": "Sign 1 to sign 2",
        "sign_3_m": "Sign 2 to sign 3",
        "taper_m": "Taper",
        "buffer_m": "Buffer",
    }
    return [
        (words, case.length(case.job[key]))
        for key, words in names.items()
        if is_known(case.job[key]) and float(case.job[key]) > 0.0
    ]


NO_BREAK = "\N{NO-BREAK SPACE}"


def built_of(case: DropCase) -> list[list[str]]:
    """Return the boxes to fill in."""
    start = "Clamp height" if case.is_from_clamp else "Hook height"
    return [
        ["Date", "Crew", "Temperature", "Port used"],
        [start, "House height", "Sag left", "Wire cut"],
        ["Lowest clearance, over what", "Length between supports", "Reel, left on it", "Signed"],
        ["What differs from this sheet, and why"],
    ]


def reel_of(case: DropCase, cuts: Sequence[Row]) -> str:
    """Say which reel the wire is cut from."""
    job = case.job
    parts = []
    for row in cuts:
        start, end = case.length(row["from_m"]), case.length(row["to_m"])
        parts.append(
            f"Cut {row['cut']} from reel {cut(row['reel_id'], ID_LETTERS)}: {start} to {end}."
        )
    if "cut_note" in job and is_known(job["cut_note"]):
        parts.append(cut(job["cut_note"], TEXT_LETTERS))
    return " ".join(parts)


def materials_of(rows: Sequence[Row], case: DropCase) -> str:
    """Say what is needed; a bracket by its name where the step asks for one."""
    is_bracket = any(row["code"] == "steep_wall_angle" for row in case.hazards)

    def amount(row: Row) -> str:
        is_told = is_known(row["quantity"])
        quantity = f"{float(row['quantity']):.2f}".rstrip("0").rstrip(".") if is_told else "unknown"
        unit = str(row["unit"])
        title = cut(row["title"] if is_known(row["title"]) else row["item"], MATERIAL_LETTERS)
        if unit == "m":
            return f"{say(float(row['quantity']), 'length', case.units)} {title}"
        if unit != "each":
            return f"{quantity} {unit} {title}"
        if is_bracket:
            title = title.replace("hook or bracket", "bracket")
        return f"{quantity}{NO_BREAK}×{NO_BREAK}{title}"

    return "; ".join(amount(row) for row in rows)
