"""Pairs of a drop and power near it, and what the distance is of.

Enters: rows of drops and power with their distances.
Leaves: `Near`.
Does not do: measure; judge the distances.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LEAST_GAP_M = 1e-9

HEAD_ABOVE_M = 0.5
"""How far the head of somebody at work is above hook, clamp, strand or attachment; our own
default, no source."""
ARM_REACH_M = 1.0
"""How far hands reach from hook, clamp, strand or attachment; our own default, no source."""

REASONS = (
    "the wire that crosses it",
    "hook or clamp",
    "the hook on its pole",
    "a bucket at the clamp",
    "the wire beside it",
    "the strand run",
    "the strand at a pole of the run",
    "the strand at a pole of the span",
    "the house attachment",
    "the ladder at the support",
    "the ladder at the house",
    "the way of the bucket",
    "the terminal on its pole",
    "a bucket along the run",
    "the strand beside the terminal",
)
(
    WIRE,
    HOOK,
    ON_POLE,
    BUCKET,
    BESIDE,
    RUN,
    RUN_POLE,
    FAR_POLE,
    HOUSE,
    LADDER,
    HOUSE_LADDER,
    BOOM,
    TERMINAL,
    RUN_BUCKET,
    TERMINAL_SIDE,
) = range(len(REASONS))
AT_LEAST = (
    HOOK,
    BUCKET,
    BESIDE,
    RUN,
    RUN_POLE,
    FAR_POLE,
    HOUSE,
    LADDER,
    HOUSE_LADDER,
    BOOM,
    TERMINAL,
    RUN_BUCKET,
    TERMINAL_SIDE,
)
"""Reasons whose distance is a bound."""
OF_RUN = (RUN, RUN_POLE, RUN_BUCKET)
"""Reasons that tell of power on the way along the strand."""
LIFTED = (BUCKET, BOOM, RUN_BUCKET)
"""Reasons for which the distance of lifting plant is kept."""
OF_PEOPLE = (
    HOOK,
    ON_POLE,
    RUN,
    RUN_POLE,
    HOUSE,
    LADDER,
    HOUSE_LADDER,
    TERMINAL,
    TERMINAL_SIDE,
)
"""Reasons at which somebody works with head and hands."""


@dataclass(frozen=True)
class Near:
    """Pairs of a drop and power near it."""

    drop: IntArray
    power: IntArray
    gap_m: FloatArray
    """Distance; NaN: not known."""
    head_gap_m: FloatArray
    """Distance from the head of somebody at work there; NaN: not known, or nobody is there."""
    reason: IntArray
    """What the distance is of, see `REASONS`."""
    is_across: BoolArray
    """Whether power crosses the strand run in plan."""
    is_along: BoolArray
    """Whether power follows the strand of clamp or run."""
    at_m: FloatArray
    """Where: along the wire from its start, along the run from `pole`; NaN: at the thing itself."""
    pole: IntArray
    """Row of the pole that `at_m` counts from; -1: from the start of the wire."""

    def take(self, rows: IntArray | BoolArray) -> Near:
        """Return some pairs."""
        return Near(*(getattr(self, field.name)[rows] for field in fields(self)))


def pairs_of(
    drop: IntArray,
    power: IntArray,
    gap_m: FloatArray,
    reason: int,
    *,
    head_gap_m: FloatArray | None = None,
    is_across: BoolArray | None = None,
    is_along: BoolArray | None = None,
    at_m: FloatArray | None = None,
    pole: IntArray | None = None,
) -> Near:
    """Put pairs of one reason together.

    Parameters
    ----------
    drop, power : ndarray of int64, shape (m,)
        Rows.
    gap_m : ndarray of float64, shape (m,)
        Distances, m; NaN: not known.
    reason : int
        Place in `REASONS`.
    head_gap_m, is_across, is_along, at_m, pole : ndarray, shape (m,), optional
        As in `Near`; by default nobody is there, it neither crosses nor follows, and it is at the
        thing itself.

    Returns
    -------
    Near
        The pairs.
    """
    count = len(drop)
    no, unknown = np.zeros(count, dtype=bool), np.full(count, np.nan)
    return Near(
        np.asarray(drop, dtype=np.int64),
        np.asarray(power, dtype=np.int64),
        np.asarray(gap_m, dtype=np.float64),
        unknown if head_gap_m is None else head_gap_m,
        np.full(count, reason, dtype=np.int64),
        no if is_across is None else is_across,
        no if is_along is None else is_along,
        unknown if at_m is None else at_m,
        np.full(count, -1, dtype=np.int64) if pole is None else pole,
    )


def joined_pairs(parts: list[Near]) -> Near:
    """Return the pairs of several parts, in order.

    Parameters
    ----------
    parts : list of Near
        At least one.

    Returns
    -------
    Near
        All of them.
    """
    return Near(
        *(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Near))
    )


def bound(plan_m: FloatArray, above_m: FloatArray) -> FloatArray:
    """Return the least that a distance can be.

    Parameters
    ----------
    plan_m : ndarray of float64
        Distance in plan, m.
    above_m : ndarray of float64, same shape
        By what power at its lowest is above, m; below 0 counts as 0.

    Returns
    -------
    ndarray of float64
        m; NaN where the two meet in plan and height, or the height is not known.
    """
    least = np.hypot(plan_m, np.maximum(above_m, 0.0))
    return np.where(least > LEAST_GAP_M, least, np.nan)


def head_bound(plan_m: FloatArray, above_m: FloatArray) -> FloatArray:
    """Return the least distance from the head of somebody at work.

    Parameters
    ----------
    plan_m, above_m : ndarray of float64
        As in `bound`.

    Returns
    -------
    ndarray of float64
        m; 0 where power may be as low as the head.
    """
    return np.asarray(np.hypot(plan_m, np.maximum(above_m - HEAD_ABOVE_M, 0.0)))
