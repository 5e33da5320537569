"""What a plan came to, on one screen of a terminal.

Enters: a `Plan`.
Leaves: text of at most `LINES` lines and `COLUMNS` columns; each part has its own most.
Does not do: print it; the command line does that.
"""

from __future__ import annotations

import textwrap
import unicodedata
from typing import TYPE_CHECKING, Any

from geoplan.reports.caution import CAUTION_LINE
from geoplan.reports.clearances import ClearanceCounts, clearance_counts, tightest
from geoplan.reports.palette import ROUTE_STYLE
from geoplan.reports.summary import absent_layers, counts, longest_air_span_m, totals
from geoplan.tables import CrossingKind, Severity
from geoplan.units import say

if TYPE_CHECKING:
    from geoplan.model import Plan

LINES = 24
COLUMNS = 80


def terminal_summary(plan: Plan) -> str:
    """Return what a plan came to as one screen of plain text.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    str
        At most 24 lines of at most 80 columns, no line end at the end. Control characters in
        names are replaced, so that data cannot steer the terminal.
    """
    lines = [
        f"Plan '{plan.project.name}'",
        *_fate(counts(plan), clearance_counts(plan)),
        *_figures(plan),
        *_standards(plan),
        *_work(plan),
        *_flags(plan),
        *_gaps(plan),
        *_wrapped(CAUTION_LINE),
    ]
    return "\n".join(fit(line) for line in lines)


def fit(line: str, columns: int = COLUMNS) -> str:
    """Cut a line to a number of columns and make it harmless.

    Parameters
    ----------
    line : str
        Any text.
    columns : int
        Columns that are free; wide East Asian characters take two.

    Returns
    -------
    str
        The line, control and format characters replaced by ``?``, with ``...`` where it was cut.
    """
    shown = "".join("?" if unicodedata.category(mark)[0] == "C" else mark for mark in line)
    if sum(map(_width, shown)) <= columns:
        return shown
    used = 0
    kept = []
    for mark in shown:
        used += _width(mark)
        if used > columns - 3:
            break
        kept.append(mark)
    return "".join(kept) + "..."


def _width(mark: str) -> int:
    if unicodedata.combining(mark):
        return 0
    return 2 if unicodedata.east_asian_width(mark) in ("W", "F") else 1


def _fate(count: dict[str, Any], hanging: ClearanceCounts) -> list[str]:
    read = count["addresses_read"]
    lines = [
        f"  Addresses read {'unknown' if read is None else read}: served {count['served']},"
        f" unserved {count['unserved']}, set aside {count['addresses_set_aside']}"
    ]
    told = [
        (style.label, count["served_by_route_kind"][kind.value])
        for kind, style in ROUTE_STYLE.items()
    ]
    told.append(("Of these across a street", count["served_across_a_street"]))
    told.append(("Of these bucket jobs", hanging.bucket_jobs))
    cells = [f"{label:<31}{number:>6}" for label, number in told]
    lines += [f"    {left}  {right}" for left, right in zip(cells[::2], cells[1::2], strict=True)]
    if count["unserved"]:
        lines += _wrapped(f"Unserved because: {_list(count['unserved_by_code'])}", 2, 2)
    return lines


def _figures(plan: Plan) -> list[str]:
    units = plan.project.units
    total = totals(plan)
    bound = plan.optimality.get("lower_bound_cost")
    chosen = plan.optimality.get("assignment_cost")
    proof = ""
    if bound is not None and chosen is not None:
        proved = "proved least" if plan.optimality.get("gap") == 0 else f"at least {bound:.2f}"
        proof = f"; choice {chosen:.2f}, {proved}, before clamps were shifted"
    return [
        f"  Air spans {say(total['air_span_m'], 'length', units)}, longest"
        f" {say(longest_air_span_m(plan), 'length', units)};"
        f" along strand {say(total['strand_run_m'], 'length', units)}",
        f"  Cost {total['cost']:.2f}{proof}",
    ]


def _standards(plan: Plan) -> list[str]:
    """Name the rules, and the drops that are nearest to breaking them."""
    told, units, count = plan.standards, plan.project.units, clearance_counts(plan)
    least, most = tightest(plan)
    margin = "unknown" if least is None else say(least["margin_m"], "sag", units)
    tension = "unknown" if most is None else f"{most['share']:.1%} of limit"
    return [
        f"  Rules '{told['rule_set']}', {told['loading_district']}:"
        " must be verified against the code in force",
        f"  Least margin {margin}, most tension {tension};"
        f" raised: hooks {count.raised_hooks}, houses {count.raised_attachments}",
    ]


def _flags(plan: Plan) -> list[str]:
    crossed = plan.crossings.loc[~plan.crossings["is_near_miss"].astype(bool), "crossing_kind"]
    kinds = crossed.value_counts()
    shown = {kind.value: int(kinds[kind.value]) for kind in CrossingKind if kind.value in kinds}
    severity = plan.hazards["severity"].value_counts()
    grave = {kind.value: int(severity.get(kind.value, 0)) for kind in reversed(Severity)}
    found = plan.findings["severity"].value_counts()
    data = {kind.value: int(found.get(kind.value, 0)) for kind in reversed(Severity)}
    return [
        *_wrapped(f"Crossed: {_list(shown) or 'nothing'}", 2, 2),
        f"  Flags on drops: {_list(grave)}",
        f"  Findings on the layers: {_list(data)}; rows set aside: {len(plan.set_aside)}",
    ]


def _work(plan: Plan) -> list[str]:
    """Tell of crews, days and reels; nothing where the work was not worked out."""
    if plan.work is None:
        return []
    people = ", ".join(f"{n} for {size}" for size, n in plan.work["jobs_by_crew_size"].items())
    people = people.replace(" for", " drops for", 1) or "no drops for any"
    days, reels = plan.work["crew_days"], plan.work["reels"]
    told = f"{days['crew_days']} crew days" if days["scheduled"] else "crew days not scheduled"
    over = len(days.get("days_over_length", ()))
    told += f" ({over} over length)" if over else ""
    lacking = set(reels["not_on_a_reel"]) | set(plan.work["materials"]["drops_without_wire"])
    lacks = f"Without wire {len(lacking)}; " if lacking else ""
    return [fit(f"  {lacks}{told}, {reels['reels']} reels; {people} people")]


def _gaps(plan: Plan) -> list[str]:
    lines = []
    absent = absent_layers(plan)
    if absent:
        lines += _wrapped(f"Layers not brought, so not checked: {', '.join(absent)}", 2, 3)
    if plan.unchecked:
        lines += _wrapped(plan.unchecked[0], 2, 2)
        more = len(plan.unchecked) - 1
        lines += [f"    and {more} more things not checked, see summary.json"] if more else []
    return lines


def _list(numbers: dict[str, int]) -> str:
    return ", ".join(f"{name} {number}" for name, number in numbers.items())


def _wrapped(text: str, indent: int = 0, most: int = 3) -> list[str]:
    first, rest = " " * indent, " " * 2 * indent
    return textwrap.wrap(
        text,
        COLUMNS,
        initial_indent=first,
        subsequent_indent=rest,
        max_lines=most,
        placeholder=" ...",
    )
