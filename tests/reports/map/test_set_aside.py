"""Rows set aside are put on the map only where their place can be told."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import Transformer

from geoplan.model import Plan
from geoplan.reports.map import set_aside
from geoplan.reports.map.set_aside import placed_rows


def _with(fenmoor: Any, plan: Plan, wkts: list[str | None]) -> Plan:
    rows = [
        {
            "layer": "poles" if number else "addresses",
            "row_id": f"R{number:02d}",
            "code": "duplicate_id",
            "reason": fenmoor.SCRIPT,
            "remedy": "mend it",
            "geometry_wkt": wkt,
        }
        for number, wkt in enumerate(wkts)
    ]
    frame = fenmoor.table("set_aside", rows, plan.layers.crs.working_crs)
    return dataclasses.replace(plan, set_aside=frame)


def test_degrees_feet_and_metres_find_the_same_place(fenmoor: Any, plan: Plan) -> None:
    crs = plan.layers.crs
    metres = np.array(plan.drops.geometry.iloc[0].coords[-1])
    feet = metres / crs.unit_to_metre
    turn = Transformer.from_crs(crs.project_crs, "EPSG:4326", always_xy=True)
    wkts = [shapely.Point(at).wkt for at in (metres, feet, turn.transform(*feet))]
    rows, xy, left_out = placed_rows(_with(fenmoor, plan, wkts), plan.drops.total_bounds)
    assert len(rows) == 3
    assert left_out == 0
    assert np.abs(xy - metres).max() < 0.05


@pytest.mark.parametrize("wkt", [None, "", "POINT EMPTY", "not text of a shape", "POINT (5 5)"])
def test_what_has_no_place_has_none(fenmoor: Any, plan: Plan, wkt: str | None) -> None:
    rows, xy, _ = placed_rows(_with(fenmoor, plan, [wkt]), plan.drops.total_bounds)
    assert len(rows) == 1
    assert np.isnan(xy).all()


def test_too_many_rows_are_counted_not_listed(
    fenmoor: Any, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(set_aside, "MOST_ROWS", 2)
    rows, xy, left_out = placed_rows(_with(fenmoor, plan, [None] * 5), plan.drops.total_bounds)
    assert (len(rows), len(xy), left_out) == (2, 2, 3)
    assert rows["layer"].iloc[0] == "addresses", "addresses come first"
