"""What the front of a job sheet says.

Enters: a drop with its job.
Leaves: texts and lists of them; every figure is one of the plan's, rounded.
Does not do: compute; markup; draw.
"""

from __future__ import annotations

from collections.abc import Sequence

from geoplan.hanging import LADDER_WORDS
from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import (
    ID_LETTERS,
    JOB_WORDS,
    MOST_CROSSINGS,
    ROUTE_WORDS,
    RULE_LETTERS,
    people_words,
)
from geoplan.units import ReportUnits, for_report, report_unit, say
from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.profiles import Envelope


def length_cells(values: list[float], quantity: str, units: ReportUnits) -> list[str]:
    """Write figures of one quantity without their unit."""
    shown = report_unit(quantity, units)
    figures = [round(float(for_report(v, quantity, units)), shown.decimals) for v in values]
    return [f"{figure + 0.0:.{shown.decimals}f}" for figure in figures]  # no -0


def _ladder(case: DropCase) -> str:
    if not case.is_from_clamp:
        return "Ladder at the pole"
    if case.job["is_bucket_job"]:
        return "BUCKET: no ladder"
    return "Ladder on the strand"


def kinds_of(case: DropCase) -> list[tuple[str, str]]:
    """Name the job, who does it, the traffic control and how the strand is reached."""
    job = case.job
    traffic = str(job["traffic_class"]).replace("_", " ")
    kinds = [
        ("Job", JOB_WORDS[str(job["job_kind"])]),
        ("Who", people_words(int(job["crew_size"]))),
        ("Traffic control", "none" if traffic == "none" else traffic.upper()),
        ("Reach", _ladder(case)),
    ]
    if job["is_owner_permit_needed"]:
        kinds.append(("Permit", "OWNER MUST AGREE"))
    return kinds


def big_of(case: DropCase) -> list[list[tuple[str, str]]]:
    """Return the figures that count on a ladder."""
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


def figures_of(case: DropCase) -> list[tuple[str, str]]:
    """Return the lesser figures of the front."""
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


def with_ladder_of(case: DropCase) -> str:
    """Say how the clamp moves with and without the ladder."""
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


def crossings_of(case: DropCase, envelopes: list[Envelope]) -> list[tuple[str, ...]]:
    """Return what the air span passes, with clearances."""
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


def stringing_of(rows: Sequence[Row], case: DropCase) -> list[tuple[str, list[tuple[str, bool]]]]:
    """Return sag and pull by temperature; True marks the stringing temperature."""
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


PROFILE_LEGEND = (
    "Thick: wire as strung. Dashes: wire at its worst sag. Grey: to be kept clear,"
    " to the height asked. Fine dots: height asked over the yard. Letters: table below."
)


def legend_of(case: DropCase) -> str:
    """Say what the marks of the plan drawing are."""
    marks = {"ladder": "L ladder", "house_ladder": "H ladder at the house", "reel": "R reel",
             "bucket": "B bucket"}  # fmt: skip
    shown = [words for place, words in marks.items() if place in case.places]
    return (
        f"{', '.join(shown)}. Thick: this drop; thick dashes: along the strand. Square: clamp."
        " Dots: strand. Dash-dots: power. Fine dashes: other drops, lots. North: grid."
    )
