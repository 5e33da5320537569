"""Tests of span clamps without, with and after a ladder."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.mechanics import (
    Drop,
    LadderLoad,
    Strand,
    ladder_load,
    solve_clamp,
    solve_clamp_for_final_sag,
)
from geoplan.mechanics.clamp import solve_clamp_before_and_after, solve_clamp_with_length

STATES = ("no_ladder", "with_ladder", "ladder_gone")
STRAND = Strand(40.0, 0.3, 4.0, 4e6, 4000.0)
DROP = Drop(2.0, 22.0, -2.0, 0.45, 1.5e5)
LADDER = ladder_load(100.0, 25.0, 75.0)


def random_job(seed, n, *, is_on_house_side=True):
    """Return n random but sane strands, clamps, drops, ladders and sags."""
    rng = np.random.default_rng(seed)
    span = rng.uniform(18.0, 80.0, n)
    strand = Strand(
        span,
        rng.normal(0.0, 0.8, n),
        rng.uniform(1.5, 10.0, n),
        rng.uniform(2e6, 9e6, n),
        rng.uniform(1500.0, 12000.0, n),
    )
    clamp = span * rng.uniform(0.03, 0.97, n)
    lateral = rng.uniform(5.0, 45.0, n)
    drop = Drop(
        lateral * rng.uniform(-0.8, 0.8, n),
        lateral,
        lateral * rng.uniform(-0.35, 0.15, n),
        rng.uniform(0.25, 1.0, n),
        rng.uniform(4e4, 4e5, n),
    )
    room = np.minimum(clamp, span - clamp)
    offset = np.where(room > 0.6, rng.choice([-0.5, 0.0, 0.5], n), 0.0)
    ladder = ladder_load(
        rng.uniform(70.0, 130.0, n),
        rng.uniform(15.0, 35.0, n),
        rng.uniform(65.0, 80.0, n),
        person_share_up=rng.uniform(0.5, 1.0, n),
        offset_m=offset,
        is_on_house_side=is_on_house_side,
    )
    sag = np.hypot(drop.house_along_m, lateral) * rng.uniform(0.01, 0.06, n)
    return strand, clamp, drop, ladder, sag


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6))
def test_a_ladder_on_the_far_side_brings_the_clamp_nearer_and_gone_leaves_less_sag(seed):
    strand, clamp, drop, ladder, sag = random_job(seed, 60, is_on_house_side=False)
    on, gone, _ = solve_clamp_before_and_after(strand, clamp, drop, ladder, sag)
    assert on.converged.all()
    assert gone.converged.all()
    assert (on.lateral_m > gone.lateral_m).all()
    assert (on.air_span_m < gone.air_span_m).all()
    assert (on.sag_m > gone.sag_m).all()
    assert (on.drop_tension_max_n < gone.drop_tension_max_n).all()
    np.testing.assert_allclose(gone.sag_m, sag, rtol=1e-7)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10**6))
def test_the_side_of_the_ladder_has_no_say_in_what_is_left_when_it_is_gone(seed):
    strand, clamp, drop, near, sag = random_job(seed, 40)
    far = random_job(seed, 40, is_on_house_side=False)[3]
    np.testing.assert_array_equal(far.toward_house_n, -near.toward_house_n)
    one = solve_clamp_before_and_after(strand, clamp, drop, near, sag)
    other = solve_clamp_before_and_after(strand, clamp, drop, far, sag)
    np.testing.assert_allclose(one[1].sag_m, other[1].sag_m, rtol=1e-9)
    np.testing.assert_allclose(one[2], other[2], rtol=1e-12)
    assert (one[0].lateral_m < other[0].lateral_m).all()
    assert (one[0].drop_tension_max_n > other[0].drop_tension_max_n).all()


def test_seen_from_the_other_side_a_push_is_the_same_with_its_sign_turned():
    """A drop of next to no weight hardly pulls, so the strand alone answers, alike both ways."""
    drop = Drop(0.0, 22.0, -0.2, 1e-4, 1.5e5)
    both = LadderLoad(np.array([-250.0, 250.0]), 60.0)
    states = solve_clamp(STRAND, 15.0, drop, both, sag_m=0.4)
    away, nearer = states.with_ladder.lateral_m
    assert away < 0.0 < nearer
    assert away == pytest.approx(-nearer, rel=1e-3)
    assert states.with_ladder.up_m[0] == pytest.approx(states.with_ladder.up_m[1], rel=1e-3)


@pytest.mark.parametrize("is_on_house_side", [True, False])
def test_a_drop_of_known_length_hangs_with_the_ladder_as_it_was_tied_off(is_on_house_side):
    strand, clamp, drop, ladder, sag = random_job(11, 30, is_on_house_side=is_on_house_side)
    states = solve_clamp(strand, clamp, drop, ladder, sag_m=sag)
    on = solve_clamp_with_length(strand, clamp, drop, states.drop_length_m, ladder)
    gone = solve_clamp_with_length(strand, clamp, drop, states.drop_length_m)
    np.testing.assert_allclose(on.sag_m, sag, rtol=1e-5)
    np.testing.assert_allclose(on.lateral_m, states.with_ladder.lateral_m, atol=1e-7)
    np.testing.assert_allclose(gone.sag_m, states.ladder_gone.sag_m, rtol=1e-7)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6))
def test_ladder_on_moves_toward_the_street_and_off_toward_the_house_with_more_sag(seed):
    strand, clamp, drop, ladder, sag = random_job(seed, 60)
    states = solve_clamp(strand, clamp, drop, ladder, sag_m=sag)
    for name in STATES:
        assert getattr(states, name).converged.all(), name
    assert (states.with_ladder.lateral_m < states.no_ladder.lateral_m).all()
    assert (states.ladder_gone.lateral_m > states.with_ladder.lateral_m).all()
    assert (states.ladder_gone.sag_m > states.with_ladder.sag_m).all()
    assert (states.ladder_gone.air_span_m < states.with_ladder.air_span_m).all()
    np.testing.assert_allclose(states.with_ladder.sag_m, sag, rtol=1e-7)
    np.testing.assert_allclose(states.no_ladder.sag_m, sag, rtol=1e-7)
    assert (states.no_ladder.lateral_m > 0.0).all()


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10**6))
def test_sag_to_set_gives_the_final_sag_wanted(seed):
    strand, clamp, drop, ladder, sag = random_job(seed, 40)
    forward = solve_clamp(strand, clamp, drop, ladder, sag_m=sag)
    back = solve_clamp_for_final_sag(strand, clamp, drop, ladder, forward.ladder_gone.sag_m)
    assert back.with_ladder.converged.all()
    np.testing.assert_allclose(back.with_ladder.sag_m, sag, rtol=1e-5)
    np.testing.assert_allclose(back.drop_length_m, forward.drop_length_m, rtol=1e-8)
    np.testing.assert_allclose(back.ladder_gone.sag_m, forward.ladder_gone.sag_m, rtol=1e-7)


def test_without_ladder_load_the_three_states_are_one():
    states = solve_clamp(STRAND, 15.0, DROP, LadderLoad(0.0, 0.0), sag_m=0.4)
    for name in STATES:
        state = getattr(states, name)
        assert float(state.lateral_m[0]) == pytest.approx(
            float(states.no_ladder.lateral_m[0]), abs=1e-7
        )
        assert float(state.sag_m[0]) == pytest.approx(0.4, rel=1e-6)


def test_heavier_person_moves_it_further():
    person = np.array([60.0, 80.0, 100.0, 120.0])
    states = solve_clamp(STRAND, 15.0, DROP, ladder_load(person, 25.0, 75.0), sag_m=0.4)
    assert (np.diff(states.with_ladder.lateral_m) < 0.0).all()
    assert (np.diff(states.ladder_gone.sag_m) > 0.0).all()


def test_tighter_strand_moves_less_and_midspan_more():
    tension = np.array([2000.0, 4000.0, 8000.0])
    states = solve_clamp(Strand(40.0, 0.3, 4.0, 4e6, tension), 15.0, DROP, LADDER, sag_m=0.4)
    swing = states.ladder_gone.lateral_m - states.with_ladder.lateral_m
    assert (np.diff(swing) < 0.0).all()
    states = solve_clamp(STRAND, np.array([2.0, 8.0, 20.0]), DROP, LADDER, sag_m=0.4)
    swing = states.ladder_gone.lateral_m - states.with_ladder.lateral_m
    assert (np.diff(swing) > 0.0).all()


def test_order_of_clamps_does_not_matter():
    strand, clamp, drop, ladder, sag = random_job(3, 30)
    states = solve_clamp(strand, clamp, drop, ladder, sag_m=sag)
    back = np.arange(30)[::-1]

    def turned(record):
        return type(record)(
            *(np.broadcast_to(getattr(record, f), (30,))[back] for f in record.__slots__)
        )

    again = solve_clamp(turned(strand), clamp[back], turned(drop), turned(ladder), sag_m=sag[back])
    np.testing.assert_allclose(again.ladder_gone.sag_m[back], states.ladder_gone.sag_m, rtol=1e-7)


def test_ladder_on_either_side_of_a_midspan_clamp_is_the_same():
    strand, drop = Strand(40.0, 0.0, 4.0, 4e6, 4000.0), Drop(0.0, 22.0, -2.0, 0.45, 1.5e5)
    ladder = ladder_load(100.0, 25.0, 75.0, offset_m=np.array([-0.5, 0.5, 0.0]))
    states = solve_clamp(strand, 20.0, drop, ladder, sag_m=0.4)
    moved = states.with_ladder.lateral_m
    assert float(moved[0]) == pytest.approx(float(moved[1]), rel=1e-6)
    assert abs(float(moved[2])) > abs(float(moved[0]))


def test_drop_can_be_tied_off_by_tension():
    states = solve_clamp(STRAND, 15.0, DROP, LADDER, horizontal_tension_n=80.0)
    chord = np.hypot(float(states.with_ladder.air_span_m[0]), 2.0)
    sag = 0.45 * float(states.with_ladder.air_span_m[0]) * chord / (8 * 80.0)
    assert float(states.with_ladder.sag_m[0]) == pytest.approx(sag, rel=5e-3)
    same = solve_clamp(STRAND, 15.0, DROP, LADDER, sag_m=states.with_ladder.sag_m)
    assert float(same.ladder_gone.sag_m[0]) == pytest.approx(
        float(states.ladder_gone.sag_m[0]), rel=1e-6
    )


@pytest.mark.parametrize("given", [{}, {"sag_m": 0.4, "horizontal_tension_n": 80.0}])
def test_just_one_of_sag_and_tension_is_taken(given):
    with pytest.raises(ValueError, match="give just one of sag_m and horizontal_tension_n"):
        solve_clamp(STRAND, 15.0, DROP, LADDER, **given)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"clamp_m": 41.0}, "position_m must be within the strand's span"),
        ({"drop": Drop(0.0, -5.0, 0.0, 0.4, 1e5)}, "house_lateral_m must be finite and above"),
        ({"ladder": LadderLoad(np.nan, 0.0)}, "toward_house_n must be finite"),
        ({"ladder": LadderLoad(1.0, -1.0)}, "down_n must be finite and zero or more"),
        ({"ladder": LadderLoad(1.0, 0.0, 0.001)}, r"offset_m must be 0, or at least 0\.01"),
        ({"strand": Strand(40.0, 0.3, 4.0, 4e6, [[1.0]])}, "columns must be flat"),
        ({"sag_m": [0.4, np.nan]}, r"sag_m must be finite and above zero; .* index 1 is nan"),
    ],
)
def test_bad_arguments_are_named(change, message):
    arguments = {"strand": STRAND, "clamp_m": 15.0, "drop": DROP, "ladder": LADDER, "sag_m": 0.4}
    with pytest.raises(ValueError, match=message):
        solve_clamp(**{**arguments, **change})


def test_before_and_after_are_two_of_the_three_states():
    sag = np.array([0.3, 0.6, 1.2])
    states = solve_clamp_for_final_sag(STRAND, 15.0, DROP, LADDER, sag)
    on, gone, length = solve_clamp_before_and_after(STRAND, 15.0, DROP, LADDER, sag)
    np.testing.assert_array_equal(on.sag_m, states.with_ladder.sag_m)
    np.testing.assert_array_equal(gone.lateral_m, states.ladder_gone.lateral_m)
    np.testing.assert_array_equal(length, states.drop_length_m)
