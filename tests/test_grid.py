"""Grid means against a slow, obvious count of every nanosecond."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.grid import HeldSignal, hold_limit_ns, time_weighted_mean

S = 10**9
Samples = list[tuple[int, float, int]]  # instant, value, hold

samples = st.lists(
    st.tuples(
        st.integers(-30, 60),
        st.one_of(st.integers(-50, 2000).map(float), st.just(math.nan)),
        st.integers(0, 25),
    ),
    max_size=12,
    unique_by=lambda sample: sample[0],
)


instants = st.integers(-40, 40)


def slowly(given_samples: Samples, start: int, stop: int) -> tuple[float, int]:
    """Integral and fresh time, instant by instant."""
    total, fresh = 0.0, 0
    for instant in range(start, stop):
        latest = max((s for s in given_samples if s[0] <= instant), default=None)
        if latest and instant - latest[0] < latest[2] and math.isfinite(latest[1]):
            total += latest[1]
            fresh += 1
    return total, fresh


def signal(given_samples: Samples) -> HeldSignal:
    columns = list(zip(*given_samples, strict=True)) or [(), (), ()]
    return HeldSignal(*columns)


@given(samples, st.integers(-40, 40), st.integers(1, 9), st.integers(0, 6))
def test_means_equal_the_obvious_ones(given_samples: Samples, start: int, step: int, steps: int) -> None:
    columns = list(zip(*given_samples, strict=True)) or [(), (), ()]
    result = time_weighted_mean(columns[0], columns[1], start, start + steps * step, step, columns[2])
    for k in range(steps):
        total, fresh = slowly(given_samples, start + k * step, start + (k + 1) * step)
        assert result.fresh_fraction[k] == fresh / step
        assert result.mean[k] == pytest.approx(total / fresh, rel=1e-15) if fresh else math.isnan(result.mean[k])


@given(st.lists(st.tuples(st.integers(-30, 60), st.floats(-50, 2000), st.integers(0, 25)), max_size=12), instants)
def test_edges_give_what_the_search_gives_to_the_last_bit(given_samples: Samples, first: int) -> None:
    held = signal(given_samples)  # of which several may stand at one instant
    stop = first + 30
    edges, known = held.edges(first, stop)
    sought = held.up_to(edges)
    np.testing.assert_array_equal(known.value_ns, sought.value_ns)
    np.testing.assert_array_equal(known.fresh_ns, sought.fresh_ns)
    assert {s[0] for s in given_samples if first <= s[0] < stop} <= set(edges.tolist())


def test_means_that_are_kept_cannot_be_spoilt() -> None:
    held = signal([(0, 200.0, 25), (10, 300.0, 25)])
    means = held.fresh_means(0, 2, 10)
    with pytest.raises(ValueError, match="read-only"):
        means[0] = 0.0
    assert held.fresh_means(0, 2, 10).tolist() == [200.0, 300.0]
    assert held.fresh_means(5, 2, 10).tolist() == [250.0, 300.0]
    assert held.fresh_means(0, 2, 5).tolist() == [200.0, 200.0]


@given(samples, st.randoms())
def test_row_order_does_not_matter(given_samples: Samples, random: object) -> None:
    shuffled = list(given_samples)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    edges = np.arange(-40, 80, 7)
    np.testing.assert_array_equal(signal(shuffled).between(edges), signal(given_samples).between(edges))


@given(samples, st.integers(-(10**18), 10**18))
def test_shifting_the_clock_changes_nothing(given_samples: Samples, shift: int) -> None:
    edges = np.arange(-40, 80, 7)
    moved = [(t + shift, value, hold) for t, value, hold in given_samples]
    np.testing.assert_array_equal(signal(moved).between(edges + shift), signal(given_samples).between(edges))


@given(samples, st.integers(-40, 80), st.integers(-40, 80), st.integers(-40, 80))
def test_parts_add_up_to_the_whole(given_samples: Samples, a: int, b: int, c: int) -> None:
    start, middle, stop = sorted((a, b, c))
    whole, parts = signal(given_samples).between([start, stop]), signal(given_samples).between([start, middle, stop])
    assert parts.value_ns.sum() == whole.value_ns[0]
    assert parts.fresh_ns.sum() == whole.fresh_ns[0]


def test_stale_time_is_a_gap_and_neither_zero_nor_invented() -> None:
    result = time_weighted_mean([0, 6 * S], [200.0, 100.0], 0, 8 * S, S, int(2.5 * S))
    np.testing.assert_array_equal(result.mean, [200, 200, 200, np.nan, np.nan, np.nan, 100, 100])
    np.testing.assert_array_equal(result.fresh_fraction, [1, 1, 0.5, 0, 0, 0, 1, 1])


def test_a_value_counts_for_as_long_as_it_stood() -> None:
    result = time_weighted_mean([0, S // 4], [100.0, 200.0], 0, S, S, 2 * S)
    assert result.mean[0] == 175.0


def test_an_unknown_value_ends_the_one_before() -> None:
    result = time_weighted_mean([0, S], [100.0, math.nan], 0, 2 * S, S, 5 * S)
    np.testing.assert_array_equal(result.fresh_fraction, [1, 0])


def test_of_two_samples_at_one_instant_the_last_counts() -> None:
    assert time_weighted_mean([0, 0], [100.0, 300.0], 0, S, S, S).mean[0] == 300.0


def test_hold_limit() -> None:
    # 1.5 revolutions take 1 s at 90 rpm, 3 s at 30 rpm, 4.5 s at 20 rpm [arithmetic]; never under 2.5, nor over 6 s.
    limits = hold_limit_ns([90, 30, 20, 5, 0, math.nan])
    assert limits.tolist() == [2_500_000_000, 3 * S, 4_500_000_000, 6 * S, 2_500_000_000, 2_500_000_000]


def test_three_hours_of_whole_watts_are_summed_without_rounding() -> None:
    rng = np.random.default_rng(1)
    instants = np.sort(rng.choice(3 * 3600 * S, 43_200, replace=False))
    watts = rng.integers(0, 800, instants.size)
    lasts = np.minimum(np.diff(instants, append=instants[-1] + 2 * S), 2 * S)
    exact = sum(int(w) * int(ns) for w, ns in zip(watts, lasts, strict=True))
    held = HeldSignal(instants, watts, 2 * S).between([0, 4 * 3600 * S])
    assert held.value_ns[0] == exact


def test_no_samples_is_one_long_gap() -> None:
    result = time_weighted_mean([], [], 0, 3 * S, S, S)
    assert np.isnan(result.mean).all()
    assert not result.fresh_fraction.any()


def test_bad_calls_are_refused() -> None:
    with pytest.raises(ValueError, match="do not go with"):
        time_weighted_mean([0, 1], [1.0], 0, S, S, S)
    with pytest.raises(ValueError, match="not a step"):
        time_weighted_mean([0], [1.0], 0, S, 0, S)
