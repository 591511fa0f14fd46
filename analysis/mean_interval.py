"""Knows how sure a mean difference is when successive seconds resemble each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from analysis.samples import Floats

Method = Literal["own", "ride", "iid", "newey-west", "always-valid"]

LEAST_TO_FIT = 5
LEAST_FRESH_S = 30
LEAST_N_EFF = 8.0
LEAST_RIDE_S = 480
LEAST_RIDE_N_EFF = 16.0
CHAPTER_S = 900


@dataclass(frozen=True)
class MeanInterval:
    """A 95 % interval for a mean, in the unit of the series it was made from."""

    mean: float
    half_width: float
    n: int
    n_eff: float
    long_run_variance: float  # unit² · s: n times the variance of the mean
    degrees_of_freedom: float
    method: Method
    too_short: bool  # too short to tell: fewer than 30 fresh seconds, or too few independent ones to learn from

    @property
    def low(self) -> float:
        return self.mean - self.half_width

    @property
    def high(self) -> float:
        return self.mean + self.half_width


@dataclass(frozen=True)
class RatioSeries:
    """Two meters over one segment: b reads `difference_pct` away from a, each second scattering by `residual_pct`."""

    difference_pct: float
    residual_pct: Floats


def student_t(probability: float, degrees_of_freedom: float) -> float:
    """The quantile of Student's t; of the normal distribution for infinitely many degrees of freedom."""
    return float(ndtri(probability) if math.isinf(degrees_of_freedom) else stdtrit(degrees_of_freedom, probability))


def dot(a: Floats, b: Floats) -> float:
    """Σ a·b in this thread: a matrix library would wake others for it, which costs more wherever a core is busy."""
    return float(np.einsum("i,i->", a, b))


def ratio_series(a: ArrayLike, b: ArrayLike) -> RatioSeries:
    """Compare meter a with the reference b second by second; a nan on either side is a gap on both.

    R = Σa/Σb, difference 100·(R − 1) %, residual 100·(a − R·b)/mean(b) %: a scale error times a varying power is
    then no noise (ratio estimator, Cochran, Sampling Techniques, ch. 6). Raises ValueError where the lengths differ;
    without a reference that reads above zero everything is nan.
    """
    read, reference = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    if read.shape != reference.shape:
        raise ValueError(f"{read.size} seconds cannot be compared with {reference.size}")
    both = np.isfinite(read) & np.isfinite(reference)
    total, reference_total = float(read[both].sum()), float(reference[both].sum())
    if reference_total <= 0:
        return RatioSeries(math.nan, np.full(read.shape, np.nan))
    ratio = total / reference_total
    residual = 100.0 * (read - ratio * reference) * (np.count_nonzero(both) / reference_total)
    return RatioSeries(100.0 * (ratio - 1.0), np.where(both, residual, np.nan))


def prewhitened_interval(series: ArrayLike) -> MeanInterval:
    """The interval of one series by itself, each second (nan: gap) coloured by the one before.

    First-order prewhitening (Andrews and Monahan 1992, coefficient corrected for its small-sample bias after
    Kendall 1954), then equal-weighted cosines (Lazarus, Lewis, Stock and Watson 2018), Student's t.
    """
    value = np.asarray(series, dtype=np.float64)
    present = np.isfinite(value)
    n = int(np.count_nonzero(present))
    mean = float(value[present].mean()) if n else math.nan
    if n < LEAST_TO_FIT:
        return _unknown(mean, n, "own")
    deviation = value - mean
    variance = float(np.mean(deviation[present] ** 2))
    neighbours = present[1:] & present[:-1]
    lagged = float(np.sum(deviation[1:][neighbours] * deviation[:-1][neighbours])) / n
    phi_seen = lagged / variance if variance > 0 else 0.0
    phi = min(max((n * phi_seen + 1) / (n - 3), 0.0), 0.98)
    white = (deviation[1:] - phi * deviation[:-1])[neighbours]
    if white.size < LEAST_TO_FIT:
        return _unknown(mean, n, "own")
    cosines = min(max(4, math.floor(0.41 * white.size ** (2 / 3))), white.size - 1)
    long_run = float(np.mean(cosine_squares(white, cosines))) / (1 - phi) ** 2
    freedom = max(1.5, 1 / (1 / cosines + 2 * (1 + phi) / ((1 - phi) * n)))
    return _interval(mean, n, variance, long_run, freedom, "own")


def ride_intervals(segments: Sequence[RatioSeries]) -> list[MeanInterval]:
    """One interval per segment, the slow part of the scatter learnt from all segments of the ride together.

    Each segment is scaled by its own standard deviation; chapters of neighbouring segments, 900 fresh seconds or
    more, are joined and their slowest cosines (Lazarus and others, as above) pooled. They tell by which factor means
    scatter more than independent seconds would. Differences between neighbouring segments make it wider; a drift
    from one chapter to the next does not. Give the segments in order of time. Fewer than 8 fresh minutes in all:
    each segment by itself, and slow wander stays unseen.
    """
    parts = [_Part.of(series) for series in segments]
    usable = [p for p in parts if p.sd > 0]
    if sum(p.n for p in usable) < LEAST_RIDE_S:
        return [prewhitened_interval(s.residual_pct + s.difference_pct) for s in segments]
    chapters = [_joined(chapter) for chapter in _chapters(usable)]
    spectra = [cosine_squares(joined, joined.size // 2) for joined in chapters]
    return [part.interval(spectra) for part in parts]


@dataclass(frozen=True)
class _Part:
    difference: float
    residual: Floats  # the fresh seconds only
    sd: float

    @classmethod
    def of(cls, series: RatioSeries) -> _Part:
        residual = series.residual_pct[np.isfinite(series.residual_pct)]
        return cls(series.difference_pct, residual, float(residual.std()) if residual.size >= LEAST_TO_FIT else 0.0)

    @property
    def n(self) -> int:
        return self.residual.size

    def interval(self, spectra: Sequence[Floats]) -> MeanInterval:
        if self.sd == 0:
            return _unknown(self.difference, self.n, "ride")
        # A mean over n seconds feels waves down to about that length. Reaching to waves of 95 s + n/4 centres the
        # cells of tests/experiments/coverage.py on 95 %; faster ones would hide a wander of 20 s memory.
        slow = [s[: max(4, round(4 * s.size / (95 + self.n / 4)))] for s in spectra]
        cosines = sum(s.size for s in slow)
        factor = sum(float(s.sum()) for s in slow) / cosines
        made = _interval(self.difference, self.n, self.sd**2, self.sd**2 * factor, cosines, "ride")
        learnt = sum(2 * s.size for s in spectra) >= LEAST_RIDE_N_EFF * factor
        return replace(made, too_short=self.n < LEAST_FRESH_S or not learnt)


def _chapters(parts: Sequence[_Part]) -> list[list[_Part]]:
    """Neighbours together until there are 900 s; what is left at the end goes to the last chapter."""
    chapters: list[list[_Part]] = [[]]
    for part in parts:
        if sum(p.n for p in chapters[-1]) >= CHAPTER_S:
            chapters.append([])
        chapters[-1].append(part)
    if len(chapters) > 1 and sum(p.n for p in chapters[-1]) < CHAPTER_S:
        chapters[-2:] = [chapters[-2] + chapters[-1]]
    return chapters


def _joined(parts: Sequence[_Part]) -> Floats:
    mean = sum(p.difference * p.n for p in parts) / sum(p.n for p in parts)
    return np.concatenate([(p.residual + p.difference - mean) / p.sd for p in parts])


def iid_interval(series: ArrayLike) -> MeanInterval:
    """As if the seconds were independent; printed beside the others to show what that assumption costs."""
    value = np.asarray(series, dtype=np.float64)
    value = value[np.isfinite(value)]
    if value.size < 2:
        return _unknown(float(value.mean()) if value.size else math.nan, value.size, "iid")
    variance = float(value.var(ddof=1))
    return _interval(float(value.mean()), value.size, variance, variance, value.size - 1, "iid")


def newey_west_interval(series: ArrayLike, lags: int | None = None) -> MeanInterval:
    """Newey and West 1987 with the normal quantile: a figure to check against other software, not to judge by.

    variance = (g0 + 2 Σ_{l=1..L} (1 − l/(L+1)) g_l)/n; L = floor(4·(n/100)^(2/9)) unless given. Gaps are closed up.
    """
    value = np.asarray(series, dtype=np.float64)
    value = value[np.isfinite(value)]
    n = value.size
    if n < 2:
        return _unknown(float(value.mean()) if n else math.nan, n, "newey-west")
    lags = math.floor(4 * (n / 100) ** (2 / 9)) if lags is None else lags
    deviation = value - value.mean()
    gamma = [dot(deviation[lag:], deviation[: n - lag]) / n for lag in range(min(lags, n - 1) + 1)]
    long_run = gamma[0] + 2 * sum((1 - lag / (lags + 1)) * g for lag, g in enumerate(gamma) if lag)
    return _interval(float(value.mean()), n, gamma[0], long_run, math.inf, "newey-west")


def cosine_squares(series: Floats, count: int) -> Floats:
    """Squared cosine transforms 1..count, each an estimate of the long-run variance; blind to a constant.

    L_j = sqrt(2/n) Σ u_t cos(π j (t + 1/2)/n), by a transform of twice the length.
    """
    n = series.size
    spectrum = np.fft.rfft(series, 2 * n)[1 : count + 1]
    turn = np.exp(-0.5j * np.pi * np.arange(1, count + 1) / n)
    return np.asarray(2.0 / n * np.real(spectrum * turn) ** 2, dtype=np.float64)


def _interval(mean: float, n: int, variance: float, long_run: float, freedom: float, method: Method) -> MeanInterval:
    n_eff = min(n * variance / long_run, float(n)) if long_run > 0 else float(n)
    half_width = student_t(0.975, freedom) * math.sqrt(long_run / n)
    too_short = n < LEAST_FRESH_S or n_eff < LEAST_N_EFF
    return MeanInterval(mean, half_width, n, n_eff, long_run, freedom, method, too_short)


def _unknown(mean: float, n: int, method: Method) -> MeanInterval:
    return MeanInterval(mean, math.inf, n, 0.0, math.inf, 0.0, method, too_short=True)
