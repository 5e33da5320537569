"""What each sheet says: words and figures, ready for the page.

Enters: a `Plan` with its work, drops in order.
Leaves: one `dict` of texts per sheet; every figure is one of the plan's, rounded.
Does not do: compute; markup (the page puts each text in as text); draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.hanging import LADDER_WORDS
from geoplan.reports.caution import CAUTION, CAUTION_LINE
from geoplan.reports.clearances import describe_rules
from geoplan.reports.frames import cut
from geoplan.units import ReportUnits, for_report, report_unit, say
from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.profiles import Envelope
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps

IntArray = npt.NDArray[np.int64]

TITLE_LETTERS, ID_LETTERS, TEXT_LETTERS, RULE_LETTERS = 44, 40, 240, 54
MATERIAL_LETTERS = 64
MOST_HAZARDS, MOST_CROSSINGS, MOST_CHECKS = 10, 9, 14
"""Longest lists on a sheet; what is left out is counted on it, and the plan's tables have it."""

JOB_WORDS = {
    "same_side": "Same side",
    "span_clamp": "Span clamp",
    "street_crossing": "Across a street",
    "street_crossing_span_clamp": "Street, span clamp",
}
ROUTE_WORDS = {
    "direct": "direct",
    "span_clamp": "span clamp",
    "other_pole": "other pole",
    "other_pole_span_clamp": "other pole, span clamp",
}


@dataclass(frozen=True)
class ByAddress:
    """Rows of a table by address, found without a look at the rest of it."""

    frame: pd.DataFrame
    ids: npt.NDArray[np.object_]

    @classmethod
    def of(cls, frame: pd.DataFrame | None) -> ByAddress:
        """Make ready a table; None has no rows."""
        if frame is None:
            return cls(pd.DataFrame(), np.empty(0, dtype=object))
        plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
        plain = plain.sort_values("address_id", kind="stable", ignore_index=True)
        return cls(plain, plain["address_id"].to_numpy(dtype=object))

    def some(self, address_id: str) -> pd.DataFrame:
        """Return the rows of an address as a frame."""
        low = int(np.searchsorted(self.ids, address_id))
        high = int(np.searchsorted(self.ids, address_id, side="right"))
        return self.frame.iloc[low:high]

    def rows(self, address_id: str) -> list[dict[Any, Any]]:
        """Return the rows of an address."""
        return self.some(address_id).to_dict("records")


def length_cells(values: list[float], quantity: str, units: ReportUnits) -> list[str]:
    """Write figures of one quantity without their unit."""
    shown = report_unit(quantity, units)
    figures = [round(float(for_report(v, quantity, units)), shown.decimals) for v in values]
    return [f"{figure + 0.0:.{shown.decimals}f}" for figure in figures]  # no -0


def _people(count: int) -> str:
    return "ONE PERSON" if count == 1 else f"{count} PEOPLE"


def _ladder(case: DropCase) -> str:
    if not case.is_from_clamp:
        return "Ladder at the pole"
    if case.job["is_bucket_job"]:
        return "BUCKET: no ladder"
    return "Ladder on the strand"


def _kinds(case: DropCase) -> list[tuple[str, str]]:
    job = case.job
    traffic = str(job["traffic_class"]).replace("_", " ")
    kinds = [
        ("Job", JOB_WORDS[str(job["job_kind"])]),
        ("Who", _people(int(job["crew_size"]))),
        ("Traffic control", "none" if traffic == "none" else traffic.upper()),
        ("Reach", _ladder(case)),
    ]
    if job["is_owner_permit_needed"]:
        kinds.append(("Permit", "OWNER MUST AGREE"))
    return kinds


def _big(case: DropCase) -> list[list[tuple[str, str]]]:
    drop, job = case.drop, case.job
    first, last = int(job["first_port"]), int(job["last_port"])
    ports = str(first) if first == last else f"{first}–{last}"
    at = case.temperature(drop["stringing_temperature_c"])
    third = ("Least clearance there / asked", _least(case))
    if case.is_from_clamp:
        third = ("Sag, ladder on the strand", _ladder_sag(case))
    start = "Clamp" if case.is_from_clamp else "Hook"
    return [
        [
            (f"{start}, above ground", case.length(drop["hook_height_m"])),
            ("House, above ground", case.length(drop["attachment_height_m"])),
            (f"Sag to leave at {at}", case.sag(drop["stringing_sag_m"])),
            third,
        ],
        [
            ("Terminal", cut(drop["terminal_id"], 16)),
            ("Port", ports),
            ("Length to cut" if job["supply"] == "bulk" else "Stocked length to take",
             case.length(job["cut_length_m"])),
            ("Hand line, at least", case.length(job["hand_line_m"])),
        ],
    ]  # fmt: skip


def _ladder_sag(case: DropCase) -> str:
    if case.job["is_bucket_job"]:
        return "no ladder"
    sag = case.drop["ladder_sag_m"]
    return case.sag(sag) if is_known(sag) else "not known"


def _least(case: DropCase) -> str:
    drop = case.drop
    if not is_known(drop["margin_available_m"]):
        return "not checked"
    there = length_cells([drop["margin_available_m"]], "length", case.units)[0]
    return f"{there} / {case.length(drop['margin_required_m'])}"


def _figures(case: DropCase) -> list[tuple[str, str]]:
    drop, job = case.drop, case.job
    rows = [
        ("Route", ROUTE_WORDS.get(str(drop["route_kind"]), str(drop["route_kind"]))),
        ("Leaves from pole", cut(drop["access_pole_id"], ID_LETTERS)),
        ("Air span, level", case.length(drop["air_span_m"])),
    ]
    if case.is_from_clamp:
        rows.append(("Clamp from pole", case.length(drop["clamp_at_m"])))
    if float(drop["strand_run_m"]) > 0.0:
        rows.append(("Along strand", case.length(drop["strand_run_m"])))
    rows += [
        ("Wire: hanging", case.length(job["air_arc_m"])),
        ("Wire: building run", case.length(job["building_run_m"])),
        ("Wire: on the strand", case.length(job["strand_wire_m"])),
        ("Wire: at the pole", case.length(job["pole_run_m"])),
        ("Wire: loops, connections", case.length(job["loops_m"])),
        ("Wire in all", case.length(job["wire_m"])),
        (f"Cut ({str(job['supply']).replace('_', '-')})", case.length(job["cut_length_m"])),
    ]
    if is_known(job["coil_m"]) and float(job["coil_m"]) > 0.0:
        rows.append(("Coiled up", case.length(job["coil_m"])))
    if case.is_over_street:
        rows += [
            ("Hand line, house side", case.length(job["hand_line_house_m"])),
            ("Wire out before raising", case.length(job["ground_path_m"])),
        ]
    rows += [
        ("Worst sag", case.sag(drop["sag_worst_m"])),
        ("Least margin", case.sag(drop["margin_m"])),
        ("Clearance there", case.length(drop["margin_available_m"])),
        ("Clearance asked there", case.length(drop["margin_required_m"])),
        ("Worst pull", say(drop["tension_worst_n"], "force", case.units)),
        ("Its limit", say(drop["tension_limit_n"], "force", case.units)),
        ("Time on site", say(job["work_s"], "duration", case.units)),
    ]
    return rows


def _with_ladder(case: DropCase) -> str:
    drop = case.drop
    if not case.is_from_clamp:
        return ""
    if case.job["is_bucket_job"]:
        why = str(drop["strand_ladder"])
        reason = LADDER_WORDS.get(why, why.replace("_", " ")) if is_known(why) else "not checked"
        return f"No ladder on the strand ({reason}): string to the table, from a bucket."
    if not is_known(drop["ladder_sag_m"]):
        return "Sag with the ladder on the strand: not worked out. Check the table with it gone."
    words = [
        f"With the ladder on the strand: sag {case.sag(drop['ladder_sag_m'])}; the clamp stands"
        f" {_moved(case, drop['ladder_shift_m'])}.",
        f"Ladder gone: sag {case.sag(drop['stringing_sag_m'])}; the clamp stands"
        f" {_moved(case, drop['clamp_shift_m'])}"
        f" and {case.sag(abs(drop['clamp_sink_m']))}"
        f" {'higher' if drop['clamp_sink_m'] < 0.0 else 'lower'}"
        " than the empty strand.",
    ]
    return " ".join(words)


def _moved(case: DropCase, metres: float) -> str:
    if not is_known(metres):
        return "an unknown way off"
    side = "house" if metres >= 0.0 else "street"
    return f"{case.sag(abs(metres))} toward the {side}"


CROSSING_HEADS = ("", "Over", "From – to", "Asked", "There", "Margin", "Rule")


def _crossings(case: DropCase, envelopes: list[Envelope]) -> list[tuple[str, ...]]:
    letters = {(e.kind, e.feature_id, e.start_m): e.letter for e in envelopes}
    rows: list[tuple[str, ...]] = []
    for row in case.crossings[:MOST_CROSSINGS]:
        key = str(row["crossing_kind"]), str(row["feature_id"]), float(row["start_m"])
        name = feature_name(row)
        kind = key[0].replace("_", " ")
        over = cut(name if kind in name else f"{kind} {name}", ID_LETTERS)
        if row["is_near_miss"]:
            over = f"{over}, {case.length(row['distance_m'])} aside"
        rows.append(
            (
                letters.get(key, ""),
                over,
                f"{case.length(row['start_m'])} – {case.length(row['end_m'])}",
                *_clearance(case, row),
            )
        )
    left = len(case.crossings) - MOST_CROSSINGS
    if left > 0:
        rows.append(("", f"and {left} more: see the plan's crossings", *[""] * 5))
    return rows


def _clearance(case: DropCase, row: Row) -> tuple[str, str, str, str]:
    if row["clearance_basis"] == "not_checked":
        note = row["clearance_note"]
        why = f": {cut(note, RULE_LETTERS)}" if is_known(note) else ""
        return "–", "–", "–", f"NOT CHECKED{why}"
    if row["clearance_basis"] == "none":
        return "–", "–", "–", "nothing to clear"
    rule = _short_rule(str(row["rule"])) if is_known(row["rule"]) else "rule not recorded"
    return (
        case.length(row["required_m"]),
        case.length(row["available_m"]),
        case.sag(row["margin_m"]),
        rule,
    )


def _short_rule(rule: str) -> str:
    """Cut a rule to one line; how it was read stands at its end and stays."""
    place, mark, status = rule.rpartition("; ")
    return f"{cut(place, RULE_LETTERS - len(status))}{mark}{status}" if mark else cut(rule)


def _stringing(rows: Sequence[Row], case: DropCase) -> list[tuple[str, list[tuple[str, bool]]]]:
    units = case.units
    at = float(case.drop["stringing_temperature_c"])
    now = [abs(float(row["temperature_c"]) - at) < 0.01 for row in rows]
    table = []
    for quantity, column in (("temperature", "temperature_c"), ("sag", "sag_m"),
                             ("force", "tension_n")):  # fmt: skip
        head = {"temperature": "At", "sag": "Sag", "force": "Pull"}[quantity]
        cells = length_cells([float(row[column]) for row in rows], quantity, units)
        unit = report_unit(quantity, units).unit
        table.append((f"{head}, {unit}", list(zip(cells, now, strict=True))))
    return table


def _crew(case: DropCase) -> list[tuple[str, str]]:
    job = case.job
    crew = _people(int(job["crew_size"]))
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


def _signs(case: DropCase) -> list[tuple[str, str]]:
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


def _hazards(case: DropCase) -> list[tuple[str, str, str]]:
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


def _built(case: DropCase) -> list[list[str]]:
    start = "Clamp height" if case.is_from_clamp else "Hook height"
    return [
        ["Date", "Crew", "Temperature", "Port used"],
        [start, "House height", "Sag left, ladder gone", "Wire cut"],
        ["Lowest clearance, over what", "Length between supports", "Reel, left on it", "Signed"],
        ["What differs from this sheet, and why"],
    ]


@dataclass(frozen=True)
class Common:
    """What all sheets of a run share."""

    project: str
    units: ReportUnits
    rules: str
    not_checked: str
    wire_words: str
    count: int
    """Sheets in all."""


def common_texts(plan: Any, wire_words: str, count: int) -> Common:
    """Gather what all sheets share.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    wire_words : str
        How sure the wire's figures are.
    count : int
        Sheets in all.

    Returns
    -------
    Common
        Texts.
    """
    unchecked = " ".join(f"{words}." for words in plan.unchecked)
    return Common(
        cut(plan.project.name, TITLE_LETTERS),
        plan.project.units,
        describe_rules(plan),
        unchecked,
        wire_words,
        count,
    )


def sheet_texts(
    number: int,
    case: DropCase,
    envelopes: list[Envelope],
    stringing: Sequence[Row],
    materials: Sequence[Row],
    cuts: Sequence[Row],
    findings: dict[tuple[str, str], list[str]],
    common: Common,
) -> dict[str, Any]:
    """Return the texts of one sheet.

    Parameters
    ----------
    number : int
        Number of the sheet in the run, from 1.
    case : DropCase
        The drop.
    envelopes : list of Envelope
        What its profile shows, with letters.
    stringing, materials, cuts : sequence of mapping
        Its rows of ``stringing``, ``drop_materials``, ``reel_cuts``.
    findings : dict
        As in `build_site_checks`.
    common : Common
        What all sheets share.

    Returns
    -------
    dict
        Plain texts and lists of them, by the names that the page uses.
    """
    drop, job = case.drop, case.job
    address_id = str(drop["address_id"])
    shown_id = cut(address_id, ID_LETTERS)
    label = drop["label"]
    title = cut(label if is_known(label) else address_id, TITLE_LETTERS)
    day = job["crew_day_id"]
    checks = build_site_checks(case, findings, common.wire_words)
    more = len(checks) - MOST_CHECKS
    if more > 0:
        checks = [*checks[: MOST_CHECKS - 2], *checks[-2:], f"And {more} more: see the plan."]
    return {
        "number": number,
        "foot": f"Sheet {number} of {common.count} · {shown_id} · {common.project}",
        "title": title,
        "address_id": shown_id,
        "terminal": cut(drop["terminal_id"], ID_LETTERS),
        "project": common.project,
        "day": f"Crew day {day}" if is_known(day) else "On no crew day yet",
        "kinds": _kinds(case),
        "big": _big(case),
        "figures": _figures(case),
        "legend": _legend(case),
        "profile_legend": PROFILE_LEGEND,
        "crossing_heads": CROSSING_HEADS,
        "crossings": _crossings(case, envelopes),
        "stringing": _stringing(stringing, case),
        "with_ladder": _with_ladder(case),
        "checks": [cut(words, TEXT_LETTERS) for words in checks],
        "crew": _crew(case),
        "signs": _signs(case),
        "hazards": _hazards(case),
        "steps": [cut(words, 3 * TEXT_LETTERS) for words in build_steps(case)],
        "reel": _reel(case, cuts),
        "materials": _materials(materials, case.units),
        "built": _built(case),
        "caution_line": CAUTION_LINE,
        "cautions": CAUTION,
        "rules": common.rules,
        "not_checked": common.not_checked,
    }


PROFILE_LEGEND = (
    "Thick: wire as strung. Dashes: wire at its worst sag. Grey: to be kept clear,"
    " to the height asked. Fine dots: height asked over the yard. Letters: table below."
)


def _legend(case: DropCase) -> str:
    marks = {"ladder": "L ladder", "house_ladder": "H ladder at the house", "reel": "R reel",
             "bucket": "B bucket"}  # fmt: skip
    shown = [words for place, words in marks.items() if place in case.places]
    return (
        f"{', '.join(shown)}. Thick: this drop; thick dashes: along the strand. Square: clamp."
        " Dots: strand. Dash-dots: power. Fine dashes: other drops, lots. North: grid."
    )


def _reel(case: DropCase, cuts: Sequence[Row]) -> str:
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


def _materials(rows: Sequence[Row], units: ReportUnits) -> str:
    def amount(row: Row) -> str:
        quantity = f"{float(row['quantity']):.2f}".rstrip("0").rstrip(".")
        unit = str(row["unit"])
        title = cut(row["title"] if is_known(row["title"]) else row["item"], MATERIAL_LETTERS)
        if unit == "m":
            return f"{say(float(row['quantity']), 'length', units)} {title}"
        return f"{quantity} × {title}" if unit == "each" else f"{quantity} {unit} {title}"

    return "; ".join(amount(row) for row in rows)
