"""The whole problem with its rows by address and by terminal, for a look around a place.

Enters: pairs that fit, their duals, the choice among ways of no loss.
Leaves: `Town`.
Does not do: choose.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoplan.choice.relaxed import Pairs, Relaxed
from geoplan.choice.ties import Ties, loads_of
from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]


class Town:
    """The whole problem, with its rows by address and by terminal."""

    def __init__(self, pairs: Pairs, relaxed: Relaxed, ties: Ties) -> None:
        self.pairs, self.relaxed, self.ties = pairs, relaxed, ties
        count, terminals = len(pairs.needed), len(pairs.free)
        self._by_terminal = np.argsort(pairs.terminal, kind="stable").astype(np.int64)
        self._of_address = np.searchsorted(pairs.address, np.arange(count + 1))
        self._of_terminal = np.searchsorted(
            pairs.terminal[self._by_terminal], np.arange(terminals + 1)
        )
        self.home = np.full(count, -1, dtype=np.int64)
        """By address: the terminal that it has a port of, the first if split; -1 for none."""
        self.home[pairs.address[ties.parts][::-1]] = pairs.terminal[ties.parts][::-1]
        taken = ties.pair[ties.pair >= 0]
        self.home[pairs.address[taken]] = pairs.terminal[taken]
        self.load = loads_of(pairs, taken)
        """Ports used by all who aren't split."""

    def rows_at(self, terminals: IntArray) -> IntArray:
        """Return the rows of some terminals, in order."""
        found = [
            self._by_terminal[self._of_terminal[t] : self._of_terminal[t + 1]] for t in terminals
        ]
        return np.sort(np.concatenate(found))

    def rows_of(self, addresses: IntArray) -> IntArray:
        """Return the rows of some addresses, in order."""
        first = self._of_address[addresses]
        count = self._of_address[addresses + 1] - first
        start = np.repeat(first - np.cumsum(count) + count, count)
        return np.asarray(start + np.arange(len(start)), dtype=np.int64)

    def has_room(self, rows: IntArray) -> BoolArray:
        """Tell whether the terminal of each row could take its address at no loss."""
        t = self.pairs.terminal[rows]
        load = self.load[t] + self.pairs.needed[self.pairs.address[rows]]
        return np.asarray((self.relaxed.port_price[t] == 0) & (load <= self.pairs.free[t]))

    def near(self, terminals: IntArray, hops: int) -> IntArray:
        """Return terminals, and those that changes at no loss link to them, one after another."""
        for _ in range(hops):
            rows = self.rows_at(terminals)
            rows = rows[self.relaxed.loss[rows] == 0]
            rows = self.rows_of(np.unique(self.pairs.address[rows]))
            rows = rows[self.relaxed.loss[rows] == 0]
            terminals = np.union1d(terminals, self.pairs.terminal[rows])
        return terminals
