"""Exact assignment of addresses to terminals with few ports.

Enters: priced pairs of address and terminal, ports needed, ports free, ports in reserve.
Leaves: `Assignment`: the pair of each address, and the proof.
Does not do: know what a pair stands for.

Most addresses served first, then least cost. Pairs that share no terminal fall into separate
components; each is solved by itself, so the result doesn't depend on how work is split. In a
component where everybody gets the cheapest pair there is nothing to solve. Otherwise it is a
minimum-cost flow (OR-Tools); where addresses with several ports would be split between
terminals by the flow, branch and bound over flows decides, and past a set number of branches an
integer programme (HiGHS).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.choice.network import Network, build_network, check_optimal, dual_gap, run_flow
from geoplan.choice.whole import whole_optimum
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
MOST_TRIALS = 40
"""Terminals of one component whose port value is found by solving again."""


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
    """By terminal: ``cheapest``, ``flow``, ``branching``; ``unused`` without a pair."""
    value_is_exact: BoolArray
    """False where the value was not worked out (and is 0): a large component with addresses that
    need several ports."""
    proof: dict[str, int]
    """Components by method, arcs whose reduced cost was checked, the least reduced cost."""
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
    known: Assignment | None = None,
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
        Called with components done and in all.
    with_values : bool
        Whether to work out what one more port would be worth; False saves time.
    known : Assignment, optional
        The optimum of the very same pairs, solved before; only the values are worked out anew.

    Returns
    -------
    Assignment
        The optimum with its proof.

    Raises
    ------
    ArithmeticError
        If the proof fails; that would be a defect, never a property of the input.
    """
    count, terminals = len(needed), len(ports.free)
    fits = needed[address] <= ports.free[terminal] + ports.reserve[terminal]
    rows = np.flatnonzero(fits).astype(np.int64)
    chosen = np.full(count, -1, dtype=np.int64)
    value_addresses = np.zeros(terminals, dtype=np.int64)
    value_cents = np.zeros(terminals, dtype=np.int64)
    value_is_exact = np.ones(terminals, dtype=bool)
    method = np.full(terminals, "unused", dtype="<U17")
    proof = {"cheapest": 0, "flow": 0, "branching": 0, "arcs_checked": 0}
    least, gap = 0, 0
    # pairs that don't fit still count for the value of a port, so components use them all
    component = _components(address, terminal, count, terminals)
    first = _cheapest(address[rows], cents[rows], rows)
    load = np.zeros(terminals, dtype=np.int64)
    np.add.at(load, terminal[first], needed[address[first]])
    crowded = load > ports.free
    misfit = np.flatnonzero(~fits)
    over = np.zeros(int(component.max(initial=-1)) + 1, dtype=bool)
    over[component[count:][crowded]] = True
    over[component[count:][terminal[misfit]]] = True
    easy = first[~over[component[address[first]]]]
    chosen[address[easy]] = easy
    simple = ~over[component[count:]]
    method[np.unique(terminal[simple[terminal]])] = "cheapest"
    proof["cheapest"] = len(np.unique(component[address[easy]]))
    proof["arcs_checked"] = int(np.count_nonzero(simple[terminal]))
    hard = np.flatnonzero(over[component[address]]).astype(np.int64)
    order = hard[np.argsort(component[address[hard]], kind="stable")]
    parts = np.split(order, np.flatnonzero(np.diff(component[address[order]])) + 1)
    for done, part in enumerate(parts if len(order) else []):
        result = _solve_component(
            address[part],
            terminal[part],
            cents[part],
            needed,
            ports,
            with_values=with_values,
            known=None if known is None else np.flatnonzero(np.isin(part, known.pair)),
            known_gap=0 if known is None else known.gap_cents,
        )
        kept = result.pair >= 0
        chosen[result.addresses[kept]] = part[result.pair[kept]]
        value_addresses[result.terminals] = result.value_addresses
        value_cents[result.terminals] = result.value_cents
        value_is_exact[result.terminals] = result.value_is_exact
        method[result.terminals] = result.method
        proof[result.method] += 1
        proof["arcs_checked"] += result.arcs_checked
        least = min(least, result.least_reduced_cost)
        gap += result.gap_cents
        if progress is not None:
            progress(done + 1, len(parts))
    if least < 0:
        message = f"optimality proof failed: reduced cost {least} cents"
        raise ArithmeticError(message)
    proof["least_reduced_cost"] = least
    taken = chosen[chosen >= 0]
    load = np.zeros(terminals, dtype=np.int64)
    np.add.at(load, terminal[taken], needed[address[taken]])
    # the load says it, not the flow, which may pass a reserve of no price before a free port
    reserve_used = np.maximum(load - ports.free, 0)
    return Assignment(
        chosen,
        reserve_used,
        len(taken),
        int(cents[taken].sum() + reserve_used.sum() * ports.reserve_cents),
        value_addresses,
        value_cents,
        method,
        value_is_exact,
        proof,
        gap if known is None else known.gap_cents,
    )


def _components(address: IntArray, terminal: IntArray, count: int, terminals: int) -> IntArray:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    links = coo_array(
        (np.ones(len(address), dtype=np.int8), (address, terminal + count)),
        shape=(count + terminals, count + terminals),
    )
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _cheapest(address: IntArray, cents: IntArray, rows: IntArray) -> IntArray:
    order = np.lexsort((rows, cents, address))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = address[order][1:] != address[order][:-1]
    return np.asarray(rows[order[lead]], dtype=np.int64)


@dataclass(frozen=True)
class _Part:
    addresses: IntArray
    terminals: IntArray
    pair: IntArray
    value_addresses: IntArray
    value_cents: IntArray
    value_is_exact: BoolArray
    method: str
    arcs_checked: int
    least_reduced_cost: int
    gap_cents: int


def _solve_component(
    address: IntArray,
    terminal: IntArray,
    cents: IntArray,
    needed: IntArray,
    ports: Ports,
    *,
    with_values: bool,
    known: IntArray | None,
    known_gap: int,
) -> _Part:
    addresses, a = np.unique(address, return_inverse=True)
    terminals, t = np.unique(terminal, return_inverse=True)
    need = needed[addresses]
    free, reserve = ports.free[terminals], ports.reserve[terminals]
    network = build_network(a, t, cents, need, free, reserve, ports.reserve_cents)
    flow = run_flow(network)
    least, checked, distance = check_optimal(network, flow)
    used = flow[: network.pairs]
    whole = (used == 0) | (used == need[a])
    pair = np.full(len(addresses), -1, dtype=np.int64)
    if whole.all():
        method = "flow"
        gap = -(-dual_gap(network, flow, distance) // network.scale)
        taken = np.flatnonzero(used > 0)
        first_reserve = network.pairs + len(addresses) + len(terminals)
        reserve_used = flow[first_reserve : first_reserve + len(terminals)]
    else:
        method, least, checked = "branching", 0, 0
        taken, gap = (
            whole_optimum(a, t, cents, need, free, reserve, ports.reserve_cents)
            if known is None
            else (known, known_gap)
        )
        load = np.zeros(len(terminals), dtype=np.int64)
        np.add.at(load, t[taken], need[a[taken]])
        reserve_used = np.maximum(load - free, 0)
    pair[a[taken]] = taken
    if method == "flow":
        values = _values_by_dual(network, flow, distance, need, len(terminals))
        unsure = np.flatnonzero(~values[2])
    else:
        values = (
            np.zeros(len(terminals), dtype=np.int64),
            np.zeros(len(terminals), dtype=np.int64),
            np.zeros(len(terminals), dtype=bool),
        )
        unsure = _tight_terminals(a, t, need, free, taken)
    if with_values and 0 < len(unsure) <= MOST_TRIALS:
        price = int(cents[taken].sum() + reserve_used.sum() * ports.reserve_cents)
        _try_values(
            values,
            unsure,
            (len(taken), price),
            a,
            t,
            cents,
            need,
            free,
            reserve,
            ports.reserve_cents,
        )
        values[2][:] = True
    elif len(unsure) == 0:
        values[2][:] = True
    return _Part(addresses, terminals, pair, *values, method, checked, least, gap)


def _values_by_dual(
    network: Network, flow: IntArray, distance: IntArray, need: IntArray, terminals: int
) -> tuple[IntArray, IntArray, BoolArray]:
    """Read the value of one more port off the residual network.

    The shortest way from the sink to a terminal is what one more port there would change. Where
    it moves only addresses that need one port the change can be made as it stands; where it
    would split an address that needs several, the dual is but a bound, and the third array is
    False.
    """
    count = len(need)
    bound = distance[count : count + terminals]
    gain = np.where(bound < 0, -bound, 0)
    exact = np.ones(terminals, dtype=bool)
    if (need > 1).any():
        several = np.zeros(len(network.supply), dtype=bool)
        several[:count] = need > 1
        single = ~(several[network.tail] | several[network.head])
        _, _, within = check_optimal(network, flow, single)
        exact = np.minimum(within[count : count + terminals], 0) == -gain
    gain = np.where(exact, gain, 0)
    service = network.service * network.scale
    brought = (gain + service // 2) // service
    return brought, (gain - brought * service) // network.scale, exact


def _tight_terminals(
    a: IntArray, t: IntArray, need: IntArray, free: IntArray, taken: IntArray
) -> IntArray:
    """Find terminals with less room left than their largest customer needs."""
    load, largest = np.zeros(len(free), dtype=np.int64), np.zeros(len(free), dtype=np.int64)
    np.add.at(load, t[taken], need[a[taken]])
    np.maximum.at(largest, t, need[a])
    return np.flatnonzero(free - load < largest).astype(np.int64)


def _try_values(
    values: tuple[IntArray, IntArray, BoolArray],
    unsure: IntArray,
    base: tuple[int, int],
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> None:
    """Find the value of one more port at some terminals by solving again with it."""
    for terminal in unsure:
        more = free.copy()
        more[terminal] += 1
        served, price = _outcome(a, t, cents, need, more, reserve, reserve_cents)
        values[0][terminal] = served - base[0]
        values[1][terminal] = base[1] - price


def _outcome(
    a: IntArray,
    t: IntArray,
    cents: IntArray,
    need: IntArray,
    free: IntArray,
    reserve: IntArray,
    reserve_cents: int,
) -> tuple[int, int]:
    taken, _ = whole_optimum(a, t, cents, need, free, reserve, reserve_cents)
    load = np.bincount(t[taken], weights=need[a[taken]], minlength=len(free)).astype(np.int64)
    return len(taken), int(cents[taken].sum() + np.maximum(load - free, 0).sum() * reserve_cents)
