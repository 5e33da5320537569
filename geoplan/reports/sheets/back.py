"""What the back of a job sheet says, but for steps and checks.

Enters: a drop with its job.
Leaves: texts and lists of them; every figure is one of the plan's, rounded.
Does not do: compute; markup; draw.
"""

from __future__ import annotations

from collections.abc import Sequence

from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import (
    ID_LETTERS,
    MATERIAL_LETTERS,
    MOST_HAZARDS,
    NUMBER_WORDS,
    REASON_LETTERS,
    TEXT_LETTERS,
    listed,
    live,
    people_words,
    plain,
    power_lines,
    short_rule,
)
from geoplan.units import ReportUnits, say
from geoplan.work.drop_case import DropCase, Row, is_known
from geoplan.work.site_words import has_traffic, powers_of


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
    count = int(job["crew_size"])
    crew = people_words(count, flaggers if traffic == "flaggers" else 0)
    others = listed(job, "other_roads")
    reasons = _reasons(job["traffic_reasons"])
    if others:
        reasons = reasons.rstrip(".")
        reasons += f". Beside it: {', '.join(others)}: sign and guard there too."
    return [
        (f"{crew}:", _reasons(_why(job)).removeprefix(_opening(count))),
        (f"Traffic control, {traffic.replace('_', ' ')}:", reasons),
        ("Power:", _power(case, power_reach_m)),
    ]


def _opening(count: int) -> str:
    """Return the number that reasons for a crew begin with: it stands before them already."""
    return f"{NUMBER_WORDS[count] if count < len(NUMBER_WORDS) else count}: "


def _why(job: Row) -> object:
    """Return the reasons for a crew without what stands below them under Power."""
    why, note = job["crew_reasons"], job["power_approach_note"]
    if not is_known(why):
        return why
    told = str(why)
    if is_known(note):
        told = told.replace(str(note), SEE_POWER)
        told = told.replace(str(note).partition("; ")[0], SEE_POWER)
    run = "; ".join(listed(job, "run_power"))
    return told.replace(f": {run}: ", ": ") if run else told


SEE_POWER = "see Power"


def _reasons(words: object) -> str:
    if not is_known(words):
        return "no reason recorded."
    return cut(short_rule(live(str(words))), REASON_LETTERS)


def _power(case: DropCase, reach_m: float) -> str:
    """Tell every line by the work, the highest voltage first, and how near the nearest comes."""
    job = case.job
    lines = powers_of(case, power_lines(case))
    run = [line.partition(", ")[0] for line in listed(job, "run_power")]
    state = str(job["power_approach"])
    words = {
        "within": "WITHIN THE APPROACH DISTANCE.",
        "not_checked": "NOT CHECKED.",
        "clear": "Clear of the approach distance, as computed.",
    }
    if state == "none" and not lines and not run:
        reach = f"within {case.length(reach_m)} " if is_known(reach_m) else "near enough to tell "
        return f"No power in the layers {reach}of the work and the run: look for it."
    parts = [] if state == "none" else [words.get(state, state)]
    asked = job["power_approach_m"]
    if lines:
        parts.append(f"{'; '.join(lines)}.")
    elif is_known(asked):
        parts.append(f"Keep {case.length(asked)} away.")
    if run:
        parts.append(f"Along the strand run: {', '.join(run)}.")
    note = job["power_approach_note"]
    if is_known(note):
        parts.append(f"Nearest to its limit: {_nearest(short_rule(str(note)), state)}")
    return cut(" ".join(parts), REASON_LETTERS)


def _nearest(note: str, state: str) -> str:
    """Return a note on power in short; what a box of the checks has of it, by name and rule."""
    line, mark, rule = note.partition("; ")
    name, _, rest = line.partition(", ")
    if state in {"within", "not_checked"}:  # the box has it all but the rule
        return live(f"{name}; {rule}" if mark else line)
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


PLANNING_CODES = ("route_changed_by_clearance", "terminal_changed_by_clearance")
"""Flags that tell of routes not taken: nothing for the site."""

TOLD_BETTER = {
    "oblique_crossing": "street_crossing",
    "existing_drop_crossing": "clearance_not_checked",
}
"""Flags left out where another one tells the same of the same thing, with more."""

KEEP_OFF = "Keep people and cars off the wire on the ground; measure clearance."

TOLD_IN_BOX = frozenset(
    {
        "third_party_lot", "raised_attachment", "height_assumed", "level_ground_assumed",
        "strand_inferred", "attachment_assumed", "clearance_not_checked",
    }
)  # fmt: skip
"""Flags that a box of the checks on site tells whole, with what to do."""
TOLD_IN_STEP = frozenset({"raised_hook", "steep_wall_angle"})
"""Flags that the step on hook or attachment tells whole."""

TO_DO = {
    "street_crossing": "Traffic control first; measure the clearance over the whole road.",
    "oblique_crossing": "More wire hangs over the road than in a square crossing: measure the"
    " clearance at both edges.",
    "road_overhang": "Measure the clearance over the carriageway; no ladder on it.",
    "rail_crossing": "Nobody near the track without the owner's permit in hand and his man there.",
    "water_crossing": "Is the owner's permit on the truck? No: stop. Clearance over water is not"
    " checked.",
    "power_crossing": "Treat as live; judged by somebody qualified first (step 1).",
    "near_power": "Treat as live; measure the separation before the wire goes up.",
    "pole_power_not_checked": "Do not climb until the height of the power is measured from the"
    " ground, with its owner.",
    "tree_crown": "Trim only with the owner's leave; the wire must not rub.",
    "near_tree": "Leave room for growth and swing.",
    "roof_crossing": "Ask the owner first. Measure the clearance over the roof; nobody pulls the"
    " wire across the roof alone.",
    "pool_crossing": "Do not string it. Call the office.",
    "near_pool": "Clearance not worked out: measure, and call the office before the wire goes up.",
    "third_party_lot": "Is the owner's leave in writing on the truck? No: stop.",
    "driveway_crossing": KEEP_OFF,
    "sidewalk_crossing": KEEP_OFF,
    "existing_drop_crossing": "Look which wire is above; keep the wires apart.",
    "planned_drop_crossing": "Keep the wires apart; agree the heights of both.",
    "steep_wall_angle": "Set a bracket, so that the wire does not rub on the wall.",
    "attachment_assumed": "Find the real attachment before wire is cut.",
    "strand_inferred": "See that the strand is there and sound. If not: stop, call the office.",
    "reserve_port": "Ask the office whether this port may be used.",
    "crowded_span": "Look at the strand before more is hung on it. In doubt: stop.",
    "clearance_not_checked": "Measure it before the work; go on only if the code in force allows.",
    "crossed_height_assumed": "Measure it before the work, or ask its owner.",
    "height_assumed": "Measure both before wire is cut.",
    "level_ground_assumed": "Look how the ground falls under the wire and at both ends.",
    "raised_hook": "Set the hook as high as given; measure from the ground.",
    "raised_attachment": "Attach as high as given; measure from the ground. Is the wall that high?"
    " No: stop, call the office.",
    "near_building": "Look on site: keep the wire, and its swing, off wall, eave and gutter.",
    "ladder_low_over_street": "Keep traffic stopped until the ladder is off and the sag checked.",
    "bucket_job": "No ladder on this strand: work from the bucket only.",
}
"""What the crew does about each flag; the plan's own remedies are for who plans."""

LEVELS = ("error", "warning", "note")
WORDS = {"error": "STOP", "warning": "WARNING", "note": "note"}

Hazard = tuple[str, str, str]


def hazards_of(case: DropCase, *, is_boxed: bool = True) -> list[Hazard]:
    """Return what is dangerous on the site, the gravest first.

    Parameters
    ----------
    case : DropCase
        The drop.
    is_boxed : bool
        Whether the sheet has all boxes of the checks on site: what one of them tells is no line
        here then, unless it is a stop.

    Returns
    -------
    list of (str, str, str)
        Level, what it is, what the crew does about it: at most `MOST_HAZARDS`, what is left out
        is counted. What asks for the same is one line. Power within the approach distance, or not
        checked, stops the work, whatever the flags say of it. A flag of an unknown kind keeps the
        plan's own remedy.
    """
    by_code: dict[str, set[str]] = {}
    for row in case.hazards:
        by_code.setdefault(str(row["code"]), set()).add(str(row["feature_id"]))
    left_out = {*PLANNING_CODES, *TOLD_IN_STEP, *(TOLD_IN_BOX if is_boxed else ())}
    told = [
        row
        for row in case.hazards
        if (row["severity"] == "error" or row["code"] not in left_out)
        and str(row["feature_id"]) not in by_code.get(TOLD_BETTER.get(str(row["code"]), ""), ())
    ]
    flags = [
        (
            WORDS[str(row["severity"])],
            cut(plain(row["what"]), TEXT_LETTERS),
            TO_DO.get(str(row["code"]), cut(row["remedy"], TEXT_LETTERS)),
        )
        for row in told
    ]
    ranked = sorted([*_of_power(case), *_together(flags)],
                    key=lambda hazard: tuple(WORDS.values()).index(hazard[0]))  # fmt: skip
    shown = ranked[:MOST_HAZARDS]
    left = len(ranked) - MOST_HAZARDS
    if left > 0:
        shown.append(("", f"and {left} more", "See the plan's hazards."))
    return shown


def _together(flags: Sequence[Hazard]) -> list[Hazard]:
    """Bring flags of one level that ask for the same to one line, words that begin alike once."""
    lines: dict[tuple[str, str], list[str]] = {}
    for level, what, todo in flags:
        lines.setdefault((level, todo), []).append(what)
    found = []
    for (level, todo), several in lines.items():
        first = several[0]
        opening = next((words for words in OPENINGS if first.startswith(words)), "")
        rest = [what.removeprefix(opening) for what in several[1:]]
        found.append((level, ", ".join([first, *rest]), todo))
    return found


OPENINGS = ("passes over ", "crosses power ", "crosses ")


def _of_power(case: DropCase) -> list[Hazard]:
    job = case.job
    note = job["power_approach_note"]
    where = f": {_named(str(note))}" if is_known(note) else ""
    state = str(job["power_approach"])
    if state == "within":
        what = f"planned WITHIN THE APPROACH DISTANCE of power{where}"
        return [("STOP", what, "Do not start before its owner has covered it or switched it off.")]
    if state == "not_checked":
        what = f"distance from power NOT CHECKED{where}"
        return [("STOP", what, "Measure from the ground before anybody climbs. Not kept: stop.")]
    return []


def _named(note: str) -> str:
    """Return the line that a note on power is about."""
    return cut(live(note.partition("; ")[0].partition(", ")[0]), TEXT_LETTERS)


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


def materials_of(rows: Sequence[Row], units: ReportUnits) -> str:
    """Say what is needed."""

    def amount(row: Row) -> str:
        is_told = is_known(row["quantity"])
        quantity = f"{float(row['quantity']):.2f}".rstrip("0").rstrip(".") if is_told else "unknown"
        unit = str(row["unit"])
        title = cut(row["title"] if is_known(row["title"]) else row["item"], MATERIAL_LETTERS)
        if unit == "m":
            return f"{say(float(row['quantity']), 'length', units)} {title}"
        return f"{quantity} × {title}" if unit == "each" else f"{quantity} {unit} {title}"

    return "; ".join(amount(row) for row in rows)
