"""Columns, flags and the stringing table that tell how each drop hangs."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.clearance.supports import POWER_KIND
from geoplan.hanging import build_stringing
from geoplan.mechanics import height_at, length_from_sag, solve_catenary
from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.standards import Standards, load_standards

FT = 0.3048


def few(layers: Layers, count: int = 25) -> Layers:
    """Keep some addresses, so that a plan takes a moment."""
    return dataclasses.replace(layers, addresses=layers.addresses.iloc[:count])


def blank(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    return frame.assign(**dict.fromkeys(columns, np.nan)).astype(dict.fromkeys(columns, "float64"))


@pytest.fixture(scope="module")
def demo_standards(demo_project: Project) -> Standards:
    return load_standards(demo_project)


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


def test_the_ladder_stands_away_from_the_house_only_where_the_drop_crosses_a_street(
    demo_plan: Plan,
) -> None:
    """geoplan.work puts it on the field side; the push has to come from there."""
    drops = demo_plan.drops
    clamps = drops.dropna(subset="ladder_shift_m")
    assert set(clamps["address_id"]) == set(drops.loc[drops["clamp_at_m"].notna(), "address_id"])
    toward = clamps["ladder_shift_m"] > clamps["clamp_shift_m"]
    np.testing.assert_array_equal(toward, clamps["is_street_crossing"])
    slack = clamps["ladder_sag_m"] > clamps["stringing_sag_m"]
    np.testing.assert_array_equal(slack, clamps["is_street_crossing"])
    assert 0 < toward.sum() < len(clamps)


def test_a_wire_that_hangs_lower_over_the_street_with_the_ladder_is_flagged(
    demo_plan: Plan,
) -> None:
    drops = demo_plan.drops
    low = (
        drops["is_street_crossing"]
        & drops["strand_ladder"].eq("allowed")
        & (drops["ladder_sag_m"] > drops["stringing_sag_m"])
    )
    flagged = demo_plan.hazards[demo_plan.hazards["code"] == "ladder_low_over_street"]
    assert len(flagged) > 20
    assert set(flagged["address_id"]) == set(drops.loc[low, "address_id"])
    assert flagged["what"].str.contains("clearance not checked").all()
    assert flagged["remedy"].str.contains("traffic").all()
    told = flagged["what"].str.extract(r"sags ([\d.]+) ft more")[0].astype(float)
    more = (drops["ladder_sag_m"] - drops["stringing_sag_m"]).set_axis(drops["address_id"]) / FT
    np.testing.assert_allclose(told, more[flagged["address_id"]], atol=0.051)


def test_no_temperature_up_to_the_hottest_hangs_lower_than_the_worst_sag(
    demo_plan: Plan, demo_standards: Standards
) -> None:
    hottest = max(case.temperature_c for case in demo_standards.clearance)
    table = demo_plan.stringing[demo_plan.stringing["temperature_c"] <= hottest + 1e-6]
    lowest = table.groupby("address_id")["sag_m"].max()
    drops = demo_plan.drops.set_index("address_id")
    spare = drops["sag_worst_m"] - lowest[drops.index]
    assert (spare > -1e-6).all()
    # The demo has no ice: at 120 degF both tell of the same wire, a clamp's too.
    hot = np.isclose(demo_plan.stringing["temperature_c"], hottest, atol=1e-5)
    at_hot = demo_plan.stringing[hot].set_index("address_id")["sag_m"]
    governs = drops.index[drops["sag_worst_case"] == "clearance_hot"]
    assert drops.loc[governs, "clamp_at_m"].notna().sum() > 50
    np.testing.assert_allclose(at_hot[governs], drops.loc[governs, "sag_worst_m"], rtol=1e-6)


def test_a_clamps_wire_slackens_with_its_strand_more_than_between_fixed_ends(
    demo_plan: Plan, demo_standards: Standards
) -> None:
    """By itself on its span: the strand slackens too, so heat brings the clamp nearer."""
    drops = demo_plan.drops.set_index("address_id")
    mates = drops.groupby("strand_span_id")["terminal_id"].transform("count")
    alone = drops.index[mates == 1]
    assert len(alone) > 10
    ends = demo_plan.air_spans.set_index("address_id")
    wire, entry = demo_standards.wire, demo_standards.entry
    hot = demo_plan.stringing["temperature_c"].max()
    found = demo_plan.stringing[demo_plan.stringing["temperature_c"] == hot]
    found = found.set_index("address_id")["sag_m"][alone]
    fixed = []
    for address in alone:
        drop = drops.loc[address]
        span = drop["air_span_m"] - drop["clamp_shift_m"]
        rise = ends.loc[address, "end_z_m"] - ends.loc[address, "start_z_m"]
        length = length_from_sag(
            span, rise, drop["stringing_sag_m"], entry.weight_n_per_m, wire.stiffness_n
        )
        grown = length * (1 + wire.expansion_per_c * (hot - drop["stringing_temperature_c"]))
        state = solve_catenary(span, rise, grown, entry.weight_n_per_m, wire.stiffness_n)
        fixed.append(float(state.sag_m))
    assert (found.to_numpy() > np.array(fixed)).mean() > 0.8


def test_the_table_with_the_ladder_on_starts_from_the_sag_and_pull_of_the_drop(
    demo_plan: Plan,
) -> None:
    table, drops = demo_plan.stringing, demo_plan.drops.set_index("address_id")
    at_60 = table[np.isclose(table["temperature_c"], (60 - 32) * 5 / 9)].set_index("address_id")
    for column in ("ladder_sag_m", "ladder_tension_n"):
        np.testing.assert_allclose(at_60[column], drops.loc[at_60.index, column], rtol=1e-6)
    clamps = drops.index[drops["clamp_at_m"].notna()]
    filled = table["ladder_sag_m"].notna()
    assert set(table.loc[filled, "address_id"]) == set(clamps)
    assert (filled == table["ladder_tension_n"].notna()).all()
    over = drops["is_street_crossing"][table["address_id"]].to_numpy()
    more = (table["ladder_sag_m"] > table["sag_m"]).to_numpy()
    np.testing.assert_array_equal(more[filled & over], True)
    np.testing.assert_array_equal(more[filled & ~over], False)


def test_a_pull_and_its_limit_are_told_with_the_case_that_both_belong_to(
    demo_plan: Plan, demo_standards: Standards
) -> None:
    drops = demo_plan.drops
    cases = {case.name: case for case in demo_standards.tension}
    assert set(drops["tension_case"]) == set(cases)
    for name, case in cases.items():
        rows = drops[drops["tension_case"] == name]
        np.testing.assert_allclose(rows["tension_case_c"], case.temperature_c)
        np.testing.assert_allclose(rows["tension_limit_n"], case.limit_n)
    words = drops.groupby("tension_case")["tension_case_load"].unique()
    assert words["tension_unloaded"].tolist() == ["no load"]
    assert words["tension_loaded"].tolist() == ["wind, constant"]


def test_the_table_keeps_the_limit_at_its_own_temperature_and_passes_none_at_others(
    demo_plan: Plan, demo_standards: Standards
) -> None:
    limits = {case.name: case for case in demo_standards.tension}
    bare = limits["tension_unloaded"]
    table = demo_plan.stringing
    then = np.isclose(table["temperature_c"], bare.temperature_c, atol=1e-5)
    assert then.sum() == len(demo_plan.drops)
    assert (table.loc[then, "tension_n"] <= bare.limit_n * 1.0005).all()
    # On a colder day more than that limit is told of some, and never more than the greatest.
    assert (table["tension_n"] > bare.limit_n).any()
    most = max(case.limit_n for case in limits.values())
    assert (table[["tension_n", "ladder_tension_n"]].max() <= most).all()


def test_what_would_pass_every_limit_is_left_out_of_the_table(
    demo_layers: Layers, demo_project: Project
) -> None:
    """Tables of a plan, made again as if the wire bore less."""
    plan = make_plan(few(demo_layers, 60), demo_project)
    pull = plan.stringing["tension_n"].quantile(0.9)
    with pytest.MonkeyPatch.context() as patch:
        weaker = hanging_with_limit(pull)
        patch.setattr("geoplan.plan_tables.build_stringing", weaker)
        again = make_plan(few(demo_layers, 60), demo_project).stringing
    over = plan.stringing["tension_n"] > pull
    assert over.any()
    assert again.loc[over, ["sag_m", "tension_n"]].isna().all(axis=None)
    np.testing.assert_array_equal(again.loc[~over, "sag_m"], plan.stringing.loc[~over, "sag_m"])


def hanging_with_limit(most_n: float) -> Any:
    def build(address_id: Any, final: Any, standards: Standards, project: Project) -> pd.DataFrame:
        limits = tuple(dataclasses.replace(case, limit_n=most_n) for case in standards.tension)
        weaker = dataclasses.replace(standards, tension=limits)
        return build_stringing(address_id, final, weaker, project)

    return build


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


def test_at_the_case_that_governs_the_height_there_is_the_available_clearance(
    demo_plan: Plan, demo_standards: Standards
) -> None:
    table, drops = demo_plan.stringing, demo_plan.drops.set_index("address_id")
    cases = {case.name: case for case in (*demo_standards.clearance, demo_standards.stringing)}
    seen = 0
    for name, rows in drops.groupby("margin_case"):
        case = cases.get(str(name))
        if case is None or np.any(np.asarray(case.case.ice_thickness_m) > 0.0):
            continue
        then = np.isclose(table["temperature_c"], case.temperature_c, atol=1e-5)
        there = table[then].set_index("address_id")["height_there_m"]
        told = rows.index[there.reindex(rows.index).notna()]
        np.testing.assert_allclose(there[told], rows.loc[told, "margin_available_m"], atol=1e-6)
        seen += len(told)
    assert seen > 0.9 * len(drops)


def test_the_height_there_is_that_of_a_catenary_of_the_tables_sag(
    demo_plan: Plan, demo_standards: Standards
) -> None:
    """A wire between fixed ends, at a place that isn't its middle."""
    wire = demo_standards.wire
    drops = demo_plan.drops.set_index("address_id")
    air = demo_plan.air_spans.set_index("address_id")
    part = drops["margin_at_m"] / drops["air_span_m"]
    some = drops[drops["clamp_at_m"].isna() & part.between(0.05, 0.9)]
    assert len(some) > 10
    table = demo_plan.stringing.set_index("address_id")
    for address, drop in some.head(25).iterrows():
        rows = table.loc[address].dropna(subset="sag_m")
        if rows["height_there_m"].isna().all():
            assert str(drop["margin_over"]).startswith("power")
            continue
        rise = air.loc[address, "end_z_m"] - air.loc[address, "start_z_m"]
        span, sag = drop["air_span_m"], rows["sag_m"].to_numpy()
        spans = np.full(len(sag), span)
        length = length_from_sag(spans, rise, sag, wire.weight_n_per_m, wire.stiffness_n)
        state = solve_catenary(spans, rise, length, wire.weight_n_per_m, wire.stiffness_n)
        z = height_at(state, np.full((len(sag), 1), drop["margin_at_m"]))[:, 0]
        there = rows["height_there_m"].to_numpy()
        np.testing.assert_allclose(there - there[0], z - z[0], atol=1e-5)
        bow = 4.0 * part[address] * (1.0 - part[address])  # of a parabola: near enough
        np.testing.assert_allclose(there[0] - there[-1], bow * (sag[-1] - sag[0]), rtol=0.02)


def test_on_a_warmer_day_no_wire_is_higher_there(demo_plan: Plan) -> None:
    table = demo_plan.stringing.sort_values(["address_id", "temperature_c"])
    steps = table.groupby("address_id")["height_there_m"].diff().dropna()
    assert len(steps) > 1000
    assert (steps <= 0.003).all()  # at the house it holds still; a clamp's strand sinks a little


def test_the_height_there_is_left_out_where_nothing_lies_below(demo_plan: Plan) -> None:
    drops, table = demo_plan.drops, demo_plan.stringing
    power = drops["margin_over"].astype(str).str.startswith("power")
    unknown = set(drops.loc[power | drops["margin_available_m"].isna(), "address_id"])
    empty = table.loc[table["height_there_m"].isna() & table["sag_m"].notna(), "address_id"]
    assert set(empty) == unknown
    hidden = table["sag_m"].isna()
    assert table.loc[hidden, "height_there_m"].isna().all()
