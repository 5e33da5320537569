"""Distances from power: bands by their edges, and lines laid where they matter."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules import load_rule_set
from geoplan.work.approach import build_approach, look_up_powers
from geoplan.work.places import is_bucket_job
from tests.work.conftest import with_layer

INCH_M = 0.0254
FOOT_M = 0.3048
NO_CONTACT_M = FOOT_M
RULES = load_rule_set("us")


def with_power(plan: Plan, volts: list[float], lines: list, height_m: float = 9.0) -> Plan:
    """Return the plan with other power lines, none of them crossed by any drop's record."""
    frame = gpd.GeoDataFrame(
        {
            "power_kind": pd.Series(["supply_line"] * len(lines), dtype="str"),
            "voltage_v": np.array(volts, dtype=np.float64),
            "height_m": np.full(len(lines), height_m),
        },
        geometry=gpd.GeoSeries(lines, crs=plan.layers.crs.working_crs),
    )
    frame.index = pd.Index([f"E{n:03d}" for n in range(len(lines))], dtype="str", name="power_id")
    crossings = plan.crossings[plan.crossings["crossing_kind"] != "power"].reset_index(drop=True)
    return dataclasses.replace(
        plan,
        layers=dataclasses.replace(plan.layers, power=frame),
        crossings=crossings,
        drops=plan.drops.assign(pole_power_basis="none"),
    )


def approach(plan: Plan) -> pd.DataFrame:
    return build_approach(plan, RULES, NO_CONTACT_M)


@pytest.mark.parametrize(
    ("volts", "inches"),
    [
        (301, 12),
        (750, 12),
        (751, 18),
        (2_000, 18),
        (2_001, 24),
        (15_000, 24),
        (15_001, 36),
        (37_000, 36),
        (37_001, 42),
        (87_500, 42),
        (87_501, 48),
        (121_000, 48),
        (121_001, 54),
        (140_000, 54),
    ],
)
def test_worker_distances_change_at_the_edges_of_the_bands(
    demo_plan: Plan, volts: float, inches: float
) -> None:
    far = shapely.LineString([(0, 0), (1, 0)])
    powers = look_up_powers(with_power(demo_plan, [volts], [far]), RULES, NO_CONTACT_M)
    assert powers.worker_m[0] == pytest.approx(inches * INCH_M)
    assert "from memory" in powers.worker_rule[0]


@pytest.mark.parametrize(
    ("volts", "feet"),
    [
        (240, 10),
        (50_000, 10),
        (50_001, 15),
        (200_000, 15),
        (200_001, 20),
        (350_000, 20),
        (350_001, 25),
        (500_000, 25),
        (500_001, 35),
        (750_000, 35),
        (750_001, 45),
        (1_000_000, 45),
    ],
)
def test_bucket_distances_change_at_the_edges_of_the_bands(
    demo_plan: Plan, volts: float, feet: float
) -> None:
    far = shapely.LineString([(0, 0), (1, 0)])
    powers = look_up_powers(with_power(demo_plan, [volts], [far]), RULES, NO_CONTACT_M)
    assert powers.bucket_m[0] == pytest.approx(feet * FOOT_M)
    assert powers.bucket_rule[0].endswith("read")


def test_up_to_300_v_our_own_distance_stands_for_no_contact(demo_plan: Plan) -> None:
    far = shapely.LineString([(0, 0), (1, 0)])
    powers = look_up_powers(with_power(demo_plan, [300.0], [far]), RULES, NO_CONTACT_M)
    assert powers.worker_m[0] == NO_CONTACT_M
    assert "avoid contact" in powers.worker_rule[0]


def beside(plan: Plan, row: int, away_m: float) -> shapely.LineString:
    """Return a line beside the middle of a drop's wire, parallel to it."""
    (x0, y0, *_), (x1, y1, *_) = plan.air_spans.geometry[row].coords
    length = np.hypot(x1 - x0, y1 - y0)
    nx, ny = -(y1 - y0) / length, (x1 - x0) / length
    ends = [(x0 + t * (x1 - x0), y0 + t * (y1 - y0)) for t in (0.45, 0.55)]
    return shapely.LineString([(x + away_m * nx, y + away_m * ny) for x, y in ends])


@pytest.mark.parametrize(("away_m", "state"), [(0.60, "within"), (0.62, "clear")])
def test_wire_beside_power_is_judged_at_the_distance_of_its_voltage(
    demo_plan: Plan, away_m: float, state: str
) -> None:
    """7.2 kV asks for 24 in, 0.6096 m; the line is as low as the wire's higher end."""
    plan = with_power(demo_plan, [7200.0], [beside(demo_plan, 12, away_m)], height_m=3.0)
    job = approach(plan).iloc[12]
    assert job["power_approach"] == state
    assert job["power_approach_m"] == pytest.approx(24 * INCH_M)
    assert "E000" in job["power_approach_note"]


def test_height_counts_as_well_as_plan(demo_plan: Plan) -> None:
    lines = [beside(demo_plan, 12, 0.3)]
    top = demo_plan.drops["hook_height_m"][12] + 4.0
    low, high = (with_power(demo_plan, [7200.0], lines, height_m=z) for z in (3.0, top))
    assert approach(low)["power_approach"][12] == "within"
    assert approach(high)["power_approach"][12] == "clear"


def test_power_that_meets_the_wire_in_plan_at_an_unknown_height_is_not_checked(
    demo_plan: Plan,
) -> None:
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[12].coords
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    line = shapely.LineString([(x - (y1 - y0), y + (x1 - x0)), (x + (y1 - y0), y - (x1 - x0))])
    job = approach(with_power(demo_plan, [7200.0], [line], height_m=3.0)).iloc[12]
    assert job["power_approach"] == "not_checked"
    assert "distance not known" in job["power_approach_note"]


def test_a_voltage_beyond_the_table_is_not_checked(demo_plan: Plan) -> None:
    plan = with_power(demo_plan, [230_000.0], [beside(demo_plan, 12, 0.5)], height_m=3.0)
    job = approach(plan).iloc[12]
    assert job["power_approach"] == "not_checked"
    assert "no distance" in job["power_approach_note"]


def test_a_bucket_keeps_the_distance_of_lifting_plant(demo_plan: Plan) -> None:
    row = int(np.flatnonzero(is_bucket_job(demo_plan.drops))[0])
    x, y, *_ = demo_plan.air_spans.geometry[row].coords[0]
    hook = float(demo_plan.drops["hook_height_m"][row])
    for away_m, state in ((3.0, "within"), (3.1, "none")):
        line = shapely.LineString([(x + away_m, y), (x + away_m, y + 0.1)])
        job = approach(with_power(demo_plan, [240.0], [line], height_m=hook)).iloc[row]
        assert job["power_approach"] in {state, "clear" if state == "none" else state}


def test_power_recorded_on_the_pole_is_judged_by_the_record(demo_plan: Plan) -> None:
    found = approach(demo_plan)
    drops, poles = demo_plan.drops, demo_plan.layers.poles
    on_pole = drops["pole_power_basis"] == "computed"
    assert on_pole.sum() > 20
    assert found.loc[on_pole, "power_approach"].isin(["clear", "within", "not_checked"]).all()
    low = poles["power_height_m"].where(poles["power_height_m"].isna(), 6.0)
    lowered = with_layer(demo_plan, "poles", power_height_m=low)
    assert (approach(lowered).loc[on_pole, "power_approach"] == "within").all()
    unknown = dataclasses.replace(
        demo_plan,
        drops=drops.assign(
            pole_power_basis=drops["pole_power_basis"].replace("computed", "not_checked")
        ),
    )
    blank = with_layer(unknown, "poles", power_height_m=np.full(len(poles), np.nan))
    states = approach(blank).loc[on_pole, "power_approach"]
    assert states.isin(["not_checked", "within"]).all()
    assert (states == "not_checked").any()


def test_without_a_layer_of_power_nothing_is_called_clear(demo_plan: Plan) -> None:
    bare = with_power(demo_plan, [], [])
    assert (approach(bare)["power_approach"] == "none").all()
    absent = dataclasses.replace(bare, layers=dataclasses.replace(bare.layers, absent=("power",)))
    found = approach(absent)
    assert (found["power_approach"] == "not_checked").all()
    assert (found["power_approach_note"] == "no layer of power was brought").all()


def test_notes_read_as_sentences(demo_work: Plan) -> None:
    notes = demo_work.jobs["power_approach_note"].dropna()
    assert notes.str.contains(" ft asked for, there is at least ", regex=False).any()
    assert notes.str.contains("supply drop", regex=False).any()
    assert not notes.str.contains("supply_", regex=False).any()
