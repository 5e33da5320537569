"""Words of job sheets that several of their parts use, and how long texts and lists may be.

Enters: nothing.
Leaves: words by code, and limits.
Does not do: make texts.
"""

from __future__ import annotations

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


def people_words(count: int) -> str:
    """Say how many people."""
    return "ONE PERSON" if count == 1 else f"{count} PEOPLE"
