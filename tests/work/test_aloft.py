"""Places aloft: clamps pushed by the ladder, poles of runs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.work.aloft import Spots, places_aloft, pushed
from geoplan.work.strand_run import trace_runs


def test_clamps_are_moved_square_to_the_strand_by_their_shift(demo_plan: Plan) -> None:
    drop, point = pushed(demo_plan)
    rows = demo_plan.drops.iloc[drop]
    assert len(drop) > 50
    assert rows["strand_span_id"].notna().all()
    spans = demo_plan.layers.spans.geometry
    by_sign = {1.0: 0, -1.0: 0}
    for at, (_, row), line in zip(
        point, rows.iterrows(), demo_plan.air_spans.geometry.iloc[drop], strict=True
    ):
        strand, clamp = spans.loc[row["strand_span_id"]], shapely.get_point(line, 0)
        shift = float(row["ladder_shift_m"])
        assert at.distance(clamp) == pytest.approx(abs(shift), abs=1e-9)
        assert at.distance(strand) == pytest.approx(abs(shift), abs=0.05)  # square to it
        house = shapely.get_point(line, -1)
        assert (house.distance(at) < house.distance(clamp)) == (shift > 0)
        by_sign[float(np.sign(shift))] += 1
    assert min(by_sign.values()) > 5


def test_each_drop_has_its_support_and_ladder_runs_their_poles(demo_plan: Plan) -> None:
    poles = demo_plan.layers.poles
    runs = trace_runs(demo_plan.drops, poles, demo_plan.project.heights.strand_height)
    count = len(demo_plan.drops)
    none, every = np.zeros(count, dtype=bool), np.ones(count, dtype=bool)
    spots, by_bucket = (places_aloft(demo_plan, runs, which) for which in (none, every))
    names = pd.Series(spots.name)
    is_clamp = demo_plan.drops["strand_span_id"].notna().to_numpy()
    support = ("pole " + demo_plan.drops["access_pole_id"]).where(~is_clamp, "clamp")
    assert names[:count].tolist() == support.tolist()
    assert len(spots.drop) - len(by_bucket.drop) == len(runs.pole)
    told = set(zip(spots.drop, names, strict=True))
    for drop, pole in zip(runs.pole_drop, runs.pole, strict=True):
        assert (drop, f"pole {poles.index[pole]}") in told


def test_parts_of_spots_keep_their_rows_together() -> None:
    points = np.asarray(shapely.points([[0, 0], [1, 1], [2, 2]]), dtype=object)
    spots = Spots(np.array([4, 5, 6]), points, pd.array(["a", "b", "c"], dtype="str"))
    part = spots.part(np.array([2, 0])).and_those(spots.part(spots.drop == 5))
    assert part.drop.tolist() == [6, 4, 5]
    assert list(part.name) == ["c", "a", "b"]
    assert [point.x for point in part.point] == [2, 0, 1]
