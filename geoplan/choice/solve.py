"""Exact assignment of addresses to terminals with few ports.

Enters: priced pairs of address and terminal, ports needed, ports free, ports in reserve.
Leaves: `Assignment`: the pair of each address, and the proof.
Does not do: know what a pair stands for.

Most addresses served first, then least cost. Where everybody can have the cheapest pair there is
nothing to solve. Elsewhere one minimum-cost flow prices the ports (`relaxed`), and pieces around
addresses that it would split are solved whole against those prices (`pieces`). Pairs that share
no terminal never meet, so the result doesn't depend on what else is in a call.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.choice.flow_parts import LastFlow, components
from geoplan.choice.pieces import Pieces, solve_pieces
from geoplan.choice.port_values import find_values
from geoplan.choice.relaxed import Pairs, Relaxed, solve_relaxed
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Ports:
    """Ports of each terminal, by number."""

    free: IntArray
    reserve: IntArray
    """Reserved ports that may be used at a price; 0 where they may not."""
    reserve_cents: int


@dataclass(frozen=True)
class Assignment:
    """The optimum and its proof."""

    pair: IntArray
    """Row of the pair of each address; -1 where unserved."""
    reserve_used: IntArray
    """Reserved ports used, by terminal."""
    served: int
    cents: int
    """Price of all pairs chosen and reserved ports used."""
    value_addresses: IntArray
    """Addresses that one more port at each terminal would bring in."""
    value_cents: IntArray
    """What one more port would save besides; negative: what serving one more would add."""
    method: npt.NDArray[np.str_]
    """By terminal, for its whole component: ``cheapest``, ``flow``, ``branching`` if keeping
    addresses whole costs more than the flow; ``unused`` without a pair."""
    value_is_exact: BoolArray
    """False where the value was not worked out (and is 0): a large component with addresses that
    need several ports."""
    proof: dict[str, int]
    """Components by method, pairs whose reduced cost was checked, the least reduced cost."""
    gap_cents: int
    """Price less the lower bound that the duals and bounds of all components give."""


def solve_assignment(
    address: IntArray,
    terminal: IntArray,
    cents: IntArray,
    needed: IntArray,
    ports: Ports,
    progress: Callable[[int, int], None] | None = None,
    *,
    with_values: bool = True,
    last: LastFlow | None = None,
) -> Assignment:
    """Assign addresses to terminals: most served first, then least cost.

    Parameters
    ----------
    address, terminal : ndarray of int64, shape (n,)
        Numbers of each pair's address and terminal; sorted by address, then terminal, no pair
        twice.
    cents : ndarray of int64, shape (n,)
        Price of each pair in whole cents, >= 0.
    needed : ndarray of int64, shape (a,)
        Ports that each address needs at one terminal, >= 1.
    ports : Ports
        Ports of each terminal, shape (t,).
    progress : callable, optional
        Called with steps done and in all.
    with_values : bool
        Whether to work out what one more port would be worth; False saves time.
    last : LastFlow, optional
        As for `solve_relaxed`.

    Returns
    -------
    Assignment
        The optimum with its proof.

    Raises
    ------
    ArithmeticError
        If the proof fails; that would be a defect, never a property of the input.
    """
    steps = 3 if with_values else 2
    tell = progress or _silent
    fits = needed[address] <= ports.free[terminal] + ports.reserve[terminal]
    rows = np.flatnonzero(fits).astype(np.int64)
    pairs = Pairs(
        address[rows],
        terminal[rows],
        cents[rows],
        needed,
        ports.free,
        ports.reserve,
        ports.reserve_cents,
    )
    relaxed = solve_relaxed(pairs, None, last)
    tell(1, steps)
    pieces = solve_pieces(pairs, relaxed)
    tell(2, steps)
    component = components(address, terminal, len(needed), len(ports.free))
    method = _methods(address, terminal, component, relaxed, pieces)
    values = find_values(
        Pairs(address, terminal, cents, *(needed, ports.free, ports.reserve, ports.reserve_cents)),
        fits,
        relaxed,
        pieces,
        component,
        with_trials=with_values,
    )
    if with_values:
        tell(3, steps)
    taken = pieces.pair[pieces.pair >= 0]
    load = np.bincount(
        pairs.terminal[taken], weights=needed[pairs.address[taken]], minlength=len(ports.free)
    ).astype(np.int64)
    # the load says it, not the flow, which may pass a reserve of no price before a free port
    reserve_used = np.maximum(load - ports.free, 0)
    price = int(pairs.cents[taken].sum() + reserve_used.sum() * ports.reserve_cents)
    chosen = np.full(len(needed), -1, dtype=np.int64)
    chosen[pairs.address[taken]] = rows[taken]
    return Assignment(
        chosen,
        reserve_used,
        len(taken),
        price,
        values.addresses,
        values.cents,
        method,
        values.is_exact,
        _proof(component, terminal, method, relaxed, len(needed)),
        -(-pieces.gap // relaxed.scale),
    )


def relax(
    address: IntArray,
    terminal: IntArray,
    cents: IntArray,
    needed: IntArray,
    ports: Ports,
    begin: BoolArray | None = None,
    last: LastFlow | None = None,
) -> tuple[npt.NDArray[np.float64], BoolArray]:
    """Find what pairs lose in the choice with addresses allowed to be split.

    Parameters
    ----------
    address, terminal, cents, needed, ports
        As in `solve_assignment`.
    begin : ndarray of bool, optional
        Terminals that were contested in a like problem; saves time.
    last : LastFlow, optional
        As for `solve_relaxed`.

    Returns
    -------
    loss_cents : ndarray of float64, shape (n,)
        What using a pair loses against the optimum, by its duals; 0 for every pair
        that some optimum uses, infinite where a pair doesn't fit. The same whichever of several
        optima is found.
    is_contested : ndarray of bool, shape (t,)
        Terminals that took part in the flow.
    """
    fits = needed[address] <= ports.free[terminal] + ports.reserve[terminal]
    rows = np.flatnonzero(fits).astype(np.int64)
    relaxed = solve_relaxed(
        Pairs(
            address[rows],
            terminal[rows],
            cents[rows],
            needed,
            ports.free,
            ports.reserve,
            ports.reserve_cents,
        ),
        begin,
        last,
    )
    loss = np.full(len(address), np.inf)
    loss[rows] = relaxed.loss / relaxed.scale
    return loss, relaxed.is_contested


def _silent(done: int, total: int) -> None:
    del done, total


def _methods(
    address: IntArray, terminal: IntArray, component: IntArray, relaxed: Relaxed, pieces: Pieces
) -> npt.NDArray[np.str_]:
    """Name for each terminal what its component took: ports without price took nothing."""
    terminals = len(relaxed.port_price)
    of_terminal = component[len(component) - terminals :]
    priced = np.zeros(int(component.max(initial=-1)) + 1, dtype=bool)
    lossy = np.zeros_like(priced)
    priced[of_terminal[relaxed.port_price > 0]] = True
    lossy[of_terminal[pieces.loss > 0]] = True
    used = np.zeros(terminals, dtype=bool)
    used[terminal] = True
    return np.select(
        [~used, lossy[of_terminal], priced[of_terminal]],
        ["unused", "branching", "flow"],
        "cheapest",
    ).astype("<U17")


def _proof(
    component: IntArray,
    terminal: IntArray,
    method: npt.NDArray[np.str_],
    relaxed: Relaxed,
    count: int,
) -> dict[str, int]:
    """Count components by method, and pairs checked."""
    lead = np.unique(component[count:][terminal], return_index=True)[1]
    names = method[terminal[lead]]
    return {
        **{name: int((names == name).sum()) for name in ("cheapest", "flow", "branching")},
        "arcs_checked": len(relaxed.loss),
        "least_reduced_cost": int(min(relaxed.loss.min(initial=0), 0)),
    }
