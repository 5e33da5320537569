"""Flows in parts that share no terminal: the same prices, whatever was solved before or beside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.choice import relaxed
from geoplan.choice.flow_parts import LastFlow, parts_of, shared_out
from geoplan.choice.relaxed import Pairs, solve_relaxed

FIGURES = ("port_price", "loss", "skip_loss", "is_contested")


def hamlets(rng: np.random.Generator, count: int) -> Pairs:
    """Make hamlets that share no terminal, each with fewer ports than addresses."""
    address, terminal, cents = [], [], []
    for hamlet in range(count):
        for house in range(int(rng.integers(2, 7))):
            ends = np.sort(rng.choice(3, size=int(rng.integers(1, 4)), replace=False))
            address += [hamlet * 6 + house] * len(ends)
            terminal += (hamlet * 3 + ends).tolist()
            cents += rng.integers(1, 90, len(ends)).tolist()
    return Pairs(
        *(np.array(column, dtype=np.int64) for column in (address, terminal, cents)),
        needed=rng.integers(1, 3, count * 6),
        free=rng.integers(0, 3, count * 3),
        reserve=rng.integers(0, 2, count * 3),
        reserve_cents=25,
    )


def same(one: relaxed.Relaxed, other: relaxed.Relaxed) -> None:
    for name in FIGURES:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


@given(st.integers(0, 10_000), st.sampled_from(["cents", "free", "needed", "pair", "none"]))
@settings(max_examples=60, deadline=None)
def test_what_was_solved_before_has_no_say(seed: int, change: str) -> None:
    rng = np.random.default_rng(seed)
    pairs, last = hamlets(rng, 5), LastFlow()
    same(solve_relaxed(pairs, None, last), solve_relaxed(pairs))
    for _ in range(3):
        if change in ("cents", "free", "needed"):
            column = getattr(pairs, change).copy()
            column[rng.integers(len(column))] += 1
            pairs = replace(pairs, **{change: column})
        elif change == "pair":
            kept = np.delete(np.arange(len(pairs.cents)), rng.integers(len(pairs.cents)))
            pairs = replace(
                pairs,
                address=pairs.address[kept],
                terminal=pairs.terminal[kept],
                cents=pairs.cents[kept],
            )
        same(solve_relaxed(pairs, None, last), solve_relaxed(pairs))


def test_parts_that_come_again_are_not_solved_again(monkeypatch: pytest.MonkeyPatch) -> None:
    solved: list[int] = []
    flow = relaxed.run_flow

    def counted(network: relaxed.Network) -> np.ndarray:
        solved.append(network.pairs)
        return flow(network)

    monkeypatch.setattr(relaxed, "run_flow", counted)
    pairs, last = hamlets(np.random.default_rng(3), 8), LastFlow()
    solve_relaxed(pairs, None, last)
    first = sum(solved)
    assert first > 20
    solved.clear()
    solve_relaxed(pairs, np.ones(len(pairs.free), dtype=bool), last)
    again = sum(solved)
    solved.clear()
    solve_relaxed(pairs, np.ones(len(pairs.free), dtype=bool), last)
    assert not solved
    cents = pairs.cents.copy()
    cents[0] += 1
    solve_relaxed(replace(pairs, cents=cents), np.ones(len(pairs.free), dtype=bool), last)
    assert 0 < sum(solved) < max(again, first) / 2


@pytest.mark.parametrize("count", [1, 3])
def test_flows_side_by_side_give_the_same(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    pairs = hamlets(np.random.default_rng(11), 12)
    whole = solve_relaxed(pairs)
    monkeypatch.setattr(relaxed, "MANY_PAIRS", 0)
    monkeypatch.setattr(relaxed, "processors", lambda: count)
    same(solve_relaxed(pairs), whole)


def test_parts_share_neither_address_nor_terminal() -> None:
    part = parts_of(np.array([5, 5, 7, 9, 12]), np.array([1, 2, 2, 40, 3]))
    assert part[0] == part[1] == part[2]
    assert len({int(part[0]), int(part[3]), int(part[4])}) == 3


@given(st.lists(st.integers(0, 9), min_size=1, max_size=60), st.integers(1, 4))
def test_shares_hold_every_row_once_and_parts_whole(numbers: list[int], count: int) -> None:
    part = np.array(numbers, dtype=np.int64)
    shares = shared_out(part, count)
    assert 1 <= len(shares) <= count
    assert sorted(np.concatenate(shares).tolist()) == list(range(len(part)))
    owners = [set(part[rows].tolist()) for rows in shares]
    assert sum(map(len, owners)) == len(set(numbers))
    assert all((np.diff(rows) > 0).all() for rows in shares)
