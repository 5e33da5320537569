"""Wire by part, cut lengths and hand lines; hanging wire against quadrature."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from geoplan.errors import ProjectFileError
from geoplan.model import Plan
from geoplan.store_settings import Supply
from geoplan.work.lengths import build_lengths, next_stocked, stepped
from tests.work.conftest import with_settings
from tests.work.stores_town import project


def lengths(plan: Plan):
    return build_lengths(plan.drops, plan.air_spans, plan.layers.addresses.index, plan.project)


def integrated_arc(span: float, rise: float, sag: float) -> float:
    """Length of the catenary through two points with a given sag, by quadrature."""

    def low_point(c: float) -> float:
        return span / 2 - c * np.arcsinh(rise / (2 * c * np.sinh(span / (2 * c))))

    def sag_of(c: float) -> float:
        x0 = low_point(c)
        x = x0 + c * np.arcsinh(rise / span)  # where the wire is parallel to the chord
        chord = rise * x / span
        return chord - (c * np.cosh((x - x0) / c) - c * np.cosh(x0 / c))

    c = brentq(lambda value: sag_of(value) - sag, span / 10, 1e5)
    x0 = low_point(c)
    return quad(lambda x: np.sqrt(1 + np.sinh((x - x0) / c) ** 2), 0, span, epsabs=1e-10)[0]


def test_hanging_wire_is_as_long_as_the_integrated_catenary(demo_plan: Plan) -> None:
    """The catenary with the plan's heights, span and sag, integrated by scipy's quadrature."""
    arc = lengths(demo_plan)["air_arc_m"].to_numpy()
    drops, air = demo_plan.drops, demo_plan.air_spans
    rise = (air["end_z_m"] - air["start_z_m"]).to_numpy()
    pole = drops["strand_span_id"].isna().to_numpy()
    rows = np.flatnonzero(pole)[::3]
    assert len(rows) > 20
    expected = [
        integrated_arc(drops["air_span_m"][row], rise[row], drops["stringing_sag_m"][row])
        for row in rows
    ]
    assert arc[rows] == pytest.approx(expected, abs=2e-3)


def test_wire_is_the_sum_of_its_parts(demo_plan: Plan) -> None:
    table = lengths(demo_plan)
    parts = ["building_run_m", "air_arc_m", "strand_wire_m", "pole_run_m", "loops_m"]
    assert table["wire_m"].to_numpy() == pytest.approx(table[parts].sum(axis=1).to_numpy())
    drops = demo_plan.drops
    shift = drops["clamp_shift_m"].fillna(0.0)  # a strand that yields shortens the air span
    assert (table["air_arc_m"] >= drops["air_span_m"] - shift - 1e-9).all()


def test_a_bulk_cut_is_whole_steps_and_long_enough(demo_plan: Plan) -> None:
    plan = with_settings(demo_plan, lengths={"cut_step": 0.5})
    table = lengths(plan)
    cut, wire = table["cut_length_m"].to_numpy(), table["wire_m"].to_numpy()
    assert (cut - wire > -2e-6).all()
    assert (cut - wire < 0.5).all()
    assert np.round(cut / 0.5) == pytest.approx(cut / 0.5, abs=1e-9)
    assert (table["supply"] == "bulk").all()
    assert (table["coil_m"] == 0).all()


def test_a_length_just_above_a_step_by_rounding_is_not_cut_longer() -> None:
    assert stepped(np.array([3 * 0.1, 0.3, 0.31]), 0.1) == pytest.approx([0.3, 0.3, 0.4])


def test_stocked_wire_is_the_next_longer_and_the_rest_is_coiled(demo_plan: Plan) -> None:
    stocked = (30.0, 50.0, 80.0, 400.0)
    plan = with_settings(
        demo_plan, supply={"kind": "pre_connectorised", "stocked_lengths": stocked}
    )
    table = lengths(plan)
    wire, cut = table["wire_m"].to_numpy(), table["cut_length_m"].to_numpy()
    assert cut.tolist() == [min(x for x in stocked if x >= need) for need in wire]
    assert table["coil_m"].to_numpy() == pytest.approx(cut - wire)
    assert set(table["coil_at"]) == {plan.project.supply.coil_at}
    assert table["cut_note"].isna().all()


@pytest.mark.parametrize(("choice", "words"), [("report", "no length to take"), ("bulk", "reel")])
def test_wire_longer_than_any_stocked_length_is_reported(
    demo_plan: Plan, choice: str, words: str
) -> None:
    plan = with_settings(
        demo_plan,
        supply={"kind": "pre_connectorised", "stocked_lengths": (40.0, 60.0)},
        lengths={"too_long": choice},
    )
    table = lengths(plan)
    long = (table["wire_m"] > 60).to_numpy()
    assert 0 < long.sum() < len(long)
    assert table["cut_note"].notna().tolist() == long.tolist()
    assert table.loc[long, "cut_note"].str.contains(words).all()
    assert table.loc[long, "cut_length_m"].isna().all() == (choice == "report")
    expected = "pre_connectorised" if choice == "report" else "bulk"
    assert set(table.loc[long, "supply"]) == {expected}
    assert (table.loc[~long, "supply"] == "pre_connectorised").all()


def test_a_cut_longer_than_a_full_reel_is_said_to_be_on_none(demo_plan: Plan) -> None:
    plan = with_settings(demo_plan, supply={"reel_length": 60.0})
    table = lengths(plan)
    long = (table["cut_length_m"] > 60).to_numpy()
    assert 0 < long.sum() < len(long)
    assert table["cut_note"].notna().tolist() == long.tolist()
    row = table[long].iloc[0]
    assert (
        f"cut {(row['cut_length_m'] - 60) / 0.3048:.1f} ft longer than a full reel of 196.9 ft"
        in (row["cut_note"])
    )


def test_what_is_neither_stocked_nor_on_a_reel_is_told_of_both(demo_plan: Plan) -> None:
    plan = with_settings(
        demo_plan,
        supply={
            "kind": "pre_connectorised",
            "stocked_lengths": (40.0,),
            "reel_length": 60.0,
        },
        lengths={"too_long": "bulk"},
    )
    table = lengths(plan)
    note = table.loc[table["cut_length_m"] > 60, "cut_note"]
    assert len(note) > 20
    assert note.str.contains("; cut from a reel; cut .* longer than a full reel").all()


@pytest.mark.parametrize(
    "key", ["wall_run", "pole_run", "loops", "connections", "interface_height"]
)
def test_absurd_lengths_are_refused(key: str) -> None:
    with pytest.raises(ProjectFileError, match=rf"lengths\.{key}: .*less than or equal to 1000"):
        project(lengths={key: "1e300 m"})


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.1, 200), min_size=1, max_size=20),
    st.lists(st.floats(1, 150), min_size=1, max_size=6, unique=True),
)
def test_next_stocked_length_is_the_shortest_that_fits(
    wire: list[float], stocked: list[float]
) -> None:
    supply = Supply().model_copy(update={"stocked_lengths": tuple(stocked)})
    length, fits = next_stocked(np.array(wire), supply)
    for need, got, is_there in zip(wire, length, fits, strict=True):
        enough = [x for x in stocked if x >= need - 1e-6]
        assert is_there == bool(enough)
        assert (got == min(enough)) if enough else np.isnan(got)


def test_a_building_run_that_is_given_is_used_for_its_address(demo_plan: Plan) -> None:
    ids = demo_plan.drops["address_id"]
    plan = with_settings(demo_plan, lengths={"building_runs": {ids[3]: 11.5}})
    before, after = lengths(demo_plan)["building_run_m"], lengths(plan)["building_run_m"]
    assert after[3] == 11.5
    assert (before.drop(3) == after.drop(3)).all()
    high = demo_plan.drops["attachment_height_m"]
    usual = demo_plan.project.lengths
    assert before.to_numpy() == pytest.approx(
        np.maximum(high - usual.interface_height, 0) + usual.wall_run
    )


def test_a_building_run_of_no_address_is_refused(demo_plan: Plan) -> None:
    plan = with_settings(demo_plan, lengths={"building_runs": {"A0O1": 3.0}})
    with pytest.raises(
        ProjectFileError, match=r"lengths\.building_runs: there is no address 'A0O1'"
    ):
        lengths(plan)


def test_hand_line_goes_up_to_the_hook_and_down(demo_plan: Plan) -> None:
    table, drops = lengths(demo_plan), demo_plan.drops
    crosses = drops["is_street_crossing"].to_numpy()
    assert table["hand_line_m"].to_numpy() == pytest.approx(2 * drops["hook_height_m"].to_numpy())
    assert table["hand_line_house_m"].notna().tolist() == crosses.tolist()
    house = table.loc[crosses, "hand_line_house_m"].to_numpy()
    assert house == pytest.approx(drops.loc[crosses, "hook_height_m"].to_numpy())


def test_wire_on_the_ground_is_longer_than_the_ground_between_the_feet(demo_plan: Plan) -> None:
    drops, table = demo_plan.drops, lengths(demo_plan)
    crosses = drops["is_street_crossing"].to_numpy()
    path = table["ground_path_m"].to_numpy()
    assert np.isnan(path[~crosses]).all()
    level = drops["air_span_m"] + drops["attachment_height_m"]
    assert (path[crosses] >= level.to_numpy()[crosses] - 1e-9).all()
    flat = dataclasses.replace(
        demo_plan, air_spans=demo_plan.air_spans.assign(start_z_m=np.nan, end_z_m=np.nan)
    )
    assert lengths(flat)["ground_path_m"].to_numpy()[crosses] == pytest.approx(level[crosses])


def test_beyond_a_street_the_way_over_the_ground_is_off_the_reel_before_the_cut(
    demo_plan: Plan,
) -> None:
    table, drops = lengths(demo_plan), demo_plan.drops
    crosses = drops["is_street_crossing"].to_numpy()
    cut, drawn = table["cut_length_m"].to_numpy(), table["drawn_m"].to_numpy()
    out = (table["building_run_m"] + table["ground_path_m"]).to_numpy()
    assert drawn[~crosses] == pytest.approx(cut[~crosses])
    assert drawn[crosses] == pytest.approx(np.maximum(cut, out)[crosses])
    assert (drawn > cut + 0.1).any()


def test_wire_out_before_raising_that_no_reel_holds_is_said(demo_plan: Plan) -> None:
    table = lengths(demo_plan)
    row = int(np.argmax((table["drawn_m"] - table["cut_length_m"]).to_numpy()))
    cut, drawn = table.loc[row, ["cut_length_m", "drawn_m"]]
    plan = with_settings(demo_plan, supply={"reel_length": (cut + drawn) / 2})
    assert "wire out before raising " in lengths(plan).loc[row, "cut_note"]
