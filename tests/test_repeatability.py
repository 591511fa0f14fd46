"""Repeatability and reproducibility against the worked examples of the standards, and how sure they are."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.ledger.repeatability import more_sessions, precision

# ASTM E691, glucose in serum, material A: eight laboratories, three results each. Data and the published figures from
# memory; they agree with each other to four decimals.
GLUCOSE = [
    [41.03, 41.45, 41.37],
    [41.17, 42.0, 41.15],
    [41.01, 40.68, 42.66],
    [39.37, 42.37, 42.63],
    [41.88, 41.19, 41.32],
    [43.28, 40.5, 42.28],
    [41.08, 41.27, 39.02],
    [43.36, 42.65, 41.72],
]
# ISO 5725-2, B.1, sulphur in coal, level 1: laboratories with three to five results. Data from memory; mean and
# repeatability come out as published (0.690, 0.015), the reproducibility as 0.026.
COAL = [
    [0.71, 0.71, 0.70, 0.71],
    [0.69, 0.67, 0.68],
    [0.66, 0.65, 0.69],
    [0.67, 0.65, 0.66],
    [0.70, 0.69, 0.66, 0.71, 0.69],
    [0.73, 0.74, 0.73],
    [0.71, 0.71, 0.69],
    [0.70, 0.65, 0.68],
]


def test_the_balanced_example_of_astm_e691() -> None:
    found = precision(GLUCOSE)
    assert found.mean == pytest.approx(41.5183, abs=5e-5)
    assert found.repeatability_sd == pytest.approx(1.0632, abs=5e-5)
    assert found.reproducibility_sd == pytest.approx(1.0632, abs=5e-5)
    assert found.between_sd == 0  # it comes out negative, and the standard sets it to 0
    assert (found.sessions, found.results, found.replicates) == (8, 24, 3)


def test_the_unbalanced_example_of_iso_5725_2() -> None:
    found = precision(COAL)
    assert found.mean == pytest.approx(0.690, abs=5e-4)
    assert found.repeatability_sd == pytest.approx(0.0151165, abs=5e-8)
    assert found.between_sd == pytest.approx(0.0215996, abs=5e-8)
    assert found.reproducibility_sd == pytest.approx(0.0263638, abs=5e-8)


def test_the_sums_are_those_of_an_analysis_of_variance() -> None:
    # scipy.stats.f_oneway, one-way analysis of variance: F = mean square among / mean square within.
    found = precision(COAL)
    among = found.repeatability_sd**2 + found.replicates * found.between_sd**2
    assert among / found.repeatability_sd**2 == pytest.approx(float(stats.f_oneway(*COAL).statistic))


def test_the_upper_limit_of_sessions_alone_is_that_of_the_chi_square_distribution() -> None:
    # Without scatter within sessions the reproducibility is a plain standard deviation of session means, and its
    # limit sd·sqrt(ν/χ²(0.05, ν)); χ²(0.05, 5) = 1.1455, any table of the distribution.
    means = [0.0, 0.1, 0.3, 0.2, 0.5, 0.1]
    found = precision([[m] * 4 for m in means])
    assert found.reproducibility_sd == pytest.approx(float(np.std(means, ddof=1)))
    assert found.upper_sd == pytest.approx(found.reproducibility_sd * math.sqrt(5 / 1.1455), rel=1e-4)


@pytest.mark.parametrize("between", [0.0, 0.1, 0.3, 1.0])
def test_the_upper_limit_holds_in_nineteen_of_twenty(between: float) -> None:
    noise = np.random.default_rng(5)
    held = 0
    for _ in range(1000):
        sessions = between * noise.standard_normal((6, 1)) + 0.2 * noise.standard_normal((6, 4))
        held += precision(sessions.tolist()).upper_sd >= math.hypot(between, 0.2)
    assert held / 1000 >= 0.93


@pytest.mark.parametrize("sessions", [[], [[]], [[1.0, 2.0]], [[1.0], [2.0]]])
def test_what_cannot_be_told_is_not_told(sessions: list[list[float]]) -> None:
    found = precision(sessions)
    assert math.isnan(found.reproducibility_sd)
    assert more_sessions(found, 1.0) is None


def test_more_sessions_are_needed_until_the_limit_lies_above() -> None:
    found = precision([[0.0, 0.1, 0.2], [0.4, 0.5, 0.6], [-0.3, -0.2, -0.1]])
    limit_sd = 2.0 * found.reproducibility_sd
    wanted = more_sessions(found, limit_sd)
    assert found.upper_sd > limit_sd
    # ν/χ²(0.05, ν) falls below 4 at ν = 6: seven sessions instead of three, as the scatter lies between sessions.
    assert wanted == 4
    assert more_sessions(found, 0.9 * found.reproducibility_sd) is None
    assert more_sessions(found, 1.01 * found.upper_sd) == 0
