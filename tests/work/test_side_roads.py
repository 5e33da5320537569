"""Side roads between the two ends of traffic control, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.work.side_roads import side_roads
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
    named = 0 if pd.isna(words[0]) else len(words[0].partition(" join")[0].split())
    assert flaggers[0] == named - (named > 1)
    return words[0]


@pytest.mark.parametrize(
    ("reach_m", "names"),
    [
        (30.0, None),
        (50.0, "Near joins"),
        (100.0, "Kerb and Near join"),
        (250.0, "Far, Kerb and Near join"),
        (np.nan, None),
    ],
)
def test_roads_that_join_within_the_reach_are_named(reach_m: float, names: str | None) -> None:
    words = told(reach_m)
    if names is None:
        assert pd.isna(words)
    else:
        where = "there" if names.endswith("joins") else "on each"
        assert words == f"{names} within taper and buffer: a sign and a flagger {where}"


def test_highways_and_roads_controlled_anyway_are_not_side_roads() -> None:
    assert told(100.0, Near="highway").startswith("Kerb joins")
    assert told(100.0, known=([0, 1], [2, 1])).startswith("Near joins")
    assert pd.isna(told(100.0, Main="highway"))
