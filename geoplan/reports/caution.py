"""The caution that every page and file carries that a crew may act on.

Enters: nothing.
Leaves: `CAUTION_LINE` (one line), `CAUTION` (the full text, sentence by sentence), and
`CAUTION_SHEET` (the same in fewer words, for a page where every line counts).
Does not do: decide what a plan left unchecked; that is ``Plan.unchecked``.
"""

from __future__ import annotations

CAUTION_LINE = (
    "Not for construction until checked on site: clearances by the code in force and local codes, "
    "power by its owner, the design by a licensed engineer where the law asks for one."
)
"""The short form, for the head of a page."""

CAUTION: tuple[str, ...] = (
    "This plan was computed from the layers that were brought; it is not a survey. Nothing in it "
    "is for construction until somebody who is qualified has checked it on site.",
    "Clearances have to be verified against the code in force at the place and against local "
    "codes, permits and the pole owner's rules; the strictest of them governs, not this plan.",
    "Where the law asks for a licensed engineer, a licensed engineer has to review and approve "
    "the design.",
    "Power lines may be missing from the layers, in another place or higher in voltage than they "
    "say. Treat every line as live, keep the approach distance, and ask its owner.",
    "Values that a layer did not have were replaced by defaults, and strands or heights may be "
    "inferred; each such assumption is listed and has to be checked.",
    "What is listed as not checked was not checked at all: its absence from the flags does not "
    "mean that it is safe.",
)
"""The long form, one thought per sentence group."""

CAUTION_SHEET: tuple[str, ...] = (
    "Computed from the layers brought, no survey: not for construction until somebody qualified "
    "has checked it on site.",
    "The strictest of the code in force, local codes, permits and the pole owner's rules governs, "
    "not this plan; where the law asks for a licensed engineer, one approves the design.",
    "Power may be missing, elsewhere, higher in voltage: treat every line as live, keep the "
    "approach distance, ask its owner.",
    "What was assumed is listed above, to be checked.",
    "Not checked is never safe.",
)
"""The same for a job sheet, whose boxes list what was assumed."""
