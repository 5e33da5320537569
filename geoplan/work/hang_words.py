"""Which drops of a strand span go up before or after this one, as its sheet tells them.

Enters: a `DropCase`.
Leaves: addresses, and parts of sentences.
Does not do: decide the order; `geoplan.work.hang_order` does.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase
from geoplan.work.site_words import in_a_row, over_road, parts_of


def hang_before(case: DropCase) -> list[str]:
    """Name the drops over a busy road that are hung after this one: its ladder goes on first."""
    if not _has_ladder(case) or _is_flagged(case):
        return []
    busy = parts_of(case.job.get("span_drops_busy"))
    return [name for name in busy if not _is_turned(case, name)]


def up_already(case: DropCase) -> list[str]:
    """Name those that the crew days hang before this one all the same."""
    busy = parts_of(case.job.get("span_drops_busy"))
    return [name for name in busy if _is_turned(case, name)]


def hung_first(case: DropCase) -> list[str]:
    """Name the drops that are hung before this one, which goes over a busy road."""
    first = parts_of(case.job.get("span_drops_first"))
    return [name for name in first if not _is_turned(case, name)]


def hung_after(case: DropCase) -> list[str]:
    """Name those that the crew days hang after this one all the same."""
    first = parts_of(case.job.get("span_drops_first"))
    return [name for name in first if _is_turned(case, name)]


def held_to_compare(case: DropCase) -> str:
    """Tell how roads are held while all sags of a strand span are compared, with ladders on it."""
    if parts_of(case.job.get("span_drops_busy")):
        return ", flaggers holding traffic below"
    if over_road(case) or parts_of(case.job.get("span_drops_over")):
        return ", traffic held below"
    return ""


def held_again(case: DropCase) -> str:
    """Tell how roads are held while the ladder is on the strand again to mend a sag."""
    if over_road(case):
        return ", traffic held"
    over = parts_of(case.job.get("span_drops_over"))
    if not over:
        return ""
    by = "flaggers hold its road" if parts_of(case.job.get("span_drops_busy")) else "traffic held"
    return f" ({in_a_row(over)} up: {by} first)"


def _has_ladder(case: DropCase) -> bool:
    return case.is_from_clamp and not case.job["is_bucket_job"]


def _is_flagged(case: DropCase) -> bool:
    """Whether the drop itself is over a road that is held by others than its crew."""
    return over_road(case) and case.job["traffic_class"] != "short_stop"


def _is_turned(case: DropCase, name: str) -> bool:
    return name in parts_of(case.job.get("span_drops_turned"))
