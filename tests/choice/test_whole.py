"""Ways of solving a piece against enumeration by hand, and against each other."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.choice import whole
from geoplan.choice.whole import Piece, least_loss


def _loss(piece: Piece, taken: np.ndarray) -> int | None:
    """Add up what a choice loses; None where it needs more ports than there are."""
    load = np.zeros(len(piece.free), dtype=np.int64)
    np.add.at(load, piece.t[taken], piece.need[piece.a[taken]])
    over = np.maximum(load - piece.free, 0)
    if (over > piece.reserve).any():
        return None
    skipped = np.setdiff1d(np.arange(len(piece.need)), piece.a[taken])
    ports = piece.free_cost * (load - over) + piece.reserve_cost * over
    return int(piece.loss[taken].sum() + piece.skip_loss[skipped].sum() + ports.sum())


def _least(piece: Piece) -> int:
    ways = [[-1, *np.flatnonzero(piece.a == a)] for a in range(len(piece.need))]
    losses = [
        _loss(piece, np.array([way for way in choice if way >= 0], dtype=np.int64))
        for choice in itertools.product(*ways)
    ]
    return min(loss for loss in losses if loss is not None)


@st.composite
def _instances(draw: st.DrawFn) -> Piece:
    addresses, terminals = draw(st.integers(1, 5)), draw(st.integers(1, 3))
    ways = [
        (a, t) for a in range(addresses) for t in range(terminals) if draw(st.integers(0, 3)) > 0
    ]

    def drawn(count: int, low: int, high: int) -> np.ndarray:
        some = draw(st.lists(st.integers(low, high), min_size=count, max_size=count))
        return np.array(some, dtype=np.int64)

    worth = 1 << 20
    skip = drawn(addresses, 0, 90) + worth * drawn(addresses, 0, 1)
    free_cost = -drawn(terminals, 0, 60)
    return Piece(
        np.array([a for a, _ in ways], dtype=np.int64),
        np.array([t for _, t in ways], dtype=np.int64),
        drawn(len(ways), 0, 90),
        skip,
        drawn(addresses, 1, 3),
        drawn(terminals, 0, 3),
        free_cost,
        drawn(terminals, 0, 2),
        free_cost + drawn(terminals, 0, 80),
        6,
        worth,
    )


@pytest.mark.parametrize("solve", [least_loss, whole._satisfied, whole._integer_programme])
@given(_instances())
@settings(max_examples=60, deadline=None)
def test_each_way_of_solving_a_piece_finds_the_least_loss(
    solve: Callable[[Piece], np.ndarray], piece: Piece
) -> None:
    taken = solve(piece)
    assert len(np.unique(piece.a[taken])) == len(taken)
    assert _loss(piece, taken) == _least(piece)


def test_a_piece_that_takes_the_clauses_too_long_is_solved_by_the_integer_programme(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []
    programme = whole._integer_programme

    def note(piece: Piece) -> np.ndarray:
        asked.append(piece)
        return programme(piece)

    monkeypatch.setattr(whole, "_satisfied", lambda piece: None)
    monkeypatch.setattr(whole, "_integer_programme", note)
    monkeypatch.setattr(whole, "MOST_BRANCHES", 0)
    monkeypatch.setattr(whole, "_solved_before", {})
    rng = np.random.default_rng(3)
    a, t = np.repeat(np.arange(6), 3), np.tile(np.arange(3), 6)
    need, free = rng.integers(1, 4, 6), np.array([3, 2, 3])
    none = np.zeros(3, dtype=np.int64)
    loss = rng.integers(0, 90, 18)
    piece = Piece(a, t, loss, np.full(6, 200), need, free, none, none, none, 6, 1 << 20)
    first = least_loss(piece)
    assert _loss(piece, first) == _least(piece)
    assert least_loss(piece).tolist() == first.tolist()
    assert len(asked) == 1
