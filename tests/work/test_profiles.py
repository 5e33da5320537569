"""Profiles: the drawn curves are those of the plan's sag."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from geoplan.mechanics import Wire
from geoplan.work.profiles import PLACES, build_envelopes, build_profiles

WIRE = Wire(0.53, 0.006, 202_000.0, 1.3e-5)


@pytest.fixture(scope="module")
def profiles(demo_plan):
    return build_profiles(demo_plan, np.arange(len(demo_plan.drops)), WIRE)


def _deepest(z: np.ndarray) -> np.ndarray:
    part = np.linspace(0.0, 1.0, PLACES)
    return (z[:, :1] + (z[:, -1:] - z[:, :1]) * part - z).max(axis=1)


def test_curves_have_the_sag_of_the_plan(demo_plan, profiles):
    drops = demo_plan.drops
    # Places lie a 64th of the span apart, so the deepest may be missed by sag / 64^2 at most.
    for curve, name in ((profiles.stringing_z_m, "stringing_sag_m"),
                        (profiles.worst_z_m, "sag_worst_m")):  # fmt: skip
        sag = drops[name].to_numpy()
        assert (np.abs(_deepest(curve) - sag) <= sag / (PLACES - 1) ** 2 + 1e-6).all()


def test_ends_stand_at_the_heights_of_the_plan(demo_plan, profiles):
    drops = demo_plan.drops
    for curve in (profiles.stringing_z_m, profiles.worst_z_m):
        np.testing.assert_allclose(
            curve[:, 0] - profiles.ground_z_m[:, 0], drops["hook_height_m"], atol=1e-9
        )
        np.testing.assert_allclose(
            curve[:, -1] - profiles.ground_z_m[:, -1], drops["attachment_height_m"], atol=1e-6
        )


def test_height_over_the_yard_is_the_clearance_of_the_plan(demo_plan, profiles):
    drops = demo_plan.drops
    yard = np.flatnonzero(drops["margin_over"].eq("yard") & drops["clamp_at_m"].isna())
    assert len(yard) > 20
    for row in yard:
        at = drops["margin_at_m"].iloc[row]
        height = profiles.at(row, profiles.worst_z_m, at) - profiles.at(
            row, profiles.ground_z_m, at
        )
        # A hook stands still, so only the places' spacing parts the two figures.
        assert height == pytest.approx(drops["margin_available_m"].iloc[row], abs=0.01)


def test_level_ground_is_drawn_where_none_is_known(demo_plan):
    air = demo_plan.air_spans.assign(start_z_m=np.nan, end_z_m=np.nan)
    plan = dataclasses.replace(demo_plan, air_spans=air)
    profiles = build_profiles(plan, np.arange(5), WIRE)
    assert not profiles.ground_is_known.any()
    assert (profiles.ground_z_m == 0.0).all()
    np.testing.assert_allclose(profiles.worst_z_m[:, 0], plan.drops["hook_height_m"][:5])


def test_no_drop_gives_empty_profiles(demo_plan):
    assert build_profiles(demo_plan, np.empty(0, dtype=np.int64), WIRE).x_m.shape == (0, PLACES)


def test_envelopes_carry_the_figures_of_the_crossings(demo_plan, profiles):
    ids = demo_plan.drops["address_id"].tolist()
    roads = demo_plan.crossings[demo_plan.crossings["crossing_kind"].eq("road")]
    for road in roads.head(20).itertuples():
        row = ids.index(road.address_id)
        own = demo_plan.crossings[demo_plan.crossings["address_id"].eq(road.address_id)]
        found = {(e.kind, e.feature_id): e for e in build_envelopes(profiles, row, own)}
        envelope = found["road", road.feature_id]
        assert (envelope.start_m, envelope.end_m) == (road.start_m, road.end_m)
        assert envelope.required_m == road.required_m
        envelopes = build_envelopes(profiles, row, own)
        assert [e.letter for e in envelopes] == [str(n + 1) for n in range(len(envelopes))]


def test_roof_lies_its_least_clearance_below_the_wire_and_follows_the_ground(demo_plan, profiles):
    ids = demo_plan.drops["address_id"].tolist()
    kinds = demo_plan.crossings["crossing_kind"].eq("roof")
    roofs = demo_plan.crossings[kinds & ~demo_plan.crossings["is_near_miss"]]
    assert len(roofs) >= 2
    for roof in roofs.itertuples():
        row = ids.index(roof.address_id)
        own = demo_plan.crossings[demo_plan.crossings["address_id"].eq(roof.address_id)]
        item = next(e for e in build_envelopes(profiles, row, own) if e.kind == "roof")
        x = np.array([item.start_m, item.at_m, item.end_m])
        ground = np.interp(x, profiles.x_m[row], profiles.ground_z_m[row])
        over = item.surface_z_m - ground
        np.testing.assert_allclose(over, over[0], atol=1e-9)
        height = demo_plan.layers.buildings["height_m"].loc[roof.feature_id]
        # The clamp is drawn at one height for all loads, so a few centimetres apart.
        assert over[0] == pytest.approx(height, abs=0.05)


def test_height_of_an_existing_drop_is_not_made_up(demo_plan, profiles):
    ids = demo_plan.drops["address_id"].tolist()
    kinds = demo_plan.crossings["crossing_kind"].eq("existing_drop")
    crossed = demo_plan.crossings[kinds & ~demo_plan.crossings["is_near_miss"]]
    assert len(crossed) > 3
    for one in crossed.itertuples():
        own = demo_plan.crossings[demo_plan.crossings["address_id"].eq(one.address_id)]
        envelopes = build_envelopes(profiles, ids.index(one.address_id), own)
        item = next(e for e in envelopes if e.feature_id == one.feature_id)
        assert np.isnan(item.surface_z_m).all()
