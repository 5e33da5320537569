"""Words of job sheets that several of their parts use, and how long texts and lists may be.

Enters: nothing, or a row and texts of the plan.
Leaves: words by code, limits, and texts in shorter words.
Does not do: compute; know what a sheet is made of.
"""

from __future__ import annotations

import math
import re
from typing import Any

from geoplan.layers.defaults import POWER_KINDS
from geoplan.units import ReportUnits, say
from geoplan.work import site_words
from geoplan.work.drop_case import DropCase, Row, is_known

TITLE_LETTERS, ID_LETTERS, TEXT_LETTERS, RULE_LETTERS = 44, 40, 240, 110
REASON_LETTERS = 1800
"""Reasons for crew and traffic and words on power: what is not checked stands at their end."""
MATERIAL_LETTERS, CHECK_LETTERS, STEP_LETTERS = 64, 900, 1800
MOST_HAZARDS, MOST_CROSSINGS, MOST_CHECKS, MOST_ALERTS = 12, 9, 14, 4
"""Longest lists on a sheet; what is left out is counted on it, and the plan's tables have it."""

FEET_FROM_M = 3 * 0.3048
"""Margins above this are told as lengths; in inches nobody can picture them."""

JOB_WORDS = {
    "same_side": "Same side",
    "span_clamp": "Span clamp",
    "street_crossing": "Across a street",
    "street_crossing_span_clamp": "Street, span clamp",
}
at_an_end = site_words.at_an_end
"""Steps and tables name the same end."""
least_at = site_words.least_at
"""So with the place."""

ROUTE_WORDS = {
    "direct": "direct",
    "span_clamp": "span clamp",
    "other_pole": "other pole",
    "other_pole_span_clamp": "other pole, span clamp",
}

RULE_WORDS = {
    "National Electrical Safety Code (ANSI C2), ": "NESC ",
    "National Electrical Code (NFPA 70), ": "NEC ",
    "Manual on Uniform Traffic Control Devices (MUTCD), ": "MUTCD ",
    " (as quoted, edition not stated)": "",
    "; secondary": " (as quoted elsewhere)",
    ", column 1,": ", col. 1,",
}
"""Long names of documents as the rule sets have them, and what is printed for them."""
MARKS = {" (as quoted elsewhere)": " *", "; from memory": " **"}
"""How a rule was read, and its mark in a table with a key."""

RULE_KEY = {
    "NESC ": "NESC: National Electrical Safety Code, ANSI C2.",
    "NEC ": "NEC: National Electrical Code, NFPA 70.",
    "MUTCD ": "MUTCD: Manual on Uniform Traffic Control Devices.",
    " *": "*: as quoted elsewhere, not read at its source.",
    " **": "**: from memory, not looked up.",
}
"""What stands in small print where a short form is used."""

NUMBER_WORDS = ("nobody", "one", "two", "three", "four", "five", "six")
"""Words that the reasons for a crew begin with."""


def people_words(count: int, flaggers: int = 0) -> str:
    """Say how many people, flaggers counted apart."""
    crew = "ONE PERSON" if count == 1 else f"{count} PEOPLE"
    if flaggers < 1:
        return crew
    return f"{crew} + {flaggers} FLAGGER{'S' if flaggers > 1 else ''}"


def flaggers_of(case: DropCase, usual: int) -> int:
    """Return the flaggers besides the crew: those counted for the drop, else the usual number."""
    job = case.job
    counted: Any = job.get("flaggers")
    if is_known(counted):
        return int(counted)
    return usual if "flaggers" in {job["traffic_class"], job.get("run_traffic_class")} else 0


def short_rule(words: str) -> str:
    """Return a text with the long names of documents in their short forms."""
    for long, short in RULE_WORDS.items():
        words = words.replace(long, short)
    return words


def listed(row: Row, column: str) -> list[str]:
    """Return the parts of a column that is split by ';'; none where it is empty or not there."""
    value = row.get(column)
    return (
        [part.strip() for part in str(value).split(";") if part.strip()] if is_known(value) else []
    )


def amount(value: float, quantity: str, units: ReportUnits) -> str:
    """Write a figure with its unit, without a minus before a zero."""
    words = say(float(value), quantity, units)
    return words[1:] if words.startswith("-") and not float(words.split()[0]) else words


def margin(metres: float, units: ReportUnits) -> str:
    """Write a margin: a small one as a sag, a great one as a length."""
    is_great = math.isfinite(metres) and abs(metres) > FEET_FROM_M
    return amount(metres, "length" if is_great else "sag", units)


_VOLTS = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?) V\b")


def power_lines(case: DropCase) -> list[str]:
    """Return each power line by the work in words, the highest voltage first."""

    def volts(line: str) -> float:
        """Return a key by voltage: one that is not known first, a neutral's last."""
        found = _VOLTS.search(line)
        unknown = math.inf if "neutral" in line else -math.inf
        return -float(found.group(1)) if found else unknown

    return [live(line) for line in sorted(listed(case.job, "power_lines"), key=volts)]


def live(words: str) -> str:
    """Return words on power in which no 0 V reads as if a line were dead."""
    words = re.sub(r"\b0 V \(voltage assumed\)", "voltage not known, TREAT AS LIVE", words)
    return re.sub(r"(?<![\d.])0 V\b", "recorded as 0 V, TREAT AS LIVE", words)


def plain(words: object) -> str:
    """Return words of a flag with kinds of power as people write them."""
    told = str(words)
    for kind in POWER_KINDS:
        told = told.replace(kind, kind.replace("_", " "))
    return live(told)
