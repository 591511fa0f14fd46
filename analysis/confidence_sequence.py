"""Knows how sure a mean difference is while somebody watches it grow and may stop whenever it pleases."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtri

from analysis.mean_interval import MeanInterval, student_t

ERROR_RATE = 0.05
TUNED_FOR_S = 120.0
FIRST_VERDICT_S = 20
# The slow wander that short records cannot show: 0.4 % with 20 s memory has 2·0.4²·20 = 6.4 %²·s. No interval is
# narrower than this one meter's wander.
WANDER_FLOOR_PCT2_S = 6.5


@dataclass(frozen=True)
class LiveInterval:
    """Holds at all times at once with 95 % as long as the meters wander no more than `floor_pct2_s` says."""

    mean_pct: float
    half_width_pct: float
    fresh_s: int
    floor_pct2_s: float

    @property
    def too_early(self) -> bool:
        """No verdict from fewer than 20 fresh seconds."""
        return self.fresh_s < FIRST_VERDICT_S


def boundary(variance: float, fresh_s: float) -> float:
    """Half-width of the Gaussian-mixture confidence sequence for a mean over `fresh_s` with this long-run variance.

    sqrt(V)·sqrt(2(t·r + 1)/(t²·r)·ln(sqrt(t·r + 1)/0.05)), r tuned to be tightest near 120 s
    (Waudby-Smith and others, Annals of Statistics 2024).
    """
    log_term = -2 * math.log(ERROR_RATE)
    r = (log_term + math.log(log_term) + 1) / TUNED_FOR_S
    grown = fresh_s * r + 1
    return math.sqrt(variance * 2 * grown / (fresh_s**2 * r) * math.log(math.sqrt(grown) / ERROR_RATE))


def live_interval(so_far: MeanInterval, floor_pct2_s: float = WANDER_FLOOR_PCT2_S) -> LiveInterval:
    """From the interval of the series so far (in %): sqrt(h₁² + h₂²).

    h₁ is the boundary at the estimated long-run variance, widened by t(ν)/z at 99.75 %, since the published sequence
    takes that variance as known and fails at short times. h₂ is the boundary at the floor. The pair's own pooled
    long-run variance in its place, once 8 min of segments have told it, errs no less often and decides later
    (tests/experiments/watching.py).
    """
    if so_far.n == 0 or not math.isfinite(so_far.half_width):
        return LiveInterval(so_far.mean, math.inf, so_far.n, floor_pct2_s)
    inflation = student_t(0.9975, so_far.degrees_of_freedom) / float(ndtri(0.9975))
    seen = boundary(so_far.long_run_variance, so_far.n) * inflation
    return LiveInterval(so_far.mean, math.hypot(seen, boundary(floor_pct2_s, so_far.n)), so_far.n, floor_pct2_s)
