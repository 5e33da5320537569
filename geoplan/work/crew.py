"""How many people each drop takes, and why.

Enters: planned drops, what they cross, traffic control, distances from power, crew rules.
Leaves: crew size and its reasons in words.
Does not do: know the people, the weather or the state of the poles.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, texts, worded
from geoplan.units import say
from geoplan.work.clamp_spans import span_drops
from geoplan.work.clauses import chained, in_words, per_row
from geoplan.work.known_addresses import refuse_unknown_addresses
from geoplan.work.places import is_bucket_job
from geoplan.work.posts import find_posts
from geoplan.work.road_works import hangs_over
from geoplan.work.strand_run import LIST_SPLIT
from geoplan.work.traffic import Traffic
from geoplan.work.traffic_words import hung_over

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LISTED = 2
"""People for addresses that the settings list for two, whatever the rules say of hazards."""
LEAST_WITHIN = 2
"""People where power is within the approach distance, whatever the rules say of hazards."""
POWER_FOR_ONE = {
    "clear": "power beyond the approach distance",
    "close": "power beyond the approach distance while head and hands stay below hook and strand",
}
"""What is said of power where one person is enough."""
LEAST_BY_CLAMP = 2
"""People for a drop from a span clamp over a carriageway, whatever the rules say of crossings."""


def build_crew(
    plan: Plan,
    rules: CrewRules,
    traffic: Traffic,
    approach: pd.DataFrame,
    reach: pd.DataFrame,
    without_place: Mapping[str, BoolArray],
) -> pd.DataFrame:
    """Say how many people each drop takes.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    rules : CrewRules
        What one person may do alone.
    traffic : Traffic
        Traffic control by drop.
    approach : pandas.DataFrame
        Distances from power by drop, see `geoplan.work.approach.build_approach`.
    reach : pandas.DataFrame
        How the strand runs are reached, see `geoplan.work.run_reach.build_reach`.
    without_place : dict of str to ndarray of bool
        Drops for which a place was needed and not found.

    Returns
    -------
    pandas.DataFrame
        n rows: ``crew_size``, ``crew_reasons``.

    Raises
    ------
    ProjectFileError
        If ``[crew] two_people`` names an address that isn't there.

    Notes
    -----
    Power whose distance is not known counts as near. Where no layer of power was brought at all,
    that is said, and asks for nobody. Where people besides the first would have several posts at
    the same time, one more is asked for each further post.
    """
    count, units = len(plan.drops), plan.project.units
    hazards = _hazards(plan, rules, traffic, approach, reach, without_place)
    is_bucket = is_bucket_job(plan.drops)
    bucket = np.flatnonzero(is_bucket)
    by_run = np.flatnonzero(reach["is_run_bucket"].to_numpy(dtype=bool))
    size = traffic.people.copy()
    for rows, _ in hazards:
        size[rows] = np.maximum(size[rows], int(rules.value("people.hazard")))
    within = np.flatnonzero(approach["power_approach"] == "within")
    size[within] = np.maximum(size[within], LEAST_WITHIN)
    for rows in (bucket, by_run):
        size[rows] = np.maximum(size[rows], int(rules.value("people.bucket")))
    clamped = plan.drops["strand_span_id"].notna().to_numpy(dtype=bool) & traffic.is_over_road
    size[clamped] = np.maximum(size[clamped], LEAST_BY_CLAMP)
    listed = _listed(plan)
    size[listed] = np.maximum(size[listed], LISTED)
    posts = find_posts(plan, rules, traffic, approach, reach)
    busy = np.flatnonzero((posts.most > 1) & (size > 1))
    further = (posts.most[busy] - 1) * int(rules.value("people.post"))
    size[busy] = np.maximum(size[busy], 2 + further)
    told = pd.Series(traffic.crossing_reasons)
    hung = hung_over(plan.crossings[hangs_over(plan.crossings)], plan.drops["address_id"], units)
    by_road = np.flatnonzero(told.notna())
    alone = np.flatnonzero(size == 1)
    reasons = chained(
        count,
        [
            *hazards[:1],
            (by_road, texts(told).take(by_road)),
            (np.arange(count), hung),
            *hazards[1:],
            (bucket, _said(bucket, "bucket job: one up, one on the ground")),
            (
                by_run,
                joined(
                    "strand run by bucket, one up, one on the ground: ",
                    pd.Series(texts(reach["run_reach_note"]))
                    .str.replace(LIST_SPLIT, " and ", regex=False)
                    .array.take(by_run),
                ),
            ),
            (busy, joined("at once ", texts(posts.words).take(busy), ": one person each")),
            (listed, _said(listed, "two people by the project's list of addresses")),
            *_alone(plan, rules, traffic, approach, alone[told.isna().to_numpy()[alone]]),
            *_not_checked(traffic, approach),
        ],
    )
    return pd.DataFrame({"crew_size": size, "crew_reasons": reasons})


def _said(rows: IntArray, sentence: str) -> Any:
    return worded(np.zeros(len(rows), dtype=np.int64), (sentence,))


def _hazards(
    plan: Plan,
    rules: CrewRules,
    traffic: Traffic,
    approach: pd.DataFrame,
    reach: pd.DataFrame,
    without_place: Mapping[str, BoolArray],
) -> list[tuple[IntArray, Any]]:
    """Return what asks for more than one person, but for roads and buckets."""
    drops, units = plan.drops, plan.project.units
    state, note = approach["power_approach"], _shortly(approach["power_approach_note"])
    within = np.flatnonzero(state == "within")
    is_unknown = (state == "not_checked") & approach["power_approach_m"].notna()
    is_unknown |= (state == "not_checked") & ("power" not in plan.layers.absent)
    unknown = np.flatnonzero(is_unknown)
    crowns = pd.Series(texts(reach["run_trees"]))
    leafy = np.flatnonzero(crowns.notna())
    told_run = pd.Series(texts(approach["run_power"]))
    on_run = np.flatnonzero(told_run.notna())
    quiet = traffic.is_over_road & ~traffic.is_over_busy
    mates = pd.Series(texts(span_drops(drops, quiet))).where(~is_bucket_job(drops), None)
    told_beside = pd.Series(texts(approach["power_beside"]))
    beside = np.flatnonzero(told_beside.notna())
    span = drops["air_span_m"].to_numpy(dtype=np.float64)
    pull = rules.value("alone.max_pull")
    long = np.flatnonzero(span > pull)
    parts = [
        (
            within,
            joined(
                "power within the approach distance: not to be started before the power's owner "
                "has made it safe: ",
                note.take(within),
            ),
        ),
        (unknown, joined("power not checked: ", note.take(unknown))),
        _met(plan, "tree", "crown of tree {} in the way"),
        (
            leafy,
            joined(
                "strand run through the crown of ",
                crowns.str.replace(LIST_SPLIT, ", ", regex=False).array.take(leafy),
            ),
        ),
        _met(
            plan,
            "power",
            "power {} crosses the air span: a second person watches it",
        ),
        _on_span(
            mates,
            "over a road on the same strand span: traffic is held there while a ladder brings it "
            "down",
        ),
        (
            beside,
            joined(
                "the wire goes up close beside power ",
                told_beside.str.replace(LIST_SPLIT, ", ", regex=False).array.take(beside),
                ": a second person watches it",
            ),
        ),
        (
            on_run,
            joined(
                "power on the strand run: ",
                told_run.str.replace(LIST_SPLIT, "; ", regex=False).array.take(on_run),
                ": a second person watches it",
            ),
        ),
        _met(plan, "roof", "roof of {} between the supports: not to be raised in one pull"),
        (
            long,
            joined(
                "air span ",
                in_words(span[long], "length", units),
                f", longer than the {say(pull, 'length', units)} that one raises in one pull",
            ),
        ),
    ]
    for place, lacks in without_place.items():
        rows = np.flatnonzero(lacks)
        name = place.replace("_", " ")
        sentence = (
            f"no place for the {name} found clear of roads, buildings, tracks and water: look first"
        )
        parts.append((rows, _said(rows, sentence)))
    return parts


def _on_span(mates: pd.Series, sentence: str) -> tuple[IntArray, Any]:
    """Say what drops on the same strand span ask for."""
    rows = np.flatnonzero(mates.notna())
    names = mates.str.replace(LIST_SPLIT, ", ", regex=False)
    return rows, joined(texts(names).take(rows), f" {sentence}")


def _shortly(notes: pd.Series) -> Any:
    """Return what notes on power say before they name the rule."""
    return texts(notes.str.split("; ", n=1).str[0])


def _listed(plan: Plan) -> IntArray:
    given = plan.project.crew.two_people
    refuse_unknown_addresses(given, plan.layers.addresses.index, "crew.two_people")
    return np.flatnonzero(plan.drops["address_id"].isin(given)).astype(np.int64)


def _met(plan: Plan, kind: str, sentence: str) -> tuple[IntArray, Any]:
    """Name all of a kind that drops pass over, under or through."""
    crossings = plan.crossings
    rows = crossings[(crossings["crossing_kind"] == kind) & ~crossings["is_near_miss"]]
    drop = pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(rows["address_id"]))
    before, _, after = sentence.partition("{}")
    words = joined(before, texts(rows["feature_id"]), after)
    owners = np.unique(drop).astype(np.int64)
    told = per_row(drop.astype(np.int64), words, len(plan.drops))
    return owners, told.take(owners)


def _alone(
    plan: Plan, rules: CrewRules, traffic: Traffic, approach: pd.DataFrame, rows: IntArray
) -> list[tuple[IntArray, Any]]:
    """Say of drops for one person why one is enough."""
    units = plan.project.units
    most = rules.value("alone.max_pull")
    pull = say(most, "length", units)
    span = plan.drops["air_span_m"].to_numpy(dtype=np.float64)[rows]
    short = np.flatnonzero(span <= most)
    has_run = plan.drops["strand_run_m"].to_numpy(dtype=np.float64) > 0
    road = worded(
        np.where(traffic.is_over_road[rows], 2, has_run[rows]),
        (
            "over no road",
            "neither air span nor strand run over a road",
            "over a road within the limits for one",
        ),
    )
    clear = approach["power_approach"].iloc[rows].map(POWER_FOR_ONE)
    none = np.flatnonzero(approach["power_approach"].iloc[rows] == "none")
    note = texts(approach["power_approach_note"]).take(rows[none])
    has = np.flatnonzero(clear.notna())
    return [
        (rows, road),
        (
            rows[short],
            joined(
                "air span ",
                in_words(span[short], "length", units),
                f" within the {pull} that one raises in one pull",
            ),
        ),
        (rows[has], texts(clear).take(has)),
        (rows[none], note),
    ]


def _not_checked(traffic: Traffic, approach: pd.DataFrame) -> list[tuple[IntArray, Any]]:
    """Say what was not known, and what was taken instead."""
    unknown = pd.Series(traffic.unknown)
    taken = np.flatnonzero(unknown.notna())
    dark = np.flatnonzero(
        (approach["power_approach"] == "not_checked") & approach["power_approach_m"].isna()
    )
    note = texts(approach["power_approach_note"]).take(dark)
    return [
        (taken, texts(unknown).take(taken)),
        (dark, joined("power not checked: ", note)),
    ]
