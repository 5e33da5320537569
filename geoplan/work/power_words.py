"""Power near drops in words: lines by name, distances with their place, lists for the sheet.

Enters: `Near` with distances asked for, `Powers`.
Leaves: columns of text.
Does not do: judge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.text_columns import assembled, joined, numbers, texts, worded
from geoplan.units import ReportUnits
from geoplan.work.clauses import in_words, per_row
from geoplan.work.power_pairs import (
    ARM_REACH_M,
    AT_LEAST,
    FAR_POLE,
    HOUSE,
    HOUSE_LADDER,
    LIFTED,
    OF_PEOPLE,
    REASONS,
    RUN_POLE,
    TERMINAL,
    Near,
)
from geoplan.work.powers import HIGH_VOLTAGE_V, Powers
from geoplan.work.strand_run import LIST_SPLIT

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

NOT_KNOWN = "voltage not recorded, treat as live"
"""Said of a neutral without a record: 0 V would read as dead."""
IN_REACH = (
    "",
    ", in reach of head and hands: keep both below it",
    ", in reach of head and hands: keep both off the line",
)
"""Said where somebody at work can come nearer than the thing itself; at a house all around."""


@dataclass(frozen=True)
class Telling:
    """What words on power are made of, besides the pairs."""

    powers: Powers
    units: ReportUnits
    pole_ids: Any
    """Column of text: ids of the poles."""
    is_from_pole: BoolArray
    """Whether each drop's wire starts at a pole; else at a clamp."""
    count: int
    """Drops."""


def named(power: IntArray, powers: Powers) -> Any:
    """Name lines with their voltage; one that nobody recorded is never told as dead.

    Parameters
    ----------
    power : ndarray of int64, shape (m,)
        Rows of `powers`.
    powers : Powers
        Power.

    Returns
    -------
    pandas array of str, shape (m,)
        ``id, kind, volts``.
    """
    return joined(powers.label.take(power), ", ", _volts(power, powers))


def _volts(power: IntArray, powers: Powers) -> Any:
    volts = powers.voltage_v[power]
    is_guess = powers.voltage_is_assumed[power]
    is_known = np.isfinite(volts) & ~(is_guess & (volts <= 0))
    known, live = np.flatnonzero(is_known), np.flatnonzero(~is_known)
    figures = joined(numbers(volts[known], 0), worded(is_guess[known], (" V", " V (assumed)")))
    return assembled(
        len(power), [(known, figures), (live, worded(np.zeros(len(live)), (NOT_KNOWN,)))]
    )


def told(near: Near, pick: IntArray, asked: FloatArray, telling: Telling) -> Any:
    """Say which line, voltage, distance asked for, distance there is and where, and the rule.

    Parameters
    ----------
    near : Near
        m pairs.
    pick : ndarray of int64, shape (k,)
        Pairs to tell.
    asked : ndarray of float64, shape (m,)
        Distances to keep, m; NaN: the rules have none.
    telling : Telling
        Names and units.

    Returns
    -------
    pandas array of str, shape (k,)
        The rule comes last, after ``"; "``.
    """
    powers, units = telling.powers, telling.units
    power, is_lifted = near.power[pick], np.isin(near.reason[pick], LIFTED)
    need, gap = asked[pick], near.gap_m[pick]
    wanted = pd.Series(joined(in_words(need, "length", units), " asked for, "))
    no_need = worded(np.zeros(len(pick)), ("no distance in the rules, ",))
    there = pd.Series(joined("there is ", _there(near, pick, need, units), " from "))
    unknown = pd.Series(worded(np.zeros(len(pick)), ("distance not known from ",)))
    rule = pd.concat(
        [pd.Series(powers.worker_rule), pd.Series(powers.bucket_rule)], ignore_index=True
    ).array.take(power + len(powers.voltage_v) * is_lifted)
    return joined(
        named(power, powers),
        ": ",
        wanted.where(~np.isnan(need), pd.Series(no_need)).array,
        there.where(~np.isnan(gap), unknown).array,
        worded(near.reason[pick], REASONS),
        where_it_is(near, pick, telling),
        _heads(near, pick, need, telling),
        "; ",
        rule,
    )


def _there(near: Near, pick: IntArray, need: FloatArray, units: ReportUnits) -> Any:
    """Write distances, so that one that is short never reads as the one asked for."""
    gap = near.gap_m[pick]
    least = worded(np.isin(near.reason[pick], AT_LEAST), ("", "at least "))
    figure = in_words(np.maximum(gap, 0.0), "length", units)
    same = np.asarray(figure == in_words(need, "length", units), dtype=bool)
    figures = pd.Series(joined(least, figure))
    return figures.where(~(same & (gap < need)), pd.Series(joined("just under ", figure))).array


def _heads(near: Near, pick: IntArray, need: FloatArray, telling: Telling) -> Any:
    """Say over 1 kV how near a head comes where that is too near; else that head and hands may."""
    gap, head = near.gap_m[pick], near.head_gap_m[pick]
    is_high = ~(telling.powers.voltage_v[near.power[pick]] <= HIGH_VOLTAGE_V)
    is_short = is_high & (gap >= need) & (head < need)
    reaches = is_in_reach(near, need, pick) & ~is_short
    at_house = np.isin(near.reason[pick], (HOUSE, HOUSE_LADDER))
    plain = pd.Series(worded(reaches * (1 + at_house), IN_REACH))
    short = pd.Series(
        joined(" but ", in_words(head, "length", telling.units), " from a head there")
    )
    return plain.where(~is_short, short).array


def is_in_reach(near: Near, need: FloatArray, pick: IntArray) -> BoolArray:
    """Tell where who works can reach nearer to power than the distance asked for.

    Parameters
    ----------
    near : Near
        m pairs.
    need : ndarray of float64, shape (k,)
        Distances to keep of the pairs picked, m.
    pick : ndarray of int64, shape (k,)
        Pairs.

    Returns
    -------
    ndarray of bool, shape (k,)
        False where the distance is not kept even without reaching, or not known.
    """
    gap = near.gap_m[pick]
    is_manned = np.isin(near.reason[pick], OF_PEOPLE)
    return np.asarray(is_manned & (gap >= need) & (gap < need + ARM_REACH_M), dtype=bool)


def where_it_is(near: Near, pick: IntArray, telling: Telling) -> Any:
    """Say where power is nearest: on the run from the nearest pole, else out along the wire.

    Parameters
    ----------
    near : Near
        m pairs.
    pick : ndarray of int64, shape (k,)
        Pairs.
    telling : Telling
        Names and units.

    Returns
    -------
    pandas array of str, shape (k,)
        `` (distance from what)``; empty at the thing itself.
    """
    at, pole = near.at_m[pick], near.pole[pick]
    is_line = near.power[pick] < telling.powers.lines
    words = in_words(at, "length", telling.units)
    name = telling.pole_ids.take(pole, allow_fill=True)
    start = worded(telling.is_from_pole[near.drop[pick]], ("clamp", "pole"))
    is_at = np.isfinite(at)
    at_pole = np.isin(near.reason[pick], (RUN_POLE, FAR_POLE, TERMINAL)) & (pole >= 0) & is_line
    parts = [
        (np.flatnonzero(is_at & (pole < 0)), joined(" (", words, " out from the ", start, ")")),
        (np.flatnonzero(is_at & (pole >= 0)), joined(" (", words, " from pole ", name, ")")),
        (np.flatnonzero(at_pole), joined(" (", name, ")")),
    ]
    place = assembled(len(pick), [(rows, all_.take(rows)) for rows, all_ in parts])
    return texts(pd.Series(place).fillna(""))


def listed(near: Near, asked: FloatArray, telling: Telling) -> Any:
    """List all power near each drop, each once, with height and distance to keep.

    Parameters
    ----------
    near : Near
        m pairs.
    asked : ndarray of float64, shape (m,)
        As in `told`.
    telling : Telling
        Names and units.

    Returns
    -------
    pandas array of str, shape (n,)
        The greatest distance first, then the highest voltage, then by name. Power recorded on
        several poles that asks for the same is one entry. Heights are told but for drops to
        buildings.
    """
    powers, units = telling.powers, telling.units
    far = np.nan_to_num(asked, nan=np.inf)
    order = np.lexsort((-far, near.power, near.drop))
    drop, power = near.drop[order], near.power[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (power[1:] != power[:-1])
    pick = order[lead]
    along = np.zeros(len(pick), dtype=bool)
    np.logical_or.at(along, np.cumsum(lead) - 1, near.is_along[order])
    is_pole = near.power[pick] >= powers.lines
    height = powers.height_m[near.power[pick]]
    volts = np.nan_to_num(powers.voltage_v[near.power[pick]], nan=np.inf)
    cm = np.where(is_pole, np.rint(np.nan_to_num(height, nan=-1.0) * 100.0), 0.0)
    order = np.lexsort((near.power[pick], cm, is_pole, -volts, -far[pick], near.drop[pick]))
    pick, along, is_pole, cm = pick[order], along[order], is_pole[order], cm[order]
    drop, power = near.drop[pick], near.power[pick]
    starts = np.ones(len(pick), dtype=bool)
    alike = (drop[1:] == drop[:-1]) & (far[pick][1:] == far[pick][:-1]) & (cm[1:] == cm[:-1])
    starts[1:] = ~(is_pole[1:] & is_pole[:-1] & alike)
    first = np.flatnonzero(starts)
    is_lifted = np.isin(near.reason[pick[first]], LIFTED)
    need = asked[pick[first]]
    figure = in_words(need, "length", units)
    keep = pd.Series(joined("keep ", figure, " away"))
    keep = keep.where(~is_lifted, joined(_by_hand(power[first], telling), figure, BY_BUCKET))
    none = pd.Series(worded(np.zeros(len(first)), ("the rules have no distance: keep away",)))
    words = joined(
        _groups(np.cumsum(starts) - 1, power, telling),
        ", ",
        _volts(power[first], powers),
        _heights(power[first], along[first], telling),
        ": ",
        keep.where(~np.isnan(need), none).array,
    )
    return per_row(drop[first], words, telling.count, LIST_SPLIT)


BY_BUCKET = " with the bucket"


def _by_hand(power: IntArray, telling: Telling) -> Any:
    """Say how far people keep from power for which more is asked of a bucket."""
    need = telling.powers.worker_m[power]
    words = pd.Series(joined("keep ", in_words(need, "length", telling.units), " away, "))
    return words.where(~np.isnan(need), "keep away, ").array


def _groups(group: IntArray, power: IntArray, telling: Telling) -> Any:
    """Name the lines and poles of each group; only poles are several."""
    powers = telling.powers
    count = int(group[-1]) + 1 if len(group) else 0
    size = np.bincount(group, minlength=count)
    first = np.searchsorted(group, np.arange(count))
    rank = np.arange(len(group)) - first[group]
    is_pole = power >= powers.lines
    last = (rank > 0) & (rank == size[group] - 1)
    before = worded(np.select([rank == 0, last], [0, 2], 1), ("", ", ", " and "))
    several = is_pole & (rank == 0) & (size[group] > 1)
    ids = telling.pole_ids.take(np.where(is_pole, power - powers.lines, -1), allow_fill=True)
    name = pd.Series(powers.label.take(power))
    name = name.where(~(is_pole & (rank > 0)), pd.Series(ids))
    name = name.where(~several, pd.Series(joined("power on poles ", ids)))
    return per_row(group, joined(before, name.array), count, "")


def _heights(power: IntArray, is_along: BoolArray, telling: Telling) -> Any:
    """Say from which height on power hangs, and whether along the strand; of drops nothing."""
    powers = telling.powers
    height = powers.height_m[power]
    way = worded(is_along.astype(np.int64), (", from about ", ", along the strand from about "))
    guess = worded(powers.height_is_assumed[power].astype(np.int64), (" up", " up (assumed)"))
    words = pd.Series(joined(way, in_words(height, "length", telling.units), guess))
    is_told = np.isfinite(height) & ~powers.is_service[power]
    return texts(words.where(is_told, ""))


def measure_first(near: Near, asked: FloatArray, is_told: BoolArray, telling: Telling) -> Any:
    """List lines to measure to before the work, each once with its least distance.

    Parameters
    ----------
    near : Near
        m pairs.
    asked : ndarray of float64, shape (m,)
        As in `told`.
    is_told : ndarray of bool, shape (m,)
        Pairs to tell.
    telling : Telling
        Names and units.

    Returns
    -------
    pandas array of str, shape (n,)
        ``id: distance worked out from what and where, distance asked``.
    """
    rows = np.flatnonzero(is_told)
    gap = np.nan_to_num(near.gap_m[rows], nan=-1.0)
    order = rows[np.lexsort((gap, near.power[rows], near.drop[rows]))]
    drop, power = near.drop[order], near.power[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (power[1:] != power[:-1])
    pick = order[lead]
    units, need = telling.units, asked[pick]
    figure = pd.Series(joined(_there(near, pick, need, units), " worked out from "))
    unknown = pd.Series(worded(np.zeros(len(pick)), ("distance not known from ",)))
    wanted = pd.Series(joined(in_words(need, "length", units), " asked"))
    no_need = pd.Series(worded(np.zeros(len(pick)), ("no distance in the rules",)))
    words = joined(
        telling.powers.names.take(near.power[pick]),
        ": ",
        figure.where(~np.isnan(near.gap_m[pick]), unknown).array,
        worded(near.reason[pick], REASONS),
        where_it_is(near, pick, telling),
        ", ",
        wanted.where(~np.isnan(need), no_need).array,
    )
    return per_row(near.drop[pick], words, telling.count, LIST_SPLIT)


def distances(near: Near, pick: IntArray, asked: FloatArray, telling: Telling) -> Any:
    """Say how far off power is, where, and what is asked.

    Parameters
    ----------
    near : Near
        m pairs.
    pick : ndarray of int64, shape (k,)
        Pairs.
    asked : ndarray of float64, shape (m,)
        As in `told`.
    telling : Telling
        Names and units.

    Returns
    -------
    pandas array of str, shape (k,)
        ``distance (where), distance asked``.
    """
    units, need = telling.units, asked[pick]
    unknown = pd.Series(worded(np.zeros(len(pick)), ("distance not known",)))
    figure = pd.Series(_there(near, pick, need, units))
    wanted = pd.Series(joined(in_words(need, "length", units), " asked"))
    no_need = pd.Series(worded(np.zeros(len(pick)), ("no distance in the rules",)))
    return joined(
        figure.where(~np.isnan(near.gap_m[pick]), unknown).array,
        where_it_is(near, pick, telling),
        ", ",
        wanted.where(~np.isnan(need), no_need).array,
    )


def line_above(above_m: FloatArray, telling: Telling) -> Any:
    """Say how far a line is above something.

    Parameters
    ----------
    above_m : ndarray of float64, shape (k,)
        m; NaN: not known.
    telling : Telling
        Units.

    Returns
    -------
    pandas array of str, shape (k,)
        Empty where it is not known to be above.
    """
    words = pd.Series(joined(", ", in_words(above_m, "length", telling.units), " above it"))
    return texts(words.where(above_m > 0, ""))


def named_once(drop: IntArray, power: IntArray, telling: Telling) -> Any:
    """Name power by drop, each once, in the order of the layer.

    Parameters
    ----------
    drop, power : ndarray of int64, shape (m,)
        Pairs; may be there several times.
    telling : Telling
        Names.

    Returns
    -------
    pandas array of str, shape (n,)
        Ids alone, split by ``LIST_SPLIT``; null without one.
    """
    own, line = _each_once(drop, power)
    return per_row(own, telling.powers.names.take(line), telling.count, LIST_SPLIT)


def on_runs(drop: IntArray, power: IntArray, telling: Telling) -> Any:
    """Name power of strand runs, each once, in the order of the layer.

    Parameters
    ----------
    drop, power : ndarray of int64, shape (m,)
        Pairs; may be there several times.
    telling : Telling
        Names.

    Returns
    -------
    pandas array of str, shape (n,)
        As `named`, split by ``LIST_SPLIT``.
    """
    own, line = _each_once(drop, power)
    return per_row(own, named(line, telling.powers), telling.count, LIST_SPLIT)


def _each_once(drop: IntArray, power: IntArray) -> tuple[IntArray, IntArray]:
    """Return pairs without repeats, in order."""
    pairs = np.unique(np.stack([drop, power], axis=1), axis=0).reshape(-1, 2).astype(np.int64)
    return pairs[:, 0], pairs[:, 1]
