"""Bulk wire: which drop is cut from which reel, and what is left on each.

Enters: jobs with their cut lengths and crew days, stops in their order, settings.
Leaves: the tables ``reels`` and ``reel_cuts``, and how near the plan is to the fewest reels.
Does not do: work out lengths; count pre-connectorised wire (`geoplan.work.materials`).

The cuts of a reel are made in the order of work. Where more is drawn off before a cut than is
cut, so much must be on the reel then; what is not cut goes back on it, for the cuts after. Only
the last of a reel can lack it: what it keeps back then is left over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoplan.framing import declared
from geoplan.tables import TABLES
from geoplan.text_columns import FloatArray, IntArray
from geoplan.work.reel_filling import (
    are_in_reach,
    fill_in_order,
    fill_longest_first,
    least_reels,
)
from geoplan.work.reel_patterns import bound_by_patterns, lay_out, plan_by_patterns, plan_few

if TYPE_CHECKING:
    from geoplan.project import Project

FINE_PER_M = 10_000_000
"""Lengths are told apart by tenths of a micrometre, so that steps in feet or inches are exact."""
COARSE_PER_M = 1000
"""Cuts without a common step are packed in whole millimetres, rounded up."""
MOST_STEPS = 1_000_000
WINDOWS = (12, 24, 48, 96, 192)
"""Cuts that a reel may choose from, tried in turn until the plan has as few reels as can be."""
AIM = (
    "fewest reels first; then, of the looks ahead tried, the shortest that gives them, so that "
    "the cuts of a reel are near each other in the order of work; not proved nearest"
)


@dataclass(frozen=True)
class ReelPlan:
    """Reels of a plan, what is cut from them, and how good that is."""

    reels: pd.DataFrame
    reel_cuts: pd.DataFrame
    figures: dict[str, Any]


def cut_reels(jobs: pd.DataFrame, crew_stops: pd.DataFrame | None, project: Project) -> ReelPlan:
    """Allocate cut lengths of bulk wire to reels.

    Parameters
    ----------
    jobs : DataFrame
        The table ``jobs`` with days; the order of its rows has no effect.
    crew_stops : DataFrame or None
        The table ``crew_stops``: the order of work. Drops without a stop come last, by address.
    project : Project
        Wire, and length of a reel.

    Returns
    -------
    ReelPlan
        Reels numbered by their first cut in the order of work, and cuts in that order. A drop
        that needs more than a full reel, for its cut or drawn off before it, or without a known
        length, is on none and named in the figures.
    """
    bulk = jobs[jobs["supply"] == "bulk"].sort_values("address_id", ignore_index=True)
    bulk = _by_work(bulk, crew_stops)
    length_m = bulk["cut_length_m"].to_numpy(dtype=np.float64)
    drawn_m = bulk["drawn_m"].to_numpy(dtype=np.float64)
    reel_m = float(project.supply.reel_length)
    fits = (length_m > 0) & (np.maximum(length_m, drawn_m) <= reel_m + 1 / FINE_PER_M)
    held = bulk[fits].reset_index(drop=True)
    on, bound, method = pack(*whole_units(length_m[fits], drawn_m[fits], reel_m))
    reel_cuts = _cut_table(held, length_m[fits], on)
    reels = _reel_table(reel_cuts, project.wire, reel_m)
    count, used_m = len(reels), float(reels["used_m"].sum())
    figures = {
        "reels": count,
        "reels_bound": bound,
        "gap": count - bound,
        "is_proved_fewest": count == bound,
        "method": method,
        "cuts": len(held),
        "used_m": used_m,
        "left_m": count * reel_m - used_m,
        "left_but_last_reel_m": float(reels["left_m"].iloc[:-1].sum()) if count else 0.0,
        "most_crew_days_of_a_reel": _most_days(reel_cuts),
        "not_on_a_reel": sorted(bulk["address_id"][~fits].tolist()),
        "aim": AIM,
    }
    return ReelPlan(
        declared(reels, TABLES["reels"]),
        declared(reel_cuts, TABLES["reel_cuts"]),
        {"reels": figures},
    )


def whole_units(
    length_m: FloatArray, drawn_m: FloatArray, reel_m: float
) -> tuple[IntArray, IntArray, int]:
    """Count lengths in whole units: their common step, if there is one.

    Parameters
    ----------
    length_m : ndarray of float64, shape (n,)
        Lengths up to `reel_m`, m.
    drawn_m : ndarray of float64, shape (n,)
        What is drawn off before each cut, m; up to `reel_m`, no less than the cut.
    reel_m : float
        Length of a reel, m.

    Returns
    -------
    cuts : ndarray of int64, shape (n,)
        Lengths in units, rounded up to millimetres where they have no common step.
    ends : ndarray of int64, shape (n,)
        Where on a reel each cut may end at the latest, in units, rounded down.
    reel : int
        Length of a reel in units, rounded down.

    Examples
    --------
    >>> whole_units(np.array([0.6096, 0.9144]), np.array([0.7, 0.9144]), 1.0)
    (array([2, 3]), array([2, 3]), 3)
    """
    fine = np.rint(length_m * FINE_PER_M).astype(np.int64)
    step = max(int(np.gcd.reduce(fine, initial=0)), 1)
    whole = round(reel_m * FINE_PER_M)
    reel, back_m = whole // step, drawn_m - length_m
    if reel <= MOST_STEPS:
        cuts = fine // step
        ends = (whole - np.rint(back_m * FINE_PER_M).astype(np.int64)) // step
    else:
        reel = int(reel_m * COARSE_PER_M + 1e-6)
        cuts = np.minimum(np.ceil(length_m * COARSE_PER_M - 1e-6).astype(np.int64), reel)
        ends = reel - np.ceil(back_m * COARSE_PER_M - 1e-6).astype(np.int64)
    return cuts, np.maximum(ends, cuts), reel  # alone on a reel, each has room


def pack(cuts: IntArray, ends: IntArray, reel: int) -> tuple[IntArray, int, str]:
    """Put cuts on as few reels as can be found, and bound how few there can be.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths in the order of work, 1 to `reel`.
    ends : ndarray of int64, shape (n,)
        Where on a reel each may end at the latest, its own length to `reel`.
    reel : int
        Length of a reel, in the same unit.

    Returns
    -------
    on : ndarray of int64, shape (n,)
        Reel of each cut, from 0, by the first cut on each.
    bound : int
        No plan has fewer reels.
    method : str
        How the plan was found.

    Notes
    -----
    Bounds but that of the search in full count the cuts alone, as if each could end at the
    reel's end: they hold for every order of the cuts, and with less room too.
    """
    if len(cuts) == 0:
        return cuts, 0, "no cuts"
    step = int(np.gcd.reduce(cuts))
    cuts, ends, reel = cuts // step, ends // step, reel // step
    bound = least_reels(cuts, reel)
    best, method = cuts, ""
    fewest = len(cuts) + 1
    for window in WINDOWS:
        on = fill_in_order(cuts, ends, reel, window=window, reels=bound)
        if _count(on) < fewest:
            best, method, fewest = on, f"in the order of work, {window} cuts ahead", _count(on)
        if fewest == bound or window >= len(cuts):
            break
    if fewest > bound:
        on = fill_longest_first(cuts, ends, reel)
        if _count(on) < fewest:
            best, method, fewest = on, "longest first", _count(on)
    if fewest > bound:
        best, bound, method = _search(cuts, ends, reel, best, bound, method)
    return _by_first_cut(best), bound, method


def _search(
    cuts: IntArray, ends: IntArray, reel: int, best: IntArray, bound: int, method: str
) -> tuple[IntArray, int, str]:
    """Raise the bound and lower the number of reels until they meet, or say how near they came."""
    plans = [_by_first_cut(best), fill_longest_first(cuts, ends, reel)]
    patterns = bound_by_patterns(cuts, reel, plans)
    if patterns is not None:
        bound = max(bound, patterns.bound)
        used = plan_by_patterns(patterns, _count(best)) if _count(best) > bound else None
        laid = best if used is None else lay_out(cuts, patterns, used)
        if _count(laid) < _count(best) and are_in_reach(cuts, ends, laid):
            best, method = laid, "patterns"
    while _count(best) > bound:
        on, is_proved = plan_few(cuts, ends, reel, bound)
        if on is not None:
            best, method = on, "searched in full"
        elif is_proved:
            bound += 1
        else:
            break
    return best, bound, method


def _count(on: IntArray) -> int:
    return len(np.unique(on))


def _by_first_cut(on: IntArray) -> IntArray:
    """Renumber reels by their first cut."""
    return np.asarray(pd.factorize(on)[0], dtype=np.int64)


def _by_work(bulk: pd.DataFrame, crew_stops: pd.DataFrame | None) -> pd.DataFrame:
    """Sort jobs in the order of work; those without a stop last, by address."""
    if crew_stops is None or len(crew_stops) == 0:
        return bulk
    order = crew_stops.sort_values(["crew_day_id", "stop"])["address_id"]
    place = pd.Index(order).get_indexer(bulk["address_id"]).astype(np.int64)
    place[place < 0] = len(order)
    return bulk.iloc[np.argsort(place, kind="stable")].reset_index(drop=True)


def _cut_table(held: pd.DataFrame, length_m: FloatArray, on: IntArray) -> pd.DataFrame:
    """Lay out cuts by reel; lengths on each add up from its start."""
    order = np.argsort(on, kind="stable")
    reel, length = pd.Series(on[order]), pd.Series(length_m[order])
    width = max(3, len(str(int(on.max(initial=0)) + 1)))
    to_m = length.groupby(reel).cumsum()
    first = ~reel.duplicated().to_numpy()
    from_m = np.where(first, 0.0, np.append(0.0, to_m.to_numpy()[:-1]))
    return pd.DataFrame(
        {
            "reel_id": "R" + (reel + 1).astype("str").str.zfill(width),
            "cut": reel.groupby(reel).cumcount() + 1,
            "address_id": held["address_id"].to_numpy()[order],
            "from_m": from_m,
            "to_m": to_m,
            "crew_day_id": held["crew_day_id"].array.take(order),
        }
    )


def _reel_table(reel_cuts: pd.DataFrame, wire: str, reel_m: float) -> pd.DataFrame:
    """Sum up each reel."""
    by_reel = reel_cuts.groupby("reel_id", sort=True)
    used_m = by_reel["to_m"].max()
    return pd.DataFrame(
        {
            "reel_id": used_m.index,
            "wire": wire,
            "length_m": reel_m,
            "cuts": by_reel.size().to_numpy(dtype=np.int64),
            "used_m": used_m.to_numpy(),
            "left_m": np.maximum(reel_m - used_m.to_numpy(), 0.0),
        }
    )


def _most_days(reel_cuts: pd.DataFrame) -> int | None:
    """Return the most crew days that cuts of one reel are for; None without days."""
    days = reel_cuts.groupby("reel_id")["crew_day_id"].nunique()
    most = int(days.max()) if len(days) else 0
    return most or None
