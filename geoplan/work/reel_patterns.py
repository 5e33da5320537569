"""The fewest reels by patterns of cuts: a proven bound, and plans that come up to it.

Enters: lengths in whole units, the length of a reel in the same unit.
Leaves: a bound on the number of reels; a plan with fewer reels than a simpler one, if found.
Does not do: keep to the order of work beyond spreading each pattern over it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.text_columns import FloatArray, IntArray

ROUNDS = 400
"""Patterns brought in, at most, before the bound is taken as it stands."""
MOST_LENGTHS = 400
MOST_UNITS = 50_000
MOST_SUMS = 2_000_000_000
"""Sums of lengths and units looked at, at most; more of both allow for fewer rounds."""
PRICE_SCALE = 1_000_000
"""Prices are whole millionths, so that a bound is exact whatever the solver's last digits."""
MOST_NODES = 200
FEW_CUTS = 40
WORK_LIMIT = 5.0
"""Deterministic time of CP-SAT, in its own unit; no clock is read."""


@dataclass(frozen=True)
class Patterns:
    """What a linear programme over patterns came to."""

    bound: int
    """No plan has fewer reels."""
    lengths: IntArray
    """Distinct lengths."""
    asked: IntArray
    """Cuts of each length."""
    counts: IntArray
    """By length and pattern: cuts of that length on a reel of that pattern."""


def bound_by_patterns(cuts: IntArray, reel: int, plans: list[IntArray]) -> Patterns | None:
    """Bound the number of reels by a linear programme over patterns, made as they are needed.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths, 1 to `reel`.
    reel : int
        Length of a reel.
    plans : list of ndarray of int64, shape (n,)
        Plans known, as the reel of each cut: their patterns are where it starts.

    Returns
    -------
    Patterns or None
        None where there are too many lengths or units for it.

    Notes
    -----
    For prices of lengths such that no pattern is worth more than v, the worth of all cuts over v
    bounds the number of reels. Prices come from the programme's duals, rounded to whole
    millionths; v is the best pattern's worth, found exactly. So each bound holds by itself,
    converged or not.

    References
    ----------
    Gilmore and Gomory, 1961, on cutting stock by linear programming; Farley, 1990, on the bound
    before convergence; both from memory.
    """
    lengths, asked = np.unique(cuts, return_counts=True)
    if len(lengths) == 0 or len(lengths) > MOST_LENGTHS or reel > MOST_UNITS:
        return None
    counts = np.diag(np.minimum(reel // lengths, asked)).astype(np.int64)
    counts = np.column_stack([counts, *(_patterns_of(cuts, lengths, plan) for plan in plans)])
    counts = np.unique(counts, axis=1)
    bound = 1
    for _ in range(min(ROUNDS, MOST_SUMS // (len(lengths) * reel))):
        prices = _prices(counts, asked)
        pattern, worth = _best_pattern(lengths, asked, prices, reel)
        total = int((prices * asked).sum())
        bound = max(bound, -(-total // max(worth, PRICE_SCALE)))
        if worth <= PRICE_SCALE or (counts == pattern[:, None]).all(axis=0).any():
            break
        counts = np.column_stack([counts, pattern])
    return Patterns(bound, lengths, asked.astype(np.int64), counts)


def _patterns_of(cuts: IntArray, lengths: IntArray, plan: IntArray) -> IntArray:
    """Return the patterns of a plan, one column by reel."""
    counts = np.zeros((len(lengths), int(plan.max()) + 1), dtype=np.int64)
    np.add.at(counts, (np.searchsorted(lengths, cuts), plan), 1)
    return counts


def _prices(counts: IntArray, asked: IntArray) -> IntArray:
    """Solve the programme over the patterns at hand; return the duals in whole millionths."""
    from scipy.optimize import linprog

    found = linprog(
        np.ones(counts.shape[1]), A_ub=-counts, b_ub=-asked, bounds=(0, None), method="highs-ds"
    )
    duals: FloatArray = -np.asarray(found.ineqlin.marginals)
    prices: IntArray = np.floor(np.maximum(duals, 0.0) * PRICE_SCALE).astype(np.int64)
    return prices


def _best_pattern(
    lengths: IntArray, asked: IntArray, prices: IntArray, reel: int
) -> tuple[IntArray, int]:
    """Find the pattern that is worth most, with no more of a length than are asked for."""
    most = np.minimum(reel // lengths, asked)
    parts = [
        (row, size)
        for row in np.flatnonzero(prices > 0).tolist()
        for size in _binary_parts(int(most[row]))
    ]
    worth = np.zeros(reel + 1, dtype=np.int64)
    takes: list[npt.NDArray[np.bool_]] = []
    for row, size in parts:
        length = int(lengths[row]) * size
        with_it = worth[: reel + 1 - length] + int(prices[row]) * size
        better = np.zeros(reel + 1, dtype=bool)
        better[length:] = with_it > worth[length:]
        worth[length:] = np.maximum(worth[length:], with_it)
        takes.append(better)
    pattern = np.zeros(len(lengths), dtype=np.int64)
    room = reel
    for (row, size), better in zip(reversed(parts), reversed(takes), strict=True):
        if better[room]:
            pattern[row] += size
            room -= int(lengths[row]) * size
    return pattern, int(worth[reel])


def _binary_parts(count: int) -> list[int]:
    """Split a count into parts whose sums give every number up to it."""
    parts = []
    size = 1
    while count > 0:
        parts.append(min(size, count))
        count -= parts[-1]
        size *= 2
    return parts


def plan_by_patterns(patterns: Patterns, fewer_than: int) -> IntArray | None:
    """Look for a plan with fewer reels, from the patterns at hand.

    Parameters
    ----------
    patterns : Patterns
        From `bound_by_patterns`.
    fewer_than : int
        Reels of the plan known.

    Returns
    -------
    ndarray of int64 or None
        How often to use each pattern; None if no better plan was found within `MOST_NODES`.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    found = milp(
        np.ones(patterns.counts.shape[1]),
        constraints=LinearConstraint(patterns.counts, lb=patterns.asked),
        bounds=Bounds(0, np.inf),
        integrality=np.ones(patterns.counts.shape[1]),
        options={"node_limit": MOST_NODES},
    )
    if found.x is None:
        return None
    used = np.rint(found.x).astype(np.int64)
    enough = (patterns.counts @ used >= patterns.asked).all()
    return used if enough and used.sum() < fewer_than else None


def lay_out(cuts: IntArray, patterns: Patterns, used: IntArray) -> IntArray:
    """Give cuts to the reels of a plan by patterns, so that those of a reel come about together.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths in the order of work.
    patterns : Patterns
        Patterns.
    used : ndarray of int64
        How often each is used; together they hold all cuts.

    Returns
    -------
    ndarray of int64, shape (n,)
        Reel of each cut, from 0.
    """
    kind = np.searchsorted(patterns.lengths, cuts)
    order = np.argsort(kind, kind="stable")
    number = np.arange(int(used.sum())) - np.repeat(np.cumsum(used) - used, used)
    share = (number + 0.5) / np.repeat(used, used)  # reels of a pattern are spread over the work
    slots = np.repeat(patterns.counts, used, axis=1)[:, np.argsort(share, kind="stable")]
    row, reel = np.nonzero(slots)
    reel = np.repeat(reel, slots[row, reel])
    row = np.repeat(row, slots[np.nonzero(slots)])
    start = np.searchsorted(row, np.arange(len(patterns.lengths)))
    place = np.arange(len(cuts)) - np.searchsorted(kind[order], kind[order])
    on = np.zeros(len(cuts), dtype=np.int64)
    on[order] = reel[start[kind[order]] + place]
    return on


def plan_few(cuts: IntArray, ends: IntArray, reel: int, reels: int) -> tuple[IntArray | None, bool]:
    """Look for a plan of few cuts with so many reels, or prove that there is none.

    Parameters
    ----------
    cuts : ndarray of int64, shape (n,)
        Lengths in the order of work, 1 to `reel`; `FEW_CUTS` of them at most are searched.
    ends : ndarray of int64, shape (n,)
        Where on a reel each may end at the latest, its own length to `reel`.
    reel : int
        Length of a reel.
    reels : int
        Reels allowed.

    Returns
    -------
    on : ndarray of int64 or None
        Reel of each cut, if there is a plan.
    is_proved : bool
        Whether the answer is proved; with a plan it always is.
    """
    if len(cuts) > FEW_CUTS:
        return None, False
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    order = np.argsort(-cuts, kind="stable").tolist()
    put = {
        (row, number): model.new_bool_var(f"{row}_{number}")
        for rank, row in enumerate(order)
        for number in range(min(reels, rank + 1))
    }
    for row in order:
        model.add_exactly_one(put[row, number] for number in range(reels) if (row, number) in put)
    for number in range(reels):
        before: list[cp_model.LinearExprT] = []
        for row in sorted(row for row in order if (row, number) in put):
            before.append(int(cuts[row]) * put[row, number])
            back = int(reel - ends[row]) * put[row, number]
            model.add(cp_model.LinearExpr.sum([*before, back]) <= reel)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    solver.parameters.max_deterministic_time = WORK_LIMIT
    status = solver.solve(model)
    if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        on = np.zeros(len(cuts), dtype=np.int64)
        for (row, number), is_on in put.items():
            if solver.boolean_value(is_on):
                on[row] = number
        return on, True
    return None, status == cp_model.INFEASIBLE
