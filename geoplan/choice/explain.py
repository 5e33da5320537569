"""Why a route lost, and why an address has none, in figures.

Enters: the choice, all routes, ports and their value.
Leaves: columns for the tables ``alternatives`` and ``unserved``.
Does not do: change the choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geoplan.choice.cost import CENTS
from geoplan.project import Project
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.units import say
from geoplan.verdicts import REASON_WORDS, Forbidden


def why_not(
    extra_cents: IntArray,
    same_terminal: np.ndarray,
    is_full: np.ndarray,
    value_cents: IntArray,
    value_addresses: IntArray,
    terminal_id: pd.Series[str],
) -> pd.Series[str]:
    """Say why each runner-up lost.

    Parameters
    ----------
    extra_cents : ndarray of int64, shape (n,)
        Price less that of the route taken.
    same_terminal, is_full : ndarray of bool, shape (n,)
        Whether its terminal is that of the route taken, and whether it has no port left.
    value_cents, value_addresses : ndarray of int64, shape (n,)
        Value of one more port at its terminal.
    terminal_id : pandas.Series of str, shape (n,)
        Its terminal.

    Returns
    -------
    pandas.Series of str, shape (n,)
        One sentence each.
    """
    amount = _amounts(extra_cents, terminal_id.index)
    value = _amounts(value_cents, terminal_id.index)
    cheaper = extra_cents < 0
    less = _amounts(-extra_cents, terminal_id.index)
    text = "costs " + amount + " more"
    full = is_full & ~same_terminal
    text = text.where(~full, text + "; terminal " + terminal_id + " has no port left")
    text = text.where(
        ~(full & cheaper),
        "costs " + less + " less, but terminal " + terminal_id + " is full and its ports save "
        "more elsewhere (one more port there is worth " + value + ")",
    )
    served = full & cheaper & (value_addresses > 0)
    text = text.where(
        ~served,
        "costs " + less + " less, but terminal " + terminal_id + " is full; one more port there "
        "would serve one more address",
    )
    tie = (extra_cents == 0) & ~full
    text = text.where(~tie, "costs the same; the tie goes to the plainer route, then to the id")
    undone = cheaper & ~full
    return text.where(~undone, "costs " + less + " less, but crosses another planned drop")


def _amounts(whole_cents: IntArray, index: pd.Index) -> pd.Series[str]:
    """Write prices; no rows give an empty column of text, not of numbers."""
    return pd.Series([f"{price:.2f}" for price in whole_cents / CENTS], index=index, dtype="str")


@dataclass(frozen=True)
class Lack:
    """What is known of an address without a route; arrays by unserved address."""

    nearest_terminal_id: pd.Series[str]
    nearest_terminal_m: FloatArray
    shortest_excess_m: FloatArray
    """Metres over the limit of the least over-long air span; NaN where one is short enough."""
    miss_m: FloatArray
    """Metres by which its nearest route misses clearance; NaN where none does."""
    miss_text: pd.Series[str]
    """What that route misses."""
    mend_text: pd.Series[str]
    """The cheapest mend of that route."""
    forbidden: IntArray
    """Bits of all its routes, joined; 0 where there are none."""
    has_route: np.ndarray
    """Whether an allowed route exists, so that only ports are lacking."""
    full_terminal_ids: pd.Series[str]
    """Full terminals that its allowed routes lead to, cheapest first, joined by ', '."""
    cheapest_cents: IntArray
    """Price of its cheapest allowed route; -1 without one."""
    is_locked: np.ndarray
    lock_is_unknown: np.ndarray
    ports_needed: IntArray
    new_terminal_pole_id: pd.Series[str]
    new_terminal_m: FloatArray


def explain_unserved(lack: Lack, project: Project) -> pd.DataFrame:
    """Say why addresses are not served and what would mend that.

    Parameters
    ----------
    lack : Lack
        What is known of them.
    project : Project
        Settings.

    Returns
    -------
    pandas.DataFrame
        ``code``, ``reasons``, ``remedy``, ``excess_m``, ``cost_if_port_added``.
    """
    rows = [_explain_one(lack, row, project) for row in range(len(lack.nearest_terminal_m))]
    too_long = ~lack.has_route & (lack.shortest_excess_m > 0)
    cost = np.where(lack.cheapest_cents >= 0, lack.cheapest_cents / CENTS, np.nan)
    return pd.DataFrame(
        {
            "code": [code for code, _, _ in rows],
            "reasons": [reasons for _, reasons, _ in rows],
            "remedy": [remedy for _, _, remedy in rows],
            "clearance_miss_m": np.where(lack.has_route, np.nan, lack.miss_m),
            "excess_m": np.where(too_long, lack.shortest_excess_m, np.nan),
            "cost_if_port_added": cost,
        }
    ).astype({"code": "str", "reasons": "str", "remedy": "str"})


def _explain_one(lack: Lack, row: int, project: Project) -> tuple[str, str, str]:
    """Return code, reasons and remedy; the unserved are few, so this goes one by one."""

    def far(metres: float) -> str:
        return say(metres, "length", project.units)

    near = lack.nearest_terminal_id.iloc[row]
    pole = lack.new_terminal_pole_id.iloc[row]
    new = (
        f"Or set a terminal on pole {pole}, {far(lack.new_terminal_m[row])} away"
        if isinstance(pole, str)
        else "No pole stands near enough for a new terminal"
    )
    if lack.lock_is_unknown[row]:
        return (
            "locked_terminal_unknown",
            "it is locked to a terminal that doesn't exist",
            "Correct or clear locked_terminal_id.",
        )
    lock = " (it is locked to one terminal)" if lack.is_locked[row] else ""
    if lack.has_route[row]:
        need = int(lack.ports_needed[row])
        ports = "port" if need == 1 else f"{need} ports together"
        terminals = lack.full_terminal_ids.iloc[row]
        price = lack.cheapest_cents[row] / CENTS
        return (
            "no_free_port",
            f"no free {ports} at {terminals}{lock}; all ports there serve more or cheaper "
            f"addresses",
            f"Add {need} port{'s' if need > 1 else ''} at {terminals.split(', ')[0]}: the route "
            f"would cost {price:.2f}. {new}.",
        )
    if lack.forbidden[row]:
        bits = Forbidden(int(lack.forbidden[row]))
        words = "; ".join(text for bit, text in REASON_WORDS.items() if bit in bits)
        if np.isfinite(lack.miss_m[row]):
            return (
                "no_clearance",
                f"every route within the limits{lock} {words}; {lack.miss_text.iloc[row]}",
                f"{lack.mend_text.iloc[row]}. {new}.",
            )
        if Forbidden.TENSION in bits and not bits & ~(Forbidden.TENSION | Forbidden.CLEARANCE):
            return (
                "overstressed",
                f"every route within the limits{lock} {words}",
                "Use a stronger wire or a nearer pole, or allow more sag under "
                f"heights.max_sag_share. {new}.",
            )
        return (
            "every_route_forbidden",
            f"every route within the limits{lock} {words}",
            f"Change the setting under [forbidden] with the owner's permit. {new}.",
        )
    excess = lack.shortest_excess_m[row]
    limit = far(project.limits.max_air_span)
    where = f"the nearest terminal is {near}, {far(lack.nearest_terminal_m[row])} away"
    if np.isfinite(excess) and excess > 0:
        return (
            "too_far",
            f"no pole with a terminal in reach{lock}: {where}; the air span limit is {limit} "
            f"and the shortest span from a pole on its strand is {far(excess)} too long",
            f"{new}, or set a pole {far(excess)} nearer.",
        )
    return (
        "no_terminal_in_reach",
        f"poles are near, but none is joined to a terminal within the limits of strand run and "
        f"route length{lock}; {where}",
        f"{new}.",
    )
