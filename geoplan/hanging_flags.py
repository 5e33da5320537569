"""Flags of planned drops that follow from heights, sag and clearances.

Enters: columns of ``drops`` and ``crossings``.
Leaves: flags by kind.
Does not do: decide anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geoplan.hanging import LADDER_WORDS
from geoplan.project import Project
from geoplan.routes.flags import Flags, lengths, sentences
from geoplan.tables import Severity
from geoplan.text_columns import places, worded


def clearance_flags(crossings: pd.DataFrame, drops: pd.DataFrame, project: Project) -> list[Flags]:
    """Find the flags that follow from heights, sag and clearances.

    Parameters
    ----------
    crossings, drops : pandas.DataFrame
        Columns as declared.
    project : Project
        Settings; words carry the units of the reports.

    Returns
    -------
    list of Flags
        One per kind, without rows where there are none.
    """
    warning, note = Severity.WARNING, Severity.NOTE
    basis, moved = crossings["clearance_basis"], drops["clearance_note"].notna()
    other = drops["clearance_note"].str.contains("another terminal", regex=False).fillna(False)
    ladder = drops["strand_ladder"]
    return [
        _of_crossings(
            crossings,
            (basis == "not_checked")
            & (crossings["crossing_kind"] != "planned_drop")
            & ~((crossings["crossing_kind"] == "roof") & crossings["is_near_miss"]),
            "clearance_not_checked",
            "distance_m",
            "rule_set",
            "clearance not checked at {kind} {feature}: {note}",
            "Work it out by the code in force, or measure on site, before the work.",
        ),
        _of_crossings(
            crossings,
            (basis == "computed") & crossings["clearance_note"].notna(),
            "crossed_height_assumed",
            "margin_m",
            "heights",
            "clearance at {kind} {feature}: {note}",
            "Measure it on site, or have its owner confirm it, before the work.",
        ),
        _of_drops(
            drops,
            drops["height_basis"] == "default",
            "height_assumed",
            warning,
            "hook_height_m",
            "heights",
            "heights rest on written defaults: hook {hook}, attachment {attachment}",
            "Measure both on site before cutting wire.",
            project,
        ),
        _of_drops(
            drops,
            drops["ground_basis"] == "default",
            "level_ground_assumed",
            note,
            "air_span_m",
            "layers.terrain",
            "level ground assumed: check on site",
            "Compare the ground at both ends and under the wire.",
            project,
        ),
        _of_drops(
            drops,
            drops["hook_is_raised"],
            "raised_hook",
            note,
            "hook_height_m",
            "costs.raised_hook",
            "needs the hook at {hook}, above its usual place, for {over}",
            "Set the hook as high as given; measure from the ground.",
            project,
        ),
        _of_drops(
            drops,
            drops["attachment_is_raised"],
            "raised_attachment",
            note,
            "attachment_height_m",
            "costs.raised_attachment",
            "needs the attachment at {attachment}, above its usual place, for {over}",
            "Attach as high as given; measure from the ground.",
            project,
        ),
        *(
            _of_drops(
                drops,
                mask,
                code,
                note,
                "margin_m",
                "heights.clearance_margin",
                "{why}",
                "Nothing to do; a higher hook or a mast there would make it possible.",
                project,
            )
            for mask, code in (
                (moved & other, "terminal_changed_by_clearance"),
                (moved & ~other, "route_changed_by_clearance"),
            )
        ),
        _of_drops(
            drops,
            drops["pole_power_basis"] == "not_checked",
            "pole_power_not_checked",
            Severity.ERROR,
            "hook_height_m",
            "layers.poles.power_height",
            "power passes the pole, and its separation from the hook was not checked: no height "
            "is recorded, or the rules hold no figure",
            "Measure from the ground with the power's owner before anybody climbs.",
            project,
        ),
        _of_drops(
            drops,
            ladder.notna() & (ladder != "allowed"),
            "bucket_job",
            warning,
            "strand_tension_n",
            "ladder",
            "no ladder on this strand: {strand}",
            "Plan it as a bucket job.",
            project,
        ),
        _of_drops(
            drops,
            drops["is_street_crossing"]
            & (ladder == "allowed")
            & (drops["ladder_sag_m"] > drops["stringing_sag_m"]),
            "ladder_low_over_street",
            warning,
            "ladder_sag_m",
            "ladder",
            "ladder on: wire sags {more} more over the street; clearance not checked",
            "Keep traffic stopped until the ladder is off the strand and the sag is checked.",
            project,
        ),
    ]


def _of_crossings(
    crossings: pd.DataFrame,
    mask: pd.Series[bool],
    code: str,
    amount: str,
    setting: str,
    what: str,
    remedy: str,
) -> Flags:
    rows = np.flatnonzero(mask).astype(np.int64)

    def told(column: str) -> pd.Series[str]:
        return pd.Series(crossings[column].array.take(rows))

    words = {
        "{kind}": lambda: told("crossing_kind").str.replace("_", " ", regex=False),
        "{feature}": lambda: told("feature_id"),
        "{note}": lambda: told("clearance_note").fillna(""),
    }
    return Flags(
        code,
        Severity.WARNING,
        setting,
        remedy,
        True,
        rows,
        crossings["at_m"].to_numpy(dtype=np.float64)[rows],
        crossings[amount].to_numpy(dtype=np.float64)[rows],
        sentences(what, words, len(rows)),
    )


def _of_drops(
    drops: pd.DataFrame,
    mask: pd.Series[bool],
    code: str,
    severity: Severity,
    amount: str,
    setting: str,
    what: str,
    remedy: str,
    project: Project,
) -> Flags:
    rows = np.flatnonzero(mask).astype(np.int64)

    def figure(column: str) -> Any:
        return drops[column].to_numpy(dtype=np.float64)[rows]

    words = {
        "{hook}": lambda: lengths(figure("hook_height_m"), project),
        "{attachment}": lambda: lengths(figure("attachment_height_m"), project),
        "{over}": lambda: drops["margin_over"].array.take(rows),
        "{more}": lambda: lengths(figure("ladder_sag_m") - figure("stringing_sag_m"), project),
        "{why}": lambda: drops["clearance_note"].array.take(rows),
        "{strand}": lambda: worded(
            places(drops["strand_ladder"].array.take(rows), list(LADDER_WORDS)),
            list(LADDER_WORDS.values()),
        ),
    }
    return Flags(
        code,
        severity,
        setting,
        remedy,
        False,
        rows,
        figure("margin_at_m"),
        figure(amount),
        sentences(what, words, len(rows)),
    )
