"""Side roads between the two ends of traffic control, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.rules.crew_reader import read_crew_rules
from geoplan.work.over_roads import Over
from geoplan.work.road_works import FLAGGERS, look_up_roads
from geoplan.work.side_roads import BOTH_WAYS, BY_CREW, NOT_HELD, join_roads, side_roads
from tests.towns import layer_frame

LINES = {
    "Main": [(-500, 0), (500, 0)],
    "Near": [(40, 0), (40, 80)],
    "Kerb": [(-60, -4.5), (-60, -90)],
    "Far": [(200, -90), (200, 90)],
    "Beside": [(-300, 30), (300, 30)],
}
APPROACHES = {"Near": 1, "Kerb": 1, "Far": 2}


def roads(**classes: str):
    names = list(LINES)
    frame = layer_frame(
        "roads",
        [shapely.LineString(line) for line in LINES.values()],
        road_class=[classes.get(name, "residential") for name in names],
        width_m=[8.0] * len(names),
        speed_m_per_s=[11.0] * len(names),
        vehicles_per_day=[500.0] * len(names),
    )
    return frame.assign(name=names)


def told(reach_m: float, known: tuple[list[int], list[int]] = ([], []), frame=None, **classes: str):
    wire = np.array([shapely.LineString([(0, -10), (0, 10)])], dtype=object)
    row = np.zeros(1, dtype=np.int64)
    controlled = tuple(np.array(part, dtype=np.int64) for part in known)
    frame = roads(**classes) if frame is None else frame
    held = np.ones(len(frame), dtype=bool)
    words, posts = side_roads(row, row, wire, np.array([reach_m]), controlled, frame, held, 2)
    assert pd.isna(pd.Series(words)[1])
    assert posts[1] == 0
    return pd.Series(words)[0], int(posts[0])


@pytest.mark.parametrize(
    ("reach_m", "names", "posts"),
    [
        (30.0, None, 0),
        (50.0, "side road Near", 1),
        (100.0, "side roads Kerb and Near", 2),
        (250.0, f"side roads Far{BOTH_WAYS}, Kerb and Near", 4),
        (np.nan, None, 0),
    ],
)
def test_roads_that_join_within_the_reach_are_named_and_their_approaches_counted(
    reach_m: float, names: str | None, posts: int
) -> None:
    words, count = told(reach_m)
    assert count == posts
    if names is None:
        assert pd.isna(words)
    else:
        where = "on each approach" if posts > 1 else "there"
        assert words == f"{names}: a sign and a flagger {where}"


def test_a_road_that_the_held_one_ends_at_comes_from_both_sides() -> None:
    """Main reaches Far at 200 m and goes no farther; the control reaches to its end."""
    frame = roads()
    frame.geometry = [shapely.LineString([(-500, 0), (200, 0)]), *frame.geometry.iloc[1:]]
    words, count = told(210.0, frame=frame)
    assert f"Far{BOTH_WAYS}" in words
    assert count == sum(APPROACHES.values())


def test_a_road_in_two_parts_that_meet_at_the_junction_has_two_approaches() -> None:
    frame = roads()
    parts = [shapely.LineString([(200, 0), (200, y)]) for y in (-90, 90)]
    two = pd.concat([frame, frame.iloc[[3]]])
    two.index = pd.Index([f"R{k}" for k in range(len(two))])
    two.geometry = [*frame.geometry.iloc[:3], parts[0], frame.geometry.iloc[4], parts[1]]
    assert told(250.0, frame=two) == told(250.0)


def test_highways_and_roads_controlled_anyway_are_not_side_roads() -> None:
    assert told(100.0, Near="highway")[0].startswith("side road Kerb: ")
    assert told(100.0, known=([0, 1], [2, 1]))[0].startswith("side road Near: ")
    assert pd.isna(told(100.0, Main="highway")[0])


def _joined(does=None, is_lane: bool = True, **columns):
    rules = read_crew_rules("us")
    layer = roads().assign(**columns)
    row = np.zeros(1, dtype=np.int64)
    over = Over(row, row, row + FLAGGERS, np.zeros(1, dtype=bool), np.full(1, np.nan))
    wire = np.array([shapely.LineString([(0, -10), (0, 10)])], dtype=object)
    seen = look_up_roads(layer, rules)
    held, lane = np.ones(1, dtype=bool), np.array([is_lane])
    given = () if does is None else (does,)
    words, count = join_roads(layer, seen, rules, 1, over, held, lane, wire, *given)
    return str(words[0]), int(count[0])


@pytest.mark.parametrize(("is_lane", "posts"), [(False, 1), (True, 2)])
def test_side_roads_count_within_stopping_distance_and_taper(is_lane: bool, posts: int) -> None:
    """At 25 mph 155 ft (47 m), with the taper 255 ft (78 m): Near at 40 m, Kerb at 60 m."""
    words, count = _joined(BY_CREW, is_lane)
    assert count == posts
    assert words.endswith(BY_CREW[int(posts > 1)])


@pytest.mark.parametrize(
    ("vehicles", "by_flaggers", "by_crew"), [(500.0, 2, 2), (5000.0, 2, 1), (50000.0, 1, 1)]
)
def test_side_roads_too_busy_to_be_held_are_not_worked_out(
    vehicles: float, by_flaggers: int, by_crew: int
) -> None:
    traffic = [500.0, vehicles, 500.0, 500.0, 500.0]
    for does, posts in ((None, by_flaggers), (BY_CREW, by_crew)):
        words, count = _joined(does, vehicles_per_day=traffic)
        assert count == posts
        assert (f"side road Near: {NOT_HELD}" in words) == (posts == 1)
        assert words.startswith("side roads" if posts > 1 else "side road Kerb: ")
