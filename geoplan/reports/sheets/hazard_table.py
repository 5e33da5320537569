"""The table of hazards on the back of a job sheet: what is dangerous, and what the crew does.

Enters: a drop with its job.
Leaves: lines of the table; every figure is one of the plan's, rounded.
Does not do: compute; markup; decide what is a hazard but for what only the job tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence, Set

from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import MOST_HAZARDS, TEXT_LETTERS, listed, live, plain
from geoplan.work.crossed_later import not_up_yet
from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.holds import within_swing
from geoplan.work.power_measured import STOPPED, blank, measured_before, passed_near
from geoplan.work.power_steps import names_short
from geoplan.work.site_words import grouped_poles, in_a_row, is_flat, out_of, power_at

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

MEASURED = "Measured:\N{NO-BREAK SPACE}____"

TO_DO = {
    "street_crossing": "Traffic control first; measure the clearance over the whole road.",
    "oblique_crossing": "More wire hangs over the road than in a square crossing: measure the"
    " clearance at both edges.",
    "road_overhang": "Measure the clearance over the carriageway; no ladder on it.",
    "rail_crossing": "Nobody near the track without the owner's permit in hand and his man there.",
    "water_crossing": "Is the owner's permit on the truck? No: stop. Clearance over water is not"
    " checked.",
    "power_crossing": "Treat as live; judged by somebody qualified first (step 1).",
    "near_power": f"Treat as live; measure the separation before the wire goes up. {MEASURED}",
    "pole_power_not_checked": "Do not climb until the height of the power is measured from the"
    " ground, with its owner.",
    "tree_crown": "Trim only with the owner's leave; the wire must not rub.",
    "near_tree": "Leave room for growth and swing.",
    "roof_crossing": "Ask the owner first. Measure the clearance over the roof; nobody pulls the"
    " wire across the roof alone.",
    "pool_crossing": "Do not string it. Call the office.",
    "near_pool": "Clearance NOT WORKED OUT. No start before the office has settled it (step 1).",
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
    "near_building": "Keep the wire, and its swing, off wall, eave and gutter. Can't: stop.",
    "ladder_low_over_street": "Keep traffic stopped until the ladder is off and the clearance"
    " measured.",
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
    wires = {str(row["feature_id"]) for row in _wires_met(case)}
    left_out = {*PLANNING_CODES, *TOLD_IN_STEP, *(TOLD_IN_BOX if is_boxed else ())}
    told = [
        row
        for row in case.hazards
        if (row["severity"] == "error" or row["code"] not in left_out)
        and not (row["code"] in OF_WIRES and str(row["feature_id"]) in wires)
        and not (row["code"] == "near_power" and str(row["feature_id"]) not in passed_near(case))
        and str(row["feature_id"]) not in by_code.get(TOLD_BETTER.get(str(row["code"]), ""), ())
    ]
    swung = {str(row["feature_id"]) for row in within_swing(case)}
    flags = [
        (
            WORDS["error" if is_swung(row, swung) else str(row["severity"])],
            cut(_worded(case, row), TEXT_LETTERS),
            TO_DO.get(str(row["code"]), cut(row["remedy"], TEXT_LETTERS)),
        )
        for row in told
    ]
    ranked = sorted([*_of_power(case), *_of_job(case), *_together(flags)],
                    key=lambda hazard: tuple(WORDS.values()).index(hazard[0]))  # fmt: skip
    shown = ranked[:MOST_HAZARDS]
    left = len(ranked) - MOST_HAZARDS
    if left > 0:
        shown.append(("", f"and {left} more", "See the plan's hazards."))
    return shown


def is_swung(row: Row, swung: Set[str]) -> bool:
    """Whether a flag tells of a building that the wire may touch as it swings: a stop (step 1)."""
    return row["code"] == "near_building" and str(row["feature_id"]) in swung


def _worded(case: DropCase, row: Row) -> str:
    """Return a flag in words that don't gainsay the job's: from side to side is over the street."""
    what = plain(row["what"])
    if row["code"] == "road_overhang" and case.is_over_street:
        return what.replace(WITHOUT, "from side to side, its centre-line not crossed")
    return what


WITHOUT = "without crossing it"
"""How a flag tells of a road that the wire hangs over and does not cross."""


def nothing_more() -> list[Hazard]:
    """Return the line of a sheet without flags: what stands in boxes is no less a hazard."""
    return [("note", "no flags but what the boxes above ask", "Do each of them before the work.")]


OF_WIRES = frozenset({"existing_drop_crossing", "planned_drop_crossing", "clearance_not_checked"})


def _wires_met(case: DropCase) -> list[Row]:
    """Return other drops that the wire crosses, over or under not checked."""
    rows = case.crossed("existing_drop", "planned_drop")
    return [row for row in rows if row["clearance_basis"] == "not_checked"]


def _of_job(case: DropCase) -> list[Hazard]:
    """Tell of poles, other wires, and what the strand run is over: no flag of the air span does."""
    job, told = case.job, []
    poor = listed(job, "poor_poles")
    if poor:
        names = f"pole{'s' if len(poor) > 1 else ''} {in_a_row(poor)}"
        todo = "No ladder, no climb before the owner has judged it (step 1)."
        told.append((f"{names} recorded in POOR condition", todo))
    roads = listed(job, "run_roads")
    if roads:
        asked = job.get("run_asked_m", math.nan)
        least = f", {case.length(asked)} asked" if is_known(asked) else ""
        what = f"strand run over {in_a_row(roads)}: clearance NOT WORKED OUT"
        told.append((what, f"Traffic control first; measure the clearance{least}."))
    trees = listed(job, "run_trees")
    if trees:
        what = f"strand run through the crown of {in_a_row(trees)}"
        told.append((what, TO_DO["tree_crown"]))
    if is_flat(case):
        angle = float(job["strand_angle_deg"])
        what = f"wire leaves only {angle:.0f} deg off the strand: the clamp may slide"
        told.append((what, "See that it grips before the ladder goes; it shifts square to it."))
    later, met = not_up_yet(case), _wires_met(case)
    room = [f"{feature_name(r)}, {out_of(case, float(r['at_m']))}" for r in met if r in later]
    if room:
        what = f"crosses {in_a_row(room)}, not up yet: over or under NOT CHECKED"
        told.append((what, "Leave room for it; settle the heights if it hangs."))
    wires = [f"{feature_name(r)}, {out_of(case, float(r['at_m']))}" for r in met if r not in later]
    wires += listed(job, "strands_met")
    if wires:
        what = f"crosses {in_a_row(wires)}: over or under NOT CHECKED"
        told.append((what, "Settle it by the heights of both before the wire is clamped."))
    return [("WARNING", cut(what, TEXT_LETTERS), todo) for what, todo in told]


def _together(flags: Sequence[Hazard]) -> list[Hazard]:
    """Bring flags of one level that ask for the same to one line, words that begin alike once."""
    lines: dict[tuple[str, str], list[str]] = {}
    for level, what, todo in flags:
        lines.setdefault((level, todo), []).append(what)
    found = []
    for (level, todo), several in lines.items():
        first = several[0]
        opening, _, _ = first.rpartition(" ")
        if len(several) > 1 and all(what.rpartition(" ")[0] == opening for what in several):
            names = in_a_row([what.rpartition(" ")[2] for what in several])
            found.append((level, f"{opening}s {names}", todo))
            continue
        opening = next((words for words in OPENINGS if first.startswith(words)), "")
        rest = [what.removeprefix(opening) for what in several[1:]]
        found.append((level, ", ".join([first, *rest]), todo))
    return found


OPENINGS = ("passes over ", "crosses power ", "crosses ")


def _of_power(case: DropCase) -> list[Hazard]:
    """Tell of power, each line in one row: in that of a stop, of a measurement, or of reach."""
    state, note = str(case.job["power_approach"]), case.job["power_approach_note"]
    worst = _named(str(note)) if is_known(note) else ""
    stops = names_short(case, worst) if state in STOPPED else []
    stopped = {worst, *(name.partition(", ")[0] for name in power_at(case, "short"))}
    reach = listed(case.job, "power_in_reach")
    tight = {words.partition(": ")[0]: words for words in listed(case.job, "power_tight")}
    if state in STOPPED:
        tight = {name: words for name, words in tight.items() if name not in stopped}
        reach = [name for name in reach if name not in stopped]
    elif state == "close" and worst and worst not in reach:
        reach = [worst, *reach]
    rows = [
        ("WARNING", cut(f"power {live(words)}", TEXT_LETTERS), _to_measure(case, name, words))
        for name, words in tight.items()
    ]
    left = [name for name in reach if name not in tight]
    is_told = state == "close" and not rows
    told = {*tight, *left, *(str(row["feature_id"]) for row in case.crossed("power"))}
    told |= stopped if state in STOPPED else set()
    return [*_stop(state, stops), *_in_reach(left, is_told=is_told), *rows, *_by_wall(case, told)]


def _by_wall(case: DropCase, told: Set[str]) -> list[Hazard]:
    """Tell of power on the house within the length of the building run, but for what has a row."""
    near = [words.partition(", ") for words in power_at(case, "house_run")]
    found = [f"{name}, live, {rest}" for name, _, rest in near if name not in told]
    todo = "Keep building run, ladder and hands off it."
    return [("WARNING", cut(in_a_row(found), TEXT_LETTERS), todo)] if found else []


STOPS = {
    "within": (
        "planned WITHIN THE APPROACH DISTANCE of power",
        "Do not start before its owner has covered it or switched it off. Head and hands below hook"
        " and strand.",
    ),
    "not_checked": (
        "distance from power NOT CHECKED",
        "Measure from the ground before anybody climbs. Not kept: stop.",
    ),
}
"""The states of `STOPPED` in words, and what is done."""


def _stop(state: str, names: list[str]) -> list[Hazard]:
    """Name all power whose distance is not kept, or not known."""
    if state not in STOPPED:
        return []
    what, todo = STOPS[state]
    todo = f"{todo} {blank(*names)}".strip()
    where = f": {in_a_row(names)}" if names else ""
    return [("STOP", cut(f"{what}{where}", TEXT_LETTERS), todo)]


def _to_measure(case: DropCase, name: str, words: str) -> str:
    """Say before what a line is measured, with a place for the figure."""
    is_reached = name in listed(case.job, "power_in_reach")
    opening = "Head and hands below hook and strand; measure" if is_reached else "Measure"
    return f"{opening} {measured_before(case, words)}. {blank(name)}"


def _in_reach(names: list[str], *, is_told: bool = False) -> list[Hazard]:
    """Name all power that is kept clear of only by somebody who doesn't reach out."""
    if not names and not is_told:
        return []
    where = f": {in_a_row(grouped_poles(names))}" if names else ""
    what = cut(f"power in reach of head and hands above hook or strand{where}", TEXT_LETTERS)
    return [("WARNING", what, "Keep head and hands below hook and strand.")]


def _named(note: str) -> str:
    """Return the line that a note on power is about."""
    return cut(live(note.partition("; ")[0].partition(", ")[0]), TEXT_LETTERS)
