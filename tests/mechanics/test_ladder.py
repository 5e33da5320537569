"""Tests of ladder loads and of the decision whether a ladder may be used."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.mechanics import LadderReason, decide_ladder, ladder_load

LBF = 4.4482216152605
SMALL = 2400 * LBF  # 2.2M class; refusing it is trade practice, from memory
G = 9.80665


def decide(strength, *, sound=True, tension=5000.0):
    """Return the decision for one strand."""
    return decide_ladder(strength, sound, tension, small_strand_n=SMALL, design_factor=2.0)


@pytest.mark.parametrize(
    ("strength", "sound", "tension", "reason"),
    [
        (6650 * LBF, True, 5000.0, LadderReason.ALLOWED),
        (np.nan, True, 5000.0, LadderReason.STRAND_UNKNOWN),
        (2400 * LBF, True, 1000.0, LadderReason.STRAND_SMALL),
        (1900 * LBF, True, 1000.0, LadderReason.STRAND_SMALL),
        (6650 * LBF, False, 5000.0, LadderReason.STRAND_UNSOUND),
        (6650 * LBF, True, 6650 * LBF / 2 * 1.001, LadderReason.STRAND_OVERLOADED),
        (6650 * LBF, True, 6650 * LBF / 2 * 0.999, LadderReason.ALLOWED),
        (np.nan, False, 90000.0, LadderReason.STRAND_UNKNOWN),
    ],
)
def test_ladder_is_refused_for_each_reason(strength, sound, tension, reason):
    decision = decide(strength, sound=sound, tension=tension)
    assert str(decision.reason) == reason.value
    assert bool(decision.is_allowed) == (reason is LadderReason.ALLOWED)


def test_unknown_strength_is_never_taken_for_safe():
    decision = decide(np.array([np.nan, 6650 * LBF]))
    assert np.isinf(decision.used_fraction[0])
    assert decision.used_fraction[1] == pytest.approx(5000.0 / (6650 * LBF))
    assert list(decision.is_allowed) == [False, True]


def test_foot_and_strand_carry_ladder_and_person_together():
    load = ladder_load(100.0, 30.0, 75.0, person_share_up=0.9)
    angle = np.radians(75.0)
    moment = G * (100.0 * 0.9 + 30.0 * 0.5) * np.cos(angle)
    held = -load.toward_house_n * np.sin(angle) + load.down_n * np.cos(angle)
    assert float(held) == pytest.approx(moment, rel=1e-12)
    # Without friction the contact force is square to the ladder.
    assert float(load.down_n / -load.toward_house_n) == pytest.approx(1 / np.tan(angle), rel=1e-12)


def test_on_the_other_side_a_ladder_pushes_as_hard_the_other_way():
    sides = ladder_load(100.0, 30.0, 75.0, is_on_house_side=np.array([True, False]))
    assert sides.toward_house_n[0] < 0.0 < sides.toward_house_n[1]
    assert sides.toward_house_n[0] == -sides.toward_house_n[1]
    plain = ladder_load(100.0, 30.0, 75.0)
    assert plain.toward_house_n == sides.toward_house_n[0]
    assert plain.down_n == sides.down_n > 0.0


def test_hooks_that_carry_more_weight_push_less():
    load = ladder_load(100.0, 30.0, 75.0, vertical_share=np.array([0.0, 0.3, 0.6]))
    assert (np.diff(load.down_n) > 0.0).all()
    assert (np.diff(load.toward_house_n) > 0.0).all()
    assert (load.toward_house_n < 0.0).all()


def test_steeper_ladder_pushes_less():
    load = ladder_load(100.0, 30.0, np.array([60.0, 70.0, 80.0]))
    assert (np.diff(load.toward_house_n) > 0.0).all()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((100.0, 30.0, 90.0), "ladder_angle_deg must be below 90"),
        ((100.0, 30.0, 0.0), "ladder_angle_deg must be finite and above zero"),
        ((-1.0, 30.0, 75.0), "person_kg must be finite and zero or more"),
    ],
)
def test_bad_ladders_are_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        ladder_load(*arguments)


def test_zero_strength_is_an_error_not_an_unknown():
    with pytest.raises(ValueError, match="breaking_strength_n must be above zero, or NaN"):
        decide([6650 * LBF, 0.0])
    with pytest.raises(ValueError, match="design_factor must be 1 or more"):
        decide_ladder(1e4, True, 1e3, small_strand_n=SMALL, design_factor=0.5)
    with pytest.raises(ValueError, match="vertical_share must be below 1"):
        ladder_load(100.0, 30.0, 75.0, vertical_share=1.0)
