"""What each sheet says: words and figures, ready for the page.

Enters: a `Plan` with its work, drops in order.
Leaves: one `dict` of texts per sheet; every figure is one of the plan's, rounded.
Does not do: compute; markup (the page puts each text in as text); draw.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.reports.caution import CAUTION_LINE, CAUTION_SHEET
from geoplan.reports.clearances import describe_rules
from geoplan.reports.frames import cut
from geoplan.reports.sheets.back import (
    built_of,
    crew_of,
    materials_of,
    reel_of,
    signs_of,
)
from geoplan.reports.sheets.cautions import concerning
from geoplan.reports.sheets.front import (
    Clamp,
    alerts_of,
    big_of,
    figures_of,
    kinds_of,
    with_ladder_of,
)
from geoplan.reports.sheets.front_tables import (
    crossing_heads,
    crossings_of,
    profile_legend,
    rule_key_of,
    stringing_head,
    stringing_key,
    stringing_of,
)
from geoplan.reports.sheets.hazard_table import hazards_of, nothing_more
from geoplan.reports.sheets.page import page_in_file
from geoplan.reports.sheets.wording import (
    CHECK_LETTERS,
    ID_LETTERS,
    MOST_CHECKS,
    STEP_LETTERS,
    TITLE_LETTERS,
    amount,
)
from geoplan.rules import Approach
from geoplan.standards import ClearanceCase, Standards, TensionCase
from geoplan.units import ReportUnits
from geoplan.work.drop_case import DropCase, Row, is_known
from geoplan.work.hook_mates import find_hook_mates
from geoplan.work.profiles import Envelope
from geoplan.work.site_checks import build_site_checks
from geoplan.work.steps import build_steps
from geoplan.work.tools import tools_of

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
    not_checked: tuple[str, ...]
    """What the plan did not check."""
    wire_words: str
    load_cases: dict[str, str]
    """Words for load cases, by name."""
    flaggers: int
    """Flaggers besides the crew, where a job needs any."""
    power_reach_m: float
    """How far from the work power was looked for; NaN: not known."""
    count: int
    """Sheets in all."""
    hook_mates: Mapping[str, tuple[str, ...]]
    """Drops whose hooks are at one place of a pole, by address."""


def load_case_words(standards: Standards, units: ReportUnits) -> dict[str, str]:
    """Say what each load case is: temperature, ice, wind.

    Parameters
    ----------
    standards : Standards
        With the cases for tension and clearance.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    dict of str to str
        Words by name of the case.
    """
    words = {}
    cases: list[TensionCase | ClearanceCase] = [*standards.tension, *standards.clearance]
    for item in [*cases, standards.stringing]:
        parts = [amount(item.temperature_c, "temperature", units)]
        if np.any(np.asarray(item.case.ice_thickness_m) > 0.0):
            parts.append("ice")
        if np.any(np.asarray(item.case.wind_pa) > 0.0):
            parts.append("wind")
        words[item.name] = parts[0] if len(parts) == 1 else f"{parts[0]}, {' and '.join(parts[1:])}"
    return words


def common_texts(
    plan: Any, standards: Standards, wire_words: str, flaggers: int, count: int
) -> Common:
    """Gather what all sheets share.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    standards : Standards
        Rules and load cases in force.
    wire_words : str
        How sure the wire's figures are.
    flaggers : int
        Flaggers by the crew rules.
    count : int
        Sheets in all.

    Returns
    -------
    Common
        Texts.
    """
    units = plan.project.units
    bands = standards.rule_set.bands(f"approach.{Approach.WORKER}")
    reach = max((figure.value_si for _, figure in bands), default=math.nan)
    return Common(
        cut(plan.project.name, TITLE_LETTERS),
        units,
        describe_rules(plan),
        tuple(plan.unchecked),
        wire_words,
        load_case_words(standards, units),
        flaggers,
        reach,
        count,
        find_hook_mates(plan.drops),
    )


NO_MATERIALS = "No materials were worked out"


def sheet_texts(
    number: int,
    case: DropCase,
    clamp: Clamp | None,
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
    clamp : Clamp or None
        Where its span clamp is, from both poles; None without one.
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
    case = replace(
        case,
        stringing=tuple(stringing),
        hook_mates=common.hook_mates.get(address_id, ()),
        doubts=tuple(findings.get(("addresses", address_id), ())),
    )
    shown_id = cut(address_id, ID_LETTERS)
    label = drop["label"]
    title = cut(label if is_known(label) else address_id, TITLE_LETTERS)
    day = job["crew_day_id"]
    checks = build_site_checks(case, findings)
    more = len(checks) - MOST_CHECKS
    if more > 0:
        checks = [*checks[: MOST_CHECKS - 2], *checks[-2:], f"And {more} more: see the plan."]
    crossings = crossings_of(case, envelopes)
    strings = stringing_of(stringing, case)
    return {
        "number": number,
        "page": page_in_file(number, common.count),
        "foot": f"Sheet {number} of {common.count} · {shown_id} · {common.project}",
        "title": title,
        "address_id": shown_id,
        "terminal": cut(drop["terminal_id"], ID_LETTERS),
        "project": common.project,
        "day": f"Crew day {day}" if is_known(day) else "On no crew day yet",
        "kinds": kinds_of(case, common.flaggers),
        "alerts": alerts_of(case),
        "big": big_of(case),
        "figures": figures_of(case, clamp, common.load_cases),
        "profile_legend": profile_legend(case, envelopes),
        "crossing_heads": crossing_heads(case),
        "crossings": crossings,
        "rule_key": rule_key_of(crossings),
        "stringing_head": stringing_head(case),
        "stringing": strings,
        "stringing_key": stringing_key(strings),
        "with_ladder": with_ladder_of(case, stringing),
        "checks": [cut(words, CHECK_LETTERS) for words in checks],
        "crew": crew_of(case, common.flaggers, common.power_reach_m),
        "signs": signs_of(case),
        "hazards": hazards_of(case, is_boxed=more <= 0) or nothing_more(),
        "steps": [cut(words, STEP_LETTERS) for words in build_steps(case)],
        "reel": reel_of(case, cuts),
        "materials": f"{materials_of(materials, case) or NO_MATERIALS}. Bring:"
        f" {'; '.join(tools_of(case))}.",
        "built": built_of(case),
        "caution_line": CAUTION_LINE,
        "cautions": CAUTION_SHEET,
        "rules": common.rules,
        "not_checked": f"{concerning(case, common.not_checked)} {common.wire_words}".strip(),
    }
