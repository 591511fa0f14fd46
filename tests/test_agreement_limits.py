"""Limits of agreement against the published example."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.agreement_limits import limits_of_agreement, rms, share_within_pct

# Peak expiratory flow of 17 people by two instruments, each read twice: Bland & Altman, Lancet 1986;327:307-310.
WRIGHT_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]
DIFFERENCES = np.subtract(WRIGHT_1, MINI_1)


def test_limits_of_the_1986_example() -> None:
    limits = limits_of_agreement(DIFFERENCES, sds=2)
    # As printed; the paper rounds the sd to 38.8 before doubling it.
    assert limits.bias == pytest.approx(-2.1, abs=0.05)
    assert limits.sd == pytest.approx(38.8, abs=0.05)
    assert limits.lower == pytest.approx(-79.7, abs=0.1)
    assert limits.upper == pytest.approx(75.5, abs=0.1)
    assert limits.bias_interval == pytest.approx((-22.0, 17.8), abs=0.06)
    assert limits.lower_interval == pytest.approx((-114.3, -45.1), abs=0.2)
    assert limits.upper_interval == pytest.approx((40.9, 110.1), abs=0.2)
    assert limits.independent


def test_limits_at_the_95_pct_quantile() -> None:
    # Recomputed from the same data with numpy 2.4.6.
    limits = limits_of_agreement(DIFFERENCES)
    assert (limits.lower, limits.upper) == pytest.approx((-78.097301611094, 73.86200749344692))


def test_repeatability_of_the_1986_example() -> None:
    # As printed: 28.2 for the second instrument's repeats, a root mean square without its mean removed.
    assert rms(np.subtract(MINI_1, MINI_2)) == pytest.approx(28.2, abs=0.05)


def test_dependent_seconds_widen_the_intervals_and_not_the_limits() -> None:
    plain, dependent = limits_of_agreement(DIFFERENCES), limits_of_agreement(DIFFERENCES, n_eff=5)
    assert dependent.lower == plain.lower
    assert np.ptp(dependent.bias_interval) > 1.8 * np.ptp(plain.bias_interval)
    assert not dependent.independent
    assert math.isinf(np.ptp(limits_of_agreement(DIFFERENCES, n_eff=1).upper_interval))


def test_gaps_are_left_out() -> None:
    assert limits_of_agreement([1, math.nan, 3]) == limits_of_agreement([1, 3])
    assert rms([3, math.nan, 4]) == pytest.approx(math.sqrt(12.5))
    assert share_within_pct([1, -2, 3, math.nan], 2) == pytest.approx(100 * 2 / 3)
    assert share_within_pct([1, -2], [0.5, 2]) == 50


def test_nothing_to_compare() -> None:
    with pytest.raises(ValueError, match="need 2"):
        limits_of_agreement([1.0])
    assert math.isnan(rms([]))
    assert math.isnan(share_within_pct([math.nan], 2))
