"""Straight lines with errors in both meters, against an orthogonal-distance library and published readings."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from analysis.straight_line import NoLine, deming

# Readings of two instruments in Bland & Altman, Lancet 1986;327:307-310.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


@pytest.mark.parametrize("error_ratio", [0.25, 1.0, 2.0])
def test_deming_equals_orthogonal_distance_regression(error_ratio: float) -> None:
    with warnings.catch_warnings():
        # Leaves scipy with 1.19; the example below stays.
        warnings.simplefilter("ignore", DeprecationWarning)
        odr = pytest.importorskip("scipy.odr")
        data = odr.RealData(WRIGHT, MINI, sx=1.0, sy=math.sqrt(error_ratio))
        fit = odr.ODR(data, odr.unilinear, beta0=[1.0, 0.0], sstol=1e-14).run()
    line = deming(WRIGHT, MINI, error_ratio)
    assert line.slope == pytest.approx(fit.beta[0], rel=1e-6)
    assert line.intercept == pytest.approx(fit.beta[1], abs=1e-3)  # the library stops there, of readings of hundreds


def test_deming_of_the_1986_example() -> None:
    # Recomputed from the published data with numpy 2.4.6 (equal error variances, first instrument against second).
    line = deming(MINI, WRIGHT)
    back = deming(WRIGHT, MINI)
    assert line.slope * back.slope == pytest.approx(1.0)
    assert (back.slope, back.intercept) == pytest.approx((0.9708808197649393, 15.231555522330837))


def test_deming_finds_the_slope_that_least_squares_flattens() -> None:
    rng = np.random.default_rng(1)
    truth = rng.uniform(150, 250, 4000)
    x, y = truth + rng.normal(0, 15, 4000), 1.03 * truth - 4 + rng.normal(0, 15, 4000)
    line = deming(x, y)
    assert np.polyfit(x, y, 1)[0] < 0.85
    assert abs(line.slope - 1.03) < 3 * line.slope_se < 0.1


def test_deming_errors_respect_neighbours() -> None:
    rng = np.random.default_rng(2)
    truth = rng.uniform(150, 250, 60)
    x, y = truth + rng.normal(0, 5, 60), truth + rng.normal(0, 5, 60)
    once, tenfold = deming(x, y), deming(np.repeat(x, 10), np.repeat(y, 10))
    # Repeating each point ten times tells nothing new.
    assert tenfold.slope_se == pytest.approx(once.slope_se, rel=0.15)


def test_deming_of_few_points_claims_no_error() -> None:
    assert math.isnan(deming(WRIGHT, MINI).slope_se)


def test_no_line() -> None:
    with pytest.raises(NoLine):
        deming([200.0] * 50, np.arange(50.0))
    with pytest.raises(NoLine):
        deming([1.0, math.nan, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(NoLine):
        deming([1.0, 2.0, 3.0], [1.0, 2.0, 1.0])
    with pytest.raises(ValueError, match="do not go with"):
        deming([1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="ratio of variances"):
        deming([1.0, 2.0, 3.0], [1.0, 2.0, 4.0], variance_ratio=0)
