"""Columns, flags and the stringing table that tell how each drop hangs."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from geoplan.clearance.supports import POWER_KIND
from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.standards import load_standards

FT = 0.3048


def few(layers: Layers, count: int = 25) -> Layers:
    """Keep some addresses, so that a plan takes a moment."""
    return dataclasses.replace(layers, addresses=layers.addresses.iloc[:count])


def blank(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    return frame.assign(**dict.fromkeys(columns, np.nan)).astype(dict.fromkeys(columns, "float64"))


@pytest.fixture(scope="module")
def unmeasured(demo_layers: Layers, demo_project: Project) -> Plan:
    """Plan a part of the demo without any height, ground or voltage."""
    layers = dataclasses.replace(
        few(demo_layers),
        poles=blank(demo_layers.poles, "strand_height_m", "power_height_m", "ground_m"),
        buildings=blank(demo_layers.buildings, "eave_height_m", "height_m", "ground_m"),
        power=blank(demo_layers.power, "height_m", "voltage_v"),
        terrain=None,
    )
    return make_plan(layers, demo_project)


def test_without_heights_the_defaults_are_used_and_said(
    unmeasured: Plan, demo_project: Project
) -> None:
    drops, heights = unmeasured.drops, demo_project.heights
    assert len(drops) > 5
    assert (drops["height_basis"] == "default").all()
    direct = drops[drops["clamp_at_m"].isna()]
    usual = heights.strand_height - heights.hook_below_strand
    high = heights.strand_height - heights.highest_hook_below_strand
    expected = np.where(direct["hook_is_raised"], high, usual)
    np.testing.assert_allclose(direct["hook_height_m"], expected)
    expected = np.where(
        drops["attachment_is_raised"], heights.highest_attachment, heights.usual_attachment
    )
    np.testing.assert_allclose(drops["attachment_height_m"], expected)


def test_every_drop_on_assumed_heights_or_ground_is_flagged(unmeasured: Plan) -> None:
    for code in ("height_assumed", "level_ground_assumed"):
        flagged = unmeasured.hazards.loc[unmeasured.hazards["code"] == code, "address_id"]
        assert set(flagged) == set(unmeasured.drops["address_id"])
    assert (unmeasured.drops["ground_basis"] == "default").all()
    words = unmeasured.hazards.loc[unmeasured.hazards["code"] == "level_ground_assumed", "what"]
    assert (words == "level ground assumed: check on site").all()
    assert unmeasured.air_spans["start_z_m"].isna().all()


def test_power_on_assumed_height_or_voltage_is_flagged_wherever_it_was_compared(
    unmeasured: Plan, demo_layers: Layers, demo_project: Project
) -> None:
    layers = dataclasses.replace(
        demo_layers, power=blank(demo_layers.power, "height_m", "voltage_v")
    )
    plan = make_plan(few(layers, 150), demo_project)
    power = plan.crossings[
        (plan.crossings["crossing_kind"] == "power")
        & (plan.crossings["clearance_basis"] == "computed")
    ]
    assert len(power) > 0
    assert power["clearance_note"].str.contains("written default").all()
    flagged = plan.hazards[plan.hazards["code"] == "crossed_height_assumed"]
    assert set(flagged["address_id"]) == set(power["address_id"])


def test_measured_heights_are_not_flagged(demo_plan: Plan) -> None:
    drops = demo_plan.drops.set_index("address_id")
    flagged = demo_plan.hazards.loc[demo_plan.hazards["code"] == "height_assumed", "address_id"]
    assert set(flagged) == set(drops.index[drops["height_basis"] == "default"])
    assert (drops["height_basis"] == "measured").sum() > 200
    assert (drops["ground_basis"] == "measured").all()
    assert (demo_plan.hazards["code"] != "level_ground_assumed").all()


def test_what_has_no_figure_is_never_called_computed(demo_plan: Plan) -> None:
    crossings = demo_plan.crossings
    water = crossings[crossings["crossing_kind"] == "water"]
    assert len(water) > 0
    assert (water["clearance_basis"] == "not_checked").all()
    assert water["margin_m"].isna().all()
    assert water["clearance_note"].str.contains("holds no figure").all()
    flagged = demo_plan.hazards.loc[
        demo_plan.hazards["code"] == "clearance_not_checked", "address_id"
    ]
    assert set(water["address_id"]) <= set(flagged)


def test_what_is_computed_has_all_its_figures_and_nothing_else_has(demo_plan: Plan) -> None:
    crossings = demo_plan.crossings
    computed = crossings["clearance_basis"] == "computed"
    figures = ["required_m", "available_m", "margin_m"]
    assert crossings.loc[computed, [*figures, "margin_case", "rule"]].notna().all(axis=None)
    assert crossings.loc[~computed, figures].isna().all(axis=None)
    difference = crossings["available_m"] - crossings["required_m"]
    np.testing.assert_allclose(difference[computed], crossings.loc[computed, "margin_m"], atol=1e-9)
    below = ["road", "sidewalk", "driveway", "roof", "rail"]
    over = crossings["crossing_kind"].isin(below) & ~crossings["is_near_miss"]
    assert computed[over].all()


def test_power_above_the_bands_of_the_rules_is_not_checked_and_flagged(
    demo_layers: Layers, demo_project: Project
) -> None:
    power = demo_layers.power.assign(voltage_v=69_000.0)
    plan = make_plan(few(dataclasses.replace(demo_layers, power=power), 150), demo_project)
    met = plan.crossings[plan.crossings["crossing_kind"] == "power"]
    lines = met[(met["feature_class"] != "neutral") & ~met["is_near_miss"]]
    assert len(lines) > 0
    assert (lines["clearance_basis"] == "not_checked").all()
    flagged = plan.hazards.loc[plan.hazards["code"] == "clearance_not_checked", "address_id"]
    assert set(lines["address_id"]) <= set(flagged)


@pytest.mark.parametrize(
    ("kind", "feet"), [("sidewalk", 9.5), ("road", 15.5), ("pool", 10.0)], ids=str
)
def test_required_clearances_of_the_demo_are_those_of_its_rule_set(
    demo_plan: Plan, kind: str, feet: float
) -> None:
    rows = demo_plan.crossings[
        (demo_plan.crossings["crossing_kind"] == kind)
        & (demo_plan.crossings["clearance_basis"] == "computed")
    ]
    np.testing.assert_allclose(rows["required_m"], feet * FT)


def test_raised_heights_are_flagged_and_only_those(demo_plan: Plan) -> None:
    drops, hazards = demo_plan.drops, demo_plan.hazards
    for code, column in (
        ("raised_hook", "hook_is_raised"),
        ("raised_attachment", "attachment_is_raised"),
    ):
        flagged = set(hazards.loc[hazards["code"] == code, "address_id"])
        assert flagged
        assert flagged == set(drops.loc[drops[column], "address_id"])


def test_a_bucket_job_is_flagged_wherever_no_ladder_may_lean(demo_plan: Plan) -> None:
    drops = demo_plan.drops
    bucket = drops["strand_ladder"].notna() & (drops["strand_ladder"] != "allowed")
    flagged = demo_plan.hazards[demo_plan.hazards["code"] == "bucket_job"]
    assert len(flagged) > 0
    assert set(flagged["address_id"]) == set(drops.loc[bucket, "address_id"])
    assert flagged["what"].str.len().min() > len("no ladder on this strand: ")


def test_the_stringing_table_starts_from_the_sag_of_the_drop(demo_plan: Plan) -> None:
    table = demo_plan.stringing
    assert set(table["address_id"]) == set(demo_plan.drops["address_id"])
    drops = demo_plan.drops.set_index("address_id")
    at_60 = table[np.isclose(table["temperature_c"], (60 - 32) * 5 / 9)].set_index("address_id")
    assert len(at_60) == len(drops)
    np.testing.assert_allclose(at_60["sag_m"], drops.loc[at_60.index, "stringing_sag_m"], rtol=1e-6)


def test_in_the_stringing_table_a_warmer_day_asks_for_more_sag_and_less_tension(
    demo_plan: Plan,
) -> None:
    table = demo_plan.stringing.sort_values(["address_id", "temperature_c"])
    steps = table.groupby("address_id")[["sag_m", "tension_n"]].diff().dropna()
    assert (steps["sag_m"] > 0).all()
    assert (steps["tension_n"] < 0).all()


def test_unrecorded_power_on_a_pole_is_flagged_never_passed_over(
    demo_layers: Layers, demo_project: Project
) -> None:
    poles = demo_layers.poles.assign(power_height_m=np.nan)
    plan = make_plan(dataclasses.replace(demo_layers, poles=poles), demo_project)
    unknown = plan.drops["pole_power_basis"] == "not_checked"
    assert unknown.any()
    assert not (plan.drops["pole_power_basis"] == "computed").any()
    flagged = plan.hazards[plan.hazards["code"] == "pole_power_not_checked"]
    assert set(flagged["address_id"]) == set(plan.drops.loc[unknown, "address_id"])
    assert (flagged["severity"] == "error").all()


def test_a_ladder_always_pushes_the_clamp_toward_the_street(demo_plan: Plan) -> None:
    clamps = demo_plan.drops.dropna(subset="ladder_shift_m")
    assert len(clamps) > 20
    assert (clamps["ladder_shift_m"] < clamps["clamp_shift_m"]).all()
    assert (clamps["ladder_sag_m"] < clamps["stringing_sag_m"]).all()


def test_power_is_cited_by_its_own_voltage_band(demo_layers: Layers, demo_project: Project) -> None:
    plan = make_plan(demo_layers, demo_project)
    rules = load_standards(demo_project).rule_set
    power = plan.crossings[
        (plan.crossings["crossing_kind"] == "power") & plan.crossings["rule"].notna()
    ]
    assert len(power) > 0
    lines = demo_layers.power.loc[power["feature_id"]]
    assert (lines["power_kind"] == "supply_line").any()
    for (_, row), (_, line) in zip(power.iterrows(), lines.iterrows(), strict=True):
        volts = line["voltage_v"]
        if np.isnan(volts):
            volts = demo_project.heights.power_voltage[line["power_kind"]]
        figure = rules.separation(POWER_KIND[line["power_kind"]], volts, "span")
        assert figure is not None
        assert row["rule"] == figure.citation()
        assert row["required_m"] == pytest.approx(figure.value_si)
