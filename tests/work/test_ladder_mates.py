"""What hangs over roads from the spans of ladders, own or passed, is found and put in order."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.jobs import JobTables
from geoplan.work.ladder_mates import (
    LadderMates,
    below_ladders,
    flaggers_below,
    hung_before,
    passed_below,
    pressed_by_ladder,
)
from geoplan.work.over_roads import Over, over_by_air
from geoplan.work.place_search import is_bucket_job
from geoplan.work.road_works import FLAGGERS, STOP, Roads, look_up_roads
from geoplan.work.strand_run import StrandRuns, trace_runs


@dataclasses.dataclass(frozen=True)
class Town:
    plan: Plan
    runs: StrandRuns
    by_bucket: np.ndarray
    roads: Roads
    air: Over

    @property
    def mates(self) -> LadderMates:
        return below_ladders(self.plan, self.runs, self.by_bucket, self.air)


@pytest.fixture(scope="module")
def town(demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules) -> Town:
    height = demo_plan.project.heights.strand_height
    runs = trace_runs(demo_plan.drops, demo_plan.layers.poles, height)
    roads = look_up_roads(demo_plan.layers.roads, crew_rules)
    jobs = demo_jobs.jobs
    by_bucket = (jobs["is_bucket_job"] | jobs["is_run_bucket"]).to_numpy(dtype=bool)
    assert jobs["address_id"].tolist() == demo_plan.drops["address_id"].tolist()
    return Town(demo_plan, runs, by_bucket, roads, over_by_air(demo_plan, roads, crew_rules))


def _expected(town: Town) -> set[tuple[int, int, str, int, bool]]:
    """Go through all drops and the poles of their runs, one by one."""
    drops, spans = town.plan.drops, town.plan.layers.spans
    own = drops["strand_span_id"]
    poles = town.plan.layers.poles.index
    between: dict[frozenset[str], list[str]] = {}
    for name, row in spans.iterrows():
        between.setdefault(frozenset((row["from_pole_id"], row["to_pole_id"])), []).append(name)
    found = set()
    for drop in range(len(drops)):
        has = isinstance(own[drop], str)
        ladder = {own[drop]} if has and not is_bucket_job(drops)[drop] else set()
        if not town.by_bucket[drop]:
            way = [poles[row] for row in town.runs.pole[town.runs.pole_drop == drop]]
            for pair in pairwise(way):
                ladder |= set(between[frozenset(pair)])
        for mate, road in zip(town.air.drop.tolist(), town.air.road.tolist(), strict=True):
            if mate != drop and own[mate] in ladder:
                found.add((drop, mate, own[mate], road, own[mate] == own[drop]))
    return found


def test_all_that_hangs_over_roads_from_spans_of_ladders_is_found(town: Town) -> None:
    mates, spans = town.mates, town.plan.layers.spans.index
    found = list(zip(mates.drop, mates.mate, spans[mates.span], mates.road, mates.is_own,
                     strict=True))  # fmt: skip
    assert len(found) == len(set(found))
    assert set(found) == _expected(town)
    hook = town.plan.drops["strand_span_id"].isna().to_numpy()
    assert hook[mates.drop].any()  # a run from a hook passes spans too
    assert mates.is_own.any()
    assert (~mates.is_own).any()


def test_a_run_from_a_bucket_has_no_ladder_on_the_spans_that_it_passes(town: Town) -> None:
    mates = town.mates
    one = mates.drop[~mates.is_own][0]
    by_bucket = town.by_bucket | (np.arange(len(town.by_bucket)) == one)
    fewer = dataclasses.replace(town, by_bucket=by_bucket).mates
    assert one not in fewer.drop[~fewer.is_own]
    left = mates.part((mates.drop != one) | mates.is_own)
    assert np.array_equal(fewer.mate, left.mate)


def test_a_ladder_brings_down_wires_of_others_over_roads_that_the_crew_holds(town: Town) -> None:
    drops, air = town.plan.drops, town.air
    pressed, mate = pressed_by_ladder(town.mates, air)
    expected = set()
    pairs = set(zip(air.drop, air.road, strict=True))
    busy = set(air.drop[air.way > STOP])
    is_bucket = is_bucket_job(drops)
    for _, span in drops.reset_index().groupby("strand_span_id"):
        for one in span["index"][~is_bucket[span["index"]]]:
            others = set(span["index"]) - {one} - busy
            expected |= {(one, road) for drop, road in pairs if drop in others} - pairs
    assert set(zip(pressed.drop, pressed.road, strict=True)) == expected
    assert len(pressed.drop) == len(expected) > 0
    spans = drops["strand_span_id"].to_numpy()
    assert (spans[mate] == spans[pressed.drop]).all()
    assert set(zip(mate, pressed.road, strict=True)) <= pairs
    assert (pressed.way == STOP).all()
    assert not pressed.is_for_one.any()


def _air(*rows: tuple[int, int, int]) -> Over:
    drop, road, way = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    return Over(drop, road, way, np.zeros(len(rows), dtype=bool), np.full(len(rows), np.nan))


def _mates(*rows: tuple[int, int, int, bool]) -> LadderMates:
    drop, mate, road, own = (np.array(column) for column in zip(*rows, strict=True))
    return LadderMates(drop, mate, np.zeros(len(rows), dtype=np.int64), road, own.astype(bool))


def _pairs(mates: LadderMates, air: Over, below: list[int]) -> list[tuple[int, int]]:
    first, then = hung_before(mates, air, np.array(below))
    return list(zip(first.tolist(), then.tolist(), strict=True))


QUIET, BUSY = 0, 1


def test_on_the_own_span_only_busy_roads_ask_for_an_order() -> None:
    air = _air((1, QUIET, STOP), (2, BUSY, FLAGGERS))
    mates = _mates((0, 1, QUIET, True), (0, 2, BUSY, True), (1, 2, BUSY, True), (2, 1, QUIET, True))
    assert _pairs(mates, air, [0, 2, 2]) == [(0, 2), (1, 2)]


def test_what_a_run_passes_is_hung_later_over_any_road_even_one_held_for_the_drop() -> None:
    air = _air((0, BUSY, FLAGGERS), (1, QUIET, STOP), (2, BUSY, FLAGGERS))
    mates = _mates((0, 1, QUIET, False), (0, 2, BUSY, False))
    assert _pairs(mates, air, [2, 2, 2]) == [(0, 1), (0, 2)]


@pytest.mark.parametrize(("below", "waits"), [([2, 2], []), ([2, 4], [(0, 1)])])
def test_of_two_over_one_busy_road_the_one_with_more_flaggers_waits(
    below: list[int], waits: list[tuple[int, int]]
) -> None:
    air = _air((0, BUSY, FLAGGERS), (1, BUSY, FLAGGERS))
    mates = _mates((0, 1, BUSY, True), (1, 0, BUSY, True))
    assert _pairs(mates, air, below) == waits


def test_of_two_over_two_busy_roads_each_would_wait_for_the_other() -> None:
    air = _air((0, BUSY, FLAGGERS), (1, 2, FLAGGERS))
    mates = _mates((0, 1, 2, True), (1, 0, BUSY, True))
    assert _pairs(mates, air, [2, 2]) == [(0, 1), (1, 0)]


def test_flaggers_are_those_of_each_road_and_of_side_roads(town: Town) -> None:
    count = len(town.plan.drops)
    told = flaggers_below(town.air, np.full(count, 3), 2, town.roads)
    named = pd.DataFrame({"drop": town.air.drop, "name": town.roads.name.take(town.air.road)})
    each = named.drop_duplicates().groupby("drop").size().reindex(range(count), fill_value=0)
    assert told.tolist() == [2 * roads + 3 if roads else 0 for roads in each]


def test_what_the_run_passes_is_named_with_poles_and_road(town: Town) -> None:
    names, mates = town.plan.drops["address_id"], town.mates
    told = pd.Series(passed_below(mates, town.plan, town.roads))
    assert np.flatnonzero(told.notna()).tolist() == sorted(set(mates.drop[~mates.is_own]))
    spans = town.plan.layers.spans
    for drop, mate, span, road in zip(
        *(getattr(mates, name)[~mates.is_own] for name in ("drop", "mate", "span", "road")),
        strict=True,
    ):
        ends = " and ".join(spans.iloc[span][["from_pole_id", "to_pole_id"]])
        (part,) = (
            one for one in told[drop].split(";")
            if one.startswith(f"{ends}: ") and one.endswith(f" over {town.roads.name[road]}")
        )  # fmt: skip
        assert names[mate] in part.partition(": ")[2].partition(" over ")[0].split(", ")


def test_columns_tell_both_sides_of_the_order(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    first = jobs["span_drops_first"].dropna().str.split(";").explode()
    later = jobs["span_drops_later"].dropna().str.split(";").explode()
    assert set(first.items()) == {(late, early) for early, late in later.items()}
    assert {("A040", "A033"), ("A063", "A003"), ("A099", "A085")} <= set(first.items())
    assert ("A099", "A098") not in set(first.items())  # flaggers of A098 hold that road as well
    assert jobs.loc["A098", "flaggers"] >= jobs.loc["A099", "flaggers_below"]
    assert "A024" not in set(first)  # its run is worked from a bucket
    assert jobs.loc["A033", "run_drops_over"] == "PW12 and PW13: A040 over Wexom Street"
