"""Why a route lost, and why an address has none, in figures.

Enters: the choice, all routes, ports and their value.
Leaves: columns for the tables ``alternatives`` and ``unserved``.
Does not do: change the choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geoplan.choice.cost import CENTS
from geoplan.project import Project
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.text_columns import assembled, joined, numbers, worded
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
    cheaper, full = extra_cents < 0, is_full & ~same_terminal
    amount = _amounts(np.abs(extra_cents))
    name = terminal_id.array
    ways: list[tuple[np.ndarray, Callable[[IntArray], Any]]] = [
        (
            cheaper & ~full,
            lambda rows: joined(
                "costs ", amount.take(rows), " less, but crosses another planned drop"
            ),
        ),
        (
            (extra_cents == 0) & ~full,
            lambda rows: worded(
                np.zeros(len(rows)),
                ("costs the same; the tie goes to the plainer route, then to the id",),
            ),
        ),
        (
            cheaper & full & (value_addresses > 0),
            lambda rows: joined(
                "costs ",
                amount.take(rows),
                " less, but terminal ",
                name.take(rows),
                " is full; one more port there would serve one more address",
            ),
        ),
        (
            cheaper & full & (value_addresses <= 0),
            lambda rows: joined(
                "costs ",
                amount.take(rows),
                " less, but terminal ",
                name.take(rows),
                " is full and its ports save more elsewhere (one more port there is worth ",
                _amounts(value_cents[rows]),
                ")",
            ),
        ),
        (
            full & ~cheaper,
            lambda rows: joined(
                "costs ",
                amount.take(rows),
                " more; terminal ",
                name.take(rows),
                " has no port left",
            ),
        ),
        (
            ~full & (extra_cents > 0),
            lambda rows: joined("costs ", amount.take(rows), " more"),
        ),
    ]
    parts = []
    for mask, say_it in ways:
        rows = np.flatnonzero(mask).astype(np.int64)
        if len(rows):
            parts.append((rows, say_it(rows)))
    return pd.Series(assembled(len(extra_cents), parts), index=terminal_id.index)


def _amounts(whole_cents: IntArray) -> Any:
    """Write prices."""
    return numbers(whole_cents / CENTS, 2)


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


@dataclass(frozen=True, slots=True)
class _Case:
    """What is known of one address without a route, lengths in words."""

    nearest_id: str
    nearest_far: str
    excess_m: float
    excess_far: str
    has_miss: bool
    miss_text: str
    mend_text: str
    forbidden: int
    has_route: bool
    full_ids: str
    cents: int
    is_locked: bool
    lock_is_unknown: bool
    ports_needed: int
    pole_id: str | float
    pole_far: str


def _cases(lack: Lack, project: Project) -> list[_Case]:
    """Take what is known apart by address; the unserved are few, so they go one by one."""

    def far(metres: FloatArray) -> list[str]:
        return [say(value, "length", project.units) for value in metres.tolist()]

    columns: tuple[list[Any], ...] = (
        lack.nearest_terminal_id.tolist(),
        far(lack.nearest_terminal_m),
        lack.shortest_excess_m.tolist(),
        far(lack.shortest_excess_m),
        np.isfinite(lack.miss_m).tolist(),
        lack.miss_text.tolist(),
        lack.mend_text.tolist(),
        lack.forbidden.tolist(),
        lack.has_route.tolist(),
        lack.full_terminal_ids.tolist(),
        lack.cheapest_cents.tolist(),
        lack.is_locked.tolist(),
        lack.lock_is_unknown.tolist(),
        lack.ports_needed.tolist(),
        lack.new_terminal_pole_id.tolist(),
        far(lack.new_terminal_m),
    )
    return [_Case(*values) for values in zip(*columns, strict=True)]


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
    limit = say(project.limits.max_air_span, "length", project.units)
    rows = [_explain_one(case, limit) for case in _cases(lack, project)]
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


def _explain_one(case: _Case, limit: str) -> tuple[str, str, str]:
    """Return code, reasons and remedy of one address."""
    new = (
        f"Or set a terminal on pole {case.pole_id}, {case.pole_far} away"
        if isinstance(case.pole_id, str)
        else "No pole stands near enough for a new terminal"
    )
    if case.lock_is_unknown:
        return (
            "locked_terminal_unknown",
            "it is locked to a terminal that doesn't exist",
            "Correct or clear locked_terminal_id.",
        )
    lock = " (it is locked to one terminal)" if case.is_locked else ""
    if case.has_route:
        need = case.ports_needed
        ports = "port" if need == 1 else f"{need} ports together"
        terminals = case.full_ids
        price = case.cents / CENTS
        return (
            "no_free_port",
            f"no free {ports} at {terminals}{lock}; all ports there serve more or cheaper "
            f"addresses",
            f"Add {need} port{'s' if need > 1 else ''} at {terminals.split(', ')[0]}: the route "
            f"would cost {price:.2f}. {new}.",
        )
    if case.forbidden:
        bits = Forbidden(case.forbidden)
        words = "; ".join(text for bit, text in REASON_WORDS.items() if bit in bits)
        if case.has_miss:
            return (
                "no_clearance",
                f"every route within the limits{lock} {words}; {case.miss_text}",
                f"{case.mend_text}. {new}.",
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
    where = f"the nearest terminal is {case.nearest_id}, {case.nearest_far} away"
    if np.isfinite(case.excess_m) and case.excess_m > 0:
        return (
            "too_far",
            f"no pole with a terminal in reach{lock}: {where}; the air span limit is {limit} "
            f"and the shortest span from a pole on its strand is {case.excess_far} too long",
            f"{new}, or set a pole {case.excess_far} nearer.",
        )
    return (
        "no_terminal_in_reach",
        f"poles are near, but none is joined to a terminal within the limits of strand run and "
        f"route length{lock}; {where}",
        f"{new}.",
    )
