"""Pairs that compete for ports, in parts that share no terminal, and which of them came before.

Enters: pairs that a flow needs, with all numbers that its prices depend on.
Leaves: the part of each pair; prices of parts that are as they were in the last flow.
Does not do: solve.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geoplan.routes.segments import IntArray

BoolArray = npt.NDArray[np.bool_]


def components(address: IntArray, terminal: IntArray, count: int, terminals: int) -> IntArray:
    """Find the components that pairs make of addresses and terminals.

    Parameters
    ----------
    address, terminal : ndarray of int64, shape (n,)
        Of each pair.
    count, terminals : int
        Addresses and terminals in all.

    Returns
    -------
    ndarray of int64, shape (count + terminals,)
        Component of each address, then of each terminal, from 0.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    size = count + terminals
    pairs = (address, terminal + count)
    links = coo_array((np.ones(len(address), dtype=np.int8), pairs), shape=(size, size))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def parts_of(address: IntArray, terminal: IntArray) -> IntArray:
    """Tell the parts of a network that pairs connect, by numbers.

    Parameters
    ----------
    address, terminal : ndarray of int64, shape (n,)
        Of each pair.

    Returns
    -------
    ndarray of int64, shape (n,)
        Part of each pair, from 0; each has a pair.
    """
    owner, a = np.unique(address, return_inverse=True)
    end, t = np.unique(terminal, return_inverse=True)
    return components(a, t, len(owner), len(end))[a]


def shared_out(part: IntArray, count: int) -> list[IntArray]:
    """Share parts out evenly, each as a whole.

    Parameters
    ----------
    part : ndarray of int64, shape (n,)
        Part of each pair.
    count : int
        Shares, at most.

    Returns
    -------
    list of ndarray of int64
        Rows of pairs, ascending; the largest part first, each to the share that has least.
    """
    sizes = np.bincount(part)
    share = np.zeros(len(sizes), dtype=np.int64)
    load = [0] * count
    for number in np.argsort(-sizes, kind="stable").tolist():
        share[number] = at = load.index(min(load))
        load[at] += int(sizes[number])
    rows = (np.flatnonzero(share[part] == at) for at in range(count))
    return [some for some in rows if len(some)]


@dataclass
class LastFlow:
    """The last flow of a row of like problems: its parts and their prices."""

    basis: tuple[int, ...] = ()
    """Numbers that all prices depend on."""
    key: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    """Address and terminal of each pair in one number, ascending."""
    numbers: IntArray = field(default_factory=lambda: np.zeros((0, 0), dtype=np.int64))
    part: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    price: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    """By terminal."""

    def known(
        self, basis: tuple[int, ...], key: IntArray, numbers: IntArray, part: IntArray
    ) -> BoolArray:
        """Tell which pairs belong to a part that was the same in the last flow.

        Parameters
        ----------
        basis : tuple of int
            Numbers that all prices depend on.
        key : ndarray of int64, shape (n,)
            Address and terminal of each pair in one number, ascending.
        numbers : ndarray of int64, shape (n, k)
            All else that the prices of a pair's part depend on.
        part : ndarray of int64, shape (n,)
            Part of each pair.

        Returns
        -------
        ndarray of bool, shape (n,)
            True where the same pairs with the same numbers made up the part.
        """
        if basis != self.basis or not len(self.key) or not len(key):
            return np.zeros(len(key), dtype=bool)
        at = np.minimum(np.searchsorted(self.key, key), len(self.key) - 1)
        same = (self.key[at] == key) & (self.numbers[at] == numbers).all(axis=1)
        was = self.part[at]
        first = np.zeros(int(part.max()) + 1, dtype=np.int64)
        first[part[::-1]] = was[::-1]
        same &= was == first[part]
        whole = np.bincount(part, weights=~same) == 0
        whole &= np.bincount(part) == np.bincount(self.part)[first]
        return np.asarray(whole[part])

    def keep(
        self,
        basis: tuple[int, ...],
        key: IntArray,
        numbers: IntArray,
        part: IntArray,
        price: IntArray,
    ) -> None:
        """Remember a flow in place of the last one."""
        self.basis, self.key, self.numbers, self.part = basis, key, numbers, part
        self.price = price.copy()
