"""Hooks at one place of a pole."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geoplan.work.hook_mates import find_hook_mates


def test_hooks_of_one_pole_at_one_height_are_mates():
    drops = pd.DataFrame(
        {
            "address_id": ["A3", "A1", "A2", "A4", "A5", "A6"],
            "access_pole_id": ["P1", "P1", "P1", "P2", "P1", "P1"],
            "hook_height_m": [5.7, 5.71, 6.4, 5.7, 5.7, np.nan],
            "strand_span_id": [None, None, None, None, "S1", None],
        }
    )
    assert find_hook_mates(drops) == {"A1": ("A3",), "A3": ("A1",)}
    assert find_hook_mates(drops.iloc[:0]) == {}


def test_mates_of_the_demo_name_each_other(demo_plan):
    mates = find_hook_mates(demo_plan.drops)
    assert len(mates) > 3
    for name, others in mates.items():
        assert all(name in mates[other] for other in others)
