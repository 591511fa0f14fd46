"""Straight lines against certified and published fits, and against an orthogonal-distance library."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from analysis.straight_line import NoLine, deming, least_squares, york

# NIST/ITL Statistical Reference Datasets, Norris (public domain).
NORRIS_Y = [0.1, 338.8, 118.1, 888, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3]
NORRIS_Y += [448.9, 10.8, 557.7, 228.3, 998, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888, 998.5, 778.9, 10.2, 117.6]
NORRIS_Y += [228.9, 668.4, 449.2, 0.2]
NORRIS_X = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777, 558.2, 0.4, 0.6, 775.5, 666.9, 338]
NORRIS_X += [447.5, 11.6, 556, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999, 779, 11.1, 118.3]
NORRIS_X += [229.2, 669.1, 448.9, 0.5]

# Pearson's points with York's weights, the usual example for errors in both variables.
PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
X_SD = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]) ** -0.5
Y_SD = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5

# Readings of two instruments in Bland & Altman, Lancet 1986;327:307-310.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_least_squares_of_norris() -> None:
    # NIST certified values.
    line = least_squares(NORRIS_X, NORRIS_Y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept_se == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope_se == pytest.approx(0.000429796848199937, rel=1e-10)


def test_york_of_pearsons_points() -> None:
    line = york(PEARSON_X, PEARSON_Y, X_SD, Y_SD)
    # Reed, Am. J. Phys. 1989 and 1992: a 5.47991022723, b -0.48053340810; the errors are those quoted from
    # York and others 2004.
    assert line.intercept == pytest.approx(5.4799102, abs=1e-7)
    assert line.slope == pytest.approx(-0.4805334, abs=1e-7)
    assert line.slope_se == pytest.approx(0.057985, abs=1e-5)
    assert line.intercept_se == pytest.approx(0.294971, abs=1e-5)


def test_york_without_error_in_x_is_weighted_least_squares() -> None:
    coefficients = np.polyfit(PEARSON_X, PEARSON_Y, 1, w=1 / Y_SD)
    line = york(PEARSON_X, PEARSON_Y, np.full(10, 1e-9), Y_SD)
    assert (line.slope, line.intercept) == pytest.approx(tuple(coefficients), rel=1e-6)


def test_york_equals_orthogonal_distance_regression() -> None:
    with warnings.catch_warnings():
        # Leaves scipy with 1.19; the published fit above stays.
        warnings.simplefilter("ignore", DeprecationWarning)
        odr = pytest.importorskip("scipy.odr")
        data = odr.RealData(WRIGHT, MINI, sx=10.0, sy=14.0)
        fit = odr.ODR(data, odr.unilinear, beta0=[1.0, 0.0], sstol=1e-14).run()
    line = york(WRIGHT, MINI, 10.0, 14.0)
    assert (line.slope, line.intercept) == pytest.approx(tuple(fit.beta), rel=1e-6)


@pytest.mark.parametrize("error_ratio", [0.25, 1.0, 2.0])
def test_deming_is_york_with_equal_errors_everywhere(error_ratio: float) -> None:
    line, same = deming(WRIGHT, MINI, error_ratio), york(WRIGHT, MINI, 1.0, math.sqrt(error_ratio))
    assert (line.slope, line.intercept) == pytest.approx((same.slope, same.intercept), rel=1e-9)


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
    assert least_squares(x, y).slope < 0.85
    assert abs(line.slope - 1.03) < 3 * line.slope_se < 0.1


def test_deming_errors_respect_neighbours() -> None:
    rng = np.random.default_rng(2)
    truth = rng.uniform(150, 250, 60)
    x, y = truth + rng.normal(0, 5, 60), truth + rng.normal(0, 5, 60)
    once, tenfold = deming(x, y), deming(np.repeat(x, 10), np.repeat(y, 10))
    # Repeating each point ten times tells nothing new.
    assert tenfold.slope_se == pytest.approx(once.slope_se, rel=0.15)


def test_deming_of_few_points_claims_no_error() -> None:
    assert math.isnan(deming(PEARSON_X, PEARSON_Y).slope_se)


def test_no_line() -> None:
    with pytest.raises(NoLine):
        deming([200.0] * 50, np.arange(50.0))
    with pytest.raises(NoLine):
        least_squares([1.0, math.nan, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(NoLine):
        deming([1.0, 2.0, 3.0], [1.0, 2.0, 1.0])
    with pytest.raises(ValueError, match="do not go with"):
        york([1.0], [1.0, 2.0], 1.0, 1.0)
    with pytest.raises(ValueError, match="ratio of variances"):
        deming([1.0, 2.0, 3.0], [1.0, 2.0, 4.0], variance_ratio=0)
