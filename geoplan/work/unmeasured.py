"""What along a wire has no clearance from the plan, so that the crew measures it.

Enters: a `DropCase`.
Leaves: rows of crossings; names with where they are.
Does not do: compute; tell what measures power, which nobody does by touch.
"""

from __future__ import annotations

from geoplan.work.crossed_later import not_up_yet
from geoplan.work.drop_case import DropCase, Row, feature_name
from geoplan.work.holds import beside_unjudged
from geoplan.work.profiles import STRAND
from geoplan.work.site_words import out_of, parts_of


def unchecked(case: DropCase) -> list[Row]:
    """Return what the wire meets whose clearance was not checked, but for what has its own words.

    Parameters
    ----------
    case : DropCase
        One planned drop.

    Returns
    -------
    list of mapping
        Rows of ``crossings``. Buildings that hold the work, drops that hang later, and strands
        are not among them.
    """
    held = {str(row["feature_id"]) for row in beside_unjudged(case)}
    later = not_up_yet(case)
    return [
        row
        for row in case.crossings
        if row["clearance_basis"] == "not_checked"
        and str(row["feature_id"]) not in held
        and row not in later
        and row["crossing_kind"] != STRAND
    ]


def left_to_measure(case: DropCase) -> list[str]:
    """Name what is measured when the wire hangs, power left out; strands and drives' edges too."""
    names = [
        f"{feature_name(row)} ({out_of(case, float(row['at_m']))})"
        for row in unchecked(case)
        if row["crossing_kind"] != "power"
    ]
    names += [strand.partition(", ")[0] for strand in parts_of(case.job.get("strands_met"))]
    drives = parts_of(case.job.get("drives_beside"))
    return names + [f"the edge of {drive.partition(', ')[0]}" for drive in drives]
