"""What a job may not start without: permits, leave of owners, power and poles to be judged.

Enters: a `DropCase`.
Leaves: `Hold`: what to wait for, and the box in which its name or number is written.
Does not do: get a permit; judge power or poles.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.site_words import in_a_row, parts_of, power_of, roads_over

BLANK = "________"
"""Where a name or number is written."""


@dataclass(frozen=True)
class Hold:
    """One thing to wait for."""

    until: str
    """Goes on after 'Do not start until'."""
    box: str
    """Box to tick, with a place for who judged or allowed it."""


def build_holds(case: DropCase) -> list[Hold]:
    """Gather what a job may not start without.

    Parameters
    ----------
    case : DropCase
        One planned drop.

    Returns
    -------
    list of Hold
        Power first, then poor poles, then what owners and road authorities must allow; empty where
        there is nothing to wait for.

    Notes
    -----
    Every hazard of severity error is one, whatever its code.
    """
    errors = [row for row in case.hazards if row["severity"] == "error"]
    known = ("power_crossing", "rail_crossing", "water_crossing")
    return [
        *_approach(case),
        *_power(case),
        *_others(case, [row for row in errors if row["code"] not in known]),
        *_poor(case),
        *_owners(case),
        *_roads(case),
        *_easements(case),
    ]


def first_part(note: object) -> str:
    """Return what a note on power says before its rule; empty for a null."""
    return str(note).split(";")[0].strip().rstrip(".") if is_known(note) else ""


def _approach(case: DropCase) -> Iterator[Hold]:
    state, note = case.job["power_approach"], first_part(case.job["power_approach_note"])
    told, line = (f": {note}" if note else ""), note.split(",")[0] or "power"
    if state == "within":
        yield Hold(
            f"the owner has made {line} safe or told how to work there (planned WITHIN THE APPROACH"
            " DISTANCE)",
            f"WITHIN THE APPROACH DISTANCE{told}. Made safe or allowed by (name) {BLANK}",
        )
    elif state == "not_checked":
        yield Hold(
            f"the distance to {line} is judged (NOT CHECKED)",
            f"Approach distance to power NOT CHECKED{told}. Judged by (name) {BLANK}",
        )


def _power(case: DropCase) -> Iterator[Hold]:
    rows = case.crossed("power")
    if rows:
        names = in_a_row([str(row["feature_id"]) for row in rows])
        lines = in_a_row([power_of(case, row) for row in rows])
        yield Hold(
            f"power {names} at the wire is judged",
            f"Power met: {lines}. Judged by somebody qualified (name) {BLANK}",
        )


def _others(case: DropCase, rows: list[Row]) -> Iterator[Hold]:
    del case
    for row in rows:
        what = str(row["what"])
        yield Hold(f"this is settled: {what}", f"STOP: {what}. Settled by (name) {BLANK}")


def _poor(case: DropCase) -> Iterator[Hold]:
    poor = parts_of(case.job.get("poor_poles"))
    if poor:
        names = f"pole{'s' if len(poor) > 1 else ''} {in_a_row(poor)}"
        yield Hold(
            f"{names}, recorded in POOR condition, {'are' if len(poor) > 1 else 'is'} judged by the"
            " owner (no ladder, no climb before)",
            f"POOR condition is recorded of {names}: judged by the owner (name) {BLANK}",
        )


def _owners(case: DropCase) -> Iterator[Hold]:
    names = [f"{feature_name(row)} ({row['crossing_kind']})" for row in case.crossed(*OWNED)]
    if not names and case.job["is_owner_permit_needed"]:
        names = [roads_over(case)]
    for name in dict.fromkeys(names):
        yield Hold(
            f"the permit of the owner of {name} is here, and the crew that it asks for",
            f"Owner's permit for {name}: number {BLANK}",
        )


OWNED = ("rail", "water")


def _roads(case: DropCase) -> Iterator[Hold]:
    names = in_a_row([feature_name(row) for row in case.crossed("road")])
    if names:
        yield Hold(f"the permit for {names} is here", f"Permit for {names}: number {BLANK}")


def _easements(case: DropCase) -> Iterator[Hold]:
    lots = in_a_row([_lot(row) for row in case.crossed("lot")])
    if lots:
        yield Hold(f"the easement over {lots} is here", f"Easement over {lots}: number {BLANK}")


def _lot(row: Row) -> str:
    name = row["feature_name"]
    return f"{name} (lot {row['feature_id']})" if is_known(name) else f"lot {row['feature_id']}"
