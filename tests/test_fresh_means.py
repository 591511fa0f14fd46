"""Even grids of held signals, and the low pass, against their definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.fresh_means import SECOND_NS, exponentially_smoothed, fresh_means
from analysis.grid import HeldSignal

HELD = HeldSignal(SECOND_NS * np.array([0, 1, 2, 3]), [100.0, 200.0, 300.0, 400.0], SECOND_NS)


def test_a_step_counts_only_when_fresh_throughout() -> None:
    means = fresh_means(HELD, SECOND_NS // 2, 5 * SECOND_NS)
    np.testing.assert_array_equal(means, [150.0, 250.0, 350.0, np.nan])
    assert np.isnan(fresh_means(None, 0, 3 * SECOND_NS)).all()
    assert fresh_means(HELD, 5, 5).size == fresh_means(HELD, 5, 2).size == 0


def test_a_meter_that_trails_is_read_later_and_an_unknown_lag_shifts_nothing() -> None:
    np.testing.assert_array_equal(fresh_means(HELD, 0, 2 * SECOND_NS, lag_s=1.0), [200.0, 300.0])
    np.testing.assert_array_equal(fresh_means(HELD, SECOND_NS, 3 * SECOND_NS, lag_s=-1.0), [100.0, 200.0])
    np.testing.assert_array_equal(fresh_means(HELD, 0, 2 * SECOND_NS, lag_s=math.nan), [100.0, 200.0])


def test_a_low_pass_answers_a_step_with_an_exponential() -> None:
    # 1 − exp(−t/τ): 63.2 % after one time constant.
    step = np.concatenate((np.zeros(400), np.ones(400)))
    answer = exponentially_smoothed(step, 2.0, 0.05)
    assert answer[400 + 40 - 1] == pytest.approx(1 - math.exp(-1), abs=1e-3)
    assert np.isnan(answer[:319]).all()
    assert np.isfinite(answer[320:]).all()
    np.testing.assert_array_equal(exponentially_smoothed(step, -1.0, 0.05), step)
    assert np.isnan(exponentially_smoothed([1.0, 2.0], 5.0, 0.05)).all()
    assert exponentially_smoothed([], 5.0, 0.05).size == 0
