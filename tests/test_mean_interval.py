"""Intervals of a mean against other software, against theory, and in a small version of the coverage experiment."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from analysis.mean_interval import (
    RatioSeries,
    cosine_squares,
    iid_interval,
    newey_west_interval,
    prewhitened_interval,
    ratio_series,
    ride_intervals,
    student_t,
)
from tests.experiments.coverage import SEGMENTS, Cell, run_cell
from tests.experiments.mechanical_pairs import RECORDED

SHARED = Path(__file__).resolve().parents[1].parent / "shared"
AR1 = SHARED / "checks" / "ar1_phi0.8_n2000.csv"


def autoregressive(rng: np.random.Generator, phi: float, n: int) -> np.ndarray:
    series = np.empty(n)
    series[0] = rng.standard_normal() / math.sqrt(1 - phi**2)
    for t in range(1, n):
        series[t] = phi * series[t - 1] + rng.standard_normal()
    return series


def standard_error(half_width: float) -> float:
    return half_width / student_t(0.975, math.inf)


@pytest.mark.skipif(not AR1.exists(), reason="the shared check series is not on this machine")
@pytest.mark.parametrize(
    ("lags", "expected"),
    # statsmodels 0.15.0 OLS(1) HAC and arch 8.0.0 Bartlett kernel, which agree to 1e-14, on the shared series.
    [(0, 0.03896696611970396), (5, 0.07925040871036491), (20, 0.10401418449470687), (60, 0.11309138236852147)],
)
def test_newey_west_of_a_known_series(lags: int, expected: float) -> None:
    series = np.loadtxt(AR1, skiprows=1)
    assert standard_error(newey_west_interval(series, lags).half_width) == pytest.approx(expected, rel=1e-9)


@pytest.mark.skipif(not AR1.exists(), reason="the shared check series is not on this machine")
def test_standard_errors_of_a_known_series_approach_theory() -> None:
    series = np.loadtxt(AR1, skiprows=1)
    # iid: numpy; theory sqrt(σ²/(1 − φ²)/n·(1 + φ)/(1 − φ)) for φ 0.8, σ 1, n 2000.
    iid = iid_interval(series)
    assert iid.half_width / student_t(0.975, 1999) == pytest.approx(0.038976711515909854, rel=1e-9)
    own = prewhitened_interval(series)
    assert own.half_width / student_t(0.975, own.degrees_of_freedom) == pytest.approx(0.1118, rel=0.2)


@pytest.mark.parametrize("lags", [0, 3, 17])
def test_newey_west_equals_statsmodels(lags: int) -> None:
    series = autoregressive(np.random.default_rng(5), 0.7, 400)
    fit = sm.OLS(series, np.ones_like(series)).fit(
        cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": False}
    )
    assert standard_error(newey_west_interval(series, lags).half_width) == pytest.approx(fit.bse[0], rel=1e-12)


@pytest.mark.parametrize("n", [30, 59, 600])
def test_cosine_transform_equals_scipy(n: int) -> None:
    series = np.random.default_rng(n).standard_normal(n) + 3
    reference = scipy.fft.dct(series, type=2, norm="ortho")[1:9] ** 2
    np.testing.assert_allclose(cosine_squares(series, 8), reference, rtol=1e-9)


@pytest.mark.parametrize(("phi", "n"), [(0.0, 60), (0.6, 60), (0.8, 180), (0.9, 180)])
def test_prewhitened_interval_covers_autoregressive_series(phi: float, n: int) -> None:
    rng = np.random.default_rng(7)
    intervals = [prewhitened_interval(autoregressive(rng, phi, n)) for _ in range(400)]
    covered = np.mean([i.low <= 0 <= i.high for i in intervals])
    # Four standard errors of 400 runs below 95 %; above, room for the known caution at small n_eff.
    assert 0.906 <= covered <= 0.995


@given(st.lists(st.integers(50, 400), min_size=40, max_size=60), st.floats(-100, 100), st.floats(0.1, 10))
def test_interval_moves_and_scales_with_its_series(watts: list[int], move: float, scale: float) -> None:
    series = np.array(watts, dtype=float)
    plain, changed = prewhitened_interval(series), prewhitened_interval(series * scale + move)
    assert changed.mean == pytest.approx(plain.mean * scale + move)
    # Far below one watt there is nothing but the rounding of the sums.
    assert changed.half_width == pytest.approx(plain.half_width * scale, rel=1e-6, abs=1e-9)


def test_gaps_are_left_out_and_never_filled() -> None:
    rng = np.random.default_rng(2)
    series = autoregressive(rng, 0.6, 300)
    holed = series.copy()
    holed[100:180] = np.nan
    interval = prewhitened_interval(holed)
    assert interval.n == 220
    assert interval.mean == pytest.approx(np.nanmean(holed))
    assert interval.half_width == pytest.approx(
        prewhitened_interval(series).half_width * math.sqrt(300 / 220), rel=0.35
    )


@pytest.mark.parametrize("n", [0, 1, 4, 29])
def test_short_series_are_said_to_be_too_short(n: int) -> None:
    assert prewhitened_interval(np.random.default_rng(n).standard_normal(n)).too_short


def test_few_independent_seconds_are_too_short_however_many_there_are() -> None:
    wandering = np.cumsum(np.random.default_rng(3).standard_normal(120))
    assert prewhitened_interval(wandering).too_short


def test_a_scale_error_under_varying_power_is_no_noise() -> None:
    reference = np.random.default_rng(4).uniform(100, 300, 200)
    series = ratio_series(1.03 * reference, reference)
    assert series.difference_pct == pytest.approx(3.0)
    np.testing.assert_allclose(series.residual_pct, 0, atol=1e-10)


def test_ratio_uses_only_seconds_that_both_have() -> None:
    series = ratio_series([102, math.nan, 204, 50], [100, 100, 200, math.nan])
    assert series.difference_pct == pytest.approx(2.0)
    assert np.isfinite(series.residual_pct).tolist() == [True, False, True, False]


def test_ratio_to_a_reference_that_reads_nothing_is_unknown() -> None:
    assert math.isnan(ratio_series([1.0, 2.0], [0.0, 0.0]).difference_pct)
    with pytest.raises(ValueError, match="cannot be compared"):
        ratio_series([1.0], [1.0, 2.0])


def ride(lengths: list[int], seed: int = 6, sds: float = 1.0) -> list[RatioSeries]:
    rng = np.random.default_rng(seed)
    made = [sds * autoregressive(rng, 0.5, n) for n in lengths]
    return [RatioSeries(float(m.mean()), m - m.mean()) for m in made]


def test_short_rides_are_judged_segment_by_segment() -> None:
    assert {i.method for i in ride_intervals(ride([120, 120, 120]))} == {"own"}
    assert {i.method for i in ride_intervals(ride([120, 120, 240]))} == {"ride"}


def test_each_segment_of_a_ride_keeps_its_own_scatter() -> None:
    quiet, loud = ride_intervals([*ride([300]), *ride([300], seed=8, sds=4.0)])
    assert loud.half_width == pytest.approx(4 * quiet.half_width, rel=0.25)


def test_a_segment_without_scatter_is_not_told() -> None:
    flat = RatioSeries(0.0, np.zeros(200))
    told = ride_intervals([*ride([300, 300]), flat, RatioSeries(math.nan, np.full(60, np.nan))])
    assert [i.too_short for i in told] == [False, False, True, True]


@pytest.mark.parametrize(("rider", "unlike"), [("steady", True), ("over-under", False)])
def test_intervals_of_mechanical_differences_cover_in_a_small_experiment(rider: str, unlike: bool) -> None:
    outcome = run_cell(Cell(rider, 180, unlike), rides=60)
    assert 90 <= outcome.covered_pct["ride"] <= 99
    # Why the simple ones are not used: they promise 95 % and keep far less.
    assert outcome.covered_pct["iid"] < 80
    assert outcome.covered_pct["newey-west"] < 85


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("segment_s", SEGMENTS)
@pytest.mark.parametrize("unlike", [False, True])
@pytest.mark.parametrize(
    "rider",
    [
        "steady",
        "over-under",
        pytest.param("recorded", marks=pytest.mark.skipif(not RECORDED.exists(), reason="no recorded ride here")),
    ],
)
def test_intervals_of_mechanical_differences_cover(rider: str, segment_s: int, unlike: bool) -> None:
    outcome = run_cell(Cell(rider, segment_s, unlike), rides=2000)
    assert 93 <= outcome.covered_pct["ride"] <= 97
