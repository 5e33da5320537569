"""Planned drops worked out in full: margins again by other means, and what the demo shows."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.interpolate import RegularGridInterpolator

from geoplan.clearance.demands import build_demands
from geoplan.clearance.final import TOLERANCE_M, Final, finish, finish_tuned, tune_sags
from geoplan.clearance.heights import choose_heights
from geoplan.clearance.supports import build_supports
from geoplan.mechanics import length_from_sag, solve_weather
from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.project import Project
from geoplan.routes.air_spans import WALL_FACE, AirSpans
from geoplan.routes.crossings import find_crossings
from geoplan.routes.index import build_index
from geoplan.standards import Standards, load_standards
from tests.clearance.place import Place, Plot, build_place
from tests.clearance.wire import hang

FT = 0.3048
STRINGING_C, HOT_C = (60 - 32) * 5 / 9, (120 - 32) * 5 / 9
FEET = {"yard": 9.5, "sidewalk": 9.5, "pool": 10.0}
CROWN_M = 0.10


class Surroundings:
    """The demo's ground and what its drops pass over, from the layers themselves."""

    def __init__(self, plan: Plan) -> None:
        terrain = plan.layers.terrain
        assert terrain is not None
        assert terrain.dy_m < 0
        x = terrain.x0_m + terrain.dx_m * np.arange(terrain.elevation_m.shape[1])
        y = terrain.y0_m + terrain.dy_m * np.arange(terrain.elevation_m.shape[0])
        self.raster = RegularGridInterpolator((y[::-1], x), terrain.elevation_m[::-1])
        self.buildings = plan.layers.buildings
        met = plan.crossings[~plan.crossings["is_near_miss"]]
        self.met = dict(list(met.groupby("address_id")))

    def least_spare(self, drop: pd.Series, along: np.ndarray, wire_z: np.ndarray) -> float:
        """Return the least of available less required below a wire, power not looked at."""
        (x0, y0, *_), (x1, y1, *_) = drop["line"].coords
        span = drop["air_span_m"]

        def spare(places: np.ndarray, feet: float, lift: np.ndarray | float = 0.0) -> float:
            part = places / span
            ground = self.raster(np.stack([y0 + part * (y1 - y0), x0 + part * (x1 - x0)], axis=1))
            return float((np.interp(places, along, wire_z) - ground - lift - feet * FT).min())

        least = spare(np.linspace(0.05, 1.0, 300) * span, FEET["yard"])
        met = self.met.get(drop["address_id"])
        if met is None:
            return least
        for row in met.itertuples():
            places = np.linspace(row.start_m, row.end_m, 41)
            if row.crossing_kind in FEET:
                least = min(least, spare(places, FEET[row.crossing_kind]))
            elif row.crossing_kind == "road":
                crown = CROWN_M * (1 - np.abs(np.linspace(-1, 1, 41)))
                feet = 18.0 if row.feature_class == "highway" else 15.5
                least = min(least, spare(places, feet, crown))
            elif row.crossing_kind == "driveway":
                full = self._highest(drop["building_id"]) >= 15.5 * FT
                least = min(least, spare(places, 15.5 if full else 11.5))
            elif row.crossing_kind == "roof":
                roof = self.buildings.loc[row.feature_id]
                feet = 3.0 if np.tan(np.radians(roof["roof_slope_deg"])) >= 1 / 3 else 8.0
                least = min(least, spare(places, feet, float(roof["height_m"])))
        return least

    def _highest(self, building: str | float) -> float:
        """Return the highest attachment: below the eaves, or the setting without them."""
        if not isinstance(building, str):
            return 4.3
        house = self.buildings.loc[building]
        eave = house["eave_height_m"]
        return float(np.fmin(4.3 if np.isnan(eave) else eave - 0.15, house["height_m"]))


@pytest.fixture(scope="module")
def surroundings(demo_plan: Plan) -> Surroundings:
    return Surroundings(demo_plan)


@pytest.fixture(scope="module")
def demo_drops(demo_plan: Plan) -> pd.DataFrame:
    lines = demo_plan.air_spans.set_index("address_id")
    drops = pd.DataFrame(demo_plan.drops.drop(columns="geometry"))
    for name in ("start_z_m", "end_z_m"):
        drops[name] = lines[name].loc[drops["address_id"]].to_numpy()
    drops["line"] = lines.geometry.loc[drops["address_id"]].to_numpy()
    return drops


@pytest.fixture(scope="module")
def demo_standards(demo_project: Project) -> Standards:
    return load_standards(demo_project)


def length_with_arc(drop: pd.Series, standards: Standards) -> float:
    """Find the unstressed length whose stretched length is the table's."""
    entry = standards.entry
    rise = drop["end_z_m"] - drop["start_z_m"]
    length = drop["wire_arc_m"] / (1 + drop["stringing_tension_n"] / entry.stiffness_n)
    for _ in range(2):
        x, up, _ = hang(drop["air_span_m"], rise, length, entry.weight_n_per_m, entry.stiffness_n)
        length *= drop["wire_arc_m"] / float(np.hypot(np.diff(x), np.diff(up)).sum())
    return length


def test_margins_of_the_demos_pole_drops_come_out_again_from_the_tables(
    demo_drops: pd.DataFrame, demo_standards: Standards, surroundings: Surroundings
) -> None:
    """Hot wire by an own catenary, own ground, own figures; power is looked at below."""
    entry = demo_standards.entry
    poles = demo_drops[demo_drops["clamp_at_m"].isna()]
    assert len(poles) > 50
    off = []
    for _, drop in poles.iterrows():
        rise = drop["end_z_m"] - drop["start_z_m"]
        length = length_with_arc(drop, demo_standards)
        x, up, _ = hang(drop["air_span_m"], rise, length, entry.weight_n_per_m, entry.stiffness_n)
        assert np.max(rise * x / drop["air_span_m"] - up) == pytest.approx(
            drop["stringing_sag_m"], abs=0.002
        )
        grown = length * (1 + entry.thermal_expansion_per_c * (HOT_C - STRINGING_C))
        x, up, _ = hang(drop["air_span_m"], rise, grown, entry.weight_n_per_m, entry.stiffness_n)
        least = surroundings.least_spare(drop, x, drop["start_z_m"] + up)
        assert least >= 0.15 - 0.015, drop["address_id"]  # ground bends between points: 5 m cells
        if "power" not in drop["margin_over"]:
            off.append(least - drop["margin_m"])
    assert len(off) > 50
    assert np.abs(off).max() < 0.015
    assert np.median(np.abs(off)) < 0.001


def test_margins_of_the_demos_clamp_drops_are_less_than_those_at_stringing(
    demo_drops: pd.DataFrame, surroundings: Surroundings
) -> None:
    """A bound: a hot wire hangs lower than the parabola of the sag at stringing."""
    clamps = demo_drops[demo_drops["clamp_at_m"].notna()]
    assert len(clamps) > 50
    lost = []
    for _, drop in clamps.iterrows():
        part = np.linspace(0.0, 1.0, 400)
        rise = drop["end_z_m"] - drop["start_z_m"]
        wire = drop["start_z_m"] + part * rise - 4 * part * (1 - part) * drop["stringing_sag_m"]
        spare = surroundings.least_spare(drop, part * drop["air_span_m"], wire)
        assert spare >= 0.15
        lost.append(spare - drop["margin_m"])
    assert min(lost) > -0.015
    assert max(lost) < 0.6


def test_every_planned_drop_keeps_margin_tension_and_heights(
    demo_plan: Plan, demo_project: Project
) -> None:
    drops = demo_plan.drops.set_index("address_id")
    assert (drops["margin_m"] >= demo_project.heights.clearance_margin - TOLERANCE_M).all()
    margin = drops["margin_available_m"] - drops["margin_required_m"]
    np.testing.assert_allclose(margin, drops["margin_m"], atol=1e-9)
    assert (drops["tension_worst_n"] <= drops["tension_limit_n"] * 1.0005).all()
    assert (drops["stringing_tension_n"] < drops["tension_limit_n"]).all()
    # Drops that share a strand span move each other: one that slackens lets its mates tighten.
    mates = drops.groupby("strand_span_id")["terminal_id"].transform("count")
    alone = drops[~(mates > 1)]
    assert len(alone) > 100
    assert (alone["sag_worst_m"] > alone["stringing_sag_m"]).all()
    cap = demo_project.heights.max_sag_share * drops["air_span_m"]
    assert (drops["stringing_sag_m"] <= cap + 1e-3).all()  # of a span that the clamp shortens


def test_hooks_are_below_strand_and_power_and_attachments_below_the_eaves(
    demo_plan: Plan,
) -> None:
    drops = demo_plan.drops
    direct = drops[drops["clamp_at_m"].isna()]
    poles = demo_plan.layers.poles.loc[direct["access_pole_id"]]
    hook = direct["hook_height_m"].to_numpy()
    strand = poles["strand_height_m"].fillna(5.8).to_numpy()
    assert (hook <= strand - 0.05 + 1e-9).all()
    power = poles["power_height_m"].to_numpy()
    known = np.isfinite(power)
    assert known.sum() > 10
    assert (hook[known] <= power[known] - 40 * 0.0254 - 0.15 + 1e-9).all()
    housed = drops.dropna(subset="building_id")
    eaves = demo_plan.layers.buildings["eave_height_m"].loc[housed["building_id"]].to_numpy()
    known = np.isfinite(eaves)
    assert known.sum() > 100
    assert (housed["attachment_height_m"].to_numpy()[known] <= eaves[known] - 0.15 + 1e-9).all()


def test_no_margin_of_a_crossing_is_less_than_that_of_its_drop(demo_plan: Plan) -> None:
    least = demo_plan.crossings.groupby("address_id")["margin_m"].min().dropna()
    drop = demo_plan.drops.set_index("address_id")["margin_m"]
    assert (least >= drop[least.index] - 1e-9).all()
    over = demo_plan.drops.set_index("address_id")["margin_over"]
    named = over.index[over != "yard"]
    np.testing.assert_allclose(least[named], drop[named], atol=1e-9)


# -- facts of the trade ---------------------------------------------------------------------


def mixed() -> list[Plot]:
    return [
        Plot(25.0),
        Plot(40.0, road=(12.0, 8.0), strand_m=7.5),
        Plot(18.0, walk=(8.0, 10.0)),
        Plot(22.0, clamp_m=12.0),
        Plot(30.0, clamp_m=28.0, strand_m=7.0),
    ]


def at(place: Place, temperature_c: float, ice_m: float = 0.0) -> Final:
    """Work the same wires out with one load case for clearance."""
    first = place.standards.clearance[0]
    case = dataclasses.replace(
        first,
        temperature_c=temperature_c,
        fraction=1.0,
        case=dataclasses.replace(
            first.case,
            temperature_c=temperature_c,
            ice_thickness_m=ice_m,
            ice_density_kg_per_m3=913.0,
        ),
    )
    standards = dataclasses.replace(place.standards, clearance=(case,), stringing=case)
    return dataclasses.replace(place, standards=standards).final(place.hung(), tune=False)


@pytest.fixture(scope="module")
def place() -> Place:
    return build_place(mixed(), loading_district="medium")


def test_hotter_wire_sags_more_and_has_less_margin(place: Place) -> None:
    finals = [at(place, temperature) for temperature in (-20.0, 0.0, 20.0, 40.0, 60.0)]
    for cool, hot in itertools.pairwise(finals):
        assert (hot.sag_worst_m > cool.sag_worst_m).all()
        assert (hot.margin_m < cool.margin_m + 1e-12).all()
    assert (finals[-1].margin_m < finals[0].margin_m).all()


def test_ice_lowers_the_wire(place: Place) -> None:
    finals = [at(place, 0.0, ice) for ice in (0.0, 0.003, 0.006, 0.012)]
    for bare, iced in itertools.pairwise(finals):
        assert (iced.sag_worst_m > bare.sag_worst_m).all()
        assert (iced.margin_m <= bare.margin_m + 1e-12).all()


def test_raising_the_hook_never_lessens_the_margin_at_the_same_sag() -> None:
    place = build_place(mixed()[:3], loading_district="light")
    hung = place.hung()
    rng = np.random.default_rng(4)
    for lift in rng.uniform(0.01, 1.0, 4):
        rise = hung.end_m + hung.end_ground_m - hung.start_m - hung.start_ground_m
        entry = place.standards.entry
        sag = 0.02 * place.air.length_m
        margins = []
        for up in (0.0, lift):
            length = length_from_sag(
                place.air.length_m, rise - up, sag, entry.weight_n_per_m, entry.stiffness_n
            )
            moved = dataclasses.replace(hung, start_m=hung.start_m + up, length_m=length)
            margins.append(place.final(moved, tune=False).margin_m)
        assert (margins[1] >= margins[0] - 2e-3).all()


def test_the_worst_of_the_cases_governs_and_is_named() -> None:
    place = build_place(mixed(), loading_district="medium")
    hung = place.hung()
    both = place.final(hung, tune=False)
    alone = []
    for case in place.standards.clearance:
        standards = dataclasses.replace(place.standards, clearance=(case,), stringing=case)
        alone.append(dataclasses.replace(place, standards=standards).final(hung, tune=False))
    margins = np.stack([final.margin_m for final in alone])
    np.testing.assert_allclose(both.margin_m, margins.min(axis=0), atol=1e-12)
    np.testing.assert_array_equal(both.margin_case, margins.argmin(axis=0))
    sags = np.stack([final.sag_worst_m for final in alone])
    np.testing.assert_allclose(both.sag_worst_m, sags.max(axis=0), atol=1e-12)


def test_ninety_percent_of_the_clearance_is_asked_of_a_hot_wire_in_california() -> None:
    """GO 64-A rule 35: sag and load may cut a table value by no more than a tenth."""
    place = build_place([Plot(25.0)], rule_set="california", loading_district="heavy")
    names = {case.name: number for number, case in enumerate(place.standards.clearance)}
    hung = place.hung()
    for name, part in (("clearance_hot", 0.9), ("clearance_ice", 0.9), ("clearance_table", 1.0)):
        case = place.standards.clearance[names[name]]
        standards = dataclasses.replace(place.standards, clearance=(case,), stringing=case)
        final = dataclasses.replace(place, standards=standards).final(hung, tune=False)
        assert final.required_m[0] == pytest.approx(part * 10 * FT)


def test_a_drop_short_of_margin_or_over_its_tension_fails(place: Place) -> None:
    final = place.final()
    asked = final.margin_m.min() + 0.5
    assert final.fails(asked)[final.margin_m.argmin()]
    assert not final.fails(final.margin_m.min()).any()
    tight = dataclasses.replace(final, tension_worst_n=final.tension_limit_n * 1.01)
    assert tight.fails(-10.0).all()


def test_the_wire_under_power_is_compared_cold_and_bare() -> None:
    plot = Plot(30.0, power_at_m=12.0, power_m=7.0, voltage_v=480.0)
    place = build_place([plot], loading_district="light")
    hung, final = place.hung(), place.final()
    cold = min(case.temperature_c for case in place.standards.tension)
    entry = place.standards.entry
    length = hung.length_m[0] * (
        1 + entry.thermal_expansion_per_c * (cold - place.standards.stringing_c)
    )
    rise = hung.end_m[0] - hung.start_m[0]
    x, up, _ = hang(30.0, rise, length, entry.weight_n_per_m, entry.stiffness_n)
    spare = 7.0 - (hung.start_m[0] + np.interp(12.0, x, up)) - 30 * 0.0254
    assert final.crossing_margin_m[np.isfinite(final.crossing_margin_m)] == pytest.approx(
        [spare], abs=1e-4
    )


def crowded() -> Place:
    """Return plots with clamps, some with a second drop, some too low for their first sag."""
    plots = [
        Plot(22.0, clamp_m=12.0),
        Plot(34.0, clamp_m=28.0, road=(12.0, 8.0), strand_m=7.2),
        Plot(38.0, clamp_m=20.0, walk=(8.0, 10.0)),
        Plot(25.0),
        Plot(40.0, clamp_m=15.0, road=(14.0, 8.0), strand_m=7.6),
    ]
    place = build_place(plots, loading_district="medium")
    air = place.air.take(np.array([0, 0, 1, 2, 2, 3, 4, 4, 4]))
    air.ex[[1, 4, 7]] += [3.0, -4.0, 6.0]
    air.ex[8] -= 5.0
    limits = place.project.limits
    crossings = find_crossings(
        air,
        place.index,
        near_power_m=limits.near_power,
        near_pool_m=limits.near_pool,
        near_tree_m=limits.near_tree,
        min_lot_overlap_m=limits.min_lot_overlap,
    )
    plots = [plots[k] for k in (0, 0, 1, 2, 2, 3, 4, 4, 4)]
    return dataclasses.replace(place, plots=plots, air=air, crossings=crossings)


def work_of(place: Place) -> tuple[Any, ...]:
    return (
        place.air,
        place.crossings,
        place.hung(),
        place.ends(),
        place.index,
        place.supports,
        place.demands,
        place.standards,
        place.project,
    )


def assert_same(one: Final, other: Final) -> None:
    for part, same in ((one, other), (one.clamps, other.clamps)):
        for field in dataclasses.fields(part):
            column = getattr(part, field.name)
            if isinstance(column, np.ndarray):
                np.testing.assert_array_equal(column, getattr(same, field.name), err_msg=field.name)


def test_tuning_and_finishing_at_once_is_tuning_then_finishing() -> None:
    work = work_of(crowded())
    air = work[0]
    begin = 0.06 * air.length_m  # more sag than the clearances allow
    final, sag = finish_tuned(*work, begin)
    np.testing.assert_array_equal(sag, tune_sags(*work, begin))
    clamped = air.span >= 0
    assert (sag[clamped] < begin[clamped]).any()
    assert (sag[~clamped] == begin[~clamped]).all()
    assert_same(final, finish(*work, sag))


def test_other_strand_spans_have_no_say_in_a_drops_last_digit() -> None:
    place = crowded()
    begin = 0.05 * place.air.length_m
    work = work_of(place)
    final, sag = finish_tuned(*work, begin)
    for span in np.unique(place.air.span).tolist():
        rows = np.flatnonzero(place.air.span == span)
        alone, lessened = finish_tuned(*work_of(place.taken(rows)), begin[rows])
        np.testing.assert_array_equal(lessened, sag[rows])
        for name in ("start_z_m", "span_m", "length_m", "tension_worst_n", "margin_m", "sag_m"):
            np.testing.assert_array_equal(getattr(alone, name), getattr(final, name)[rows])


# -- what the demo shows --------------------------------------------------------------------


@pytest.fixture(scope="module")
def blind_plan(demo_layers: Layers, demo_project: Project) -> Plan:
    """Plan the demo as if no clearance, power or tension could forbid anything."""
    with pytest.MonkeyPatch.context() as patch:

        def never_forbid(*arguments: object) -> object:
            hung = choose_heights(*arguments)  # type: ignore[arg-type]
            return dataclasses.replace(hung, forbidden=np.zeros_like(hung.forbidden))

        patch.setattr("geoplan.judging.choose_heights", never_forbid)
        patch.setattr(Final, "fails", lambda self, margin_m: np.zeros(len(self.margin_m), bool))
        return make_plan(demo_layers, demo_project)


def test_clearance_changes_the_best_terminal_of_some_address(
    demo_plan: Plan, blind_plan: Plan
) -> None:
    seen = demo_plan.drops.set_index("address_id")["terminal_id"]
    blind = blind_plan.drops.set_index("address_id")
    both = seen.index.intersection(blind.index)
    changed = both[(seen[both] != blind.loc[both, "terminal_id"]).to_numpy()]
    low = blind.loc[changed, "margin_m"] < 0.15 - TOLERANCE_M
    assert low.any()  # what it would have had without looking is too low


def test_some_address_of_the_demo_is_impossible_for_clearance_alone(
    demo_plan: Plan, blind_plan: Plan
) -> None:
    lost = demo_plan.unserved[demo_plan.unserved["code"] == "no_clearance"]
    assert len(lost) > 0
    assert (lost["clearance_miss_m"] > 0).all()
    assert lost["reasons"].str.contains("short over").all()
    blind = set(blind_plan.drops["address_id"])
    assert set(lost["address_id"]) & blind


def test_some_address_of_the_demo_is_saved_by_a_higher_hook(
    demo_plan: Plan, demo_layers: Layers, demo_project: Project, demo_standards: Standards
) -> None:
    drops = demo_plan.drops
    raised = drops[drops["hook_is_raised"] & drops["clamp_at_m"].isna()].dropna(
        subset="building_id"
    )
    assert len(raised) > 0
    lines = demo_plan.air_spans.set_index("address_id").geometry[raised["address_id"]]
    ends = shapely.get_coordinates(shapely.force_2d(lines.to_numpy())).reshape(-1, 4)
    layers, limits = demo_layers, demo_project.limits
    none = np.full(len(raised), -1, dtype=np.int64)
    air = AirSpans(
        layers.addresses.index.get_indexer(raised["address_id"]),
        layers.poles.index.get_indexer(raised["access_pole_id"]),
        none,
        np.full(len(raised), np.nan),
        *ends.T,
        layers.buildings.index.get_indexer(raised["building_id"]),
        np.full(len(raised), WALL_FACE, dtype=np.int64),
        np.full(len(raised), 90.0),
    )
    index = build_index(layers, near_power_m=limits.near_power, near_tree_m=limits.near_tree)
    supports = build_supports(layers, index, demo_project, demo_standards)
    crossings = find_crossings(
        air,
        index,
        near_power_m=limits.near_power,
        near_pool_m=limits.near_pool,
        near_tree_m=limits.near_tree,
        min_lot_overlap_m=limits.min_lot_overlap,
    )
    demands = build_demands(layers, demo_project.heights, demo_standards.rule_set)
    rest = (demands, demo_standards, demo_project)
    as_it_is = choose_heights(air, crossings, index, supports, *rest)
    assert (as_it_is.forbidden == 0).all()
    assert as_it_is.hook_is_raised.all()
    low = dataclasses.replace(supports, hook_high_m=supports.hook_usual_m)
    usual = choose_heights(air, crossings, index, low, *rest)
    assert (usual.forbidden != 0).any()
    assert (usual.miss_m[usual.forbidden != 0] > 0).all()


def test_the_swing_is_that_of_the_wind(place: Place) -> None:
    final = place.final()
    wind = place.standards.tension[0]
    state = solve_weather(
        final.span_m,
        final.end_z_m - final.start_z_m,
        final.length_m,
        place.standards.stringing_c,
        place.standards.wire,
        wind.case,
    )
    pole = place.air.span < 0
    np.testing.assert_allclose(final.swing_worst_m[pole], state.swing_m[pole, 0], atol=1e-9)
