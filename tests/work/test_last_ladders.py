"""The last ladder of a run: on its pole's side away from the nearest carriageway."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoplan.model import Plan
from geoplan.text_columns import places
from geoplan.work.ground import build_ground
from geoplan.work.last_ladders import last_ladders
from geoplan.work.place_search import STREET_WITHIN_M
from geoplan.work.strand_run import trace_runs


def test_it_is_out_by_its_height_and_slope_away_from_the_road(demo_plan: Plan) -> None:
    poles, project = demo_plan.layers.poles, demo_plan.project
    runs = trace_runs(demo_plan.drops, poles, project.heights.strand_height)
    ground = build_ground(demo_plan.layers)
    by_bucket = np.arange(runs.count) % 5 == 0
    last = last_ladders(demo_plan, runs, by_bucket, ground)
    has_run = (demo_plan.drops["strand_run_m"] > 0).to_numpy()
    assert set(last.drop) == set(np.flatnonzero(has_run & ~by_bucket))
    assert len(last.drop) > 50
    terminal = places(demo_plan.drops["terminal_id"], poles.index)[last.drop]
    assert np.array_equal(last.pole, terminal)
    spot = shapely.get_coordinates(np.asarray(poles.geometry.values)[terminal])
    strand = poles["strand_height_m"].fillna(project.heights.strand_height).to_numpy()[terminal]
    edge = ground.nearest_road(*spot.T, STREET_WITHIN_M)[1]
    is_near = np.isfinite(edge)
    assert is_near.any()
    out = np.hypot(*(last.foot - spot).T)
    expected = strand / np.tan(np.radians(project.ladder.angle))
    assert out[is_near] == pytest.approx(expected[is_near])
    assert (out[~is_near] == 0).all()
    alone = is_near & (ground.nearest_road(*last.foot.T, 100.0)[1] > edge)
    assert alone.sum() > 0.9 * is_near.sum(), "elsewhere another road is nearer than the first"
