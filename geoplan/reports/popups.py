"""What the popups of the map page say, line by line.

Enters: one row of a table of the plan.
Leaves: pairs of label and text.
Does not do: geometry; markup (the page puts each text in as text).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from geoplan.hanging import LADDER_WORDS
from geoplan.reports.clearances import LADDER_ALLOWED
from geoplan.reports.frames import cut
from geoplan.reports.palette import ROUTE_STYLE, SEVERITY_STYLE
from geoplan.tables import Basis, RouteKind, Severity
from geoplan.units import ReportUnits, say

ID_LETTERS = 80
NAME_LETTERS = 120

NOTHING_TO_CLEAR = "none"
"""The word in ``clearance_basis`` where nothing has to be cleared."""

Row = Mapping[Any, Any]
"""A row of a table, by column."""

Rows = list[list[str]]


def address_title(row: Row) -> str:
    """Return the id of an address, and its label where it has one.

    Parameters
    ----------
    row : mapping
        A row with ``address_id`` and ``label``.

    Returns
    -------
    str
        Cut to a popup's width.
    """
    label = row.get("label")
    address_id = cut(row["address_id"], ID_LETTERS)
    return address_id if pd.isna(label) else f"{address_id}: {cut(label, NAME_LETTERS)}"


def drop_rows(row: Row, flags: Iterable[Row], units: ReportUnits) -> Rows:
    """Tell of one planned drop: route, grave flags, heights, sag, margin, notes, and what lost.

    Parameters
    ----------
    row : mapping
        A row of ``drops``.
    flags : iterable of mapping
        Its rows of ``hazards``.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    list of [str, str]
        Label and text. Unknown is said as ``unknown``.
    """
    ruled_out = row["clearance_note"]  # its flag says the same
    ranked = sorted((flag for flag in flags if flag["what"] != ruled_out), key=rank)
    grave, notes = [
        [_short_flag(flag) for flag in ranked if (flag["severity"] == Severity.NOTE.value) == mild]
        for mild in (False, True)
    ]
    rows = [
        ["Terminal", cut(row["terminal_id"], ID_LETTERS)],
        ["Route", ROUTE_STYLE[RouteKind(row["route_kind"])].label],
        *([] if pd.isna(ruled_out) else [["Ruled out", cut(ruled_out)]]),
        *grave,
        ["Across a street", "yes" if row["is_street_crossing"] else "no"],
        ["Air span", say(row["air_span_m"], "length", units)],
        ["Along strand", say(row["strand_run_m"], "length", units)],
    ]
    has_clamp = bool(np.isfinite(row["clamp_at_m"]))
    if has_clamp:
        at = say(row["clamp_at_m"], "length", units)
        rows.append(["Span clamp", f"{at} from pole {cut(row['access_pole_id'], ID_LETTERS)}"])
    rows += _height_rows(row, units, "Clamp height" if has_clamp else "Hook height")
    rows += _hanging_rows(row, units)
    if has_clamp:
        rows += _ladder_rows(row, units)
    rows += notes
    rows.append(["Cost", f"{row['cost']:.2f}"])
    if not pd.isna(row["runner_up"]) and row["runner_up"]:
        rows.append(["Runner-up", cut(row["runner_up"])])
    return rows


def _height_rows(row: Row, units: ReportUnits, start: str) -> Rows:
    def height(metres: float, *, is_raised: bool) -> str:
        raised = ", raised above its usual place" if is_raised else ""
        return f"{say(metres, 'length', units)} above ground{raised}"

    return [
        [start, height(row["hook_height_m"], is_raised=row["hook_is_raised"])],
        [
            "House height",
            height(row["attachment_height_m"], is_raised=row["attachment_is_raised"]),
        ],
    ]


def _hanging_rows(row: Row, units: ReportUnits) -> Rows:
    def case(name: str) -> str:
        return words(row[name])

    share = row["tension_worst_n"] / row["tension_limit_n"]
    of_limit = f"{share:.1%} of its limit" if np.isfinite(share) else "unknown share of its limit"
    pull, limit = (say(row[f"tension_{name}_n"], "force", units) for name in ("worst", "limit"))
    rows = [
        [
            "Sag to leave",
            f"{say(row['stringing_sag_m'], 'sag', units)} at"
            f" {say(row['stringing_temperature_c'], 'temperature', units)}",
        ],
        ["Worst sag", f"{say(row['sag_worst_m'], 'sag', units)} ({case('sag_worst_case')})"],
        ["Tension", f"{of_limit}: {pull} of {limit} ({case('tension_case')})"],
    ]
    margin = [
        f"{say(row['margin_m'], 'sag', units)} at {cut(row['margin_over'], NAME_LETTERS)},"
        f" {say(row['margin_at_m'], 'length', units)} out:"
        f" {say(row['margin_required_m'], 'length', units)} required,"
        f" {say(row['margin_available_m'], 'length', units)} there ({case('margin_case')})"
    ]
    rows.append(["Least margin", *margin])
    rows.append(["Rule", cut(row["margin_rule"])])
    return rows


def _ladder_rows(row: Row, units: ReportUnits) -> Rows:
    ladder = row["strand_ladder"]
    if pd.isna(ladder):
        return [["Ladder", "not checked whether the strand may bear one"]]
    if ladder != LADDER_ALLOWED:
        why = LADDER_WORDS.get(ladder, words(ladder))
        rows = [["Bucket job", f"no ladder on this strand: {why}"]]
    else:
        rows = [["Ladder", "may lean on the strand"]]
        if np.isfinite(row["ladder_sag_m"]):
            on = f"sag {say(row['ladder_sag_m'], 'sag', units)}"
            rows.append(["Ladder on", f"{on}; clamp {_shift(row['ladder_shift_m'], units)}"])
    if np.isfinite(row["clamp_shift_m"]):
        sink = row["clamp_sink_m"]
        way = "higher" if sink < 0.0 else "lower"
        shifted = _shift(row["clamp_shift_m"], units)
        rows.append(["Ladder gone", f"clamp {shifted}, {way} by {say(abs(sink), 'sag', units)}"])
    return rows


def _shift(metres: float, units: ReportUnits) -> str:
    if not np.isfinite(metres):
        return "shifted by an unknown length"
    side = "house" if metres >= 0.0 else "street"
    return f"{say(abs(metres), 'sag', units)} toward the {side}"


def words(name: object) -> str:
    """Return a stable word, such as a load case's name, as words for people."""
    return cut(name, ID_LETTERS).replace("_", " ")


def rank(flag: Row) -> int:
    """Return the place of a flag in a list, the gravest first."""
    return list(SEVERITY_STYLE).index(Severity(flag["severity"]))


def _short_flag(flag: Row) -> list[str]:
    """Tell of a flag in one line; the mark on the map tells the setting behind it."""
    label = SEVERITY_STYLE[Severity(flag["severity"])].label
    return [label, f"{_sentence(cut(flag['what']))} {cut(flag['remedy'])}"]


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?", "\u2026")) else f"{text}."


def flag_rows(flag: Row) -> Rows:
    """Tell of one flag: what, by which setting, what to do.

    Parameters
    ----------
    flag : mapping
        A row of ``hazards``.

    Returns
    -------
    list of [str, str]
        Label and text.
    """
    return [
        [SEVERITY_STYLE[Severity(flag["severity"])].label, cut(flag["what"])],
        ["Why", f"{cut(flag['code'], ID_LETTERS)}, by {cut(flag['setting'], NAME_LETTERS)}"],
        ["To do", cut(flag["remedy"])],
    ]


def clearance_rows(row: Row, units: ReportUnits) -> Rows:
    """Tell whether the clearance at a crossing was worked out, and what came of it.

    Parameters
    ----------
    row : mapping
        A row of ``crossings``.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    list of [str, str]
        Required, available, margin, case and rule; or that it was not checked, and why; or that
        there is nothing to clear.
    """
    note: str = "" if pd.isna(row["clearance_note"]) else cut(row["clearance_note"])
    basis = row["clearance_basis"]
    if basis == Basis.NOT_CHECKED.value:
        return [["Clearance", f"not checked: {note or 'reason unknown'}"]]
    if basis == NOTHING_TO_CLEAR:
        return [["Clearance", f"nothing to clear{f': {note}' if note else ''}"]]
    rows = [
        ["Required", say(row["required_m"], "length", units)],
        ["Available", say(row["available_m"], "length", units)],
        ["Margin", f"{say(row['margin_m'], 'sag', units)} ({words(row['margin_case'])})"],
        ["Rule", cut(row["rule"])],
    ]
    return rows + ([["Assumed", note]] if note else [])


def street_crossing_rows(row: Row, units: ReportUnits) -> Rows:
    """Tell of one road that a drop crosses.

    Parameters
    ----------
    row : mapping
        A row of ``crossings``.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    list of [str, str]
        Label and text.
    """
    owner: str = "the road's owner" if pd.isna(row["jurisdiction"]) else row["jurisdiction"]
    start, end = (say(row[f"{name}_m"], "length", units) for name in ("start", "end"))
    return [
        ["What", f"The drop of {cut(row['address_id'], ID_LETTERS)} crosses this road"],
        ["Class", cut(row["feature_class"], ID_LETTERS)],
        ["From", f"{start} to {end} out"],
        ["Angle", say(row["angle_deg"], "angle", units)],
        ["Carriageway", say(row["width_m"], "length", units)],
        *clearance_rows(row, units),
        ["To do", f"Check the height over its full width; permit: {cut(owner, NAME_LETTERS)}"],
    ]


def other_crossing_rows(row: Row, units: ReportUnits) -> Rows:
    """Tell of anything but a road that a drop crosses or comes near.

    Parameters
    ----------
    row : mapping
        A row of ``crossings``.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    list of [str, str]
        Label and text.
    """
    rows = [
        ["Address", cut(row["address_id"], ID_LETTERS)],
        ["Which", cut(row["feature_id"], ID_LETTERS)],
    ]
    if row["is_near_miss"]:
        rows.append(["Distance in plan", say(row["distance_m"], "length", units)])
    return rows + clearance_rows(row, units)


def unserved_rows(row: Row, units: ReportUnits) -> Rows:
    """Tell why an address is not served, and what would mend that.

    Parameters
    ----------
    row : mapping
        A row of ``unserved``.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    list of [str, str]
        Label and text.
    """
    rows = [["Reasons", cut(row["reasons"])]]
    if np.isfinite(row["clearance_miss_m"]):
        short = say(row["clearance_miss_m"], "sag", units)
        rows.append(["Clearance", f"{short} short of clearance and the margin asked for"])
    rows.append(["To do", cut(row["remedy"])])
    if not pd.isna(row["nearest_terminal_id"]):
        far = say(row["nearest_terminal_m"], "length", units)
        near = cut(row["nearest_terminal_id"], ID_LETTERS)
        rows.append(["Nearest terminal", f"{near}, {far} off"])
    return rows


def terminal_rows(row: Row) -> Rows:
    """Tell of the ports of a terminal.

    Parameters
    ----------
    row : mapping
        A row of ``terminals``.

    Returns
    -------
    list of [str, str]
        Label and text.
    """
    fill = row["fill"]
    return [
        ["Ports", str(row["ports_total"])],
        ["In use before", str(row["ports_in_use"])],
        ["Planned", str(row["ports_planned"])],
        ["Free", str(row["ports_free"])],
        ["Reserved", str(row["ports_reserved"])],
        ["Fill", "unknown" if pd.isna(fill) else f"{fill:.0%}"],
    ]
