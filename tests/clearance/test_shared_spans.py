"""Drops that share a strand span: forces balance, by themselves and together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.clearance.shared_spans import (
    LEAST_SPAN_SHARE,
    MOST_GIVE_SHARE,
    SharedSpans,
    find_shared_spans,
    span_at_length,
    spans_at_length,
    spans_at_sag,
)
from geoplan.mechanics import length_from_sag, solve_catenary

WEIGHT, STIFFNESS = 0.53, 2e5


class Drops:
    """Random clamps, several on each strand span, houses on both sides."""

    def __init__(self, seed: int, groups: int, *, weak: bool = False) -> None:
        rng = np.random.default_rng(seed)
        size = rng.integers(2, 7, groups)
        count = int(size.sum())
        self.group = np.repeat(np.arange(groups), size)
        strand = np.repeat(rng.uniform(25.0, 60.0, groups), size)
        side = rng.uniform(0.2, 1.0, count) * rng.choice([-1.0, 1.0], count)
        place = strand * rng.uniform(0.05, 0.95, count)
        self.shared = find_shared_spans(self.group, place, strand, side)
        tension = rng.uniform(150.0, 400.0, groups) if weak else rng.uniform(2e3, 9e3, groups)
        self.strand_n = np.repeat(tension, size)[self.shared.row]
        self.far = rng.uniform(5.0, 45.0, count)[self.shared.row]
        self.rise = rng.uniform(-3.0, 2.0, count)[self.shared.row]
        sag = self.far * 10 ** rng.uniform(-2.4, -1.0, count)[self.shared.row]
        self.length = length_from_sag(self.far, self.rise, sag, WEIGHT, STIFFNESS)

    def solve(self, shared: SharedSpans | None = None) -> tuple[np.ndarray, np.ndarray]:
        return spans_at_length(
            shared or self.shared,
            self.far,
            self.rise,
            self.length,
            WEIGHT,
            STIFFNESS,
            self.strand_n,
        )

    def shift(self, pull: np.ndarray) -> np.ndarray:
        """Return how far each clamp comes, pair by pair."""
        shift = self.shared.own_bend_m * pull / self.strand_n
        for a, b, bend in zip(
            self.shared.first, self.shared.second, self.shared.bend_m, strict=True
        ):
            shift[a] += bend * pull[b] / self.strand_n[a]
        return shift


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_each_air_span_is_what_the_pulls_of_all_leave(seed: int) -> None:
    drops = Drops(seed, 4)
    span, tension = drops.solve()
    state = solve_catenary(span, drops.rise, drops.length, WEIGHT, STIFFNESS)
    left = drops.far - drops.shift(state.horizontal_tension_n)
    free = span > LEAST_SPAN_SHARE * drops.far
    assert free.any()
    np.testing.assert_allclose(span[free], left[free], atol=1e-8)
    np.testing.assert_array_equal(tension, state.tension_max_n)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_on_a_weak_strand_no_air_span_falls_below_the_least(seed: int) -> None:
    drops = Drops(seed, 3, weak=True)
    span, _ = drops.solve()
    least = LEAST_SPAN_SHARE * drops.far
    assert (span >= least).all()
    pull = solve_catenary(span, drops.rise, drops.length, WEIGHT, STIFFNESS).horizontal_tension_n
    left = drops.far - drops.shift(pull)
    np.testing.assert_allclose(span[span > least], left[span > least], atol=1e-7)
    assert (left[span <= least] <= least[span <= least] + 1e-9).all()


def test_other_strand_spans_have_no_say_in_the_last_digit() -> None:
    drops = Drops(5, 12)
    span, tension = drops.solve()
    group = drops.group[drops.shared.row]
    for one in range(12):
        at = np.flatnonzero(group == one)
        alone = Drops(5, 12)
        pair = np.isin(drops.shared.first, at)
        part = SharedSpans(
            np.arange(len(at)),
            drops.shared.rank[at],
            drops.shared.first[pair] - at[0],
            drops.shared.second[pair] - at[0],
            drops.shared.bend_m[pair],
            drops.shared.own_bend_m[at],
            drops.shared.lowering[pair],
        )
        alone.far, alone.rise, alone.length, alone.strand_n = (
            column[at] for column in (drops.far, drops.rise, drops.length, drops.strand_n)
        )
        some, pulled = alone.solve(part)
        np.testing.assert_array_equal(some, span[at])
        np.testing.assert_array_equal(pulled, tension[at])


def test_several_cases_at_once_are_each_case_by_itself() -> None:
    drops = Drops(8, 5)
    one, tension = drops.solve()
    twice = drops.shared.repeated(2, len(drops.far))
    load = np.repeat([WEIGHT, 3.0 * WEIGHT], len(drops.far))
    columns = [np.tile(c, 2) for c in (drops.far, drops.rise, drops.length)]
    both, pulled = spans_at_length(twice, *columns, load, STIFFNESS, np.tile(drops.strand_n, 2))
    np.testing.assert_array_equal(both[: len(one)], one)
    np.testing.assert_array_equal(pulled[: len(one)], tension)
    assert (pulled[len(one) :] > tension).all()
    assert (both[len(one) :] != one).all()


def test_lengths_found_for_a_sag_hang_with_that_sag() -> None:
    drops = Drops(3, 6)
    sag = 0.03 * drops.far
    span, length = spans_at_sag(
        drops.shared, drops.far, drops.rise, sag, WEIGHT, STIFFNESS, drops.strand_n
    )
    again, _ = spans_at_length(
        drops.shared, drops.far, drops.rise, length, WEIGHT, STIFFNESS, drops.strand_n
    )
    # The parabola's pull stands for the catenary's there.
    np.testing.assert_allclose(again, span, atol=2e-3)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_a_drop_by_itself_hangs_where_its_pull_leaves_the_clamp(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = 40
    far, rise = rng.uniform(3.0, 50.0, count), rng.uniform(-4.0, 4.0, count)
    give = 10 ** rng.uniform(-5.0, -1.5, count)
    length = length_from_sag(far, rise, far * 10 ** rng.uniform(-2.4, -0.8, count), 0.53, 2e5)
    span = span_at_length(far, rise, length, WEIGHT, STIFFNESS, give)
    pull = solve_catenary(span, rise, length, WEIGHT, STIFFNESS).horizontal_tension_n
    least = (1.0 - MOST_GIVE_SHARE) * far
    free = span > least
    np.testing.assert_allclose(span[free], (far - give * pull)[free], atol=1e-8)
    assert (far - give * pull <= least + 1e-9)[~free].all()
    for row in range(0, count, 9):
        one = slice(row, row + 1)
        alone = span_at_length(far[one], rise[one], length[one], WEIGHT, STIFFNESS, give[one])
        assert alone[0] == span[row]


def test_a_drop_that_never_rests_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    drops = Drops(1, 3)
    monkeypatch.setattr("geoplan.clearance.shared_spans.NEWTON_STEPS", 1)
    with pytest.raises(ArithmeticError, match="have not come to rest"):
        drops.solve()
