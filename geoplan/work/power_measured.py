"""Words on power that is measured before the work: before what, and in which step.

Enters: a `DropCase`.
Leaves: sentences, or parts of them; empty where there is nothing to say.
Does not do: compute; judge.
"""

from __future__ import annotations

from collections.abc import Sequence

from geoplan.work.drop_case import DropCase, is_known
from geoplan.work.power_pairs import (
    BESIDE,
    HOUSE,
    HOUSE_LADDER,
    REASONS,
    RUN,
    RUN_BUCKET,
    RUN_POLE,
    TERMINAL,
    TERMINAL_SIDE,
    WIRE,
)
from geoplan.work.site_words import ON_POLE, in_a_row, parts_of, power_at, run_by_bucket

AT_HOUSE, AT_SUPPORT, OF_WIRE, OF_RUN = "house", "support", "wire", "run"
"""Steps that tell to measure: at the house, at pole or strand, before the wire goes up, along the
strand run."""
TOLD_FROM = {
    AT_HOUSE: tuple(f"from {REASONS[reason]}" for reason in (HOUSE, HOUSE_LADDER)),
    OF_WIRE: tuple(f"from {REASONS[reason]}" for reason in (WIRE, BESIDE)),
    OF_RUN: tuple(
        f"from {REASONS[reason]}" for reason in (RUN, RUN_POLE, RUN_BUCKET, TERMINAL, TERMINAL_SIDE)
    ),
}
"""What words on a distance say that it is from, by the step that tells to measure it."""
FROM_POLE = "from pole "

MOST_AGAIN = 2
"""So much power at most is named again where it was named just before."""
MOST_NAMED = 4
"""Where more lines have to be made safe, the worst and the nearest of the others have a place."""


def measured_before(case: DropCase, words: str) -> str:
    """Say before what the distance to a line is measured, from the words that tell it."""
    step = _step(case, words)
    if step == OF_WIRE:
        return "before the wire goes up"
    if step == AT_HOUSE:
        return "before anybody goes up there"
    if step == AT_SUPPORT:
        return "before anybody goes up"
    what, pole = "bucket" if run_by_bucket(case) else "ladder", _pole(words)
    return f"before the {what} goes {f'to {pole}' if pole else 'along the run'}"


def to_measure(case: DropCase, step: str, named: Sequence[str] = ()) -> str:
    """Tell to which lines is measured in a step, by their names.

    Parameters
    ----------
    case : DropCase
        The drop.
    step : str
        `AT_HOUSE`, `AT_SUPPORT`, `OF_WIRE` or `OF_RUN`.
    named : sequence of str
        Lines that the sentence before names: where several are measured and all are of these, the
        names aren't told again.

    Returns
    -------
    str
        Sentences with a space before each.
    """
    lines: dict[str, list[str]] = {}
    for words in parts_of(case.job.get("power_tight")):
        if _step(case, words) == step:
            name = words.partition(": ")[0]
            lines.setdefault(measured_before(case, words), []).append(name)
    names = [name for some in lines.values() for name in some]
    if len(names) > MOST_AGAIN and set(names) <= set(named):
        what = "bucket" if run_by_bucket(case) else "ladder"
        return f" Measure to each before the {what} goes near it."
    if step == OF_WIRE and passed_near(case):
        lines.setdefault("before the wire goes up", []).extend(passed_near(case))
    return "".join(f" Measure to {in_a_row(names)}, live, {w}." for w, names in lines.items())


def passed_near(case: DropCase) -> list[str]:
    """Name lines that a flag tells the wire passes near, but for those measured by other words.

    Parameters
    ----------
    case : DropCase
        The drop.

    Returns
    -------
    list of str
        Lines of flags ``near_power`` whose distance no word of the job tells, nor stops the work.
    """
    job, note = case.job, case.job["power_approach_note"]
    known = {words.partition(": ")[0] for words in parts_of(job.get("power_tight"))}
    if str(job["power_approach"]) in STOPPED:
        known |= {words.partition(", ")[0] for words in power_at(case, "short")}
        known |= {str(note).partition("; ")[0].partition(", ")[0]} if is_known(note) else set()
    met = [str(row["feature_id"]) for row in case.hazards if row["code"] == "near_power"]
    return [name for name in dict.fromkeys(met) if name not in known]


STOPPED = frozenset({"within", "not_checked"})
"""States of power in which no work starts."""


def blank(*names: str) -> str:
    """Leave a place for the distance that was measured to each line; empty without one."""
    if len(names) > MOST_NAMED:
        return f"Measured: {names[0]} ____, nearest of the others, which: ____, ____"
    if len(names) > 1:
        return f"Measured: {', '.join(f'{name} ____' for name in names)}"
    return "".join(f"{name} measured: ____" for name in names)


def _step(case: DropCase, words: str) -> str:
    """Return the step; what is told of the strand by the hook's own pole is measured there."""
    step = next((one for one, told in TOLD_FROM.items() if any(t in words for t in told)), "")
    if step != OF_RUN:
        return step or AT_SUPPORT
    run_m, pole = case.drop["strand_run_m"], _pole(words)
    has_run = not is_known(run_m) or float(run_m) > 0.0  # one that is not known is told as such
    at_hook = pole == str(case.drop["access_pole_id"]) and not case.is_from_clamp
    return OF_RUN if has_run and not at_hook else AT_SUPPORT


def _pole(words: str) -> str:
    """Return the pole of the strand that words on a distance tell; empty: none."""
    name, _, rest = words.partition(": ")
    _, has_place, place = rest.rpartition(" (")
    place = place.partition(")")[0]
    if has_place and " out from the " not in place:
        return place.rpartition(FROM_POLE)[2]
    return name.removeprefix(ON_POLE) if name.startswith(ON_POLE) else ""
