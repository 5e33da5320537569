"""Find the unstressed length of a wire from what is known of it as hung.

*Enters*: spans, rises, weights, stiffnesses, and a tension or a sag, as arrays.
*Leaves*: unstressed lengths, as arrays.
*Does not do*: choose the sag or the tension.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, broadcast, checked, refuse
from geoplan.mechanics.arms import arms_by_horizontal_tension, arms_by_max_tension, arms_by_sag
from geoplan.mechanics.catenary import CatenaryState, sag_at, solve_catenary
from geoplan.mechanics.turn import MAX_TURN

_STEPS = 100
_LEAST_MOVE = 1e-12
_FLATTEST = -1e-3
_SAG_MET = 1e-9


@dataclass(frozen=True, slots=True)
class _Hung:
    """Spans to be solved, flat arrays of one length."""

    span: Array
    rise: Array
    weight: Array
    stiffness: Array

    def take(self, rows: npt.NDArray[np.int64]) -> _Hung:
        """Return some spans."""
        return _Hung(self.span[rows], self.rise[rows], self.weight[rows], self.stiffness[rows])


def _checked_hung(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
    name: str,
    known: npt.ArrayLike,
) -> tuple[_Hung, Array, tuple[int, ...]]:
    """Check and flatten the arguments; return them, the known quantity, and the shape."""
    columns = (
        checked("span_m", span_m, "positive"),
        checked("rise_m", rise_m, "finite"),
        checked("weight_n_per_m", weight_n_per_m, "positive"),
        checked("stiffness_n", stiffness_n, "positive"),
        checked(name, known, "positive"),
    )
    if any(column.ndim != 1 or len(column) != len(columns[0]) for column in columns):
        names = ("span_m", "rise_m", "weight_n_per_m", "stiffness_n", "known")
        columns = broadcast(**dict(zip(names, columns, strict=True)))  # type: ignore[assignment]
    shape = columns[0].shape
    span, rise, weight, stiffness, target = (np.ravel(column) for column in columns)
    return _Hung(span, rise, weight, stiffness), target, shape


def _turn_of(hung: _Hung, tension: Array) -> tuple[Array, Array, Array]:
    """Return half turn y, k = cosh(middle) sinh(y), and a = H / EA for horizontal tensions."""
    a = tension / hung.stiffness
    reach = 0.5 * hung.span * hung.weight / tension
    climb = 0.5 * hung.rise * hung.weight / tension
    most = reach / a
    high = np.minimum(np.hypot(np.sinh(reach), climb), most)
    low = np.zeros_like(high)
    k = np.minimum(high / (1.0 + a * np.hypot(1.0, hung.rise / hung.span)), 0.999 * most)
    open_ = np.arange(k.size)
    some = (reach, a, climb, low, high, k)
    for _ in range(_STEPS):
        trial, done, some = _turn_step(*some)
        k[open_] = trial
        if done.all():
            break
        open_ = open_[~done]
        some = tuple(column[~done] for column in (*some[:5], trial))  # type: ignore[assignment]
    return np.maximum(reach - a * k, 1e-300), k, a


def _turn_step(
    reach: Array, a: Array, climb: Array, low: Array, high: Array, k: Array
) -> tuple[Array, npt.NDArray[np.bool_], tuple[Array, Array, Array, Array, Array, Array]]:
    """Take one bracketed Newton step toward k; return it, what is done, and the bracket."""
    y = np.maximum(reach - a * k, 1e-300)
    sinh = np.sinh(y)
    cosh = np.sqrt(1.0 + sinh * sinh)
    stretch = a * k * cosh
    lift = climb * sinh / (sinh + stretch)
    k_next = np.hypot(sinh, lift)
    value = k - k_next
    inner = sinh * cosh + lift * lift * (cosh + k * a / sinh) / (sinh + stretch)
    high = np.where(value > 0.0, np.minimum(high, k), high)
    low = np.where(value < 0.0, np.maximum(low, k), low)
    trial = k - value / (1.0 + a * inner / k_next)
    trial = np.where((trial >= low) & (trial <= high), trial, 0.5 * (low + high))
    done = np.abs(trial - k) <= 4e-16 * k
    return trial, done, (reach, a, climb, low, high, k)


def _length_of(hung: _Hung, tension: Array) -> Array:
    """Return the unstressed length for horizontal tensions."""
    _, k, _ = _turn_of(hung, tension)
    return 2.0 * tension / hung.weight * k


def length_from_horizontal_tension(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    horizontal_tension_n: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
) -> Array:
    """Return the unstressed length of wires of known horizontal tension.

    Parameters
    ----------
    span_m, rise_m : array_like of float
        Horizontal distance (> 0) and height difference of the supports, m.
    horizontal_tension_n : array_like of float
        Horizontal component of the tension, N, > 0, and at least 1/600 of weight times span.
    weight_n_per_m, stiffness_n : array_like of float
        Weight per unstressed metre, N/m, and EA, N, > 0.

    Returns
    -------
    ndarray of float64
        Unstressed length, m, in the broadcast shape.

    Raises
    ------
    ValueError
        If an item is NaN, infinite or out of range.

    Notes
    -----
    Exact elastic catenary; Newton steps on its two arms (see `arms`), and where they don't
    settle one monotone equation per span by guarded Newton steps.
    """
    hung, tension, shape = _checked_hung(
        span_m, rise_m, weight_n_per_m, stiffness_n, "horizontal_tension_n", horizontal_tension_n
    )
    _refuse_loose("horizontal_tension_n", hung, tension, shape)
    length, settled = arms_by_horizontal_tension(
        hung.span, hung.rise, tension, hung.weight, hung.stiffness
    )
    rest = np.flatnonzero(~settled)
    if len(rest):
        length[rest] = _length_of(hung.take(rest), tension[rest])
    return length.reshape(shape)


def _refuse_loose(name: str, hung: _Hung, tension: Array, shape: tuple[int, ...]) -> None:
    """Refuse tensions too small for the wire's weight to be hung in the span at all."""
    wrong = (hung.span * hung.weight > 2.0 * MAX_TURN * tension).reshape(shape)
    refuse(name, wrong, tension.reshape(shape), "at least 1/600 of weight times span")


def length_from_max_tension(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    tension_max_n: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
) -> Array:
    """Return the unstressed length of wires of known greatest tension.

    Parameters
    ----------
    span_m, rise_m : array_like of float
        Horizontal distance (> 0) and height difference of the supports, m.
    tension_max_n : array_like of float
        Tension at the end where it is greater, N, > 0.
    weight_n_per_m, stiffness_n : array_like of float
        Weight per unstressed metre, N/m, and EA, N, > 0.

    Returns
    -------
    ndarray of float64
        Unstressed length, m, in the broadcast shape.

    Raises
    ------
    ValueError
        If an item is out of range, or the tension is less than any wire of that weight has in
        that span.

    Notes
    -----
    Two lengths give the same tension: a tight wire, and a slack one that hangs by its weight.
    The tight one is meant. Newton steps on the wire's two arms (see `arms`), and where they don't
    settle downward from the largest horizontal tension possible.
    """
    hung, target, shape = _checked_hung(
        span_m, rise_m, weight_n_per_m, stiffness_n, "tension_max_n", tension_max_n
    )
    _refuse_loose("tension_max_n", hung, target, shape)
    length, settled = arms_by_max_tension(hung.span, hung.rise, target, hung.weight, hung.stiffness)
    rest = np.flatnonzero(~settled)
    if len(rest):
        length[rest], lost = _length_by_descent(hung.take(rest), target[rest])
        wrong = np.zeros(target.shape, dtype=np.bool_)
        wrong[rest] = lost
        wording = "at least what the wire's weight causes in the span"
        refuse("tension_max_n", wrong.reshape(shape), target.reshape(shape), wording)
    return length.reshape(shape)


def _length_by_descent(hung: _Hung, target: Array) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Return lengths for greatest tensions from the tight end on, and which have no such length."""
    tension = target.copy()
    floor = 0.51 * hung.span * hung.weight / MAX_TURN
    reached = np.zeros(target.shape, dtype=np.bool_)
    lost = np.zeros(target.shape, dtype=np.bool_)
    misfit = np.zeros(target.shape)
    at = np.arange(target.size)
    for _ in range(_STEPS):
        value, slope = _max_tension(hung.take(at), tension[at])
        misfit[at] = value - target[at]
        lost[at] = (misfit[at] > 1e-12 * target[at]) & (slope <= 0.0)
        step = misfit[at] / np.where(slope > 0.0, slope, 1.0)
        reached[at] = (np.abs(step) <= 1e-14 * tension[at]) & ~lost[at]
        stay = reached[at] | lost[at]
        tension[at[~stay]] = np.maximum(tension[at] - step, floor[at])[~stay]
        at = at[~stay]
        if not at.size:
            break
    wrong = (~reached & (np.abs(misfit) > 1e-9 * target)) | lost
    return _length_of(hung, tension), wrong


def _max_tension(hung: _Hung, tension: Array) -> tuple[Array, Array]:
    """Return the greatest tension for horizontal tensions, and its derivative."""
    y, k, a = _turn_of(hung, tension)
    sinh, cosh = np.sinh(y), np.cosh(y)
    climb = 0.5 * np.abs(hung.rise) * hung.weight / tension
    tall = climb / (sinh + a * k * cosh)
    wide = np.sqrt(1.0 + tall * tall)
    angle = np.arcsinh(tall)
    y_y = 1.0 + a * wide * cosh
    y_t = a * tall * sinh
    y_h = k / hung.stiffness + 0.5 * hung.span * hung.weight / tension**2
    t_y = tall * (cosh + a * wide * (cosh * cosh + sinh * sinh))
    t_t = wide * (sinh + a * k * cosh) + a * tall * tall * sinh * cosh
    t_h = tall * cosh * k / hung.stiffness + climb / tension
    determinant = y_y * t_t - y_t * t_y
    dy = (y_t * t_h - t_t * y_h) / determinant
    dt = (t_y * y_h - y_y * t_h) / determinant
    end = angle + y
    return tension * np.cosh(end), np.cosh(end) + tension * np.sinh(end) * (dy + dt)


def _length_by_sag(
    hung: _Hung, target: Array, sag_of: Callable[[CatenaryState], Array]
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Return lengths by guarded secant steps of log sag over log horizontal tension.

    Return also which sags no wire has.
    """
    low = np.log(0.51 * hung.span * hung.weight / MAX_TURN)
    high = np.full_like(low, np.inf)
    chord = np.hypot(hung.span, hung.rise)
    u = np.maximum(np.log(hung.weight * hung.span * chord / (8.0 * target)), low)
    last_u, last_r, slope = u.copy(), np.zeros_like(u), np.full_like(u, -1.0)
    # The rounding of the length alone moves a tight wire's sag by this much.
    noise = np.minimum(1e-13 + 1e-16 * (hung.span / target) ** 2, 1e-10)
    length = np.empty_like(u)
    r = np.zeros_like(u)
    at = np.arange(u.size)
    for turn in range(_STEPS):
        some = hung.take(at)
        length[at] = _length_of(some, np.exp(u[at]))
        state = solve_catenary(some.span, some.rise, length[at], some.weight, some.stiffness)
        r[at] = np.log(np.maximum(sag_of(state), 1e-300) / target[at])
        low[at] = np.where(r[at] > 0.0, np.maximum(low[at], u[at]), low[at])
        high[at] = np.where(r[at] < 0.0, np.minimum(high[at], u[at]), high[at])
        if turn:
            moved = u[at] - last_u[at]
            trusted = np.abs(moved) > _LEAST_MOVE
            new = (r[at] - last_r[at]) / np.where(trusted, moved, 1.0)
            slope[at] = np.where(trusted & (new < _FLATTEST), new, slope[at])
        narrow = high[at] - low[at] <= 1e-15 * np.maximum(np.abs(u[at]), 1.0)
        at = at[(np.abs(r[at]) > noise[at]) & ~narrow]
        if not at.size:
            break
        trial = u[at] - np.clip(r[at] / slope[at], -3.0, 3.0)
        middle = np.where(np.isfinite(high[at]), 0.5 * (low[at] + high[at]), u[at] + 1.0)
        last_u[at], last_r[at] = u[at], r[at]
        u[at] = np.where((trial > low[at]) & (trial < high[at]), trial, middle)
    return length, np.abs(r) > _SAG_MET


def _refuse_sag(wrong: npt.NDArray[np.bool_], target: Array, shape: tuple[int, ...]) -> None:
    """Refuse sags that no wire has."""
    wording = "a sag that the wire can have in the span"
    refuse("sag_m", wrong.reshape(shape), target.reshape(shape), wording)


def length_from_sag(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    sag_m: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
) -> Array:
    """Return the unstressed length of wires of known greatest sag below the chord.

    Parameters
    ----------
    span_m, rise_m : array_like of float
        Horizontal distance (> 0) and height difference of the supports, m.
    sag_m : array_like of float
        Greatest vertical distance of the wire below its chord, m, > 0.
    weight_n_per_m, stiffness_n : array_like of float
        Weight per unstressed metre, N/m, and EA, N, > 0.

    Returns
    -------
    ndarray of float64
        Unstressed length, m, in the broadcast shape.

    Raises
    ------
    ValueError
        If an item is NaN, infinite or out of range.

    Notes
    -----
    This is the sag that is sighted along the chord. Exact elastic catenary; sag falls as the
    tension grows, so there is one answer. Newton steps on the wire's two arms (see `arms`), and
    where they don't settle a search over the tension.
    """
    hung, target, shape = _checked_hung(span_m, rise_m, weight_n_per_m, stiffness_n, "sag_m", sag_m)
    length, settled = arms_by_sag(hung.span, hung.rise, target, hung.weight, hung.stiffness)
    rest = np.flatnonzero(~settled)
    if len(rest):
        length[rest], lost = _length_by_sag(
            hung.take(rest), target[rest], lambda state: state.sag_m
        )
        wrong = np.zeros(target.shape, dtype=np.bool_)
        wrong[rest] = lost
        _refuse_sag(wrong, target, shape)
    return length.reshape(shape)


def length_from_midspan_sag(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    sag_m: npt.ArrayLike,
    weight_n_per_m: npt.ArrayLike,
    stiffness_n: npt.ArrayLike,
) -> Array:
    """Return the unstressed length of wires of known sag below the middle of the chord.

    Parameters
    ----------
    span_m, rise_m : array_like of float
        Horizontal distance (> 0) and height difference of the supports, m.
    sag_m : array_like of float
        Vertical distance of the wire below the chord at half the span, m, > 0.
    weight_n_per_m, stiffness_n : array_like of float
        Weight per unstressed metre, N/m, and EA, N, > 0.

    Returns
    -------
    ndarray of float64
        Unstressed length, m, in the broadcast shape.

    Raises
    ------
    ValueError
        If an item is NaN, infinite or out of range.

    Notes
    -----
    Equals `length_from_sag` for level spans, and differs little for tight inclined ones.
    """
    hung, target, shape = _checked_hung(span_m, rise_m, weight_n_per_m, stiffness_n, "sag_m", sag_m)

    def middle(state: CatenaryState) -> Array:
        """Return the sag at half the span."""
        return sag_at(state, 0.5 * state.span_m[:, None])[:, 0]

    length, wrong = _length_by_sag(hung, target, middle)
    _refuse_sag(wrong, target, shape)
    return length.reshape(shape)
