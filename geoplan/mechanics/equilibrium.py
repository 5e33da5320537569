"""Find where loaded points of a strand come to rest, with or without a drop pulling at one.

*Enters*: strand pieces, loads on the points between them, a drop with its rule, as arrays.
*Leaves*: `RestingPoints`: positions, tensions, the drop, and how well forces balance.
*Does not do*: know what the loads are (ladder, person), or what sag is wanted.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array
from geoplan.mechanics.catenary import CatenaryState, solve_catenary
from geoplan.mechanics.element import cable_pull, first_pull
from geoplan.mechanics.moment_balance import estimate_positions
from geoplan.mechanics.unstressed_length import (
    length_from_horizontal_tension,
    length_from_sag,
)

DropRule: TypeAlias = Literal["length", "sag", "tension"]

Index: TypeAlias = npt.NDArray[np.intp]

_STEPS = 60
_CUTS = 25
_REFRESHES = 12
_NEAR_M = 1e-3
_GUESSES = 2
_STEP_DONE_M = 1e-7
_FACTOR_DONE = 1e-9
_BALANCED = 1e-8


@dataclass(frozen=True, slots=True)
class Pieces:
    """Strand pieces between the end supports and k points, for n strands.

    Attributes
    ----------
    start_m, end_m : ndarray of float64, shape (n, 3)
        Supports of the strand (along, lateral, up), m.
    length_m : ndarray of float64, shape (n, k + 1)
        Unstressed lengths of the pieces, m.
    weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        Weight per unstressed metre, N/m, and EA, N.
    load_n : ndarray of float64, shape (n, k, 3)
        Outer forces on the points, N.
    """

    start_m: Array
    end_m: Array
    length_m: Array
    weight_n_per_m: Array
    stiffness_n: Array
    load_n: Array


@dataclass(frozen=True, slots=True)
class AttachedDrop:
    """Drops from one point of each strand to a fixed house attachment.

    Attributes
    ----------
    point : int
        Which of the k points the drop is clamped to.
    house_m : ndarray of float64, shape (n, 3)
        House attachments (along, lateral, up), m.
    weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        Weight per unstressed metre, N/m, and EA, N.
    rule : {"length", "sag", "tension"}
        What the drop keeps: its unstressed length, its sag, or its horizontal tension.
    kept : ndarray of float64, shape (n,)
        The value kept, m or N.
    factor : ndarray of float64, shape (n,)
        For a kept sag: horizontal tension over that of the parabola of the same sag.
    """

    point: int
    house_m: Array
    weight_n_per_m: Array
    stiffness_n: Array
    rule: DropRule
    kept: Array
    factor: Array


_DropOrNone: TypeAlias = AttachedDrop | None


@dataclass(frozen=True, slots=True)
class RestingPoints:
    """Points at rest.

    Attributes
    ----------
    position_m : ndarray of float64, shape (n, k, 3)
        Positions (along, lateral, up), m.
    strand : CatenaryState
        Strand pieces, arrays of shape (n, k + 1).
    drop : CatenaryState or None
        Drops from clamp to house, arrays of shape (n,).
    residual : ndarray of float64, shape (n,)
        Greatest force out of balance over the strand's greatest tension.
    converged : ndarray of bool, shape (n,)
        Whether the residual is 1e-8 or less.
    """

    position_m: Array
    strand: CatenaryState
    drop: CatenaryState | None
    residual: Array
    converged: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Balance:
    """Forces and stiffness at trial positions."""

    force: Array
    matrix: Array


def _taken(pieces: Pieces, drop: AttachedDrop | None, at: Index) -> tuple[Pieces, _DropOrNone]:
    """Return the chosen strands and drops, those of rising rows."""
    if len(at) == len(pieces.length_m):
        return pieces, drop
    some = Pieces(*(getattr(pieces, f.name)[at] for f in fields(Pieces)))
    if drop is None:
        return some, None
    return some, replace(
        drop,
        house_m=drop.house_m[at],
        weight_n_per_m=drop.weight_n_per_m[at],
        stiffness_n=drop.stiffness_n[at],
        kept=drop.kept[at],
        factor=drop.factor[at],
    )


def _drop_length(drop: AttachedDrop, reach: Array, span: Array) -> Array:
    """Return the drop's unstressed length by its rule."""
    if drop.rule == "length":
        return drop.kept
    tension = drop.kept
    if drop.rule == "sag":
        chord = np.hypot(span, reach[:, 2])
        tension = drop.factor * drop.weight_n_per_m * span * chord / (8.0 * drop.kept)
    return length_from_horizontal_tension(
        span, reach[:, 2], tension, drop.weight_n_per_m, drop.stiffness_n
    )


def _softened(drop: AttachedDrop, reach: Array, tension: Array, matrix: Array) -> Array:
    """Return the stiffness to step with: the drop's own where its length is kept.

    With sag or tension kept the pull hardly changes: tension over span stands for its change
    across the span; along it, tension kept does not change, and sag kept as span times chord.
    """
    if drop.rule == "length":
        return matrix
    span = np.hypot(reach[:, 0], reach[:, 1])
    side = tension / span
    along = 0.0 if drop.rule == "tension" else 1.0 + span * span / (span**2 + reach[:, 2] ** 2)
    x, y, plane = reach[:, 0] / span, reach[:, 1] / span, side * (along - 1.0)
    soft = np.zeros_like(matrix)
    soft[:, 0, 0], soft[:, 1, 1], soft[:, 2, 2] = side + plane * x * x, side + plane * y * y, side
    soft[:, 0, 1] = soft[:, 1, 0] = plane * x * y
    return soft


def _balance(pieces: Pieces, drop: AttachedDrop | None, position: Array) -> _Balance:
    """Return the forces out of balance at trial positions; strand pieces and drop as one."""
    n, k, _ = position.shape
    start = np.concatenate([pieces.start_m[:, None], position], axis=1)
    end = np.concatenate([position, pieces.end_m[:, None]], axis=1)
    length = pieces.length_m
    weight = np.repeat(pieces.weight_n_per_m[:, None], k + 1, axis=1)
    stiffness = np.repeat(pieces.stiffness_n[:, None], k + 1, axis=1)
    if drop is not None:
        clamp = position[:, drop.point]
        reach = drop.house_m - clamp
        kept = _drop_length(drop, reach, np.hypot(reach[:, 0], reach[:, 1]))
        start = np.concatenate([start, clamp[:, None]], axis=1)
        end = np.concatenate([end, drop.house_m[:, None]], axis=1)
        length = np.concatenate([length, kept[:, None]], axis=1)
        weight = np.concatenate([weight, drop.weight_n_per_m[:, None]], axis=1)
        stiffness = np.concatenate([stiffness, drop.stiffness_n[:, None]], axis=1)
    cable = cable_pull(start, end, length, weight, stiffness)
    stiff = cable.stiffness_n_per_m
    force = pieces.load_n + cable.on_start_n[:, 1 : k + 1] + cable.on_end_n[:, :k]
    matrix = np.zeros((n, k, 3, k, 3))
    for i in range(k):
        matrix[:, i, :, i, :] += stiff[:, i] + stiff[:, i + 1]
        if i + 1 < k:
            matrix[:, i, :, i + 1, :] -= stiff[:, i + 1]
            matrix[:, i + 1, :, i, :] -= stiff[:, i + 1]
    if drop is not None:
        force[:, drop.point] += cable.on_start_n[:, -1]
        matrix[:, drop.point, :, drop.point, :] += _softened(
            drop, reach, cable.horizontal_tension_n[:, -1], stiff[:, -1]
        )
    return _Balance(force, matrix.reshape(n, 3 * k, 3 * k))


def _along(force: Array, step: Array) -> Array:
    """Return the work of the forces out of balance over the step, shape (n,)."""
    work: Array = np.sum(force * step, axis=(1, 2))
    return work


def _advance(
    pieces: Pieces, drop: AttachedDrop | None, position: Array, step: Array, work: Array
) -> Array:
    """Return the positions after as much of the step as the forces agree with.

    The work left in the step falls from its first value to zero where the energy along the step
    is least; beyond, it is negative. Too long a step is cut by false position on that work.
    """
    low, low_work = np.zeros(work.shape), work.copy()
    share = np.ones(work.shape)
    open_ = np.arange(len(work))
    for _ in range(_CUTS):
        some, some_drop = _taken(pieces, drop, open_)
        trial = position[open_] + share[open_, None, None] * step[open_]
        left = _along(_balance(some, some_drop, trial).force, step[open_])
        beyond = left < -0.5 * work[open_]
        short = (left > 0.5 * work[open_]) & (share[open_] < 1.0)
        low[open_[short]], low_work[open_[short]] = share[open_[short]], left[short]
        again = beyond | short
        if not again.any():
            break
        open_, left, beyond = open_[again], left[again], beyond[again]
        part = low_work[open_] / np.where(beyond, low_work[open_] - left, 1.0)
        cut = low[open_] + (share[open_] - low[open_]) * np.clip(part, 0.1, 0.7)
        share[open_] = np.where(beyond, cut, np.minimum(1.0, 1.6 * share[open_]))
    moved: Array = position + share[:, None, None] * step
    return moved


def _relax(pieces: Pieces, drop: AttachedDrop | None, position: Array) -> Array:
    """Return the points at rest, stepping those that haven't come to rest yet."""
    position = position.copy()
    n, k, _ = position.shape
    open_ = np.arange(n)
    for _ in range(_STEPS):
        some, some_drop = _taken(pieces, drop, open_)
        here = position[open_]
        now = _balance(some, some_drop, here)
        step = np.linalg.solve(now.matrix, now.force.reshape(-1, 3 * k, 1)).reshape(here.shape)
        moved = np.abs(step).max(axis=(1, 2))
        near = moved <= _NEAR_M
        after = here + step
        if not near.all():
            far = ~near
            far_pieces, far_drop = _taken(some, some_drop, np.flatnonzero(far))
            work = _along(now.force[far], step[far])
            after[far] = _advance(far_pieces, far_drop, here[far], step[far], work)
        position[open_] = after
        open_ = open_[moved > _STEP_DONE_M]
        if not open_.size:
            break
    return position


def _factor_for_sag(drop: AttachedDrop, clamp: Array) -> Array:
    """Return tension over that of the parabola for drops of the kept sag."""
    reach = drop.house_m - clamp
    span = np.hypot(reach[:, 0], reach[:, 1])
    hung = (drop.weight_n_per_m, drop.stiffness_n)
    length = length_from_sag(span, reach[:, 2], drop.kept, *hung)
    tension = solve_catenary(span, reach[:, 2], length, *hung).horizontal_tension_n
    chord = np.hypot(span, reach[:, 2])
    factor: Array = tension * 8.0 * drop.kept / (drop.weight_n_per_m * span * chord)
    return factor


def _first_position(pieces: Pieces, drop: AttachedDrop | None, unloaded: Array) -> Array:
    """Return estimated positions by moments, the drop's pull estimated too."""

    def estimate(load: Array) -> tuple[Array, Array]:
        """Return positions and the strand's horizontal tension under loads."""
        return estimate_positions(
            unloaded[..., 0],
            pieces.end_m[:, 0] - pieces.start_m[:, 0],
            pieces.end_m[:, 2] - pieces.start_m[:, 2],
            pieces.length_m,
            pieces.weight_n_per_m,
            pieces.stiffness_n,
            load,
        )

    alone, tension = estimate(pieces.load_n)
    if drop is None:
        return alone
    at = drop.point
    load = pieces.load_n.copy()
    if drop.rule != "length":
        reach = drop.house_m - alone[:, at]
        length = _drop_length(drop, reach, np.hypot(reach[:, 0], reach[:, 1]))
        hung = (drop.weight_n_per_m, drop.stiffness_n)
        load[:, at] += cable_pull(alone[:, at], drop.house_m, length, *hung).on_start_n
        return estimate(load)[0]
    reach = drop.house_m - alone[:, at]
    span = np.hypot(reach[:, 0], reach[:, 1])
    level, slope = reach[:, :2] / span[:, None], reach[:, 2] / span
    place, whole = unloaded[:, at, 0], pieces.end_m[:, 0] - pieces.start_m[:, 0]
    give = place * (whole - place) / (whole * tension) * level[:, 1] ** 2
    position = alone
    for _ in range(_GUESSES):
        pull = first_pull(span, reach[:, 2], drop.kept, drop.weight_n_per_m, drop.stiffness_n, give)
        load = pieces.load_n.copy()
        load[:, at, :2] += level * pull[:, None]
        load[:, at, 2] += pull * slope - 0.5 * drop.weight_n_per_m * drop.kept
        position, _ = estimate(load)
        moved = position[:, at, :2] - alone[:, at, :2]
        give = np.maximum(moved[:, 0] * level[:, 0] + moved[:, 1] * level[:, 1], 0.0) / pull
    return position


def solve_points(
    pieces: Pieces,
    drop: AttachedDrop | None,
    unloaded_m: Array,
    start_m: Array | None = None,
) -> RestingPoints:
    """Return the points at rest.

    Parameters
    ----------
    pieces : Pieces
        Strands and loads, n by k points.
    drop : AttachedDrop or None
        Drops, or none.
    unloaded_m : ndarray of float64, shape (n, k, 3)
        The points of the unloaded strand, m.
    start_m : ndarray of float64, shape (n, k, 3), or None
        Where to start from, m; by default an estimate from moments.

    Returns
    -------
    RestingPoints
        Positions, strand pieces, drops, residual.

    Raises
    ------
    ValueError
        If a point comes straight below or above a neighbour, or a kept sag can't be had.

    Notes
    -----
    All pieces and the drop are exact elastic catenaries. Their energy is convex in the
    positions, so Newton steps, cut where they overshoot the least energy along them, lead to
    the one equilibrium. A kept sag is met by a factor on the parabola's tension, refreshed
    until the sag agrees. Cost O(n) per step, some five steps.
    """
    position = _first_position(pieces, drop, unloaded_m) if start_m is None else start_m
    if drop is not None and drop.rule == "sag":
        drop = replace(drop, factor=_factor_for_sag(drop, position[:, drop.point]))
    position = _relax(pieces, drop, position)
    if drop is not None and drop.rule == "sag":
        open_ = np.arange(len(position))
        for _ in range(_REFRESHES):
            _, some_drop = _taken(pieces, drop, open_)
            if some_drop is None:
                break
            fresh = _factor_for_sag(some_drop, position[open_][:, drop.point])
            change = np.abs(fresh / drop.factor[open_] - 1.0)
            factor = drop.factor.copy()
            factor[open_] = fresh
            drop = replace(drop, factor=factor)
            open_ = open_[change > _FACTOR_DONE]
            if not open_.size:
                break
            some, some_drop = _taken(pieces, drop, open_)
            position[open_] = _relax(some, some_drop, position[open_])
    now = _balance(pieces, drop, position)
    strand = _strand_state(pieces, position)
    residual = np.abs(now.force).max(axis=(1, 2)) / strand.tension_max_n.max(axis=1)
    return RestingPoints(
        position_m=position,
        strand=strand,
        drop=None if drop is None else _drop_state(drop, position[:, drop.point]),
        residual=residual,
        converged=residual <= _BALANCED,
    )


def _strand_state(pieces: Pieces, position: Array) -> CatenaryState:
    """Return the strand pieces in full."""
    points = np.concatenate(
        [pieces.start_m[:, None, :], position, pieces.end_m[:, None, :]], axis=1
    )
    reach = np.diff(points, axis=1)
    return solve_catenary(
        np.hypot(reach[..., 0], reach[..., 1]),
        reach[..., 2],
        pieces.length_m,
        pieces.weight_n_per_m[:, None],
        pieces.stiffness_n[:, None],
    )


def _drop_state(drop: AttachedDrop, clamp: Array) -> CatenaryState:
    """Return the drops in full."""
    reach = drop.house_m - clamp
    span = np.hypot(reach[:, 0], reach[:, 1])
    length = _drop_length(drop, reach, span)
    return solve_catenary(span, reach[:, 2], length, drop.weight_n_per_m, drop.stiffness_n)
