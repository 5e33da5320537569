"""Which drops get a sheet, and in which order.

Enters: a `Plan` with its work, words of the command line.
Leaves: rows of ``plan.drops`` in the order of work.
Does not do: write anything.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.errors import UsageError, nearest_name
from geoplan.model import Plan

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Selection:
    """What is asked for; an empty kind asks for all."""

    addresses: tuple[str, ...] = ()
    roads: tuple[str, ...] = ()
    """Ids or names of roads that a job is done from, or that its drop crosses."""
    terminals: tuple[str, ...] = ()
    days: tuple[str, ...] = ()


def select_drops(plan: Plan, selection: Selection) -> IntArray:
    """Choose drops and bring them into the order of work.

    Parameters
    ----------
    plan : Plan
        With ``jobs`` worked out.
    selection : Selection
        Words of one kind add up; of several kinds all must hold.

    Returns
    -------
    ndarray of int64
        Rows of ``plan.drops``: by crew day and stop, then those on no day, by address.

    Raises
    ------
    UsageError
        If a word names nothing that has a drop, or nothing is left, or there is no drop.
    """
    drops, jobs = plan.drops, plan.jobs
    if jobs is None:
        message = "plan has no jobs; call geoplan.office.with_work first"
        raise ValueError(message)
    if len(drops) == 0:
        where, remedy = "sheets", "Look at unserved in the plan"
        raise UsageError(where, "the plan has no drop", remedy)
    ids = drops["address_id"]
    job = jobs.set_index("address_id").reindex(ids)
    keep = np.ones(len(drops), dtype=bool)
    by_id = {
        "--address": (selection.addresses, ids),
        "--terminal": (selection.terminals, drops["terminal_id"]),
        "--day": (selection.days, job["crew_day_id"]),
    }
    for option, (words, column) in by_id.items():
        if words:
            _refuse_unknown(option, words, column.dropna().unique())
            keep &= column.isin(words).to_numpy()
    if selection.roads:
        keep &= _by_road(plan, job, selection.roads)
    rows = np.flatnonzero(keep)
    if len(rows) == 0:
        where, remedy = "sheets", "Ask for less, or for one kind at a time"
        raise UsageError(where, "no drop is all that was asked for", remedy)
    return rows[_order_of_work(plan, ids.iloc[rows], job["crew_day_id"].iloc[rows])]


def _refuse_unknown(option: str, words: Iterable[str], known: Iterable[str]) -> None:
    names = {str(name) for name in known}
    for word in words:
        if word not in names:
            hint = nearest_name(word, names) if len(names) <= 5000 else "Look into the plan."
            if hint.startswith("Valid:") and len(names) > 20:
                hint = f"There are {len(names)}; the first is '{min(names)}'."
            raise UsageError(f"sheets, option {option}", f"no drop has '{word}'", hint)


def _by_road(plan: Plan, job: pd.DataFrame, words: tuple[str, ...]) -> npt.NDArray[np.bool_]:
    roads = plan.layers.roads
    names = roads["name"].astype("object").where(roads["name"].notna(), None)
    crossed = plan.crossings[plan.crossings["crossing_kind"].eq("road")]
    crossed = crossed[~crossed["is_near_miss"]]
    used = set(job["road_id"].dropna()) | set(crossed["feature_id"])
    known = {str(road): [str(road)] for road in sorted(used)}
    for road, name in zip(roads.index.tolist(), names.tolist(), strict=True):
        if name is not None and road in used:
            known.setdefault(str(name), []).append(str(road))
    _refuse_unknown("--road", words, known)
    wanted = {road for word in words for road in known[word]}
    over = crossed.loc[crossed["feature_id"].isin(wanted), "address_id"]
    return (job["road_id"].isin(wanted) | job.index.isin(over)).to_numpy(dtype=bool)


def _order_of_work(plan: Plan, ids: pd.Series, days: pd.Series) -> IntArray:
    stop = pd.Series(np.nan, index=pd.Index(ids))
    if plan.crew_stops is not None and len(plan.crew_stops):
        stop = plan.crew_stops.set_index("address_id")["stop"].reindex(ids).astype(np.float64)
    order = pd.DataFrame(
        {"day": days.to_numpy(dtype=object), "stop": stop.to_numpy(), "id": ids.to_numpy()}
    )
    order["none"] = order["day"].isna() | order["day"].eq("")
    order = order.sort_values(["none", "day", "stop", "id"], kind="stable", na_position="last")
    return order.index.to_numpy(dtype=np.int64)
