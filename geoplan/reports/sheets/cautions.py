"""What a plan did not check, of it what concerns one drop.

Enters: a drop, what its plan did not check.
Leaves: one text.
Does not do: decide what was not checked; that is ``Plan.unchecked``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from geoplan.work.drop_case import DropCase
from geoplan.work.site_words import is_positive, parts_of

OPENING = "not checked: "
"""How most of what a plan did not check begins: told once on a sheet."""


def _has_run(case: DropCase) -> bool:
    return is_positive(case.drop["strand_run_m"])


CONCERNS: dict[str, Callable[[DropCase], bool]] = {
    "heights where two planned drops": lambda case: bool(case.crossed("planned_drop")),
    "growth of trees": lambda case: bool(case.near("tree") or parts_of(case.job.get("run_trees"))),
    "creep of the wire": lambda case: True,
    "poles and guys under": lambda case: True,
    "walls and roofs that a wire passes": lambda case: bool(case.near("roof")),
    "clearance below wire along a strand": _has_run,
    "separation from power along the strand": lambda case: case.is_from_clamp,
    "separation from existing drops": lambda case: bool(case.near("existing_drop")),
    "clearance over water": lambda case: bool(case.crossed("water")),
}
"""Openings of what was not checked, and whether a drop is concerned; all others concern each."""


def concerning(case: DropCase, unchecked: Sequence[str]) -> str:
    """Return what the plan did not check that concerns a drop.

    Parameters
    ----------
    case : DropCase
        The drop.
    unchecked : sequence of str
        As ``Plan.unchecked`` has it: parts split by ';'. A part of no known opening is kept or
        left out with the one before it.

    Returns
    -------
    str
        Sentences; what begins alike is told once.
    """
    alike: list[str] = []
    others: list[str] = []
    for words in unchecked:
        kept, is_kept = [], True
        for part in words.removeprefix(OPENING).split("; "):
            known = next((does for mark, does in CONCERNS.items() if part.startswith(mark)), None)
            is_kept = is_kept if known is None else known(case)
            kept += [part] if is_kept else []
        if kept:
            (alike if words.startswith(OPENING) else others).append("; ".join(kept))
    lines = [*others, *([OPENING + "; ".join(alike)] if alike else [])]
    return " ".join(f"{words[:1].upper()}{words[1:]}." for words in lines)
