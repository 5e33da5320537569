"""Words from fixed lists, and stand-ins."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geoplan.layers.defaults import check_words, fill_defaults
from geoplan.project import Project
from geoplan.tables import LAYERS

PROJECT = Project.model_validate({"layers": {}})


def test_words_find_their_spelling() -> None:
    frame = pd.DataFrame({"power_kind": ["Supply_Drop ", "cable", None]}, index=list("abc"))
    clean, found = check_words(LAYERS["power"], frame, PROJECT)
    assert clean["power_kind"].iloc[0] == "supply_drop"
    assert clean["power_kind"].iloc[1:].isna().all()
    assert found[0]["row_id"].tolist() == ["b"]
    assert found[0]["code"].tolist() == ["power_kind_unknown"]
    assert "not one of neutral, supply_drop, supply_line" in found[0].loc[0, "reason"]


def test_unknown_road_class_stays_and_is_told() -> None:
    frame = pd.DataFrame({"road_class": ["Arterial", "Lane", None]}, index=list("abc"))
    clean, found = check_words(LAYERS["roads"], frame, PROJECT)
    assert clean["road_class"].tolist()[:2] == ["arterial", "Lane"]
    assert found[0]["row_id"].tolist() == ["b"]
    assert "street_crossing_other" in found[0].loc[0, "remedy"]


def test_defaults_are_counted_once_per_column() -> None:
    frame = pd.DataFrame({"crown_radius_m": [np.nan, 3.0, 0.0]}, index=list("abc"))
    filled, found = fill_defaults(LAYERS["trees"], frame, PROJECT)
    assert filled["crown_radius_m"].tolist() == [2.5, 3.0, 2.5]
    assert [one.loc[0, "reason"] for one in found] == [
        "2 of 3 trees without crown_radius: 2.5 m assumed"
    ]


def test_full_columns_need_no_default() -> None:
    frame = pd.DataFrame({"crown_radius_m": [1.0]}, index=["a"])
    assert fill_defaults(LAYERS["trees"], frame, PROJECT)[1] == []
