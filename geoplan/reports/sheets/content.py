"""What each sheet says: words and figures, ready for the page.

Enters: a `Plan` with its work, drops in order.
Leaves: one `dict` of texts per sheet; every figure is one of the plan's, rounded.
Does not do: compute; markup (the page puts each text in as text); draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.reports.caution import CAUTION, CAUTION_LINE
from geoplan.reports.clearances import describe_rules
from geoplan.reports.frames import cut
from geoplan.reports.sheets.back import (
    built_of,
    crew_of,
    hazards_of,
    materials_of,
    reel_of,
    signs_of,
)
from geoplan.reports.sheets.front import (
    CROSSING_HEADS,
    PROFILE_LEGEND,
    big_of,
    crossings_of,
    figures_of,
    kinds_of,
    legend_of,
    stringing_of,
    with_ladder_of,
)
from geoplan.reports.sheets.wording import ID_LETTERS, MOST_CHECKS, TEXT_LETTERS, TITLE_LETTERS
from geoplan.units import ReportUnits
from geoplan.work.drop_case import DropCase, Row, is_known
from geoplan.work.profiles import Envelope
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class ByAddress:
    """Rows of a table by address, found without a look at the rest of it."""

    frame: pd.DataFrame
    ids: npt.NDArray[np.object_]

    @classmethod
    def of(cls, frame: pd.DataFrame | None) -> ByAddress:
        """Make ready a table; None has no rows."""
        if frame is None:
            return cls(pd.DataFrame(), np.empty(0, dtype=object))
        plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
        plain = plain.sort_values("address_id", kind="stable", ignore_index=True)
        return cls(plain, plain["address_id"].to_numpy(dtype=object))

    def some(self, address_id: str) -> pd.DataFrame:
        """Return the rows of an address as a frame."""
        low = int(np.searchsorted(self.ids, address_id))
        high = int(np.searchsorted(self.ids, address_id, side="right"))
        return self.frame.iloc[low:high]

    def rows(self, address_id: str) -> list[dict[Any, Any]]:
        """Return the rows of an address."""
        return self.some(address_id).to_dict("records")


@dataclass(frozen=True)
class Common:
    """What all sheets of a run share."""

    project: str
    units: ReportUnits
    rules: str
    not_checked: str
    wire_words: str
    count: int
    """Sheets in all."""


def common_texts(plan: Any, wire_words: str, count: int) -> Common:
    """Gather what all sheets share.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    wire_words : str
        How sure the wire's figures are.
    count : int
        Sheets in all.

    Returns
    -------
    Common
        Texts.
    """
    unchecked = " ".join(f"{words}." for words in plan.unchecked)
    return Common(
        cut(plan.project.name, TITLE_LETTERS),
        plan.project.units,
        describe_rules(plan),
        unchecked,
        wire_words,
        count,
    )


def sheet_texts(
    number: int,
    case: DropCase,
    envelopes: list[Envelope],
    stringing: Sequence[Row],
    materials: Sequence[Row],
    cuts: Sequence[Row],
    findings: dict[tuple[str, str], list[str]],
    common: Common,
) -> dict[str, Any]:
    """Return the texts of one sheet.

    Parameters
    ----------
    number : int
        Number of the sheet in the run, from 1.
    case : DropCase
        The drop.
    envelopes : list of Envelope
        What its profile shows, with letters.
    stringing, materials, cuts : sequence of mapping
        Its rows of ``stringing``, ``drop_materials``, ``reel_cuts``.
    findings : dict
        As in `build_site_checks`.
    common : Common
        What all sheets share.

    Returns
    -------
    dict
        Plain texts and lists of them, by the names that the page uses.
    """
    drop, job = case.drop, case.job
    address_id = str(drop["address_id"])
    shown_id = cut(address_id, ID_LETTERS)
    label = drop["label"]
    title = cut(label if is_known(label) else address_id, TITLE_LETTERS)
    day = job["crew_day_id"]
    checks = build_site_checks(case, findings, common.wire_words)
    more = len(checks) - MOST_CHECKS
    if more > 0:
        checks = [*checks[: MOST_CHECKS - 2], *checks[-2:], f"And {more} more: see the plan."]
    return {
        "number": number,
        "foot": f"Sheet {number} of {common.count} · {shown_id} · {common.project}",
        "title": title,
        "address_id": shown_id,
        "terminal": cut(drop["terminal_id"], ID_LETTERS),
        "project": common.project,
        "day": f"Crew day {day}" if is_known(day) else "On no crew day yet",
        "kinds": kinds_of(case),
        "big": big_of(case),
        "figures": figures_of(case),
        "legend": legend_of(case),
        "profile_legend": PROFILE_LEGEND,
        "crossing_heads": CROSSING_HEADS,
        "crossings": crossings_of(case, envelopes),
        "stringing": stringing_of(stringing, case),
        "with_ladder": with_ladder_of(case),
        "checks": [cut(words, TEXT_LETTERS) for words in checks],
        "crew": crew_of(case),
        "signs": signs_of(case),
        "hazards": hazards_of(case),
        "steps": [cut(words, 3 * TEXT_LETTERS) for words in build_steps(case)],
        "reel": reel_of(case, cuts),
        "materials": materials_of(materials, case.units),
        "built": built_of(case),
        "caution_line": CAUTION_LINE,
        "cautions": CAUTION,
        "rules": common.rules,
        "not_checked": common.not_checked,
    }
