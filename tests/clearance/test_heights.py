"""Choice of heights and sag: order, margins, power, limits, and facts of the trade."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.clearance.heights import LEVELS, choose_heights
from geoplan.verdicts import Forbidden
from tests.clearance.place import Place, Plot, build_place

LIGHT = {"loading_district": "light"}
IN = 0.0254

spans = st.floats(8.0, 55.0)
strands = st.floats(5.6, 8.0)


def plots_from(span: float, strand: float) -> list[Plot]:
    """Return the same air span over a yard, a road, a walk and from a clamp."""
    road = (0.4 * span, 0.3 * span)
    return [
        Plot(span, strand_m=strand),
        Plot(span, strand_m=strand, road=road),
        Plot(span, strand_m=strand, walk=(0.6 * span, 0.65 * span)),
        Plot(span, strand_m=strand, clamp_m=15.0),
    ]


def with_margin(span: float, strand: float, margin_m: float) -> Place:
    heights = {"clearance_margin": f"{margin_m:.4f} m"}
    return build_place(plots_from(span, strand), **LIGHT, heights=heights)


@given(span=spans, strand=strands, margin=st.floats(0.0, 0.4), more=st.floats(0.01, 0.4))
@settings(max_examples=8, deadline=None)
def test_a_wider_margin_never_gives_more_sag_at_the_same_heights_nor_opens_a_way(
    span: float, strand: float, margin: float, more: float
) -> None:
    narrow, wide = (with_margin(span, strand, m).hung() for m in (margin, margin + more))
    opened = (narrow.forbidden != 0) & (wide.forbidden == 0)
    assert not opened.any()
    same = (
        (narrow.forbidden == 0)
        & (wide.forbidden == 0)
        & (narrow.start_m == wide.start_m)
        & (narrow.end_m == wide.end_m)
    )
    assert (wide.length_m[same] <= narrow.length_m[same] + 1e-9).all()


@given(span=spans, strand=st.floats(5.6, 7.0), lift=st.floats(0.01, 1.0))
@settings(max_examples=8, deadline=None)
def test_a_higher_strand_never_closes_a_way_and_never_takes_sag_away(
    span: float, strand: float, lift: float
) -> None:
    plots = plots_from(span, strand)[:3]
    higher = [dataclasses.replace(plot, strand_m=strand + lift) for plot in plots]
    low, high = (build_place(some, **LIGHT) for some in (plots, higher))
    before, after = low.hung(), high.hung()
    assert not ((before.forbidden == 0) & (after.forbidden != 0)).any()
    both = (before.forbidden == 0) & (before.end_m == after.end_m)
    both &= before.hook_is_raised == after.hook_is_raised
    sag_before, sag_after = low.final(before).sag_m, high.final(after).sag_m
    assert (sag_after[both] >= sag_before[both] - 1e-6).all()


def test_heights_are_raised_only_where_the_usual_ones_fail_and_the_hook_first() -> None:
    plots = [Plot(25.0, strand_m=strand, road=(8.0, 9.0)) for strand in np.linspace(5.2, 6.6, 29)]
    hung = build_place(plots, **LIGHT).hung()
    assert hung.forbidden[-1] == 0
    assert not hung.hook_is_raised[-1]
    assert not hung.attachment_is_raised[-1]
    assert hung.forbidden[0] == int(Forbidden.CLEARANCE)
    raised = list(zip(hung.hook_is_raised, hung.attachment_is_raised, strict=True))
    steps = [LEVELS.index((bool(hook), bool(end))) for hook, end in raised]
    assert set(steps) >= {0, 1, 3}
    assert steps == sorted(steps, reverse=True)  # the lower the strand, the more is raised


def test_a_miss_tells_by_how_much_the_best_heights_fail_and_over_what() -> None:
    plots = [Plot(25.0, strand_m=strand, road=(8.0, 9.0)) for strand in (5.0, 5.2)]
    place = build_place(plots, **LIGHT)
    hung = place.hung()
    assert (hung.forbidden == int(Forbidden.CLEARANCE)).all()
    assert (hung.hook_is_raised & hung.attachment_is_raised).all()
    assert (hung.miss_m > 0).all()
    assert (place.crossings.air[hung.miss_crossing] == [0, 1]).all()
    # 0.2 m of strand is worth 0.2 m times the part of the span that is left to the house.
    gained = hung.miss_m[0] - hung.miss_m[1]
    assert gained == pytest.approx(0.2 * (1 - hung.miss_part[0]), abs=0.02)


def test_adding_the_miss_to_both_ends_makes_the_way_possible() -> None:
    plot = Plot(25.0, strand_m=5.2, road=(8.0, 9.0))
    miss = build_place([plot], **LIGHT).hung().miss_m[0]
    eave = 4.5 + miss + 0.01
    mended = dataclasses.replace(plot, strand_m=5.2 + miss + 0.01, eave_m=eave, top_m=9.0)
    assert build_place([mended], **LIGHT).hung().forbidden[0] == 0
    nearly = dataclasses.replace(plot, strand_m=5.2 + miss - 0.03, eave_m=4.5 + miss - 0.03)
    assert build_place([nearly], **LIGHT).hung().forbidden[0] != 0


@pytest.mark.parametrize(
    ("power_m", "code"), [(7.4, 0), (5.9, int(Forbidden.POWER)), (3.0, int(Forbidden.POWER))]
)
def test_power_too_near_above_or_below_the_wire_forbids_the_way(power_m: float, code: int) -> None:
    """A wire above power is as forbidden as one too near below it."""
    plot = Plot(25.0, power_at_m=10.0, power_m=power_m, voltage_v=480.0)
    hung = build_place([plot], **LIGHT).hung()
    assert hung.forbidden[0] == code
    if code:
        assert hung.miss_m[0] > 0


def test_under_power_the_chord_keeps_separation_and_margin() -> None:
    for power_m in np.linspace(5.8, 7.4, 9):
        plot = Plot(25.0, power_at_m=10.0, power_m=float(power_m), voltage_v=480.0)
        hung = build_place([plot], **LIGHT).hung()
        chord = hung.start_m[0] + 10.0 / 25.0 * (hung.end_m[0] - hung.start_m[0])
        is_clear = chord + 30 * IN + 0.15 <= power_m + 1e-9
        assert (hung.forbidden[0] == 0) == is_clear


def test_power_that_leaves_no_room_on_the_pole_forbids_it() -> None:
    hung = build_place([Plot(25.0, power_on_pole_m=5.0)], **LIGHT).hung()
    assert hung.forbidden[0] & int(Forbidden.POLE_SPACE)


def test_a_wire_too_heavy_for_its_strength_is_forbidden_at_every_span() -> None:
    figure = {"document": "Made up for tests", "status": "practice"}
    weak = {
        "title": "Heavy and weak",
        "construction": "Made up",
        "carries": "copper_pair",
        "weight": {"value": "3000 lb/kft", **figure},
        "width": {"value": "20 mm", **figure},
        "height": {"value": "20 mm", **figure},
        "breaking_strength": {"value": "300 N", **figure},
        "stiffness": {"value": "100 kN", **figure},
        "expansion": {"value": "7e-6 1/degF", **figure},
        "max_total_length": {"value": "900 m", **figure},
        "max_air_span": {"any": {"value": "400 m", **figure}},
    }
    place = build_place([Plot(10.0), Plot(50.0)], **LIGHT, wire="weak", wires={"weak": weak})
    hung = place.hung()
    assert (hung.forbidden != 0).all()
    assert np.isfinite(hung.length_m).all()
    assert (hung.forbidden == int(Forbidden.TENSION)).all()
    assert np.isnan(hung.miss_m).all()


@pytest.mark.parametrize("span", [0.01, 0.1, 1.0, 3.0])
def test_very_short_spans_keep_their_clearances_too(span: float) -> None:
    place = build_place([Plot(span)], **LIGHT)
    final = place.final()
    assert place.hung().forbidden[0] == 0
    assert final.margin_m[0] >= 0.15
    assert 0 < final.sag_m[0] <= 0.0401 * span + 0.005


def test_nothing_is_said_of_no_air_spans() -> None:
    place = build_place([Plot(25.0)], **LIGHT)
    none = place.taken(np.zeros(0, dtype=np.int64))
    assert len(none.hung().forbidden) == 0
    assert len(none.final().margin_m) == 0


def test_one_air_span_is_decided_alone_as_among_others() -> None:
    place = build_place(plots_from(30.0, 6.2), **LIGHT)
    together = place.hung()
    for row in range(len(place.air)):
        alone = place.taken(np.array([row])).hung()
        assert alone.forbidden[0] == together.forbidden[row]
        assert alone.length_m[0] == pytest.approx(together.length_m[row], abs=1e-12)


def test_without_a_figure_for_its_voltage_power_does_not_block_and_is_told_elsewhere() -> None:
    plot = Plot(25.0, power_at_m=10.0, power_m=6.2, voltage_v=69_000.0)
    place = build_place([plot], **LIGHT)
    assert place.hung().forbidden[0] == 0
    assert np.isnan(place.final().crossing_margin_m).all()


def test_choose_heights_leaves_its_arguments_as_they_are() -> None:
    place = build_place(plots_from(30.0, 6.0), **LIGHT)
    before = place.supports.hook_usual_m.copy()
    choose_heights(
        place.air,
        place.crossings,
        place.index,
        place.supports,
        place.demands,
        place.standards,
        place.project,
    )
    np.testing.assert_array_equal(before, place.supports.hook_usual_m)


def test_levels_passed_over_as_hopeless_would_not_have_worked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    distances = np.linspace(8.0, 58.0, 40)
    plots = [
        Plot(float(d), road=(d / 2, 8.0), strand_m=5.6 + i % 4, eave_m=3.4 + i % 3)
        for i, d in enumerate(distances)
    ]
    place = build_place(plots)
    short = place.hung()
    assert 0 < np.count_nonzero(short.forbidden) < len(plots)
    monkeypatch.setattr(
        "geoplan.clearance.heights._is_hopeful",
        lambda highest, *_: np.ones(len(highest.span_m), dtype=bool),
    )
    full = place.hung()
    for field in dataclasses.fields(full):
        np.testing.assert_array_equal(getattr(short, field.name), getattr(full, field.name))
