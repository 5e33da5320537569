"""What the front of a job sheet says.

Enters: a drop with its job.
Leaves: texts and lists of them; every figure is one of the plan's, rounded.
Does not do: compute; markup; draw.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geoplan.hanging import LADDER_WORDS
from geoplan.reports.frames import cut
from geoplan.reports.sheets.front_tables import has_ladder, length_cells, not_worked_out
from geoplan.reports.sheets.hang_boxes import order_boxes
from geoplan.reports.sheets.wording import (
    ID_LETTERS,
    JOB_WORDS,
    MOST_ALERTS,
    ROUTE_WORDS,
    amount,
    at_an_end,
    flaggers_of,
    listed,
    margin,
    people_words,
    plain,
)
from geoplan.work.drop_case import DropCase, Row, is_known
from geoplan.work.holds import unheld, within_swing
from geoplan.work.site_words import is_closed


@dataclass(frozen=True)
class Clamp:
    """Where a span clamp is, from both poles of its span."""

    near_pole: str
    near_m: float
    far_pole: str
    far_m: float


def _ladder(case: DropCase) -> str:
    if case.job["is_bucket_job"] and case.is_from_clamp:
        return "BUCKET: no ladder"
    words = "Ladder on the strand" if case.is_from_clamp else "Ladder at the pole"
    if case.job.get("is_run_bucket"):
        return f"{words}; BUCKET for the run"
    return words


def _traffic(case: DropCase) -> str:
    """Name the traffic control, that of the strand run too where it is another."""
    if is_closed(case):
        return "ROAD CLOSED"
    classes = [
        str(case.job[column]).replace("_", " ").upper()
        for column in ("traffic_class", "run_traffic_class")
        if is_known(case.job.get(column)) and str(case.job[column]) != "none"
    ]
    if len(classes) == 2 and classes[0] != classes[1]:
        return f"{classes[0]}; RUN: {classes[1]}"
    return classes[0] if classes else "none"


def kinds_of(case: DropCase, flaggers: int) -> list[tuple[str, str]]:
    """Name the job, who does it, the traffic control and how the strand is reached.

    Parameters
    ----------
    case : DropCase
        The drop.
    flaggers : int
        Flaggers by the crew rules, where the job needs any.

    Returns
    -------
    list of (str, str)
        Names of boxes and what stands in them.
    """
    job = case.job
    traffic = _traffic(case)
    kinds = [
        ("Job", JOB_WORDS[str(job["job_kind"])]),
        ("Who", people_words(int(job["crew_size"]), flaggers_of(case, flaggers))),
        ("Traffic control", traffic),
        ("Reach", _ladder(case)),
    ]
    if job["is_owner_permit_needed"]:
        kinds.append(("Permit", "OWNER MUST AGREE"))
    return kinds


SEE_BACK = ": see back"
LOOK_LETTERS = 160


def alerts_of(case: DropCase) -> list[tuple[str, str]]:
    """Return what must be seen before anybody reads on: stops, power, roads, poles.

    Parameters
    ----------
    case : DropCase
        The drop.

    Returns
    -------
    list of (str, str)
        At most `MOST_ALERTS` names of boxes with words, the gravest first; the last box has what
        is left, and that more of it is on the back.
    """
    job, drop = case.job, case.drop
    alerts = [("STOP", f"{cut(words, ID_LETTERS)}: see back") for words in stops_of(case)]
    beside = _beside(case)
    if beside:
        alerts.append(("STOP", f"wire may touch building {cut(beside, ID_LETTERS)}: see back"))
    power = _power_box(case)
    if power:
        alerts.append(("Power", power))
    alerts += order_boxes(case)
    poor = listed(job, "poor_poles")
    if poor:
        alerts.append(("POOR POLE", f"{cut(', '.join(poor), ID_LETTERS)}: see back"))
    roads = listed(job, "run_roads")
    if roads:
        alerts.append(("Strand run", f"OVER {cut(' and '.join(roads), ID_LETTERS)}"))
    unchecked, side_roads = _unchecked(case), unheld(case)
    if unchecked:
        alerts.append(("NOT WORKED OUT", f"clearance at {cut(unchecked, ID_LETTERS)}"))
    if side_roads:
        names = cut(" and ".join(side_roads), ID_LETTERS)
        alerts.append(("NOT WORKED OUT", f"control of {names}: see back"))
    pole = str(drop["access_pole_id"])
    if pole != str(drop["terminal_id"]):
        what = "Clamp from pole" if case.is_from_clamp else "Hook on pole"
        alerts.append((what, f"{cut(pole, 16)}, not the terminal's"))
    if listed(job, "near_rail"):
        alerts.append(("RAILWAY", "near: owner's leave first"))
    if len(alerts) > MOST_ALERTS:
        told = [f"{name}: {words}" for name, words in alerts[MOST_ALERTS - 1 :]]
        left = "; ".join(words.removesuffix(SEE_BACK) for words in told)
        alerts = [*alerts[: MOST_ALERTS - 1], ("LOOK", f"{cut(left, LOOK_LETTERS)}{SEE_BACK}")]
    return alerts


def stops_of(case: DropCase) -> list[str]:
    """Return the flags that forbid a start until somebody has judged them."""
    return [plain(row["what"]) for row in case.hazards if row["severity"] == "error"]


def _unchecked(case: DropCase) -> str:
    """Name other wires and pools whose clearance was not worked out; empty: none."""
    words = {"existing_drop": "drop", "planned_drop": "drop", "pool": "pool"}
    named = [
        f"{words[str(row['crossing_kind'])]} {row['feature_id']}"
        for row in case.crossings
        if str(row["crossing_kind"]) in words and row["clearance_basis"] != "computed"
    ]
    named += [words.partition(", ")[0] for words in listed(case.job, "strands_met")]
    return ", ".join(dict.fromkeys(named))


def _beside(case: DropCase) -> str:
    """Name the buildings within the wire's swing, with how near it passes; empty: none."""
    return ", ".join(
        f"{row['feature_id']}, {case.length(row['distance_m'])} aside"
        if is_known(row["distance_m"])
        else str(row["feature_id"])
        for row in within_swing(case)
    )


def _power_box(case: DropCase) -> str:
    """Return the words of the box on power; empty where none is near."""
    job = case.job
    lines = listed(job, "power_lines")  # the greatest distance first
    keep = lines[0].rpartition(": ")[2] if lines else ""
    if not keep and is_known(job["power_approach_m"]):
        keep = f"keep {case.length(job['power_approach_m'])} away"
    state = {"within": "WITHIN APPROACH DISTANCE", "not_checked": "NOT CHECKED"}.get(
        str(job["power_approach"]), ""
    )
    asked = OF_NOTE.match(str(job["power_approach_note"])) if state else None
    if asked is not None:
        return f"{state}: {cut(asked['name'], ID_LETTERS)}, {asked['asked']} asked"
    if not (state or keep) and listed(job, "run_power"):
        return "along the strand run"
    return ", ".join(part for part in (state, keep) if part)


OF_NOTE = re.compile(r"(?P<name>[^,;]+), [^;]*?: (?P<asked>[^,;]+) asked for")
"""How a note on power tells the line that falls shortest, and what is asked of it."""


def big_of(case: DropCase) -> list[list[tuple[str, str]]]:
    """Return the figures that count on a ladder: two rows of as many.

    A fifth of each where a ladder leans on the strand and the wire goes over a street: both the
    sag to set then and the clearance count there.
    """
    drop, job = case.drop, case.job
    first, last = int(job["first_port"]), int(job["last_port"])
    ports = str(first) if first == last else f"{first}–{last}"
    at = case.temperature(drop["stringing_temperature_c"])
    least = [(_least_words(case), _least(case))]
    with_ladder: list[tuple[str, str]] = []
    more: list[tuple[str, str]] = []
    if case.is_from_clamp and not job["is_bucket_job"]:
        with_ladder = [("Sag, ladder on strand", _ladder_sag(case))]
        if case.is_over_street:
            more = [("Wire out before raising", case.length(job["ground_path_m"]))]
        else:
            least = []
    start = "Clamp" if case.is_from_clamp else "Hook"
    return [
        [
            (f"{start}, above ground", case.length(drop["hook_height_m"])),
            ("House, above ground", case.length(drop["attachment_height_m"])),
            (f"Sag to leave at {at}", case.sag(drop["stringing_sag_m"])),
            *with_ladder,
            *least,
        ],
        [
            ("Terminal", cut(drop["terminal_id"], 16)),
            ("Port", ports),
            ("Length to cut" if job["supply"] == "bulk" else "Stocked length to take",
             case.length(job["cut_length_m"])),
            ("Hand line, at least", case.length(job["hand_line_m"])),
            *more,
        ],
    ]  # fmt: skip


def _ladder_sag(case: DropCase) -> str:
    sag = case.drop["ladder_sag_m"]
    return case.sag(sag) if is_known(sag) else "not known"


def _least_words(case: DropCase) -> str:
    """Name the least clearance by where it is, and by what was left out."""
    if not_worked_out(case):
        return "Least of the checked / asked"
    if str(case.drop["margin_over"]).startswith("roof "):
        return "Least over roof / asked"
    end = at_an_end(case).rpartition("the ")[2].removesuffix(" attachment")
    return f"Least, at the {end} / asked" if end else "Least clearance / asked"


def _least(case: DropCase) -> str:
    drop = case.drop
    if not is_known(drop["margin_available_m"]):
        return "not checked"
    there = length_cells([drop["margin_available_m"]], "length", case.units)[0]
    return f"{there} / {case.length(drop['margin_required_m'])}"


def figures_of(
    case: DropCase, clamp: Clamp | None, load_cases: Mapping[str, str]
) -> list[tuple[str, str]]:
    """Return the lesser figures of the front.

    Parameters
    ----------
    case : DropCase
        The drop.
    clamp : Clamp or None
        Where its span clamp is, from both poles; None without one.
    load_cases : mapping of str to str
        Words for load cases, by name.

    Returns
    -------
    list of (str, str)
        Labels and figures. Parts of the wire of no length are left out.
    """
    drop, job = case.drop, case.job
    rows = [
        ("Route", ROUTE_WORDS.get(str(drop["route_kind"]), str(drop["route_kind"]))),
        ("Leaves from pole", cut(drop["access_pole_id"], ID_LETTERS)),
        ("Air span, level", case.length(drop["air_span_m"])),
        *_clamp_rows(case, clamp),
    ]
    if not float(drop["strand_run_m"]) <= 0.0:  # one that is not known is told as such
        rows.append(("Along strand", case.length(drop["strand_run_m"])))
    parts = (
        ("Wire: hanging", "air_arc_m"),
        ("Wire: building run", "building_run_m"),
        ("Wire: on the strand", "strand_wire_m"),
        ("Wire: at the pole", "pole_run_m"),
        ("Wire: loops, connections", "loops_m"),
    )
    rows += [(name, case.length(job[part])) for name, part in parts if not _is_nothing(job[part])]
    rows.append(("Wire in all", case.length(job["wire_m"])))
    if is_known(job["coil_m"]) and float(job["coil_m"]) > 0.0:
        rows.append(("Coiled up", case.length(job["coil_m"])))
    if case.is_over_street:
        rows += [
            ("Hand line, house side", case.length(job["hand_line_house_m"])),
            ("Wire out before raising", case.length(job["ground_path_m"])),
        ]
    rows += [
        (_in_case("Worst sag", drop["sag_worst_case"], load_cases),
         case.sag(drop["sag_worst_m"])),
        ("Least margin", margin(float(drop["margin_m"]), case.units)),
        ("Clearance there / asked", _least(case)),
        (_tightest_words(case), _of_limit(case)),
    ]  # fmt: skip
    pull: Any = drop.get("ladder_tension_n")
    if is_known(pull) and has_ladder(case):
        rows.append(("Pull, ladder on the strand", amount(float(pull), "force", case.units)))
    rows.append(("Time on site", amount(job["work_s"], "duration", case.units)))
    return rows


def _tightest_words(case: DropCase) -> str:
    """Name the load case in which the pull comes nearest to its own limit."""
    drop, words = case.drop, "Pull nearest its limit"
    if not is_known(drop["tension_case_c"]):
        return words
    load = str(drop["tension_case_load"]).replace(", ", " and ")
    return f"{words}: {case.temperature(drop['tension_case_c'])}, {load}"


def _of_limit(case: DropCase) -> str:
    """Return that pull and its limit, the unit once."""
    names = "tension_worst_n", "tension_limit_n"
    pull, limit = (amount(case.drop[name], "force", case.units) for name in names)
    return f"{pull.split()[0]} of {limit}"


def _clamp_rows(case: DropCase, clamp: Clamp | None) -> list[tuple[str, str]]:
    if clamp is not None:
        both = ((clamp.near_pole, clamp.near_m), (clamp.far_pole, clamp.far_m))
        return [(f"Clamp from {cut(pole, 16)}", case.length(far)) for pole, far in both]
    if case.is_from_clamp:
        return [("Clamp from pole", case.length(case.drop["clamp_at_m"]))]
    return []


def _is_nothing(metres: float) -> bool:
    """Whether a length is known, and none."""
    return is_known(metres) and abs(float(metres)) < NOTHING_M


NOTHING_M = 0.005
"""Lengths of less are printed as none by either system of units."""


def _in_case(words: str, name: object, load_cases: Mapping[str, str]) -> str:
    return f"{words}, {load_cases.get(str(name), str(name))}" if is_known(name) else words


def with_ladder_of(case: DropCase, stringing: Sequence[Row]) -> str:
    """Say how the clamp moves with and without the ladder.

    Parameters
    ----------
    case : DropCase
        The drop.
    stringing : sequence of mapping
        Its rows of ``stringing``.

    Returns
    -------
    str
        Sentences; empty where no clamp is used. Sides come from the signs: positive is toward
        the house.
    """
    drop = case.drop
    if not case.is_from_clamp:
        return ""
    if case.job["is_bucket_job"]:
        why = str(drop["strand_ladder"])
        reason = LADDER_WORDS.get(why, why.replace("_", " ")) if is_known(why) else "not checked"
        return f"No ladder on the strand ({reason}): string to the table, from a bucket."
    if not is_known(drop["ladder_sag_m"]):
        return "Sag with the ladder on the strand: not worked out. Check the table with it gone."
    at = case.temperature(drop["stringing_temperature_c"])
    pull: Any = drop.get("ladder_tension_n")
    pulled = f", pull {amount(float(pull), 'force', case.units)}" if is_known(pull) else ""
    words = [
        f"With the ladder on the strand, at {at}: sag {case.sag(drop['ladder_sag_m'])}{pulled};"
        f" the clamp stands {_moved(case, drop['ladder_shift_m'])}.",
        f"Ladder gone: sag {case.sag(drop['stringing_sag_m'])}; the clamp stands"
        f" {_moved(case, drop['clamp_shift_m'])}"
        f" and {_sunk(case)} than the empty strand.",
        _all_hung(case),
    ]
    if not any(is_known(row.get("ladder_sag_m")) for row in stringing):
        words.append(
            f"The sag with the ladder on holds at {at} only: at another temperature check the sag"
            " by the table, with the ladder gone."
        )
    return " ".join(words)


def _all_hung(case: DropCase) -> str:
    """Say which drops of the strand span the figures count on."""
    if "span_drops" not in case.job:
        return "All with every planned drop of this span hung."
    others = listed(case.job, "span_drops")
    if not others:
        return "No other drop is planned on this strand span."
    named = cut(", ".join(others), 2 * ID_LETTERS)
    return f"Sag with the ladder gone: with {named} hung too, on the same strand span."


def _sunk(case: DropCase) -> str:
    metres = case.drop["clamp_sink_m"]
    if not is_known(metres):
        return "an unknown way lower or higher"
    return f"{amount(abs(metres), 'sag', case.units)} {'higher' if metres < 0.0 else 'lower'}"


def _moved(case: DropCase, metres: float) -> str:
    if not is_known(metres):
        return "an unknown way off"
    off = amount(abs(metres), "sag", case.units)
    if not float(off.split()[0]):
        return "where it was"
    return f"{off} {'toward' if metres > 0.0 else 'away from'} the house"
