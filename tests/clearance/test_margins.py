"""Least margins: places passed over by bounds are never the least."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.clearance.margins import Margins
from geoplan.clearance.required import Rows
from geoplan.mechanics import length_at_temperature, length_from_sag, load_wire, solve_catenary
from geoplan.standards import ClearanceCase, Standards
from tests.clearance.place import Plot, build_place
from tests.clearance.wire import hang

COUNT, CROSSINGS = 12, 30


@pytest.fixture(scope="module")
def standards() -> Standards:
    return build_place([Plot(20.0)], loading_district="medium").standards


class Spans:
    """Random wires, rough ground, and things passed over."""

    def __init__(self, seed: int, standards: Standards) -> None:
        rng = np.random.default_rng(seed)
        self.span = rng.uniform(4.0, 60.0, COUNT)
        self.low = rng.uniform(5.0, 8.0, COUNT)
        self.high = rng.uniform(3.0, 8.0, COUNT)
        sag = self.span * 10 ** rng.uniform(-2.3, -0.8, COUNT)
        entry = standards.entry
        self.length = length_from_sag(
            self.span, self.high - self.low, sag, entry.weight_n_per_m, entry.stiffness_n
        )
        air, part, crossing = [], [], []
        owner = np.sort(rng.integers(0, COUNT, CROSSINGS))
        for row in range(COUNT):
            yard = np.linspace(0.025, 1.0, 40)
            air += [row] * 40
            part += yard.tolist()
            crossing += [-1] * 40
            for met in np.flatnonzero(owner == row):
                places = np.sort(np.clip(rng.uniform(0.0, 1.1, 5), 0.0, 1.0))
                air += [row] * 5
                part += places.tolist()
                crossing += [int(met)] * 5
        size = len(air)
        self.rows = Rows(
            np.array(air),
            np.array(part),
            rng.uniform(-0.3, 0.3, size),
            rng.choice([2.9, 3.5, 4.7], size),
            np.array(crossing),
            np.searchsorted(air, np.arange(COUNT + 1)),
        )

    def depth(self, case: ClearanceCase, standards: Standards) -> np.ndarray:
        """Return how far the wire hangs below its chord at each place, by an own catenary."""
        entry, rows = standards.entry, self.rows
        warmer = case.temperature_c - standards.stringing_c
        length = length_at_temperature(self.length, entry.thermal_expansion_per_c, warmer)
        wire = standards.wire
        load = float(load_wire(wire.weight_n_per_m, wire.diameter_m, case.case).vertical_n_per_m)
        depth = np.zeros(len(rows.air))
        for row in range(COUNT):
            on = rows.air == row
            rise, span = self.high[row] - self.low[row], self.span[row]
            x, up, _ = hang(span, rise, length[row], load, entry.stiffness_n)
            along = rows.part[on] * span
            depth[on] = rise * rows.part[on] - np.interp(along, x, up)
        return depth


def add_all(spans: Spans, standards: Standards, cases: list[ClearanceCase]) -> Margins:
    margins = Margins(spans.rows, COUNT, CROSSINGS)
    for number, case in enumerate(cases):
        margins.add(number, case, spans.low, spans.high, spans.span, spans.length, standards)
    return margins


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_the_least_margins_are_those_of_every_place_looked_at(
    standards: Standards, seed: int
) -> None:
    spans = Spans(seed, standards)
    rows, cases = spans.rows, [*standards.clearance, standards.stringing]
    margins = add_all(spans, standards, cases)
    chord = spans.low[rows.air] + rows.part * (spans.high - spans.low)[rows.air]
    every = np.stack(
        [
            chord - spans.depth(case, standards) - rows.base_m - case.fraction * rows.required_m
            for case in cases
        ]
    ).min(axis=0)
    for row in range(COUNT):
        assert margins.least_m[row] == pytest.approx(every[rows.air == row].min(), abs=5e-4)
    for met in np.unique(rows.crossing[rows.crossing >= 0]):
        least = every[rows.crossing == met].min()
        assert margins.crossing_margin_m[met] == pytest.approx(least, abs=5e-4)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_passing_places_over_changes_no_digit(standards: Standards, seed: int) -> None:
    spans = Spans(seed, standards)
    cases = [*standards.clearance, standards.stringing]
    usual = add_all(spans, standards, cases)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Margins, "_may_be_least", lambda self, *bounds: np.arange(len(self.rows.air)))
        every = add_all(spans, standards, cases)
    for name, column in vars(every).items():
        if isinstance(column, np.ndarray):
            np.testing.assert_array_equal(getattr(usual, name), column, err_msg=name)


def test_few_places_are_looked_at_closely(standards: Standards) -> None:
    spans = Spans(2, standards)
    looked: list[int] = []
    with pytest.MonkeyPatch.context() as patch:
        plain = Margins._may_be_least

        def counted(self: Margins, *bounds: np.ndarray) -> np.ndarray:
            some = plain(self, *bounds)
            looked.append(len(some))
            return some

        patch.setattr(Margins, "_may_be_least", counted)
        add_all(spans, standards, [standards.clearance[0], standards.stringing])
    assert looked[0] < len(spans.rows.air) / 3
    assert looked[1] < looked[0]


def test_at_the_house_the_wire_is_as_high_in_every_case_and_the_first_is_named(
    standards: Standards,
) -> None:
    spans = Spans(4, standards)
    base = np.where(spans.rows.part == 1.0, 3.0, -20.0)
    spans.rows = dataclasses.replace(spans.rows, base_m=base)
    cases = [standards.stringing, standards.clearance[0], standards.stringing]
    margins = add_all(spans, standards, cases)
    assert (margins.part == 1.0).all()
    assert (margins.case == 0).all()
    np.testing.assert_array_equal(margins.available_m, spans.high - 3.0)


def test_the_lowest_place_of_a_wire_over_flat_ground_is_found(standards: Standards) -> None:
    spans = Spans(6, standards)
    yard = spans.rows.crossing < 0
    spans.rows = dataclasses.replace(
        spans.rows,
        base_m=np.where(yard, 0.0, -50.0),
        required_m=np.full(len(yard), 2.9),
    )
    margins = add_all(spans, standards, [standards.stringing])
    entry = standards.entry
    state = solve_catenary(
        spans.span,
        spans.high - spans.low,
        spans.length,
        entry.weight_n_per_m,
        entry.stiffness_n,
    )
    lowest = spans.low - state.low_point_below_start_m - 2.9
    assert (margins.least_m >= lowest - 1e-9).all()
    inner = state.low_point_m > 0.03 * spans.span
    assert inner.any()
    np.testing.assert_allclose(margins.least_m[inner], lowest[inner], atol=0.02)
