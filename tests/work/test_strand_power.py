"""Power at the strand: the poles of its run, and both poles of a clamp's span."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoplan.model import Plan
from geoplan.text_columns import places
from geoplan.work.approach import build_approach
from geoplan.work.power_pairs import FAR_POLE, RUN_POLE, TERMINAL_SIDE
from geoplan.work.strand_power import FAR_LINES_WITHIN_M, far_poles
from tests.work.conftest import with_layer
from tests.work.test_approach import NO_CONTACT_M, RULES, runs_of, with_power
from tests.work.test_near_power import gaps, near, point


def test_far_pole_is_the_other_end_of_the_clamps_span(demo_plan: Plan) -> None:
    drops, layers = demo_plan.drops, demo_plan.layers
    far = far_poles(demo_plan)
    has_clamp = drops["strand_span_id"].notna().to_numpy()
    assert (far[~has_clamp] == -1).all()
    for row in np.flatnonzero(has_clamp):
        span = layers.spans.loc[drops["strand_span_id"][row]]
        ends = {span["from_pole_id"], span["to_pole_id"]}
        assert ends == {drops["access_pole_id"][row], layers.poles.index[far[row]]}


def test_power_recorded_on_the_far_pole_is_told(demo_plan: Plan) -> None:
    far = far_poles(demo_plan)
    row = int(np.flatnonzero(far >= 0)[0])
    plan = with_power(demo_plan, [], [])
    heights = np.where(np.arange(len(plan.layers.poles)) == far[row], 9.0, np.nan)
    plan = with_layer(plan, "poles", power_height_m=heights)
    found = near(plan)
    strand = float(plan.layers.poles["strand_height_m"].iloc[far[row]])
    assert gaps(found, row, FAR_POLE) == pytest.approx([9.0 - strand])
    job = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan)).iloc[row]
    name = plan.layers.poles.index[far[row]]
    assert job["power_lines"] == (
        f"power on pole {name}, 15000 V (assumed), from about 29.5 ft up: keep 2.0 ft away"
    )


@pytest.mark.parametrize("volts", [240.0, 7200.0])
def test_low_voltage_on_the_far_pole_counts_only_near_the_clamp(
    demo_plan: Plan, volts: float
) -> None:
    far = far_poles(demo_plan)
    rows = np.flatnonzero(far >= 0)
    poles = demo_plan.layers.poles
    clamps = shapely.points([geometry.coords[0][:2] for geometry in demo_plan.air_spans.geometry])
    off = shapely.distance(clamps[rows], poles.geometry.to_numpy()[far[rows]])
    for row, is_told in (
        (int(rows[np.argmin(off)]), True),
        (int(rows[np.argmax(off)]), volts > 1000.0),
    ):
        assert off.min() < FAR_LINES_WITHIN_M < off.max()
        line = point(*shapely.get_coordinates(poles.geometry.iloc[far[row]])[0])
        found = near(with_power(demo_plan, [volts], [line]))
        assert (len(gaps(found, row, FAR_POLE)) > 0) == is_told


def test_a_line_beside_the_terminals_pole_counts(demo_plan: Plan) -> None:
    """The ladder goes to that pole in the end."""
    row = int(np.flatnonzero(demo_plan.drops["strand_run_m"] > 30.0)[0])
    poles = demo_plan.layers.poles
    terminal = places(demo_plan.drops["terminal_id"], poles.index)[row]
    x, y = shapely.get_coordinates(poles.geometry.iloc[terminal])[0]
    runs = runs_of(demo_plan)
    leg = runs.segment[runs.drop == row][-1]
    way = (leg[2:] - leg[:2]) / np.hypot(*(leg[2:] - leg[:2]))
    beyond = point(*(np.array([x, y]) + 1.2 * way))
    found = near(with_power(demo_plan, [240.0], [beyond], height_m=3.0))
    assert gaps(found, row, RUN_POLE) == pytest.approx([1.2], abs=1e-5)


def test_a_line_beside_the_strand_at_the_terminal_counts_without_a_run(demo_plan: Plan) -> None:
    """On which side of the pole the terminal hangs is not known."""
    spans, poles = demo_plan.layers.spans, demo_plan.layers.poles
    runs = runs_of(demo_plan)
    direct = np.setdiff1d(np.arange(len(demo_plan.drops)), runs.pole_drop)
    terminals = demo_plan.drops["terminal_id"].iloc[direct]
    row = int(direct[terminals.isin(spans["from_pole_id"]).to_numpy()][0])
    terminal = demo_plan.drops["terminal_id"].iloc[row]
    span = spans[spans["from_pole_id"].eq(terminal)].iloc[0]
    ends = [poles.geometry.loc[span[name]] for name in ("from_pole_id", "to_pole_id")]
    start, end = (np.array([place.x, place.y]) for place in ends)
    way = (end - start) / np.hypot(*(end - start))
    side = np.array([-way[1], way[0]])
    for out_m, is_near in ((1.5, True), (6.0, False)):
        beside = point(*(start + out_m * way + 0.5 * side))
        found = gaps(
            near(with_power(demo_plan, [240.0], [beside], height_m=3.0)), row, TERMINAL_SIDE
        )
        assert (len(found) > 0) == is_near
        assert found.min(initial=0.5) == pytest.approx(0.5, abs=1e-4)
