"""What one more port at a terminal would be worth.

Enters: the optimum with its duals and pieces.
Leaves: by terminal, addresses that one more port would bring in, cents it would save.
Does not do: the choice itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoplan.choice.pieces import Pieces, solve_pieces
from geoplan.choice.relaxed import Pairs, Relaxed, solve_relaxed
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
MOST_TRIALS = 40
"""Terminals of one component whose port value is found by solving again."""
MOST_TRIAL_PAIRS = 200_000
"""Pairs of a component times its trials; beyond, they aren't worth their time."""


@dataclass(frozen=True)
class Values:
    """What one more port at each terminal would change."""

    addresses: IntArray
    cents: IntArray
    is_exact: BoolArray


def find_values(
    pairs: Pairs,
    fits: BoolArray,
    relaxed: Relaxed,
    pieces: Pieces,
    component: IntArray,
    *,
    with_trials: bool,
) -> Values:
    """Find the value of one more port at each terminal.

    Parameters
    ----------
    pairs : Pairs
        All pairs.
    fits : ndarray of bool, shape (n,)
        Whether the terminal has ports enough for the address; `relaxed` and `pieces` are of these.
    relaxed, pieces : Relaxed, Pieces
        The optimum.
    component : ndarray of int64, shape (a + t,)
        Component of each address, then of each terminal.
    with_trials : bool
        Whether to solve again where duals don't tell.

    Returns
    -------
    Values
        0 and not exact where not worked out.

    Notes
    -----
    In a piece that loses nothing, one more port can't be worth more than its price: the bound
    falls by the price, and all losses stay 0 or more. It is worth that much if addresses that
    need one port can move up to it at no loss, from a port that is left over, a reserve paid for,
    or out of the queue of the unserved. Elsewhere the choice is made again with one port more, at
    one terminal of each component at a time, for all components together.
    """
    terminals = len(pairs.free)
    lossless = pieces.loss == 0
    exact = lossless & _reached(_fitting(pairs, fits), relaxed, pieces)
    exact &= ~_newly_fit(pairs, fits)
    gain = np.where(exact, relaxed.port_price, 0)
    worth = relaxed.service * relaxed.scale
    brought = (gain + worth // 2) // worth
    cents = (gain - brought * worth) // relaxed.scale
    if with_trials and not exact.all():
        of_terminal = component[len(component) - terminals :]
        size = np.bincount(component[pairs.address], minlength=len(component))[of_terminal]
        doubtful = np.bincount(of_terminal[~exact], minlength=len(component))[of_terminal]
        trial = ~exact & (doubtful <= MOST_TRIALS)
        trial &= (size * doubtful <= MOST_TRIAL_PAIRS) | (doubtful * size == 0)
        _try_values(pairs, component, trial, brought, cents)
        exact = exact | trial
    return Values(brought, cents, exact)


def _fitting(pairs: Pairs, fits: BoolArray) -> Pairs:
    return replace(
        pairs,
        address=pairs.address[fits],
        terminal=pairs.terminal[fits],
        cents=pairs.cents[fits],
    )


def _newly_fit(pairs: Pairs, fits: BoolArray) -> BoolArray:
    """Find terminals where one more port would let an address in that has too few now."""
    room = pairs.free + pairs.reserve + 1
    found = np.zeros(len(pairs.free), dtype=bool)
    rows = np.flatnonzero(~fits)
    near = pairs.needed[pairs.address[rows]] == room[pairs.terminal[rows]]
    found[pairs.terminal[rows[near]]] = True
    return found


def _reached(pairs: Pairs, relaxed: Relaxed, pieces: Pieces) -> BoolArray:
    """Find terminals that addresses needing one port can move up to at no loss."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order

    terminals = len(pairs.free)
    extra = pairs.reserve_cents * relaxed.scale
    at = np.full(len(pairs.needed), terminals, dtype=np.int64)
    taken = pieces.pair[pieces.pair >= 0]
    at[pairs.address[taken]] = pairs.terminal[taken]
    load = np.bincount(
        pairs.terminal[taken], weights=pairs.needed[pairs.address[taken]], minlength=terminals
    )
    start = relaxed.port_price == 0
    start |= (relaxed.port_price == extra) & (load > pairs.free)
    move = (relaxed.loss == 0) & (pairs.needed == 1)[pairs.address]
    move &= (at < terminals)[pairs.address] | (relaxed.skip_loss == 0)[pairs.address]
    begin = np.flatnonzero(start)
    tail = np.concatenate([at[pairs.address[move]], np.full(len(begin), terminals)])
    head = np.concatenate([pairs.terminal[move], begin])
    graph = coo_array((np.ones(len(tail)), (tail, head)), shape=(terminals + 1, terminals + 1))
    found = np.zeros(terminals + 1, dtype=bool)
    found[breadth_first_order(graph.tocsr(), terminals, return_predecessors=False)] = True
    return found[:terminals]


def _try_values(
    pairs: Pairs, component: IntArray, trial: BoolArray, brought: IntArray, cents: IntArray
) -> None:
    """Solve again with one more port, at one terminal of each component at a time."""
    count = len(pairs.needed)
    terminals = np.flatnonzero(trial)
    if len(terminals) == 0:
        return
    order = terminals[np.argsort(component[count:][terminals], kind="stable")]
    group = component[count:][order]
    turn = np.arange(len(order)) - np.searchsorted(group, group)
    wanted = np.zeros(len(component), dtype=bool)
    wanted[group] = True
    own = wanted[component[pairs.address]]
    some = _fitting(pairs, own)
    served, price = _outcomes(some, component)
    for step in range(int(turn.max()) + 1):
        raised = order[turn == step]
        free = pairs.free.copy()
        free[raised] += 1
        kept = wanted[component[pairs.address]] & np.isin(
            component[pairs.address], component[count:][raised]
        )
        more_served, more_price = _outcomes(replace(_fitting(pairs, kept), free=free), component)
        which = component[count:][raised]
        brought[raised] = more_served[which] - served[which]
        cents[raised] = price[which] - more_price[which]


def _outcomes(pairs: Pairs, component: IntArray) -> tuple[IntArray, IntArray]:
    """Solve; return addresses served and price by component."""
    room = pairs.free + pairs.reserve
    fitting = _fitting(pairs, pairs.needed[pairs.address] <= room[pairs.terminal])
    pieces = solve_pieces(fitting, solve_relaxed(fitting))
    taken = pieces.pair[pieces.pair >= 0]
    a, t = fitting.address[taken], fitting.terminal[taken]
    load = np.zeros(len(room), dtype=np.int64)
    np.add.at(load, t, pairs.needed[a])
    served, price = np.zeros((2, len(component)), dtype=np.int64)
    np.add.at(served, component[a], 1)
    np.add.at(price, component[a], fitting.cents[taken])
    over = np.maximum(load - pairs.free, 0) * pairs.reserve_cents
    np.add.at(price, component[len(pairs.needed) :], over)
    return served, price
