"""Roads as the rules see them: what hangs over a whole carriageway, and what holds traffic."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.rules.crew_reader import read_crew_rules
from geoplan.work.road_works import (
    CLOSURE,
    FLAGGERS,
    OWNER,
    hangs_over,
    is_over_street,
    look_up_roads,
)
from tests.towns import layer_frame

MPH = 1609.344 / 3600
RULES = read_crew_rules("us")


def crossings(**columns: object) -> pd.DataFrame:
    usual = {
        "address_id": "A1",
        "crossing_kind": "road",
        "is_near_miss": False,
        "angle_deg": np.nan,
        "start_m": 1.0,
        "end_m": 9.0,
        "width_m": 8.0,
    }
    return pd.DataFrame([{**usual, **columns}])


@pytest.mark.parametrize(
    ("columns", "hangs"),
    [
        ({}, True),
        ({"end_m": 8.3}, True),
        ({"end_m": 8.0}, False),
        ({"end_m": 40.0}, True),
        ({"angle_deg": 80.0}, False),
        ({"is_near_miss": True}, False),
        ({"crossing_kind": "rail"}, False),
    ],
)
def test_the_whole_width_without_the_centre_line_hangs_over(
    columns: dict[str, object], hangs: bool
) -> None:
    assert hangs_over(crossings(**columns)).tolist() == [hangs]


def test_a_drop_that_hangs_over_a_carriageway_is_over_the_street() -> None:
    drops = pd.DataFrame(
        {"address_id": ["A1", "A2", "A3"], "is_street_crossing": [False, False, True]}
    )
    assert is_over_street(drops, crossings()).tolist() == [True, False, True]
    assert is_over_street(drops, crossings(end_m=5.0)).tolist() == [False, False, True]


@pytest.mark.parametrize(
    ("road_class", "mph", "vehicles", "held"),
    [
        ("residential", 25, 100, FLAGGERS),
        ("residential", 41, 100, CLOSURE),
        ("collector", 30, 2900, FLAGGERS),
        ("highway", 25, 100, OWNER),
    ],
)
def test_traffic_that_is_held_for_longer_takes_flaggers_or_more(
    road_class: str, mph: float, vehicles: float, held: int
) -> None:
    frame = layer_frame(
        "roads",
        [shapely.LineString([(0, 0), (10, 0)])],
        road_class=[road_class],
        width_m=[8.0],
        speed_m_per_s=[mph * MPH],
    ).assign(vehicles_per_day=np.array([vehicles]))
    assert look_up_roads(frame, RULES).way_held.tolist() == [held]
