"""Give the load of a ladder and person on a strand, and say whether the strand may bear it.

*Enters*: masses, ladder angle, strand strength, condition and tension, as arrays.
*Leaves*: `LadderLoad` and `LadderDecision`, as arrays.
*Does not do*: hold any limit itself: the small-strand limit and the design factor are given.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, broadcast, checked, refuse
from geoplan.mechanics.loading import STANDARD_GRAVITY_M_PER_S2

_UPRIGHT_DEG = 90.0


class LadderReason(StrEnum):
    """Why a ladder may or may not lean on a strand."""

    ALLOWED = "allowed"
    STRAND_UNKNOWN = "strand_unknown"
    STRAND_SMALL = "strand_small"
    STRAND_UNSOUND = "strand_unsound"
    STRAND_OVERLOADED = "strand_overloaded"


@dataclass(frozen=True, slots=True)
class LadderLoad:
    """Force of ladder and person on the strand, fields broadcast over n clamps.

    Attributes
    ----------
    toward_house_n : array_like of float
        Sideways push, N, positive toward the house: below zero for a ladder that leans from the
        house's side of the strand, above zero for one from the other side.
    down_n : array_like of float
        Downward push, N, zero or more.
    offset_m : array_like of float
        Place of the ladder along the strand less that of the clamp, m; 0 or at least 0.01.
    """

    toward_house_n: npt.ArrayLike
    down_n: npt.ArrayLike
    offset_m: npt.ArrayLike = 0.0


@dataclass(frozen=True, slots=True)
class LadderDecision:
    """Whether a ladder may lean on each strand.

    Attributes
    ----------
    is_allowed : ndarray of bool, shape (n,)
        False: it is a bucket job.
    reason : ndarray of str, shape (n,)
        A `LadderReason`; the first that applies in the order of the class.
    used_fraction : ndarray of float64, shape (n,)
        Strand tension with the ladder over breaking strength; infinite where the strength isn't
        known, so that no comparison takes it for safe.
    """

    is_allowed: npt.NDArray[np.bool_]
    reason: npt.NDArray[np.str_]
    used_fraction: Array


def ladder_load(
    person_kg: npt.ArrayLike,
    ladder_kg: npt.ArrayLike,
    ladder_angle_deg: npt.ArrayLike,
    *,
    person_share_up: npt.ArrayLike = 1.0,
    vertical_share: npt.ArrayLike | None = None,
    offset_m: npt.ArrayLike = 0.0,
    is_on_house_side: npt.ArrayLike = True,
) -> LadderLoad:
    """Return the load of a ladder leaned on a strand, with a person on it.

    Parameters
    ----------
    person_kg : array_like of float
        Mass of the person with tools, kg, zero or more.
    ladder_kg : array_like of float
        Mass of the ladder, kg, zero or more; its middle is taken half-way up to the strand.
    ladder_angle_deg : array_like of float
        Angle of the ladder from the ground, degrees, above 0 and below 90.
    person_share_up : array_like of float
        How far up the person stands, as a part of the way from the foot to the strand; the
        default of 1 (at the strand) is the most that can come on it.
    vertical_share : array_like of float or None
        Part of the weight that would rest at the strand's end which the strand carries straight
        down, 0 to below 1. None: the ladder touches without friction, square to its rails,
        which is cos(angle)^2. Hooks can carry more.
    offset_m : array_like of float
        Passed on to the result.
    is_on_house_side : array_like of bool
        Whether the foot stands on the house's side of the strand, so that the ladder pushes
        away from the house. False: on the other side, as where the drop goes over a street and
        the ladder stands on the field side; it pushes toward the house.

    Returns
    -------
    LadderLoad
        Push toward the house (below zero: away from it), and down, N.

    Raises
    ------
    ValueError
        If an item is out of range.

    Notes
    -----
    Moments about the foot: with R = g (person * share + ladder / 2) and vertical share v, the
    strand gets v R down and (1 - v) R / tan(angle) sideways; the foot carries the rest.

    References
    ----------
    Statics; the choice of shares is common practice, no source, and so is the side.
    """
    angle = checked("ladder_angle_deg", ladder_angle_deg, "positive")
    refuse("ladder_angle_deg", angle >= _UPRIGHT_DEG, angle, "below 90")
    up = checked("person_share_up", person_share_up, "not_negative")
    radians = np.radians(angle)
    if vertical_share is None:
        share = np.cos(radians) ** 2
    else:
        share = checked("vertical_share", vertical_share, "not_negative")
        refuse("vertical_share", share >= 1.0, share, "below 1")
    person = checked("person_kg", person_kg, "not_negative")
    ladder = checked("ladder_kg", ladder_kg, "not_negative")
    top = STANDARD_GRAVITY_M_PER_S2 * (person * up + 0.5 * ladder)
    side = np.where(np.asarray(is_on_house_side, dtype=bool), -1.0, 1.0)
    return LadderLoad(
        toward_house_n=side * (1.0 - share) * top / np.tan(radians),
        down_n=share * top,
        offset_m=checked("offset_m", offset_m, "finite"),
    )


def decide_ladder(
    breaking_strength_n: npt.ArrayLike,
    is_sound: npt.ArrayLike,
    strand_tension_max_n: npt.ArrayLike,
    *,
    small_strand_n: float,
    design_factor: float,
) -> LadderDecision:
    """Say for each strand whether a ladder may lean on it.

    Parameters
    ----------
    breaking_strength_n : array_like of float
        Breaking strength of the strand, N; NaN where there is no record or mark.
    is_sound : array_like of bool
        Whether the strand is known to be in good condition.
    strand_tension_max_n : array_like of float
        Greatest strand tension with ladder and person on it, N, zero or more.
    small_strand_n : float
        Strands of this breaking strength or less are refused, N.
    design_factor : float
        Breaking strength must be this many times the tension, 1 or more.

    Returns
    -------
    LadderDecision
        Decision, reason and used fraction.

    Raises
    ------
    ValueError
        If a tension is out of range, or a known strength isn't above zero.

    References
    ----------
    Refusing small or unmarked strand: trade practice (from memory; no published figure found).
    Design factor over cable and concentrated load: a telephone company's construction manual
    (secondary: excerpt).
    """
    strength = np.asarray(breaking_strength_n, dtype=np.float64)
    wrong = ~np.isnan(strength) & ~((strength > 0.0) & np.isfinite(strength))
    refuse("breaking_strength_n", wrong, strength, "above zero, or NaN where unknown")
    checked("small_strand_n", small_strand_n, "not_negative")
    factor = checked("design_factor", design_factor, "positive")
    refuse("design_factor", factor < 1.0, factor, "1 or more")
    tension = checked("strand_tension_max_n", strand_tension_max_n, "not_negative")
    strength, tension, sound = broadcast(
        breaking_strength_n=strength,
        strand_tension_max_n=tension,
        is_sound=np.asarray(is_sound, dtype=np.float64),
    )
    unknown = np.isnan(strength)
    used = np.where(unknown, np.inf, tension / np.where(unknown, 1.0, strength))
    reason = np.select(
        [unknown, strength <= small_strand_n, sound != 1.0, used * design_factor > 1.0],
        [
            LadderReason.STRAND_UNKNOWN.value,
            LadderReason.STRAND_SMALL.value,
            LadderReason.STRAND_UNSOUND.value,
            LadderReason.STRAND_OVERLOADED.value,
        ],
        LadderReason.ALLOWED.value,
    )
    return LadderDecision(reason == LadderReason.ALLOWED.value, reason, used)
