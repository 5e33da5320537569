"""How near to power each drop brings its wire, its worker and its bucket.

Enters: planned drops, their strand runs, places of work, what they meet, power, distances asked.
Leaves: for each drop whether it keeps them, by which rule, or why that was not checked.
Does not do: tell whether a line is insulated, dead or guarded; every line counts as bare and live.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules import RuleSet
from geoplan.text_columns import joined, texts, worded
from geoplan.units import ReportUnits, for_report, report_unit, say
from geoplan.work.clauses import chained
from geoplan.work.near_power import find_near_power
from geoplan.work.power_around import power_around
from geoplan.work.power_pairs import BESIDE, LEAST_GAP_M, LIFTED, OF_RUN, Near
from geoplan.work.power_places import BY_RUN_M, Judged, Way, power_places
from geoplan.work.power_words import (
    Telling,
    is_in_reach,
    listed,
    measure_first,
    named_once,
    on_runs,
    told,
)
from geoplan.work.powers import HIGH_VOLTAGE_V, Powers, look_up_powers
from geoplan.work.strand_run import StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STATES = ("within", "not_checked", "close", "clear", "none")
"""What can be said of a drop, the gravest first."""
WITHIN, NOT_CHECKED, CLOSE, CLEAR, NONE = range(len(STATES))
TIGHT_M = 0.3
"""What is clear by less has to be measured on site: heights and places are not known better; our
own default, no source."""


def build_approach(
    plan: Plan,
    rule_set: RuleSet,
    no_contact_m: float,
    runs: StrandRuns,
    work_places: gpd.GeoDataFrame | None = None,
    run_bucket: BoolArray | None = None,
    building_run_m: FloatArray | None = None,
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
    work_places : geopandas.GeoDataFrame, optional
        Columns as declared for ``work_places``. Without it ladders and buckets are looked at
        at their tops alone.
    run_bucket : ndarray of bool, shape (n,), optional
        Drops whose strand run is worked from a bucket; by default those with one at the clamp.
    building_run_m : ndarray of float64, shape (n,), optional
        Wire along the wall, m; by default as far as power on the house is told at all.

    Returns
    -------
    pandas.DataFrame
        n rows: ``power_approach``, ``power_approach_m``, ``power_approach_note``,
        ``power_lines``, ``run_power``, ``power_tight``, ``power_beside``, ``power_in_reach``,
        ``power_around``, ``power_places``. The note tells the line that falls shortest of the
        distance asked for, as a part of it, and besides it one of a higher voltage. The distance
        is the greatest that any line near asks for; NaN where one has none. ``power_tight`` lists
        what to measure before the work: lines kept off by less than `TIGHT_M`, both as they are
        told, and those too near, or perhaps. ``power_beside`` lists what the wire passes by
        little more than asked for, or less, ``power_in_reach`` what is kept clear of only by
        somebody who doesn't reach out.

    Notes
    -----
    Distances looked at: the wire where it crosses power (as worked out for clearance), the wire
    beside power, hook or clamp, the hook from power on its pole, the house attachment, the
    ladders at either end, the strand run, the strand on the poles of the run and of the clamp's
    span, and the terminal. Where no ladder may go on the strand, lifting plant's distance from
    power holds at the clamp, on the way to it from the truck, and all along the run.

    Beside power, the distance is the least that it can be: in plan, and in height by what power
    at its lowest is above the higher end of wire or strand, or the top of the ladder. Where that
    is 0, it is not known. A line that passes a pole within a metre counts as being on it: it is
    above the lowest power that the pole's record has, and above its own lowest height.

    Somebody at work has the head up to `HEAD_ABOVE_M` above hook, clamp, strand or attachment, and
    reaches `ARM_REACH_M` from it. Over 1 kV the head has to keep the distance too, else the drop
    is within it. Up to 1 kV, and for hands at any voltage, what is kept by the thing itself and
    not by somebody who reaches out is close: it holds while head and hands stay below.

    References
    ----------
    29 CFR 1910.268 Table R-2 (from memory), 29 CFR 1926.1408 Table A (read), as the rule set has
    them. Where heads and hands are: our own defaults, no source.
    """
    powers = look_up_powers(plan, rule_set, no_contact_m)
    near = find_near_power(plan, powers, runs, work_places, run_bucket)
    is_lifted = np.isin(near.reason, LIFTED)
    asked = np.where(is_lifted, powers.bucket_m[near.power], powers.worker_m[near.power])
    count, units = len(plan.drops), plan.project.units
    is_tight = _is_tight(near, asked, units)
    state = _states(near, asked, powers, is_tight)
    telling = Telling(
        powers,
        units,
        texts(plan.layers.poles.index),
        plan.drops["strand_span_id"].isna().to_numpy(dtype=bool),
        count,
    )
    row, pick = _gravest(near, asked, state, count)
    is_absent = "power" in plan.layers.absent
    result = np.append(state[pick], NOT_CHECKED if is_absent else NONE)[row]
    most = np.full(count, -np.inf)
    np.maximum.at(most, near.drop, np.where(np.isnan(asked), np.inf, asked))
    seen = np.flatnonzero(row >= 0)
    words = pd.Series(told(near, pick, asked, telling), dtype="str").array
    high = _highest(near, powers, count)
    also = np.flatnonzero((high >= 0) & (row >= 0))
    more, first = near.power[high[also]], near.power[pick[row[also]]]
    also = also[powers.voltage_v[more] > np.nan_to_num(powers.voltage_v[first], nan=-1.0)]
    reach = say(powers.worker_reach_m, "length", units)
    unseen = (
        "no layer of power was brought"
        if is_absent
        else f"no power in the layers within {reach} of wire, hook, ladders and run: look up, and"
        " stop if there is any"
    )
    bare = np.flatnonzero(row < 0)
    note = chained(
        count,
        [
            (seen, words.take(row[seen])),
            (also, joined("highest known voltage: ", told(near, high[also], asked, telling))),
            (bare, worded(np.zeros(len(bare)), (unseen,))),
        ],
    )
    to_measure = ((state == CLOSE) & is_tight) | (state <= NOT_CHECKED)
    reached = np.flatnonzero(is_in_reach(near, asked, np.arange(len(asked), dtype=np.int64)))
    beside = np.flatnonzero((near.reason == BESIDE) & (is_tight | (state <= NOT_CHECKED)))
    on_run = np.isin(near.reason, OF_RUN) & (near.is_across | (state <= NOT_CHECKED))
    along_wall = np.full(count, BY_RUN_M) if building_run_m is None else building_run_m
    judged = Judged(near, asked, state <= NOT_CHECKED, state <= CLOSE)
    return pd.DataFrame(
        {
            "power_approach": worded(result, STATES),
            "power_approach_m": np.where(np.isfinite(most), most, np.nan),
            "power_approach_note": note,
            "power_lines": listed(near, asked, telling),
            "run_power": on_runs(near.drop[on_run], near.power[on_run], telling),
            "power_tight": measure_first(near, asked, to_measure, telling),
            "power_beside": named_once(near.drop[beside], near.power[beside], telling),
            "power_in_reach": named_once(near.drop[reached], near.power[reached], telling),
            "power_around": power_around(plan, powers, runs, near),
            "power_places": power_places(plan, judged, telling, work_places, Way(runs, along_wall)),
        }
    )


def _is_tight(near: Near, asked: FloatArray, units: ReportUnits) -> BoolArray:
    """Tell which distances are kept by less than `TIGHT_M`, or not by the head of who works.

    As they are told: of two that read alike not only one is measured.
    """
    kept = asked - near.gap_m <= LEAST_GAP_M
    decimals = report_unit("length", units).decimals
    gap, limit = (
        np.round(np.asarray(for_report(far_m, "length", units)), decimals)
        for far_m in (near.gap_m, asked + TIGHT_M)
    )
    return np.asarray(kept & ((gap <= limit) | (near.head_gap_m < asked)))


def _states(near: Near, asked: FloatArray, powers: Powers, is_tight: BoolArray) -> IntArray:
    """Return the place of each pair in `STATES`."""
    short = asked - near.gap_m
    unknown = np.isnan(short)
    is_high = ~(powers.voltage_v[near.power] <= HIGH_VOLTAGE_V)
    within = (short > LEAST_GAP_M) | (is_high & (asked - near.head_gap_m > LEAST_GAP_M))
    is_close = is_tight | is_in_reach(near, asked, np.arange(len(asked), dtype=np.int64))
    return np.select([unknown, within, is_close], [NOT_CHECKED, WITHIN, CLOSE], CLEAR)


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
