"""The choice with addresses kept whole, piece by piece, from the duals of the relaxed choice.

Enters: pairs that fit and the duals of the choice with split addresses.
Leaves: `Pieces`: the pair of each address, and what keeping them whole loses, by terminal.
Does not do: prices, the value of a port.

With port prices fixed, the price of any choice is the lower bound of the duals plus losses that
are never negative: the loss of each pair used, of each address skipped, and of each terminal
whose ports are used otherwise than its price asks. So the least loss is wanted. A choice among
ways of no loss leaves few addresses split (`ties`); a piece is a set of terminals around some of
those. It is charged what its terminals lose, what is lost by pairs that end in it, and by
addresses that had a port of it and go elsewhere; a pair between two pieces counts half for each.
Elsewhere a piece sees no limits: who goes there finds room, who comes from there isn't missed.
So any choice, cut up in this manner, loses no less than the pieces' least losses together: a
bound. Ports left behind outside are filled again at no loss (`refill`); a terminal that can't bear
what a piece does joins the piece. Pieces that place the same address differently are joined. They
are solved anew, until all fit together: that choice attains the bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.choice.network import FAR
from geoplan.choice.refill import refill_ports
from geoplan.choice.relaxed import Pairs, Relaxed
from geoplan.choice.ties import find_ties, loads_of, port_losses
from geoplan.choice.town import Town
from geoplan.choice.whole import Piece, least_loss
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]
FIRST_REACH_CENTS = 4_096
"""Ways that lose more are left out of a piece at first; they come in if it loses more itself."""
REACH_STEP = 16
FIRST_HOPS = 1
"""Changes at no loss that link a terminal to those which join a piece with it, at first."""
ROUNDS_PER_HOP = 3
"""Rounds after which one such change more is followed; saves rounds, has no say in the loss."""
GROWTH_WEIGHT = 4
"""How many moves within a piece are rather made than one that a terminal outside may not bear."""


@dataclass(frozen=True)
class Pieces:
    """The least loss and a choice that has it."""

    pair: IntArray
    """Row of the pair of each address; -1 where unserved."""
    loss: IntArray
    """By terminal: least loss of its piece, times the scale of the duals; 0 outside pieces."""
    total_loss: int
    """Sum over pieces: by how much the best choice exceeds the bound of the duals."""
    gap: int
    """Loss of the choice less `total_loss`; 0 proves it optimal."""


@dataclass(frozen=True)
class _Solved:
    """A piece that was solved."""

    terminals: IntArray
    address: IntArray
    """Addresses that it has otherwise than the choice among ties."""
    row: IntArray
    """What they have: -1 where unserved."""
    loss: int
    """Least loss of the piece."""
    seen: IntArray
    """Terminals at the other end of ways into and out of the piece."""
    shared: BoolArray
    """Whether they were in a piece, so that such ways counted half."""

    def holds(self, terminals: IntArray, group: IntArray) -> bool:
        """Tell whether nothing has changed that has a say in the solution."""
        return np.array_equal(self.terminals, terminals) and np.array_equal(
            self.shared, group[self.seen] >= 0
        )


def solve_pieces(pairs: Pairs, relaxed: Relaxed) -> Pieces:
    """Keep addresses whole at the least loss.

    Parameters
    ----------
    pairs : Pairs
        Pairs that fit.
    relaxed : Relaxed
        Their duals.

    Returns
    -------
    Pieces
        The choice; among equals the one that `find_ties` prefers, or that the search over a
        piece alone comes upon: other pieces have no say in either.

    Raises
    ------
    ArithmeticError
        If a solver ends without an optimum, or the proof fails.
    """
    ties = find_ties(pairs, relaxed)
    loss = np.zeros(len(pairs.free), dtype=np.int64)
    if len(ties.split) == 0:
        return Pieces(ties.pair, loss, 0, _loss_of(pairs, relaxed, ties.pair))
    town = Town(pairs, relaxed, ties)
    group = _seeds(town)
    solved: dict[int, _Solved] = {}
    rounds = 0
    while True:
        solved = _solve_groups(town, group, solved)
        rounds += 1
        joined, chosen = _grown(
            town, group, list(solved.values()), FIRST_HOPS + rounds // ROUNDS_PER_HOP
        )
        if np.array_equal(joined, group):
            break
        group = joined
    total = 0
    for one in solved.values():
        loss[one.terminals] = one.loss
        total += one.loss
    return Pieces(chosen, loss, total, _loss_of(pairs, relaxed, chosen) - total)


def _loss_of(pairs: Pairs, relaxed: Relaxed, chosen: IntArray) -> int:
    """Add up all losses of a choice."""
    taken = chosen[chosen >= 0]
    load = loads_of(pairs, taken)
    if (load > pairs.free + pairs.reserve).any():
        message = "choice uses more ports than there are"
        raise ArithmeticError(message)
    skipped = relaxed.skip_loss[chosen < 0].sum()
    return int(relaxed.loss[taken].sum() + skipped + port_losses(pairs, relaxed, load).sum())


def _seeds(town: Town) -> IntArray:
    """Lay a piece around each split address; -1 outside pieces."""
    pairs, parts = town.pairs, town.ties.parts
    group = np.full(len(pairs.free), -1, dtype=np.int64)
    owner = pairs.address[parts]
    for own in np.split(parts, np.flatnonzero(np.diff(owner)) + 1):
        _join(group, town.near(np.unique(pairs.terminal[own]), FIRST_HOPS))
    return group


def _join(group: IntArray, terminals: IntArray) -> None:
    """Make one piece of terminals and all pieces that they are in, numbered by its first one."""
    old = np.unique(group[terminals])
    old = old[old >= 0]
    first = int(min(terminals.min(), old.min(initial=FAR)))
    group[np.isin(group, old)] = first
    group[terminals] = first


def _solve_groups(town: Town, group: IntArray, solved: dict[int, _Solved]) -> dict[int, _Solved]:
    """Solve pieces that are new or see other pieces than before."""
    inside = np.flatnonzero(group >= 0)
    inside = inside[np.argsort(group[inside], kind="stable")]
    result = {}
    for terminals in np.split(inside, np.flatnonzero(np.diff(group[inside])) + 1):
        number = int(group[terminals[0]])
        known = solved.get(number)
        if known is None or not known.holds(terminals, group):
            known = _solve_piece(town, group, terminals, known.loss if known else 0)
        result[number] = known
    return result


def _solve_piece(town: Town, group: IntArray, terminals: IntArray, known: int) -> _Solved:
    """Solve one piece.

    Whatever loses more than `reach` alone is left out, or counted as just beyond; a piece that
    loses no more than that in all has no use for it. Where service is at stake all is let in soon.
    """
    reach = first = max(FIRST_REACH_CENTS * town.relaxed.scale, known + known // 4)
    while True:
        ways = _ways(town, group, terminals, reach)
        taken = least_loss(_piece(town, terminals, ways, reach))
        at = np.full(len(ways.addresses), -1, dtype=np.int64)
        at[ways.a[taken]] = ways.rows[taken]
        out = at < 0
        load = loads_of(town.pairs, at[~out])
        port = port_losses(town.pairs, town.relaxed, load)[terminals]
        loss = int(ways.charge[taken].sum() + ways.leave[out].sum() + port.sum())
        if loss <= reach:
            break
        at_stake = loss > town.relaxed.service // 2
        reach = int(FAR) if at_stake and reach > first else min(loss, reach * REACH_STEP)
    moved = np.flatnonzero(np.where(out, ways.is_own, at != town.ties.pair[ways.addresses]))
    row = np.where(out, ways.leave_row, at)
    seen = np.concatenate([ways.beyond, town.home[ways.addresses]])
    seen = np.unique(seen[seen >= 0])
    return _Solved(
        terminals,
        ways.addresses[moved],
        row[moved],
        loss,
        seen[group[seen] != group[terminals[0]]],
        (group >= 0)[seen[group[seen] != group[terminals[0]]]],
    )


@dataclass(frozen=True)
class _Ways:
    """What a piece can do with the addresses that have a way into it."""

    rows: IntArray
    a: IntArray
    """By row: place of its address in `addresses`."""
    charge: IntArray
    """By row: what the piece is charged for it."""
    addresses: IntArray
    is_own: BoolArray
    """By address: whether it has a port of the piece among ties."""
    leave: IntArray
    """By address: what the piece is charged if it is elsewhere."""
    leave_row: IntArray
    """The pair that it has then, -1 if unserved."""
    asks_more: BoolArray
    """By address: whether there may be no room for it there."""
    beyond: IntArray
    """Terminals outside that own addresses may go to."""


def _ways(town: Town, group: IntArray, terminals: IntArray, reach: int) -> _Ways:
    """List the ways of a piece that lose no more than `reach`."""
    pairs, loss, number = town.pairs, town.relaxed.loss, group[terminals[0]]
    home_group = np.append(group, -1)
    rows = town.rows_at(terminals)
    whose = home_group[town.home[pairs.address[rows]]]
    charge = np.where((whose >= 0) & (whose != number), loss[rows] // 2, loss[rows])
    near = charge <= reach
    rows, charge = rows[near], charge[near]
    addresses, a = np.unique(pairs.address[rows], return_inverse=True)
    is_own = home_group[town.home[addresses]] == number
    own = np.flatnonzero(is_own)
    leave = np.zeros(len(addresses), dtype=np.int64)
    leave_row = town.ties.pair[addresses]
    asks_more = np.zeros(len(addresses), dtype=bool)
    leave[own], leave_row[own] = town.relaxed.skip_loss[addresses[own]], -1
    others = town.rows_of(addresses[own])
    to = pairs.terminal[others]
    share = np.where(group[to] >= 0, loss[others] - loss[others] // 2, loss[others])
    away = (group[to] != number) & (share <= reach)
    others, share, to = others[away], share[away], to[away]
    who = np.searchsorted(addresses, pairs.address[others])
    full = (group[to] >= 0) | ~town.has_room(others)
    order = np.lexsort((full, share, who))
    first = order[np.unique(who[order], return_index=True)[1]]
    better = first[share[first] < leave[who[first]]]
    leave[who[better]], leave_row[who[better]] = share[better], others[better]
    asks_more[who[better]] = full[better]
    return _Ways(rows, a, charge, addresses, is_own, leave, leave_row, asks_more, to)


def _piece(town: Town, terminals: IntArray, ways: _Ways, reach: int) -> Piece:
    """Lay out a piece so that among equals the one is found that moves fewest."""
    pairs, relaxed = town.pairs, town.relaxed
    cap, need = reach + 1, pairs.needed[ways.addresses]
    moved = ways.rows != town.ties.pair[ways.addresses][ways.a]
    way_moves = moved.astype(np.int64)
    leave_moves = np.where(ways.is_own, np.where(ways.asks_more, GROWTH_WEIGHT, 1), 0)
    times = GROWTH_WEIGHT * len(need) + 1
    most = min(cap, 4 * relaxed.service * relaxed.scale)
    if reach >= FAR or times * most * relaxed.scale * int(need.sum() + 1) >= 1 << 62:
        times, way_moves[:], leave_moves[:] = 1, 0, 0
    price, extra = relaxed.port_price[terminals], pairs.reserve_cents * relaxed.scale
    return Piece(
        ways.a,
        np.searchsorted(terminals, pairs.terminal[ways.rows]),
        ways.charge * times + way_moves,
        np.minimum(ways.leave, cap) * times + leave_moves,
        need,
        pairs.free[terminals],
        -np.minimum(price, cap) * times,
        pairs.reserve[terminals],
        np.clip(extra - price, -cap, cap) * times,
        relaxed.scale,
        relaxed.service * times,
    )


def _grown(
    town: Town, group: IntArray, solved: list[_Solved], hops: int
) -> tuple[IntArray, IntArray]:
    """Join pieces that don't fit together, and terminals that can't bear what a piece does."""
    pairs, ties = town.pairs, town.ties
    count = np.array([len(one.address) for one in solved])
    number = np.repeat([int(group[one.terminals[0]]) for one in solved], count)
    address = np.concatenate([one.address for one in solved])
    row = np.concatenate([one.row for one in solved])
    to = np.where(row >= 0, pairs.terminal[row], -1)
    home_group = np.append(group, -1)
    parties = np.stack([number, home_group[town.home[address]], home_group[to]], axis=1)
    parties.sort(axis=1)
    distinct = 1 + (np.diff(parties, axis=1) > 0).sum(axis=1) - (parties[:, 0] < 0)
    key = address * (len(pairs.address) + 1) + row + 1
    _, same, agreeing = np.unique(key, return_inverse=True, return_counts=True)
    _, which, ways = np.unique(address, return_inverse=True, return_counts=True)
    unlike = (agreeing[same] != distinct) | (ways[which] != agreeing[same])
    result = group.copy()
    for one in np.flatnonzero(unlike):
        mine = parties[address == address[one]].ravel()
        _join(result, np.flatnonzero(np.isin(result, result[mine[mine >= 0]])))
    after = ties.pair.copy()
    after[address[~unlike]] = row[~unlike]
    load = loads_of(pairs, after[after >= 0])
    for terminal in refill_ports(town, group, after, load):
        causes = ~unlike & ((town.home[address] == terminal) | (to == terminal))
        with_it = np.concatenate([town.near(np.array([terminal]), hops), number[causes]])
        _join(result, np.unique(with_it))
    return result, after
