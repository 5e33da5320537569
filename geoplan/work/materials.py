"""Materials by drop, by crew day and for the whole plan, from a catalogue.

Enters: jobs with their crew days, ports, the reel plan, the catalogue of the project.
Leaves: the tables ``drop_materials``, ``day_materials`` and ``materials``.
Does not do: work out lengths or reels; hold items or prices.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoplan.framing import declared
from geoplan.rules.materials_reader import Catalogue, Counter, Item, load_catalogue
from geoplan.tables import TABLES
from geoplan.text_columns import BoolArray, FloatArray, IntArray, places
from geoplan.units import ReportUnits, say
from geoplan.work.reels import cut_reels

if TYPE_CHECKING:
    from geoplan.model import Plan
    from geoplan.store_settings import Supply

UNSCHEDULED = "unscheduled"
"""Stands for the crew day of drops that have none."""
EXACT = 1_000_000
"""Quantities are added up in whole millionths, so that sums of sums are the same."""


@dataclass(frozen=True)
class Bill:
    """What a plan is built from."""

    drop_materials: pd.DataFrame
    day_materials: pd.DataFrame
    materials: pd.DataFrame
    figures: dict[str, Any]


@dataclass(frozen=True)
class _Line:
    """One item, or one stocked length of an item, with what each drop needs of it."""

    key: str
    title: str
    item: Item
    quantity: IntArray
    """In millionths."""


def bill_materials(plan: Plan, jobs: pd.DataFrame, reels: pd.DataFrame | None = None) -> Bill:
    """Count materials of each drop, and sum them up by crew day and for the plan.

    Parameters
    ----------
    plan : Plan
        For ports and settings.
    jobs : DataFrame
        The table ``jobs`` with days; the order of its rows has no effect.
    reels : DataFrame, optional
        The table ``reels``, so that no fewer reels are ordered than the reel plan uses; worked
        out anew, by address, if it isn't given.

    Returns
    -------
    Bill
        Sums over drops, days and plan agree exactly. What is ordered is what is needed and the
        spare, rounded up to packs; wire on reels, to whole reels.

    Raises
    ------
    RuleDataError
        If the catalogue cannot be read.
    """
    catalogue = load_catalogue(plan.project)
    jobs = jobs.sort_values("address_id", kind="stable", ignore_index=True)
    if reels is None:
        reels = cut_reels(jobs, None, plan.project).reels
    lines = _lines(catalogue, _counts(plan, jobs), jobs, plan.project.units)
    drops = _by_drop(lines, jobs)
    materials = _order(lines, len(reels), plan.project.supply)
    return Bill(
        drop_materials=declared(_shown(drops, lines, "address_id"), TABLES["drop_materials"]),
        day_materials=declared(_by_day(drops, lines, jobs), TABLES["day_materials"]),
        materials=declared(materials, TABLES["materials"]),
        figures={"materials": _figures(catalogue, materials, jobs)},
    )


def _counts(plan: Plan, jobs: pd.DataFrame) -> dict[Counter, FloatArray]:
    """Count what items go by, drop by drop; runs and wire in metres."""
    one = np.ones(len(jobs))
    ports = plan.drops["ports_needed"].to_numpy(dtype=np.float64)
    ports = ports[places(jobs["address_id"], plan.drops["address_id"])]
    is_clamp = jobs["job_kind"].str.endswith("span_clamp").to_numpy(dtype=bool)
    is_bulk = _is_bulk(jobs)
    return {
        Counter.DROP: one,
        Counter.HOUSE_END: one,
        Counter.POLE_END: np.where(is_clamp, 0.0, 1.0),
        Counter.SPAN_CLAMP: np.where(is_clamp, 1.0, 0.0),
        Counter.AIR_SPAN_END: 2.0 * one,
        Counter.PORT: ports,
        Counter.BULK_PORT_END: np.where(is_bulk, 2.0 * ports, 0.0),
        Counter.COIL: np.where(_metres(jobs, "coil_m") > 0, 1.0, 0.0),
        Counter.BUILDING_RUN: _metres(jobs, "building_run_m"),
        Counter.STRAND_RUN: _metres(jobs, "strand_wire_m"),
        Counter.BULK_WIRE: np.where(is_bulk, _metres(jobs, "cut_length_m"), 0.0),
    }


def _is_bulk(jobs: pd.DataFrame) -> BoolArray:
    return (jobs["supply"] == "bulk").to_numpy(dtype=bool)


def _metres(jobs: pd.DataFrame, name: str) -> FloatArray:
    """Return a length; 0 where it is unknown, which the figures tell of a drop's wire."""
    metres: FloatArray = jobs[name].to_numpy(dtype=np.float64)
    return np.where(np.isfinite(metres), metres, 0.0)


def _lines(
    catalogue: Catalogue,
    counts: dict[Counter, FloatArray],
    jobs: pd.DataFrame,
    units: ReportUnits,
) -> list[_Line]:
    """Work out what each drop needs of each item; stocked wire is listed by length."""
    lines = []
    for key, item in catalogue.items.items():
        if item.counter is Counter.STOCKED_WIRE:
            lines += _stocked(item, jobs, units)
            continue
        counted = counts[item.counter]
        if item.spacing_m > 0:
            counted = np.ceil(counted / item.spacing_m - 1e-9)
        lines.append(_Line(key, item.title, item, _exact(counted * item.times)))
    return lines


def _stocked(item: Item, jobs: pd.DataFrame, units: ReportUnits) -> list[_Line]:
    """List wire with connectors by stocked length; the title has it in the reader's unit."""
    length_m = np.where(_is_bulk(jobs), 0.0, _metres(jobs, "cut_length_m"))
    return [
        _Line(
            f"{item.key}_{length:g}_m",
            f"{item.title}, {say(length, 'length', units)}",
            item,
            _exact(np.where(length_m == length, item.times, 0.0)),
        )
        for length in np.unique(length_m[length_m > 0]).tolist()
    ]


def _exact(quantity: FloatArray) -> IntArray:
    return np.rint(quantity * EXACT).astype(np.int64)


def _by_drop(lines: list[_Line], jobs: pd.DataFrame) -> pd.DataFrame:
    """Lay out what each drop needs, by number of line; quantities in millionths."""
    rows = [np.flatnonzero(line.quantity) for line in lines]
    row = np.concatenate([*rows, np.zeros(0, dtype=np.int64)])
    amounts = [line.quantity[own] for line, own in zip(lines, rows, strict=True)]
    return pd.DataFrame(
        {
            "address_id": jobs["address_id"].array.take(row),
            "row": row,
            "line": np.repeat(np.arange(len(lines)), [len(own) for own in rows]),
            "amount": np.concatenate([*amounts, np.zeros(0, dtype=np.int64)]),
        }
    )


def _shown(frame: pd.DataFrame, lines: list[_Line], key: str) -> pd.DataFrame:
    """Write items by name, and quantities in their unit."""
    line = frame["line"].to_numpy()
    return pd.DataFrame(
        {
            key: frame[key].array,
            "item": _texts(lines, "key").take(line),
            "title": _texts(lines, "title").take(line),
            "quantity": frame["amount"].to_numpy() / EXACT,
            "unit": pd.array([one.item.unit for one in lines], dtype="str").take(line),
        }
    )


def _texts(lines: list[_Line], name: str) -> Any:
    return pd.array([getattr(line, name) for line in lines], dtype="str")


def _by_day(drops: pd.DataFrame, lines: list[_Line], jobs: pd.DataFrame) -> pd.DataFrame:
    """Sum up what drops need by crew day."""
    days = jobs["crew_day_id"].fillna(UNSCHEDULED).array.take(drops["row"].to_numpy())
    by_day = drops.assign(crew_day_id=days).groupby(["crew_day_id", "line"])
    return _shown(by_day["amount"].sum().reset_index(), lines, "crew_day_id")


def _order(lines: list[_Line], reels: int, supply: Supply) -> pd.DataFrame:
    """Work out what to order of each item that is needed."""
    rows = []
    for line in lines:
        amount = int(line.quantity.sum())
        if amount == 0:
            continue
        item, needed = line.item, amount / EXACT
        is_wire = item.counter is Counter.BULK_WIRE
        pack = supply.reel_length if is_wire else item.pack
        packs = max(int(np.ceil(needed * (1 + item.spare) / pack - 1e-9)), 1)
        if is_wire:
            packs = max(packs, reels)
        rows.append(
            {
                "item": line.key,
                "title": line.title,
                "quantity": needed,
                "unit": item.unit,
                "order_quantity": packs * pack,
                "unit_cost": item.unit_cost,
                "total_cost": packs * pack * item.unit_cost,
            }
        )
    return pd.DataFrame(rows, columns=list(TABLES["materials"].column_names))


def _figures(catalogue: Catalogue, materials: pd.DataFrame, jobs: pd.DataFrame) -> dict[str, Any]:
    """Say which catalogue was used, what its figures rest on, and which drops lack their wire."""
    priced = materials["unit_cost"].notna()
    without_wire = jobs["address_id"][_metres(jobs, "cut_length_m") <= 0]
    return {
        "catalogue": catalogue.name,
        "items": len(materials),
        "without_price": int((~priced).sum()),
        "drops_without_wire": without_wire.tolist(),
        "total_cost": float(materials["total_cost"].sum()) if priced.any() else None,
        "statuses": sorted({item.status.label for item in catalogue.items.values()}),
    }
