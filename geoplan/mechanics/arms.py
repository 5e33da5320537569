"""Find unstressed lengths from the two arms that a hung wire has on either side of its tangent.

*Enters*: checked flat arrays of spans, rises, weights and stiffnesses, and a tension or a sag.
*Leaves*: unstressed lengths, and which of them are settled.
*Does not do*: check arguments; very slack wires, which it leaves unsettled.

Somewhere the wire runs along its chord, of slope t = sinh(c). From there asinh(slope) falls by p
to the start and grows by q to the end. With e the wire's weight over its stiffness and n its
weight over its horizontal tension, both ends lie equally far above the tangent:

    n D = cosh(c) (cosh p - 1) - t (sinh p - p) + (e / n) s(p)^2 / 2, and for q with -t for t;
    n S = p + q + (e / n) (s(p) + s(q)),   s(p) = cosh(c) sinh p - t (cosh p - 1),

where D is the greatest sag and S the span; s(p) + s(q) is n times the unstressed length. No digits
cancel in tight wires. Our own derivation; its results are those of `catenary`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array

BLOCK_ITEMS = 4096
"""Wires solved at once, so that the working arrays stay in the processor's cache."""
_SURE_STEPS = 2
_MORE_STEPS = 10
_STEP_DONE = 1e-8
"""Newton's step squares the error, so that after this last step it is about 1e-16."""
_SERIES_BELOW = 0.05
_MOST_TURN = 4.0
_TIGHT_TURN = 1.5
"""A wire whose greatest tension falls with its length turns by more than 2 from end to end."""
_TIGHT_STRETCH = 0.05

BoolArray = npt.NDArray[np.bool_]


class _Wires(NamedTuple):
    """Wires to be solved, flat arrays of one length."""

    span: Array
    slope: Array
    """Of the chord."""
    cosh: Array
    """Chord over span."""
    ease: Array
    """Weight over stiffness, 1/m."""
    known: Array
    """Sag, or weight over tension, by solver."""


class _Arm(NamedTuple):
    """One arm: height over the tangent and length, both without stretch and times n."""

    drop: Array
    length: Array
    rate: Array
    """Growth of `length` with the turn."""


_Trial = tuple[Array, Array, Array]
"""Turns p and q, and n."""


def _arm(turn: Array, lean: Array, cosh: Array) -> _Arm:
    """Return the arm that turns from the chord by an angle; lean is t toward the start, else -t."""
    half = np.sinh(0.5 * turn)
    square = half * half
    bent = 2.0 * square
    sinh = 2.0 * half * np.sqrt(1.0 + square)
    turned = turn * turn
    series = turn * turned * (1 / 6) * (1 + turned * (1 / 20) * (1 + turned * (1 / 42)))
    less = np.where(turn < _SERIES_BELOW, series, sinh - turn)
    return _Arm(
        cosh * bent - lean * less, cosh * sinh - lean * bent, cosh + cosh * bent - lean * sinh
    )


def _step_to_sag(wires: _Wires, trial: _Trial) -> _Trial:
    """Return Newton's step for wires of known sag."""
    p, q, n = trial
    first, second = _arm(p, wires.slope, wires.cosh), _arm(q, -wires.slope, wires.cosh)
    a = wires.ease / n
    half_a = 0.5 * a
    stretch_p, stretch_q = half_a * first.length, half_a * second.length
    miss_p = (first.drop - wires.known * n) / first.length + stretch_p
    miss_q = (second.drop - wires.known * n) / second.length + stretch_q
    both = a * (first.length + second.length)
    lift_p = wires.known / first.length + stretch_p / n
    lift_q = wires.known / second.length + stretch_q / n
    span = wires.span + both / n
    miss = p + q + both - wires.span * n
    dn = (miss - miss_p - miss_q) / (span - lift_p - lift_q)
    dp = (lift_p * dn - miss_p) / (1.0 + a * first.rate)
    dq = (lift_q * dn - miss_q) / (1.0 + a * second.rate)
    return dp, dq, dn


def _step_to_end(wires: _Wires, trial: _Trial, n: Array, n_q: Array | float) -> _Trial:
    """Return Newton's step for wires whose n is known, or follows from the turn q."""
    p, q, _ = trial
    first, second = _arm(p, wires.slope, wires.cosh), _arm(q, -wires.slope, wires.cosh)
    a = wires.ease / n
    squares = 0.5 * a * (first.length * first.length - second.length * second.length)
    uneven = first.drop - second.drop + squares
    both = a * (first.length + second.length)
    miss = p + q + both - wires.span * n
    eased_p, eased_q = 1.0 + a * first.rate, 1.0 + a * second.rate
    uneven_q = -second.length * eased_q - squares / n * n_q
    miss_q = eased_q - (both / n + wires.span) * n_q
    # The rows (length_p eased_p, uneven_q) and (eased_p, miss_q) times the step are the misses.
    dq = (uneven - miss * first.length) / (first.length * miss_q - uneven_q)
    dp = -(miss + miss_q * dq) / eased_p
    return dp, dq, np.zeros_like(p)


def _step_to_tension(wires: _Wires, trial: _Trial) -> _Trial:
    """Return Newton's step for wires of known horizontal tension."""
    return _step_to_end(wires, trial, wires.known, 0.0)


def _n_at_max_tension(wires: _Wires, q: Array) -> tuple[Array, Array]:
    """Return n and its growth with q for wires of known tension at their upper end, the end."""
    sinh, cosh = np.sinh(q), np.cosh(q)
    return (
        wires.known * (wires.cosh * cosh + wires.slope * sinh),
        wires.known * (wires.cosh * sinh + wires.slope * cosh),
    )


def _step_to_max_tension(wires: _Wires, trial: _Trial) -> _Trial:
    """Return Newton's step for wires of known greatest tension; the end is the upper one."""
    n, n_q = _n_at_max_tension(wires, trial[1])
    return _step_to_end(wires, trial, n, n_q)


_Stepper = Callable[[_Wires, _Trial], _Trial]


def _moved(trial: _Trial, step: _Trial) -> tuple[_Trial, Array]:
    """Return the trial after a step, kept within half and twice, and the step's relative size."""
    p, q, n = trial
    size = np.maximum(np.maximum(np.abs(step[0] / p), np.abs(step[1] / q)), np.abs(step[2] / n))
    p = np.minimum(_kept(p, step[0]), _MOST_TURN)
    q = np.minimum(_kept(q, step[1]), _MOST_TURN)
    return (p, q, _kept(n, step[2])), size


def _kept(value: Array, step: Array) -> Array:
    moved: Array = np.minimum(np.maximum(value + step, 0.5 * value), 2.0 * value)
    return moved


def _solve(wires: _Wires, trial: _Trial, stepper: _Stepper) -> tuple[_Trial, BoolArray]:
    """Step until each wire has settled, each for itself; return the rest as unsettled."""
    size = np.zeros(0)
    for _ in range(_SURE_STEPS):
        trial, size = _moved(trial, stepper(wires, trial))
    open_ = np.flatnonzero(~(size <= _STEP_DONE))
    settled = np.ones(len(wires.span), dtype=np.bool_)
    settled[open_] = False
    for _ in range(_MORE_STEPS if len(open_) else 0):
        some: _Trial = (trial[0][open_], trial[1][open_], trial[2][open_])
        kept = _Wires(*(column[open_] for column in wires))
        some, size = _moved(some, stepper(kept, some))
        for column, values in zip(trial, some, strict=True):
            column[open_] = values
        done = size <= _STEP_DONE
        settled[open_[done]] = True
        open_ = open_[~done]
        if len(open_) == 0:
            break
    settled &= np.maximum(trial[0], trial[1]) < _MOST_TURN
    return trial, settled


def _lengths(wires: _Wires, p: Array, q: Array, n: Array) -> Array:
    """Return the unstressed lengths of wires of known turns."""
    first, second = _arm(p, wires.slope, wires.cosh), _arm(q, -wires.slope, wires.cosh)
    length: Array = (first.length + second.length) / n
    return length


def _first_turns(wires: _Wires, turn: Array) -> tuple[Array, Array]:
    """Split a mean turn between the arms, as a parabola's next term does."""
    skew = wires.slope / wires.cosh * turn * (1 / 6)
    return turn * (1.0 + skew), turn * (1.0 - skew)


def _by_sag(wires: _Wires) -> tuple[Array, BoolArray]:
    flat = 4.0 * wires.known / (wires.span * wires.cosh)
    turn = flat / (1.0 + flat * flat * (1 / 12))
    p, q = _first_turns(wires, np.minimum(turn, 0.5 * _MOST_TURN))
    trial = (np.maximum(p, 0.5 * turn), np.maximum(q, 0.5 * turn), 2.0 * turn / wires.span)
    (p, q, n), settled = _solve(wires, trial, _step_to_sag)
    return _lengths(wires, p, q, n), settled


def _by_tension(wires: _Wires) -> tuple[Array, BoolArray]:
    n = wires.known
    turn = np.minimum(0.5 * wires.span * n / (1.0 + wires.ease / n * wires.cosh), 0.4 * _MOST_TURN)
    p, q = _first_turns(wires, turn)
    (p, q, _), settled = _solve(wires, (p, q, n), _step_to_tension)
    return _lengths(wires, p, q, n), settled


def _by_max_tension(wires: _Wires) -> tuple[Array, BoolArray]:
    reach = wires.known * wires.span
    root = np.sqrt(np.maximum(4.0 - reach * reach, 1.0))
    n = wires.known * 2.0 * wires.cosh / np.maximum(root - wires.slope * reach, 0.2)
    turn = np.minimum(0.5 * wires.span * n / (1.0 + wires.ease / n * wires.cosh), 0.5)
    p, q = _first_turns(wires, turn)
    (p, q, _), settled = _solve(wires, (p, q, n), _step_to_max_tension)
    n, _ = _n_at_max_tension(wires, q)
    settled &= (p + q < _TIGHT_TURN) & (wires.ease < _TIGHT_STRETCH * n)
    return _lengths(wires, p, q, n), settled


def _in_blocks(
    wires: _Wires, solver: Callable[[_Wires], tuple[Array, BoolArray]]
) -> tuple[Array, BoolArray]:
    """Solve wires block by block; what doesn't settle may overflow on its way."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        if len(wires.span) <= BLOCK_ITEMS:
            return solver(wires)
        length = np.empty(len(wires.span))
        settled = np.empty(len(wires.span), dtype=np.bool_)
        for i in range(0, len(length), BLOCK_ITEMS):
            rows = slice(i, i + BLOCK_ITEMS)
            length[rows], settled[rows] = solver(_Wires(*(column[rows] for column in wires)))
    return length, settled


def _wires(span: Array, rise: Array, ease: Array, known: Array) -> _Wires:
    slope = rise / span
    return _Wires(span, slope, np.sqrt(1.0 + slope * slope), ease, known)


def arms_by_sag(
    span_m: Array, rise_m: Array, sag_m: Array, weight_n_per_m: Array, stiffness_n: Array
) -> tuple[Array, BoolArray]:
    """Return unstressed lengths of wires of known greatest sag below the chord.

    Parameters
    ----------
    span_m, rise_m, sag_m : ndarray of float64, shape (n,)
        Horizontal distance (> 0) and height difference of the supports, sag (> 0), m.
    weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        Weight per unstressed metre, N/m, and EA, N, > 0.

    Returns
    -------
    length_m : ndarray of float64, shape (n,)
        Unstressed length, m; of no meaning where not settled.
    is_settled : ndarray of bool, shape (n,)
        Whether Newton's steps have come to rest.

    Notes
    -----
    Each wire takes at least two steps, and more until it has settled by itself, so that no
    other wire has a say in its result.
    """
    wires = _wires(span_m, rise_m, weight_n_per_m / stiffness_n, sag_m)
    return _in_blocks(wires, _by_sag)


def arms_by_horizontal_tension(
    span_m: Array, rise_m: Array, tension_n: Array, weight_n_per_m: Array, stiffness_n: Array
) -> tuple[Array, BoolArray]:
    """Return unstressed lengths of wires of known horizontal tension.

    Parameters
    ----------
    span_m, rise_m, weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        As in `arms_by_sag`.
    tension_n : ndarray of float64, shape (n,)
        Horizontal tension, N, > 0.

    Returns
    -------
    length_m : ndarray of float64, shape (n,)
        As in `arms_by_sag`.
    is_settled : ndarray of bool, shape (n,)
        As in `arms_by_sag`.
    """
    wires = _wires(span_m, rise_m, weight_n_per_m / stiffness_n, weight_n_per_m / tension_n)
    return _in_blocks(wires, _by_tension)


def arms_by_max_tension(
    span_m: Array, rise_m: Array, tension_n: Array, weight_n_per_m: Array, stiffness_n: Array
) -> tuple[Array, BoolArray]:
    """Return unstressed lengths of the tight wires of known greatest tension.

    Parameters
    ----------
    span_m, rise_m, weight_n_per_m, stiffness_n : ndarray of float64, shape (n,)
        As in `arms_by_sag`.
    tension_n : ndarray of float64, shape (n,)
        Tension at the upper end, N, > 0.

    Returns
    -------
    length_m : ndarray of float64, shape (n,)
        As in `arms_by_sag`.
    is_settled : ndarray of bool, shape (n,)
        As in `arms_by_sag`; False also where the wire might be the slack one of that tension.
    """
    ease, known = weight_n_per_m / stiffness_n, weight_n_per_m / tension_n
    return _in_blocks(_wires(span_m, np.abs(rise_m), ease, known), _by_max_tension)
