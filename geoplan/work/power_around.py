"""Power drawn around each drop, farther off than what is measured.

Enters: planned drops, their strand runs, power, pairs told already.
Leaves: for each drop the nearest lines in words.
Does not do: judge; look at heights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.text_columns import joined, numbers, places, texts, worded
from geoplan.units import ReportUnits, for_report, report_unit
from geoplan.work.clauses import in_words, per_row
from geoplan.work.power_pairs import Near
from geoplan.work.power_words import named
from geoplan.work.powers import Powers
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[np.object_]

AROUND_M = 15.0
"""Power within this distance in plan is named; our own default, no source."""
NEAR_M = 3.05
"""Lines within this in plan are all named, with the distance to keep; 10 ft, common practice for
people who are not electricians, no source."""
MOST_AROUND = 3
"""Lines named at most of those farther off."""
LANDS_WITHIN_M = 0.5
"""A line that ends this near to a building lands on it; our own default, no source."""
PASSES_WITHIN_M = 1.5
"""A line this near to a building in plan passes it within reach of who works at its wall; our own
default, no source."""
AT_END_M = 0.5
"""A place this near to an end of the wire is told as that end; our own default, no source."""

FROM = ("the house attachment", "the hook", "the clamp", "the wire", "the strand run")
"""What a distance is from; poles of the run come after these."""
HOUSE_END, HOOK_END, CLAMP_END, WIRE, RUN = range(len(FROM))


def power_around(plan: Plan, powers: Powers, runs: StrandRuns, near: Near) -> Any:
    """Name the power lines drawn around each drop that are not told otherwise.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    powers : Powers
        Of its layers.
    runs : StrandRuns
        Ways of the wires along the strand.
    near : Near
        Pairs that are told already.

    Returns
    -------
    pandas array of str, shape (n,)
        Lines within `AROUND_M` in plan, split by ``LIST_SPLIT``; those that land on the drop's own
        building or pass it first, then the nearest, of those beyond `NEAR_M` at most `MOST_AROUND`.
        Each with its voltage; within `NEAR_M` the distance to keep follows after a colon. Null
        without one.
    """
    drop, line, plan_m, origin = _nearest(plan, runs, powers.lines)
    of_line = near.power < powers.lines
    size = powers.lines + 1
    known = np.isin(drop * size + line, near.drop[of_line] * size + near.power[of_line])
    left = np.flatnonzero(~known)
    met = at_house(plan, powers, drop[left], line[left])
    order = np.lexsort((line[left], plan_m[left], ~met.is_met, drop[left]))
    met, left = met.take(order), left[order]
    drop, line, plan_m, origin = drop[left], line[left], plan_m[left], origin[left]
    is_near = plan_m <= NEAR_M
    far = np.cumsum(~is_near)
    before = np.append(0, far)[np.searchsorted(drop, drop)]
    shown = np.flatnonzero(is_near | (far - before <= MOST_AROUND))
    asked = powers.worker_m[line[shown]]
    keep = joined(": keep ", in_words(asked, "length", plan.project.units), " away")
    keep = pd.Series(keep).where(~np.isnan(asked), ": the rules have no distance, keep away")
    units = plan.project.units
    off = joined(", ", feet_from(plan_m[shown], units), _from(plan, origin[shown]))
    is_told = ~(met.is_met & (origin == HOUSE_END))[shown]
    words = joined(
        named(line[shown], powers),
        pd.Series(off).where(is_told, "").array,
        house_words(met.take(shown), units),
        keep.where(is_near[shown], "").array,
    )
    return per_row(drop[shown], words, len(plan.drops), LIST_SPLIT)


def feet_off(values_m: FloatArray, units: ReportUnits) -> Any:
    """Write distances in plan with one digit less than lengths have: they are read off a map.

    Parameters
    ----------
    values_m : ndarray of float64, shape (k,)
        m.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    pandas array of str, shape (k,)
        With their unit.
    """
    unit = report_unit("length", units)
    shown = np.asarray(for_report(values_m, "length", units))
    return joined(numbers(shown, unit.decimals - 1), f" {unit.unit}")


def feet_from(values_m: FloatArray, units: ReportUnits) -> Any:
    """Say how far something is from a place that is named next.

    Parameters
    ----------
    values_m : ndarray of float64, shape (k,)
        Distances in plan, m.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    pandas array of str, shape (k,)
        ``distance from``, or ``at`` where the distance would be told as none.
    """
    off, none = feet_off(values_m, units), feet_off(np.zeros(1), units)[0]
    return pd.Series(joined(off, " from ")).where(np.asarray(off != none), "at ").array


def _from(plan: Plan, origin: IntArray) -> Any:
    """Say what distances are from: a place of `FROM`, or the pole of the row after them."""
    poles = joined("pole ", texts(plan.layers.poles.index))
    return pd.concat([pd.Series(FROM, dtype="str"), pd.Series(poles)]).array.take(origin)


def _nearest(
    plan: Plan, runs: StrandRuns, count: int
) -> tuple[IntArray, IntArray, FloatArray, IntArray]:
    """Return drops and lines around them, each pair once, with the distance and from what."""
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)
    wires = shapely.force_2d(np.asarray(plan.air_spans.geometry.values, dtype=object))
    tree = shapely.STRtree(lines)
    drop, line = tree.query(wires, predicate="dwithin", distance=AROUND_M)
    leg, along = tree.query(runs.lines, predicate="dwithin", distance=AROUND_M)
    wire_m = shapely.distance(wires[drop], lines[line])
    end_m = [
        shapely.distance(shapely.get_point(wires[drop], side), lines[line]) for side in (-1, 0)
    ]
    is_clamp = plan.drops["strand_span_id"].notna().to_numpy(dtype=bool)[drop]
    origin = np.select(
        [end_m[0] <= wire_m + AT_END_M, end_m[1] <= wire_m + AT_END_M],
        [HOUSE_END, np.where(is_clamp, CLAMP_END, HOOK_END)],
        WIRE,
    )
    told_m = np.select([origin == HOUSE_END, origin != WIRE], end_m, wire_m)
    drops = np.concatenate([drop, runs.drop[leg]])
    power = np.concatenate([line, along])
    run_m, what_of_run = _from_runs(runs, leg, lines[along])
    plan_m = np.concatenate([told_m, run_m])
    what = np.concatenate([origin, what_of_run])
    order = np.lexsort((what, plan_m, power, drops))
    key = (drops * (count + 1) + power)[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = key[1:] != key[:-1]
    pick = order[lead]
    return drops[pick], power[pick], plan_m[pick], what[pick]


def _from_runs(runs: StrandRuns, leg: IntArray, lines: ObjectArray) -> tuple[FloatArray, IntArray]:
    """Return distances from legs of runs, and whether from their end at a pole."""
    run_m = np.asarray(shapely.distance(runs.lines[leg], lines))
    ends = shapely.points(runs.segment[leg].reshape(-1, 2, 2))
    pole = np.stack([runs.from_pole[leg], runs.to_pole[leg]], axis=1)
    end_m = np.where(pole >= 0, shapely.distance(ends, lines[:, None]), np.inf)
    side = np.argmin(end_m, axis=1)[:, None]
    end_m, pole = np.take_along_axis(end_m, side, 1)[:, 0], np.take_along_axis(pole, side, 1)[:, 0]
    is_end = end_m <= run_m + AT_END_M
    return np.where(is_end, end_m, run_m), np.where(is_end, len(FROM) + pole, RUN)


@dataclass(frozen=True)
class AtHouse:
    """Pairs of a drop and power, m of them: whether the line is at the drop's building."""

    lands: BoolArray
    """Whether it is a service that ends within `LANDS_WITHIN_M` of it."""
    passes: BoolArray
    """Whether it doesn't, and is within `PASSES_WITHIN_M` of it in plan."""
    off_m: FloatArray
    """From the attachment to where it lands, or to where it passes nearest, m in plan; NaN where
    the building is not known."""

    @property
    def is_met(self) -> BoolArray:
        """Whether it does either."""
        return np.asarray(self.lands | self.passes)

    def take(self, rows: IntArray) -> AtHouse:
        """Return some pairs."""
        return AtHouse(self.lands[rows], self.passes[rows], self.off_m[rows])


def at_house(plan: Plan, powers: Powers, drop: IntArray, line: IntArray) -> AtHouse:
    """Tell which lines land on the building that the drop is attached to, or pass it.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    powers : Powers
        Of its layers.
    drop, line : ndarray of int64, shape (m,)
        Pairs; the end of a line that is nearer to the building is where it lands.

    Returns
    -------
    AtHouse
        Of these pairs.
    """
    lines, house, attachment = _at_ends(plan, drop, line)
    ends = [shapely.get_point(lines, side) for side in (0, -1)]
    off = [np.asarray(shapely.distance(end, house), dtype=float) for end in ends]
    way = [np.asarray(shapely.distance(end, attachment), dtype=float) for end in ends]
    lands = powers.is_service[line] & (np.fmin(*off) <= LANDS_WITHIN_M)
    beside = np.asarray(shapely.distance(lines, house), dtype=float)
    nearest = np.asarray(shapely.distance(lines, attachment), dtype=float)
    return AtHouse(
        np.asarray(lands, dtype=bool),
        np.asarray(~lands & (beside <= PASSES_WITHIN_M), dtype=bool),
        np.select([np.isnan(beside), ~lands, off[0] <= off[1]], [np.nan, nearest, way[0]], way[1]),
    )


def house_words(met: AtHouse, units: ReportUnits) -> Any:
    """Say that lines land on the building or pass it, and how far from the attachment.

    Parameters
    ----------
    met : AtHouse
        m pairs.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    pandas array of str, shape (m,)
        To follow a name; empty for a line that does neither.
    """
    does = worded(met.lands.astype(np.int64), ("passes", "lands on"))
    words = joined(", ", does, THIS_HOUSE, feet_from(met.off_m, units), "the attachment")
    return texts(pd.Series(words).where(met.is_met, ""))


THIS_HOUSE = " this house "
"""How words on a line tell that it is at the building worked on."""


def _at_ends(
    plan: Plan, drop: IntArray, line: IntArray
) -> tuple[ObjectArray, ObjectArray, ObjectArray]:
    """Return lines, the building and the attachment of drops; None: not known."""
    buildings = plan.layers.buildings
    shapes = np.asarray([*buildings.geometry.values, None], dtype=object)
    house = shapes[places(plan.drops["building_id"], buildings.index)[drop]]
    lines = np.asarray(plan.layers.power.geometry.values, dtype=object)[line]
    wires = shapely.force_2d(np.asarray(plan.air_spans.geometry.values, dtype=object))
    return lines, house, shapely.get_point(wires[drop], -1)
