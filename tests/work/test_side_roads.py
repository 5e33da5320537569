"""Side roads between the two ends of traffic control, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.rules.crew_reader import read_crew_rules
from geoplan.work.over_roads import Over
from geoplan.work.road_works import FLAGGERS, look_up_roads
from geoplan.work.side_roads import BY_CREW, join_roads, side_roads
from tests.towns import layer_frame

LINES = {
    "Main": [(-500, 0), (500, 0)],
    "Near": [(40, 0), (40, 80)],
    "Kerb": [(-60, -4.5), (-60, -90)],
    "Far": [(200, 0), (200, 90)],
    "Beside": [(-300, 30), (300, 30)],
}


def roads(**classes: str):
    names = list(LINES)
    frame = layer_frame(
        "roads",
        [shapely.LineString(line) for line in LINES.values()],
        road_class=[classes.get(name, "residential") for name in names],
        width_m=[8.0] * len(names),
        speed_m_per_s=[11.0] * len(names),
    )
    return frame.assign(name=names)


def told(reach_m: float, known: tuple[list[int], list[int]] = ([], []), **classes: str):
    wire = np.array([shapely.LineString([(0, -10), (0, 10)])], dtype=object)
    row = np.zeros(1, dtype=np.int64)
    controlled = tuple(np.array(part, dtype=np.int64) for part in known)
    words, flaggers = side_roads(
        row, row, wire, np.array([reach_m]), controlled, roads(**classes), 2
    )
    words = pd.Series(words)
    assert pd.isna(words[1])
    assert flaggers[1] == 0
    named = 0 if pd.isna(words[0]) else len(words[0].partition(": ")[0].split()) - 2
    assert flaggers[0] == named - (named > 1)
    return words[0]


@pytest.mark.parametrize(
    ("reach_m", "names"),
    [
        (30.0, None),
        (50.0, "side road Near"),
        (100.0, "side roads Kerb and Near"),
        (250.0, "side roads Far, Kerb and Near"),
        (np.nan, None),
    ],
)
def test_roads_that_join_within_the_reach_are_named(reach_m: float, names: str | None) -> None:
    words = told(reach_m)
    if names is None:
        assert pd.isna(words)
    else:
        where = "on each" if names.startswith("side roads") else "there"
        assert words == f"{names}: a sign and a flagger {where}"


def test_highways_and_roads_controlled_anyway_are_not_side_roads() -> None:
    assert told(100.0, Near="highway").startswith("side road Kerb: ")
    assert told(100.0, known=([0, 1], [2, 1])).startswith("side road Near: ")
    assert pd.isna(told(100.0, Main="highway"))


@pytest.mark.parametrize(("is_lane", "posts"), [(False, 2), (True, 3)])
def test_side_roads_count_within_stopping_distance_and_taper(is_lane: bool, posts: int) -> None:
    """At 25 mph 155 ft (47 m), with the taper 255 ft (78 m): Near at 40 m, Kerb at 60 m."""
    rules = read_crew_rules("us")
    layer = roads()
    row = np.zeros(1, dtype=np.int64)
    over = Over(row, row, row + FLAGGERS, np.zeros(1, dtype=bool), np.full(1, np.nan))
    wire = np.array([shapely.LineString([(0, -10), (0, 10)])], dtype=object)
    seen = look_up_roads(layer, rules)
    held, lane = np.ones(1, dtype=bool), np.array([is_lane])
    words, count = join_roads(layer, seen, rules, 1, over, held, lane, wire, BY_CREW)
    assert count[0] == posts - 1
    assert str(words[0]).endswith(BY_CREW[int(posts > 2)])
