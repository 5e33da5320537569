"""Which drops go up before or after this one, as a ladder brings wires down, as its sheet says.

Enters: a `DropCase`.
Leaves: addresses, and parts of sentences.
Does not do: decide the order; `geoplan.work.hang_order` does.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase
from geoplan.work.ladder_mates import AT, OVER
from geoplan.work.site_words import in_a_row, over_road, parts_of


def hang_before(case: DropCase) -> list[str]:
    """Name the drops over roads that are hung after this one: its ladder goes on first."""
    later = parts_of(case.job.get("span_drops_later"))
    return [name for name in later if not _is_turned(case, name)]


def up_already(case: DropCase) -> list[str]:
    """Name those that the crew days hang before this one all the same."""
    later = parts_of(case.job.get("span_drops_later"))
    return [name for name in later if _is_turned(case, name)]


def hung_first(case: DropCase) -> list[str]:
    """Name the drops that are hung before this one, which goes over a road."""
    first = parts_of(case.job.get("span_drops_first"))
    return [name for name in first if not _is_turned(case, name)]


def hung_after(case: DropCase) -> list[str]:
    """Name those that the crew days hang after this one all the same."""
    first = parts_of(case.job.get("span_drops_first"))
    return [name for name in first if _is_turned(case, name)]


def is_last_up(case: DropCase) -> bool:
    """Whether all others of the clamp's strand span hang before this drop."""
    others = parts_of(case.job.get("span_drops"))
    return bool(others) and set(others) <= set(hung_first(case))


def of_own_span(case: DropCase, names: list[str]) -> list[str]:
    """Keep those that hang on the strand span of the drop's own clamp."""
    own = parts_of(case.job.get("span_drops"))
    return [name for name in names if name in own]


def below_run(case: DropCase) -> str:
    """Tell which drops over roads hang, or may, from the spans that the run's ladder passes."""
    told = []
    for part in parts_of(case.job.get("run_drops_over")):
        poles, _, held = part.partition(AT)
        names, _, road = held.partition(OVER)
        turned = [name for name in names.split(", ") if _is_turned(case, name)]
        later = [name for name in names.split(", ") if name not in turned]
        if turned:
            hang = "hangs" if len(turned) == 1 else "hang"
            told.append(
                f" Between {poles} {in_a_row(turned)} {hang} over {road}: flaggers hold it while a"
                " ladder is on that span; measure, then open."
            )
        if later:
            one = later[0] if len(later) == 1 else f"one of {in_a_row(later)}"
            told.append(
                f" Between {poles}: if {one} is up over {road} by now, no ladder there before"
                " flaggers hold it."
            )
    return "".join(told)


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
    whose = "its" if len(over) == 1 else "their"
    by = f"flaggers hold {whose} road" if parts_of(case.job.get("span_drops_busy")) else ""
    return f" ({in_a_row(over)} up: {by or 'traffic held'} first)"


def _is_turned(case: DropCase, name: str) -> bool:
    return name in parts_of(case.job.get("span_drops_turned"))
