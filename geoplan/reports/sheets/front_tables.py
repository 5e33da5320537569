"""The tables on the front of a job sheet: what is passed, and how to string; with their keys.

Enters: a drop with its job, rows of the plan.
Leaves: heads and cells; every figure is one of the plan's, rounded.
Does not do: compute; markup; draw.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import (
    ID_LETTERS,
    MARKS,
    MOST_CROSSINGS,
    RULE_KEY,
    RULE_LETTERS,
    TEXT_LETTERS,
    at_an_end,
    least_at,
    listed,
    margin,
    short_rule,
)
from geoplan.units import ReportUnits, for_report, report_unit
from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.profiles import Envelope
from geoplan.work.site_words import in_a_row, power_at

NOT_THEN = "NO"
"""Stands in the stringing table where the plan has no figure: not to be strung then."""


def length_cells(values: list[float], quantity: str, units: ReportUnits) -> list[str]:
    """Write figures of one quantity without their unit; `NOT_THEN` where there is none."""
    shown = report_unit(quantity, units)
    figures = [round(float(for_report(v, quantity, units)), shown.decimals) for v in values]
    return [f"{f + 0.0:.{shown.decimals}f}" if is_known(f) else NOT_THEN for f in figures]  # no -0


def has_ladder(case: DropCase) -> bool:
    """Whether the clamp is reached by a ladder on the strand whose sag was worked out."""
    return (
        case.is_from_clamp and not case.job["is_bucket_job"] and is_known(case.drop["ladder_sag_m"])
    )


NO_CLEARANCE = {
    "power": "LOOK: see 'Power' on the back; treat as live",
    "pool": "look: no clearance worked out; pools have a rule of their own",
    "tree": "look: no clearance worked out; leave room for growth and swing",
    "lot": "look: no clearance worked out but that over the yard",
    "roof": "look: no clearance worked out beside the building",
    "planned_drop": "look: heights of both wires are not compared",
}
"""What is said where the plan worked out no clearance, by what is passed."""
LOOK = "look: no clearance worked out"


OPEN_KINDS = ("power", "pool", "existing_drop", "planned_drop", "roof")
"""Kinds whose clearance counts, so that one not worked out leaves the least of them open."""


def not_worked_out(case: DropCase) -> bool:
    """Whether some clearance that counts was not worked out: of the air span or the strand run."""
    open_rows = any(
        row["clearance_basis"] == "not_checked"
        or (row["clearance_basis"] == "none" and str(row["crossing_kind"]) in OPEN_KINDS)
        for row in case.crossings
    )
    return open_rows or bool(listed(case.job, "run_roads"))


def crossing_heads(case: DropCase) -> tuple[str, ...]:
    """Return the heads of the table of what is passed."""
    start = "clamp" if case.is_from_clamp else "hook"
    return ("Mark", "Over or beside", f"Out from {start}", "Asked", "There", "Margin", "Rule")


NONE = "–"
YARD_WORDS = "yard (fine dots)"


def crossings_of(case: DropCase, envelopes: list[Envelope]) -> list[tuple[str, ...]]:
    """Return what is passed, with clearances; the yard where its clearance governs.

    Roads below the strand run have a row each: the run's clearance is not worked out.
    """
    letters = {(e.kind, e.feature_id, e.start_m): e.letter for e in envelopes}
    rows: list[tuple[str, ...]] = []
    beside = {words.partition(", ")[0]: words for words in power_at(case, "wire")}
    shown = _each_line_once(case.crossings, beside)
    for row in shown[:MOST_CROSSINGS]:
        key = str(row["crossing_kind"]), str(row["feature_id"]), float(row["start_m"])
        name = feature_name(row)
        kind = key[0].replace("_", " ")
        over = cut(name if kind in name else f"{kind} {name}", ID_LETTERS)
        if kind == "lot" and is_known(row["feature_name"]):
            over = cut(f"lot {key[1]} ({name})", ID_LETTERS)
        start, end = case.length(row["start_m"]), case.length(row["end_m"])
        out = start if start == end else f"{start} – {end}"
        if key[0] == "power" and key[1] in beside and row["clearance_basis"] == "none":
            rows.append((letters.get(key, NONE), *_beside(over, beside[key[1]], out)))
            continue
        if row["is_near_miss"]:
            over = f"{over}, {case.length(row['distance_m'])} aside in plan"
        rows.append((letters.get(key, NONE), over, out, *_clearance(case, row)))
    left = len(shown) - MOST_CROSSINGS
    if left > 0:
        rows.append((NONE, f"and {left} more: see the plan's crossings", *[NONE] * 5))
    rows += _run_rows(case)
    drop = case.drop
    if str(drop["margin_over"]) == "yard" and is_known(drop["margin_available_m"]):
        end_words = at_an_end(case)
        over = (
            f"{YARD_WORDS}, at {end_words} itself" if end_words else f"{YARD_WORDS}, lowest place"
        )
        rows.append(
            (
                NONE,
                over,
                case.length(least_at(case)),
                case.length(drop["margin_required_m"]),
                case.length(drop["margin_available_m"]),
                margin(float(drop["margin_m"]), case.units),
                _along_drives(case) or _rule(drop["margin_rule"]),
            )
        )
    return rows


def _along_drives(case: DropCase) -> str:
    """Tell to look where the yard's clearance is that along a driveway; empty: it isn't."""
    names = [words.partition(", ")[0] for words in listed(case.job, "drives_beside")]
    return f"LOOK: along {in_a_row(names)}: see back" if names else ""


def _each_line_once(crossings: Sequence[Row], beside: Mapping[str, str]) -> list[Row]:
    """Leave out what tells of a power line again whose least distance beside the wire is known."""
    seen: set[str] = set()
    shown = []
    for row in crossings:
        name = str(row["feature_id"])
        is_beside = str(row["crossing_kind"]) == "power" and row["clearance_basis"] == "none"
        if is_beside and name in beside and name in seen:
            continue
        seen |= {name} if is_beside else set()
        shown.append(row)
    return shown


BESIDE = re.compile(
    r"[^,]+, (?P<there>[^(,]+?)(?: \((?P<out>.+?) out from [^)]*\))?, (?P<asked>.+)"
)
"""How the words on a line beside the wire tell its distance, where it is, and what is asked."""


def _beside(over: str, words: str, out: str) -> tuple[str, ...]:
    """Return the row of a power line that the wire passes: the approach distance, and what is."""
    told = BESIDE.fullmatch(words)
    if told is None:
        return f"{over}, beside", out, NONE, NONE, NONE, NO_CLEARANCE["power"]
    asked = told["asked"].removesuffix(" asked")
    return f"{over}, beside", told["out"] or out, asked, told["there"], NONE, LIVE


LIVE = "approach distance; LIVE: see back"


def _run_rows(case: DropCase) -> list[tuple[str, ...]]:
    """Return a row for each road below the strand run.

    ``run_asked_m`` of the job is the height that the rules ask for over them, m.
    """
    asked_m: Any = case.job.get("run_asked_m")
    asked = case.length(float(asked_m)) if is_known(asked_m) else NONE
    return [
        (NONE, cut(f"strand run over {road}", ID_LETTERS), NONE, asked, NONE, NONE, RUN_UNKNOWN)
        for road in listed(case.job, "run_roads")
    ]


RUN_UNKNOWN = "NOT WORKED OUT: measure below the strand"


def _clearance(case: DropCase, row: Row) -> tuple[str, str, str, str]:
    if row["clearance_basis"] == "not_checked":
        note = row["clearance_note"]
        why = f": {cut(_brief(str(note)), TEXT_LETTERS)}" if is_known(note) else ""
        return NONE, NONE, NONE, f"NOT CHECKED{why}"
    if row["clearance_basis"] == "none":
        return NONE, NONE, NONE, NO_CLEARANCE.get(str(row["crossing_kind"]), LOOK)
    return (
        case.length(row["required_m"]),
        case.length(row["available_m"]),
        margin(float(row["margin_m"]), case.units),
        _rule(row["rule"]),
    )


BRIEF = {
    "heights of both wires where they cross are not compared": "heights of both wires not compared",
    "heights of both drops where they cross are not compared": "heights of both drops not compared",
    "room beside a building is not compared": "room beside it not compared",
}
"""Notes of the plan, and what is printed for them so that a row keeps to one line."""


def _brief(note: str) -> str:
    for long, short in BRIEF.items():
        note = note.replace(long, short)
    return note


def _rule(rule: object) -> str:
    """Return a rule in short forms, with a mark for how it was read."""
    if not is_known(rule):
        return "rule not recorded"
    words = short_rule(str(rule))
    for status, mark in MARKS.items():
        words = words.replace(status, mark)
    return cut(words, RULE_LETTERS)


def rule_key_of(crossings: Sequence[tuple[str, ...]]) -> str:
    """Return what the short forms in a table of crossings mean; empty where none is used."""
    rules = [row[-1] for row in crossings]
    return " ".join(
        words
        for short, words in RULE_KEY.items()
        if any(rule.startswith(short) or rule.endswith(short) for rule in rules)
    )


def stringing_of(rows: Sequence[Row], case: DropCase) -> list[tuple[str, list[tuple[str, bool]]]]:
    """Return sag and pull by temperature; True marks the stringing temperature.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of ``stringing`` of the drop.
    case : DropCase
        The drop.

    Returns
    -------
    list of (str, list of (str, bool))
        Heads and cells: temperature, sag, pull; the height of the wire above what lies below at
        the place of the least margin; for a ladder on the strand two lines more. Lines that were
        not worked out are left out.
    """
    units = case.units
    at = float(case.drop["stringing_temperature_c"])
    now = [abs(float(row["temperature_c"]) - at) < 0.01 for row in rows]
    lines = [("temperature", "At", "temperature_c"), ("sag", "Sag", "sag_m"),
             ("force", "Pull", "tension_n")]  # fmt: skip
    if has_ladder(case) and any(is_known(row.get("ladder_sag_m")) for row in rows):
        lines += [("sag", "Ladder on: sag", "ladder_sag_m"),
                  ("force", "Ladder on: pull", "ladder_tension_n")]  # fmt: skip
    if any(is_known(row.get(HEIGHT)) for row in rows):
        over = str(case.drop["margin_over"]).split()[0]
        lines.insert(3, ("length", f"Height, {over}", HEIGHT))
    table = []
    for quantity, head, column in lines:
        values = [float(row[column]) if is_known(row[column]) else math.nan for row in rows]
        cells = length_cells(values, quantity, units)
        unit = report_unit(quantity, units).unit
        table.append((f"{head}, {unit}", list(zip(cells, now, strict=True))))
    return table


HEIGHT = "height_there_m"


def stringing_key(table: Sequence[tuple[str, list[tuple[str, bool]]]]) -> str:
    """Say what a cell without a figure means; empty where all have one."""
    if any(cell == NOT_THEN for _, cells in table for cell, _ in cells):
        return f"{NOT_THEN}: do not string at this temperature; the wire would pass its limit."
    return ""


def stringing_notes(
    table: Sequence[tuple[str, list[tuple[str, bool]]]], case: DropCase, limits: str
) -> str:
    """Say where the height of the table is measured, and which limit of pull holds when.

    Parameters
    ----------
    table : sequence of (str, list of (str, bool))
        As `stringing_of` makes it.
    case : DropCase
        The drop.
    limits : str
        Each limit of pull with its load case.

    Returns
    -------
    str
        Sentences for small print.
    """
    words = []
    if any(head.startswith("Height") for head, _ in table):
        start = "clamp" if case.is_from_clamp else "hook"
        out = case.length(least_at(case))
        end = at_an_end(case)
        at = f"at {end}" if end else f"{out} from the {start}"
        over = str(case.drop["margin_over"]).split()[0]
        gone = ", ladder gone" if has_ladder(case) else ""
        words.append(f"Height: wire over the {over} {at}{gone}.")
    if limits:
        words.append(f"Limits of pull: {limits}; no other.")
    return " ".join(words)


def stringing_head(case: DropCase) -> str:
    """Return the heading of the stringing table."""
    return "Stringing: sag to leave, ladder gone" if has_ladder(case) else "Stringing: sag to leave"


def profile_legend(case: DropCase, envelopes: list[Envelope]) -> str:
    """Say what the marks of the profile are; only of those that it has."""
    words = ["Thick: wire as strung. Dashes: wire at its worst sag."]
    if any(item.kind != "power" and is_known(item.required_m) for item in envelopes):
        words.append("Grey: to be kept clear, to the height asked.")
    words.append("Fine dots: height asked over the yard.")
    if envelopes:
        words.append("Numbers: table below.")
    return " ".join(words)
