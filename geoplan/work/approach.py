"""How near to power each drop brings its wire, its worker and its bucket.

Enters: planned drops, their strand runs, what they meet, power, approach distances.
Leaves: for each drop whether it keeps them, by which rule, or why that was not checked.
Does not do: tell whether a line is insulated, dead or guarded; every line counts as bare and live.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules import RuleSet
from geoplan.text_columns import joined, numbers, worded
from geoplan.units import ReportUnits, say
from geoplan.work.clauses import chained, in_words, per_row
from geoplan.work.near_power import (
    AT_LEAST,
    BUCKET,
    LEAST_GAP_M,
    REASONS,
    RUN,
    RUN_POLE,
    Near,
    find_near_power,
)
from geoplan.work.powers import Powers, look_up_powers
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

STATES = ("within", "not_checked", "clear", "none")
"""What can be said of a drop, the gravest first."""
NOT_KNOWN = "voltage not recorded, treat as live"
"""Said of a neutral without a record: 0 V would read as dead."""


def build_approach(
    plan: Plan, rule_set: RuleSet, no_contact_m: float, runs: StrandRuns
) -> pd.DataFrame:
    """Compare each drop's distances from power with those that have to be kept.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rule_set : RuleSet
        Rules in force; approach distances by voltage between phases.
    no_contact_m : float
        Taken where the table asks for no contact and prints no distance, m.
    runs : StrandRuns
        Ways of the wires along the strand.

    Returns
    -------
    pandas.DataFrame
        n rows: ``power_approach``, ``power_approach_m``, ``power_approach_note``,
        ``power_lines``, ``run_power``. The note tells the line that falls shortest of the
        distance asked for, as a part of it, and besides it one of a higher voltage. The
        distance is the greatest that any line near asks for; NaN where one has none.

    Notes
    -----
    Distances looked at: the wire where it crosses power (as worked out for clearance), the wire
    beside power, hook or clamp from power, the hook from power on its pole, the strand run from
    power, and the strand from power on the poles of the run. Where no ladder may go on the
    strand, lifting plant's distance from power holds at the clamp too.

    Beside power, the distance is the least that it can be: in plan, and in height by what power
    at its lowest is above the wire's or strand's higher end. Where that is 0, it is not known.
    A line that passes a pole within a metre counts as being on it: it is above the lowest power
    that the pole's record has, and above its own lowest height.

    References
    ----------
    29 CFR 1910.268 Table R-2 (from memory), 29 CFR 1926.1408 Table A (read), as the rule set has
    them.
    """
    powers = look_up_powers(plan, rule_set, no_contact_m)
    near = find_near_power(plan, powers, runs)
    is_bucket = near.reason == BUCKET
    asked = np.where(is_bucket, powers.bucket_m[near.power], powers.worker_m[near.power])
    state = _states(near.gap_m, asked)
    count = len(plan.drops)
    row, pick = _gravest(near, asked, state, count)
    is_absent = "power" in plan.layers.absent
    result = np.append(state[pick], STATES.index("not_checked" if is_absent else "none"))[row]
    most = np.full(count, -np.inf)
    np.maximum.at(most, near.drop, np.where(np.isnan(asked), np.inf, asked))
    seen = np.flatnonzero(row >= 0)
    units = plan.project.units
    told = _told(near, pick, asked, powers, units)
    high = _highest(near, powers, count)
    also = np.flatnonzero((high >= 0) & (row >= 0))
    more, first = near.power[high[also]], near.power[pick[row[also]]]
    is_more = powers.voltage_v[more] > np.nan_to_num(powers.voltage_v[first], nan=-1.0)
    is_more |= (first >= powers.lines) & (powers.worker_m[more] > no_contact_m)
    also = also[is_more]
    reach = say(powers.worker_reach_m, "length", units)
    unseen = (
        "no layer of power was brought"
        if is_absent
        else f"no power in the layers within {reach} in plan of hook, wire and strand run"
    )
    bare = np.flatnonzero(row < 0)
    note = chained(
        count,
        [
            (seen, pd.Series(told, dtype="str").array.take(row[seen])),
            (
                also,
                joined("highest known voltage: ", _told(near, high[also], asked, powers, units)),
            ),
            (bare, worded(np.zeros(len(bare)), (unseen,))),
        ],
    )
    return pd.DataFrame(
        {
            "power_approach": worded(result, STATES),
            "power_approach_m": np.where(np.isfinite(most), most, np.nan),
            "power_approach_note": note,
            "power_lines": _listed(near, asked, powers, count, units),
            "run_power": _on_runs(near, state, powers, count),
        }
    )


def _states(gap_m: FloatArray, asked: FloatArray) -> IntArray:
    """Return the place of each pair in `STATES`."""
    short = asked - gap_m
    unknown = np.isnan(short)
    return np.asarray(
        np.where(~unknown & (short > LEAST_GAP_M), 0, np.where(unknown, 1, 2)), dtype=np.int64
    )


def _gravest(
    near: Near, asked: FloatArray, state: IntArray, count: int
) -> tuple[IntArray, IntArray]:
    """Return, of each drop, the place of its gravest pair among the ones picked; -1 without."""
    share = asked / np.maximum(near.gap_m, LEAST_GAP_M)
    rank = np.where(np.isnan(share), np.nan_to_num(asked, nan=np.inf), share)
    order = np.lexsort((near.power, near.reason, -rank, state, near.drop))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = near.drop[order][1:] != near.drop[order][:-1]
    pick = order[lead]
    row = np.full(count, -1, dtype=np.int64)
    row[near.drop[pick]] = np.arange(len(pick))
    return row, pick


def _highest(near: Near, powers: Powers, count: int) -> IntArray:
    """Return, of each drop, the pair with the line of the highest voltage; -1 without one.

    Power recorded on a pole doesn't count: it is one of the lines, where the layer has them.
    """
    rows = np.flatnonzero((near.power < powers.lines) & ~np.isnan(powers.voltage_v[near.power]))
    gap = np.nan_to_num(near.gap_m[rows], nan=-1.0)
    power, drop = near.power[rows], near.drop[rows]
    order = np.lexsort((power, near.reason[rows], gap, -powers.voltage_v[power], drop))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = drop[order][1:] != drop[order][:-1]
    pick = rows[order[lead]]
    high = np.full(count, -1, dtype=np.int64)
    high[near.drop[pick]] = pick
    return high


def _named(power: IntArray, powers: Powers) -> Any:
    """Name lines with their voltage; one that nobody recorded is never told as dead."""
    volts = powers.voltage_v[power]
    is_guess = powers.voltage_is_assumed[power]
    known = np.flatnonzero(np.isfinite(volts) & ~(is_guess & (volts <= 0)))
    live = np.flatnonzero(~np.isfinite(volts) | (is_guess & (volts <= 0)))
    return chained(
        len(power),
        [
            (np.arange(len(power)), powers.label.take(power)),
            (
                known,
                joined(numbers(volts[known], 0), worded(is_guess[known], (" V", " V (assumed)"))),
            ),
            (live, worded(np.zeros(len(live)), (NOT_KNOWN,))),
        ],
        ", ",
    )


def _told(near: Near, pick: IntArray, asked: FloatArray, powers: Powers, units: ReportUnits) -> Any:
    """Say which line, voltage, distance asked for, distance there is, and the rule."""
    power, is_bucket = near.power[pick], near.reason[pick] == BUCKET
    need, gap = asked[pick], near.gap_m[pick]
    wanted = pd.Series(joined(in_words(need, "length", units), " asked for, "))
    no_need = worded(np.zeros(len(pick)), ("no distance in the rules, ",))
    least = worded(np.isin(near.reason[pick], AT_LEAST), ("there is ", "there is at least "))
    there = pd.Series(joined(least, in_words(np.maximum(gap, 0.0), "length", units), " from "))
    unknown = pd.Series(worded(np.zeros(len(pick)), ("distance not known from ",)))
    rule = pd.concat(
        [pd.Series(powers.worker_rule), pd.Series(powers.bucket_rule)], ignore_index=True
    ).array.take(power + len(powers.voltage_v) * is_bucket)
    return joined(
        _named(power, powers),
        ": ",
        wanted.where(~np.isnan(need), pd.Series(no_need)).array,
        there.where(~np.isnan(gap), unknown).array,
        worded(near.reason[pick], REASONS),
        "; ",
        rule,
    )


def _listed(near: Near, asked: FloatArray, powers: Powers, count: int, units: ReportUnits) -> Any:
    """List all power near each drop, each once, with the distance to keep; greatest first."""
    far = np.nan_to_num(asked, nan=np.inf)
    gap = np.nan_to_num(near.gap_m, nan=-1.0)
    order = np.lexsort((gap, -far, near.power, near.drop))
    drop, power = near.drop[order], near.power[order]
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = (drop[1:] != drop[:-1]) | (power[1:] != power[:-1])
    pick = order[lead]
    pick = pick[np.lexsort((near.power[pick], gap[pick], -far[pick], near.drop[pick]))]
    lifted = worded(near.reason[pick] == BUCKET, (" away", " away with the bucket"))
    keep = pd.Series(joined("keep ", in_words(asked[pick], "length", units), lifted))
    none = pd.Series(worded(np.zeros(len(pick)), ("the rules have no distance: keep away",)))
    words = joined(
        _named(near.power[pick], powers), ": ", keep.where(~np.isnan(asked[pick]), none).array
    )
    return per_row(near.drop[pick], words, count, LIST_SPLIT)


def _on_runs(near: Near, state: IntArray, powers: Powers, count: int) -> Any:
    """List power that strand runs cross, or come too near to, or may."""
    of_run = (near.reason == RUN) | (near.reason == RUN_POLE)
    rows = np.flatnonzero(of_run & (near.is_across | (state < STATES.index("clear"))))
    pairs = np.unique(np.stack([near.drop[rows], near.power[rows]], axis=1), axis=0)
    pairs = pairs.reshape(-1, 2).astype(np.int64)
    return per_row(pairs[:, 0], _named(pairs[:, 1], powers), count, LIST_SPLIT)
