"""Scale and zero offset: arithmetic, other software, coverage, and what few or like segments cannot tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.mean_interval import student_t
from analysis.samples import Floats
from analysis.scale_offset import scale_and_offset

# Ten steps between 120 and 300 W and 60 and 105 rpm.
POWER_W = np.array([120, 150, 200, 200, 250, 250, 300, 300, 180, 220.0])
CADENCE_RPM = np.array([60, 95, 65, 105, 62, 100, 70, 90, 60, 85.0])
ANGULAR = CADENCE_RPM * math.pi / 30


def difference_w(scale_pct: float, offset_nm: float) -> Floats:
    return np.asarray(scale_pct / 100 * POWER_W + offset_nm * ANGULAR)


def test_injected_errors_are_parted_exactly_without_noise() -> None:
    found = scale_and_offset(POWER_W, CADENCE_RPM, difference_w(-1.5, 0.4), np.full(10, 0.8))
    assert found.why_not == ""
    assert found.scale_pct == pytest.approx(-1.5)
    assert found.offset_nm == pytest.approx(0.4)
    assert found.misfit == pytest.approx(0, abs=1e-12)


def test_fit_and_standard_errors_are_those_of_statsmodels() -> None:
    rng = np.random.default_rng(1)
    half_width = rng.uniform(0.5, 2, 10)
    observed = difference_w(1.0, -0.3) + 3 * half_width * rng.standard_normal(10)
    found = scale_and_offset(POWER_W, CADENCE_RPM, observed, half_width)
    outside = sm.WLS(observed, np.column_stack((POWER_W, ANGULAR)), 1 / half_width**2).fit()
    # Both scale by χ² per degree of freedom; here the scatter is far above the stated half-widths.
    assert found.misfit > 1
    t = student_t(0.975, 8)
    assert [found.scale_pct / 100, found.offset_nm] == pytest.approx(outside.params.tolist(), rel=1e-9)
    wide = [found.scale_half_width_pct / 100 / t, found.offset_half_width_nm / t]
    assert wide == pytest.approx(outside.bse.tolist(), rel=1e-9)


def test_intervals_cover() -> None:
    rng = np.random.default_rng(2)
    hits = np.zeros(2)
    for _ in range(2000):
        sd = rng.uniform(0.3, 0.8, 10)
        observed = difference_w(0.7, -0.2) + sd * rng.standard_normal(10)
        found = scale_and_offset(POWER_W, CADENCE_RPM, observed, 1.96 * sd)
        hits += [
            abs(found.scale_pct - 0.7) < found.scale_half_width_pct,
            abs(found.offset_nm + 0.2) < found.offset_half_width_nm,
        ]
    # Student's t on top of stated half-widths, and no shrinking below these: on the careful side.
    assert 95 <= hits.min() / 20 <= hits.max() / 20 <= 99


def test_what_cannot_be_parted_is_said_in_words() -> None:
    like = scale_and_offset([200.0] * 6, [90.0] * 6, [2.0] * 6, [0.5] * 6)
    assert like.why_not == "the segments' torques differ by 0.0 N·m, 5 are needed"
    assert math.isnan(like.scale_pct)
    assert math.isinf(like.offset_half_width_nm)
    # Power and cadence that rise together leave the torque as it is.
    gear = np.array([60, 70, 80, 90, 100.0])
    assert "N·m" in scale_and_offset(2.5 * gear, gear, gear / 50, np.full(5, 0.5)).why_not
    assert scale_and_offset([200.0], [90.0], [2.0], [0.5]).why_not == "4 segments are needed, here are 1"
    assert scale_and_offset([], [], [], []).why_not == "4 segments are needed, here are 0"


@pytest.mark.parametrize("spoilt", [math.nan, math.inf, 0.0])
def test_segments_without_a_mean_cadence_or_interval_are_left_out(spoilt: float) -> None:
    half_width = np.full(10, 0.8)
    half_width[2] = spoilt
    cadence = CADENCE_RPM.copy()
    cadence[5] = math.nan if math.isinf(spoilt) else spoilt
    found = scale_and_offset(POWER_W, cadence, difference_w(-1.5, 0.4), half_width)
    assert found.segments == 8
    assert found.scale_pct == pytest.approx(-1.5)
