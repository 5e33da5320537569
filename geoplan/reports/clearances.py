"""What heights, sag and clearances came to in a plan: counts, the tightest drops, and lists.

Enters: a `Plan`.
Leaves: plain values for the summary, the terminal and the map page.
Does not do: work out a clearance; each figure stands in a table of the plan.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from geoplan.rules import Status

if TYPE_CHECKING:
    from geoplan.model import Plan

MOST_LISTED = 20
"""Longest list in the summary; the count beside it is of all, and the tables have them all."""

LADDER_ALLOWED = "allowed"
"""The word in ``strand_ladder`` where a ladder may lean on the strand."""

LEAST_MARGIN = {
    "margin_m": "margin_m",
    "margin_required_m": "required_m",
    "margin_available_m": "available_m",
    "margin_at_m": "at_m",
    "margin_over": "over",
    "margin_case": "case",
    "margin_rule": "rule",
}
"""Columns of ``drops`` that tell of its least margin, and their names in the summary."""

GREATEST_TENSION = {
    "tension_worst_n": "tension_n",
    "tension_limit_n": "limit_n",
    "tension_case": "case",
}


@dataclass(frozen=True)
class ClearanceCounts:
    """How many drops, of all planned, needed what."""

    raised_hooks: int
    raised_attachments: int
    bucket_jobs: int
    heights_assumed: int
    ground_assumed: int
    routes_changed: int


def is_bucket_job(drops: pd.DataFrame) -> pd.Series[bool]:
    """Say which drops hang from a strand that may bear no ladder.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``.

    Returns
    -------
    pandas.Series of bool
        False where no span clamp is used.
    """
    ladder = drops["strand_ladder"]
    return ladder.notna() & ladder.ne(LADDER_ALLOWED)


def tension_share(drops: pd.DataFrame) -> pd.Series[float]:
    """Return the greatest tension of each drop as a share of its limit; null where unknown."""
    return drops["tension_worst_n"] / drops["tension_limit_n"]


def clearance_counts(plan: Plan) -> ClearanceCounts:
    """Count the drops that needed something for their clearances.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    ClearanceCounts
        All zero when nothing is planned.
    """
    drops = plan.drops
    return ClearanceCounts(
        raised_hooks=int(drops["hook_is_raised"].sum()),
        raised_attachments=int(drops["attachment_is_raised"].sum()),
        bucket_jobs=int(is_bucket_job(drops).sum()),
        heights_assumed=int(drops["height_basis"].eq("default").sum()),
        ground_assumed=int(drops["ground_basis"].eq("default").sum()),
        routes_changed=int(drops["clearance_note"].notna().sum()),
    )


def tightest(plan: Plan) -> tuple[dict[Hashable, Any] | None, dict[Hashable, Any] | None]:
    """Return the drop with the least margin, and the one with the greatest share of tension.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    tuple of dict or None
        Address, terminal and the figures; None when no drop has any. Ties go to the lesser
        address.
    """
    ids = ["address_id", "terminal_id"]
    drops = pd.DataFrame(plan.drops[[*ids, *LEAST_MARGIN, *GREATEST_TENSION]])
    drops = drops.assign(share=tension_share)
    margin = drops.dropna(subset="margin_m").sort_values(["margin_m", "address_id"])
    tension = drops.dropna(subset="share").sort_values(
        ["share", "address_id"], ascending=[False, True]
    )
    least = margin[[*ids, *LEAST_MARGIN]].rename(columns=LEAST_MARGIN).head(1).to_dict("records")
    most = (
        tension[[*ids, "share", *GREATEST_TENSION]]
        .rename(columns=GREATEST_TENSION)
        .head(1)
        .to_dict("records")
    )
    return (least[0] if least else None), (most[0] if most else None)


def describe_clearances(plan: Plan) -> dict[str, Any]:
    """Return the block on clearances of the summary.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    dict
        Counts, the tightest drops, and three lists of at most `MOST_LISTED` rows: routes that
        clearance changed (by address), drops that keep their clearance by a raised hook or
        attachment (least margin first), addresses that only clearance leaves unserved (least
        miss first). Lengths are in SI, the unit in each name.
    """
    count = clearance_counts(plan)
    least, most = tightest(plan)
    drops = plan.drops.sort_values("address_id")
    raised = drops[drops["hook_is_raised"] | drops["attachment_is_raised"]]
    unserved = plan.unserved[plan.unserved["code"].eq("no_clearance")]
    found = plan.crossings["clearance_basis"].value_counts()
    return {
        "drops": len(drops),
        "raised_hooks": count.raised_hooks,
        "raised_attachments": count.raised_attachments,
        "bucket_jobs": count.bucket_jobs,
        "drops_with_assumed_heights": count.heights_assumed,
        "drops_on_assumed_level_ground": count.ground_assumed,
        "crossings_by_basis": {
            basis: int(found.get(basis, 0)) for basis in ("computed", "not_checked", "none")
        },
        "least_margin": least,
        "greatest_tension": most,
        "routes_changed_by_clearance": _listed(
            drops[drops["clearance_note"].notna()],
            {"address_id": "address_id", "terminal_id": "terminal_id", "clearance_note": "note"},
        ),
        "kept_clear_by_raising": _listed(
            raised.sort_values(["margin_m", "address_id"]),
            {
                "address_id": "address_id",
                "hook_is_raised": "hook_is_raised",
                "hook_height_m": "hook_height_m",
                "attachment_is_raised": "attachment_is_raised",
                "attachment_height_m": "attachment_height_m",
                "margin_m": "margin_m",
                "margin_over": "over",
            },
        ),
        "unserved_for_clearance": _listed(
            unserved.sort_values(["clearance_miss_m", "address_id"]),
            {
                "address_id": "address_id",
                "clearance_miss_m": "miss_m",
                "reasons": "reasons",
                "remedy": "remedy",
            },
        ),
    }


def _listed(rows: pd.DataFrame, columns: dict[str, str]) -> dict[str, Any]:
    shown = rows[list(columns)].rename(columns=columns).head(MOST_LISTED)
    return {"count": len(rows), "first": shown.to_dict("records")}


def describe_rules(plan: Plan) -> str:
    """Name the rule set and district in a sentence that says how far to trust them.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    str
        Rule set, district, and how many of its figures were read at their source.
    """
    told = plan.standards
    by_status = told["figures_by_status"]
    read = by_status.get(Status.READ.label, 0)
    figures = sum(by_status.values())
    return (
        f"Rule set '{told['rule_set']}', district '{told['loading_district']}': {read} of its"
        f" {figures} figures were read at their source; all must be verified against the code in"
        " force."
    )
