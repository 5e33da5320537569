"""Notes of places: the compass side that a place really has, and what else is there."""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.drop_case import compass
from geoplan.work.jobs import JobTables
from geoplan.work.place_notes import NOTES, SAME_PLACE_M


def _starts(plan: Plan):
    first = shapely.force_2d(shapely.get_point(plan.air_spans.geometry.values, 0))
    return dict(zip(plan.drops["address_id"], shapely.get_coordinates(first), strict=True))


@pytest.fixture(scope="module")
def notes(demo_jobs: JobTables):
    table = demo_jobs.work_places
    return table.set_index(["address_id", "place"])


def test_each_note_begins_as_declared(demo_jobs: JobTables) -> None:
    openings = [re.escape(text).replace(r"\{side\}", "[a-z-]+") for text in NOTES.values()]
    assert demo_jobs.work_places["note"].str.match("|".join(openings)).all()


def test_the_side_told_is_the_side_that_the_place_has(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    starts = _starts(demo_plan)
    seen = set()
    for row in demo_jobs.work_places.itertuples():
        told = re.search(r"(?:on its|strand's|to the) ([a-z-]+) (?:side|of the)", row.note)
        if told is None:
            continue
        x, y = np.array([row.geometry.x, row.geometry.y]) - starts[row.address_id]
        assert told.group(1) == compass(x, y)
        seen.add(told.group(1))
    assert len(seen) > 5


def test_the_field_side_is_told_where_a_street_is_crossed(demo_plan: Plan, notes) -> None:
    drops = demo_plan.drops
    over = drops.loc[drops["is_street_crossing"], "address_id"]
    told = [notes.loc[(name, "ladder"), "note"] for name in over if (name, "ladder") in notes.index]
    for note in told:  # at a corner there may be no side well away from every carriageway
        assert "the field side" in note or "turned to free ground off the road" in note
        assert "never in the street" in note
    assert sum("the field side" in note for note in told) > 0.8 * len(told) > 20
    assert not notes.loc[("A290", "ladder"), "note"].count("street")


def test_a_clamps_way_to_both_poles_makes_up_its_span(demo_plan: Plan, notes) -> None:
    from geoplan.units import say

    drops, spans = demo_plan.drops, demo_plan.layers.spans
    seen = 0
    for row in drops[drops["strand_span_id"].notna()].itertuples():
        place = "ladder" if (row.address_id, "ladder") in notes.index else "bucket"
        told = re.search(r"; toward pole (\S+), ([\d.]+ ft) short of it",
                         notes.loc[(row.address_id, place), "note"])  # fmt: skip
        span = spans.loc[row.strand_span_id]
        ends = {span["from_pole_id"], span["to_pole_id"]}
        assert {told.group(1), row.access_pole_id} == ends
        left = float(told.group(2).split()[0])
        whole = float(say(span["length_m"], "length", "us").split()[0])
        at = float(say(row.clamp_at_m, "length", "us").split()[0])
        assert left + at == pytest.approx(whole, abs=0.5)
        seen += 1
    assert seen > 100


def test_drops_at_the_same_place_name_each_other(demo_plan: Plan, notes) -> None:
    drops = demo_plan.drops
    ends = shapely.get_coordinates(demo_plan.air_spans.geometry.values).reshape(-1, 2, 2)[:, 1]
    near = np.hypot(*(ends[:, None] - ends[None]).transpose(2, 0, 1)) <= SAME_PLACE_M
    np.fill_diagonal(near, val=False)
    shared = set(drops["address_id"].to_numpy()[near.any(axis=1)])
    assert shared
    for name in drops["address_id"]:
        note = notes.loc[(name, "house_ladder"), "note"]
        assert ("is attached at the same place" in note) == (name in shared)
        other = re.search(r"; (\S+) is attached at the same place", note)
        assert other is None or other.group(1) in shared - {name}
