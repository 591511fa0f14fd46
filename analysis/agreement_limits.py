"""Knows how far apart two meters are second by second: limits of agreement, RMS, share within tolerance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.mean_interval import student_t
from analysis.samples import Floats


@dataclass(frozen=True)
class Limits:
    """All in the unit of the differences; each interval is (low, high) at 95 %."""

    bias: float
    sd: float
    lower: float
    upper: float
    bias_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]
    n: int
    n_eff: float

    @property
    def independent(self) -> bool:
        """False: the intervals were widened for seconds that resemble their neighbours."""
        return self.n_eff >= self.n


def limits_of_agreement(differences: ArrayLike, n_eff: float | None = None, sds: float = 1.96) -> Limits:
    """bias ± `sds`·sd, with intervals from se(bias)² = s²/n and se(limit)² = 3 s²/n (Bland and Altman 1986).

    The seconds of a ride are not independent: pass the `n_eff` of the mean interval, which then stands for n in the
    standard errors and degrees of freedom. The limits themselves do not depend on it. nan is left out.
    Raises ValueError below 2 differences.
    """
    value = _finite(differences)
    if value.size < 2:
        raise ValueError(f"limits of agreement need 2 differences, here are {value.size}")
    independent = min(float(value.size), n_eff) if n_eff is not None else float(value.size)
    bias, sd = float(value.mean()), float(value.std(ddof=1))
    lower, upper = bias - sds * sd, bias + sds * sd
    # With a single independent second nothing is known of the scatter.
    wide = student_t(0.975, independent - 1) * sd / math.sqrt(independent) if independent > 1 else math.inf
    at_limit = math.sqrt(3) * wide
    return Limits(
        bias,
        sd,
        lower,
        upper,
        (bias - wide, bias + wide),
        (lower - at_limit, lower + at_limit),
        (upper - at_limit, upper + at_limit),
        value.size,
        independent,
    )


def rms(differences: ArrayLike) -> float:
    """Root mean square, no mean removed; nan where nothing is there."""
    value = _finite(differences)
    return float(np.sqrt(np.mean(value**2))) if value.size else math.nan


def share_within_pct(differences: ArrayLike, tolerance: ArrayLike) -> float:
    """Share of the differences within ± tolerance (one, or one each, in the same unit), in %."""
    value = np.asarray(differences, dtype=np.float64)
    present = np.isfinite(value)
    if not present.any():
        return math.nan
    within = np.abs(value) <= np.asarray(tolerance, dtype=np.float64)
    return 100.0 * float(np.mean(within[present]))


def _finite(differences: ArrayLike) -> Floats:
    value = np.asarray(differences, dtype=np.float64)
    return value[np.isfinite(value)]
