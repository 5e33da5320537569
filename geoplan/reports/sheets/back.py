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
    TEXT_LETTERS,
    people_words,
)
from geoplan.units import ReportUnits, say
from geoplan.work.drop_case import DropCase, Row, is_known


def crew_of(case: DropCase) -> list[tuple[str, str]]:
    """Say who does the work, with what traffic control, and how near power is, and why."""
    job = case.job
    crew = people_words(int(job["crew_size"]))
    traffic = str(job["traffic_class"]).replace("_", " ")
    approach = str(job["power_approach"]).replace("_", " ")
    power = {
        "none": "no power was brought near: look for it.",
        "clear": "clear of the approach distance.",
        "within": "WITHIN THE APPROACH DISTANCE.",
        "not checked": "NOT CHECKED.",
    }.get(approach, approach)
    asked = job["power_approach_m"]
    if is_known(asked):
        power = f"{power} Keep {case.length(asked)} away."
    note = job["power_approach_note"]
    if is_known(note):
        power = f"{power} {cut(note, TEXT_LETTERS)}"
    return [
        (f"{crew}:", _reasons(job["crew_reasons"])),
        (f"Traffic control, {traffic}:", _reasons(job["traffic_reasons"])),
        ("Power:", power),
    ]


def _reasons(words: object) -> str:
    return cut(words, 2 * TEXT_LETTERS) if is_known(words) else "no reason recorded."


def signs_of(case: DropCase) -> list[tuple[str, str]]:
    """Return distances of signs, taper and buffer."""
    names = {
        "sign_1_m": "Work or taper to sign 1",
        "sign_2_m": "Sign 1 to sign 2",
        "sign_3_m": "Sign 2 to sign 3",
        "taper_m": "Taper",
        "buffer_m": "Buffer",
    }
    shown = {key: case.job[key] for key in names}
    if not any(is_known(value) and float(value) > 0 for value in shown.values()):
        return []
    return [
        (names[key], case.length(value) if is_known(value) else "–") for key, value in shown.items()
    ]


PLANNING_CODES = ("route_changed_by_clearance", "terminal_changed_by_clearance")
"""Flags that tell of routes not taken: nothing for the site."""

LEVELS = ("error", "warning", "note")


def hazards_of(case: DropCase) -> list[tuple[str, str, str]]:
    """Return the flags that tell of the site."""
    told = [row for row in case.hazards if row["code"] not in PLANNING_CODES]
    ranked = sorted(told, key=lambda row: LEVELS.index(str(row["severity"])))
    words = {"error": "STOP", "warning": "WARNING", "note": "note"}
    shown = [
        (
            words[str(row["severity"])],
            cut(row["what"], TEXT_LETTERS),
            cut(row["remedy"], TEXT_LETTERS),
        )
        for row in ranked[:MOST_HAZARDS]
    ]
    left = len(ranked) - MOST_HAZARDS
    if left > 0:
        shown.append(("", f"and {left} more", "See the plan's hazards."))
    return shown


def built_of(case: DropCase) -> list[list[str]]:
    """Return the boxes to fill in."""
    start = "Clamp height" if case.is_from_clamp else "Hook height"
    return [
        ["Date", "Crew", "Temperature", "Port used"],
        [start, "House height", "Sag left, ladder gone", "Wire cut"],
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
        quantity = f"{float(row['quantity']):.2f}".rstrip("0").rstrip(".")
        unit = str(row["unit"])
        title = cut(row["title"] if is_known(row["title"]) else row["item"], MATERIAL_LETTERS)
        if unit == "m":
            return f"{say(float(row['quantity']), 'length', units)} {title}"
        return f"{quantity} × {title}" if unit == "each" else f"{quantity} {unit} {title}"

    return "; ".join(amount(row) for row in rows)
