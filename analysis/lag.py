"""Knows by how much one meter trails another, from the shape of their power alone, and when that cannot be told."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.mean_interval import dot, student_t
from analysis.samples import Floats

RATE_HZ = 4
SMOOTH_STEPS = 2 * RATE_HZ
SEARCH_S = 5.0
BLOCKS = 8
# Two meters that average over turns lock to the same turns: blocks then agree better than the truth does.
COMMON_S = 0.1
LEAST_S = 120
LEAST_CORRELATION = 0.3
# Where power varies less than this about its mean, what is correlated is rounding and noise.
LEAST_SCATTER = 0.01


@dataclass(frozen=True)
class Lag:
    """`lag_s` > 0: the meter trails the reference. It holds radio, hold and smoothing together: they look alike."""

    lag_s: float
    half_width_s: float
    correlation: float
    why_not: str = ""  # not determined, and for this reason

    @property
    def determined(self) -> bool:
        return not self.why_not


def estimate_lag(meter_w: ArrayLike, reference_w: ArrayLike, search_s: float = SEARCH_S) -> Lag:
    """Lag between two powers on a common 4 Hz grid (nan: gap), from the differences of their 2 s moving means.

    The greatest correlation within ± `search_s`, refined by a parabola over 1 s on either side: the very top of two
    1 Hz meters sits where their seconds happen to coincide (sd 0.18 s, with the parabola 0.07 s). Interval at 95 %
    from 8 blocks, sd/√8·t(7), with 0.1 s in quadrature. Differencing the unsmoothed power would correlate turns and
    notification steps instead of the rider. Raises ValueError where the lengths differ.
    """
    meter, reference = np.asarray(meter_w, dtype=np.float64), np.asarray(reference_w, dtype=np.float64)
    if meter.shape != reference.shape:
        raise ValueError(f"{meter.size} grid steps cannot be compared with {reference.size}")
    both = int(np.count_nonzero(np.isfinite(meter) & np.isfinite(reference)))
    if both < LEAST_S * RATE_HZ:
        return _not_determined(f"only {both / RATE_HZ:.0f} s in common, {LEAST_S} s are needed")
    if _relative_scatter(meter) < LEAST_SCATTER or _relative_scatter(reference) < LEAST_SCATTER:
        return _not_determined("power too steady")
    shifts = round(search_s * RATE_HZ)
    moves, reference_moves = _moves(meter), _moves(reference)
    correlations = _correlations(moves, reference_moves, shifts)
    peak = int(np.argmax(correlations))
    found = float(correlations[peak])
    if found < LEAST_CORRELATION:
        return _not_determined("the two powers do not move together", found)
    if peak in (0, correlations.size - 1):
        return _not_determined(f"no peak within ±{search_s:g} s", found)
    blocks = _block_lags(moves, reference_moves, peak - shifts, shifts)
    if len(blocks) < BLOCKS:
        return _not_determined("parts of the ride too steady, or with gaps, to see how sure it is", found)
    spread = student_t(0.975, BLOCKS - 1) * float(np.std(blocks, ddof=1)) / math.sqrt(BLOCKS)
    half_width_s = math.hypot(spread / RATE_HZ, student_t(0.975, math.inf) * COMMON_S)
    return Lag((peak - shifts + _vertex(correlations, peak)) / RATE_HZ, half_width_s, found)


def _not_determined(reason: str, correlation: float = math.nan) -> Lag:
    return Lag(math.nan, math.inf, correlation, reason)


def _relative_scatter(power_w: Floats) -> float:
    """sd of the 2 s moving mean over the mean power."""
    mean, smooth = float(np.nanmean(power_w)), _moving_mean(power_w)
    return float(np.nanstd(smooth)) / mean if mean > 0 and np.isfinite(smooth).any() else 0.0


def _moving_mean(power_w: Floats) -> Floats:
    # A sum over a nan stays nan in its own windows only when each window is summed by itself.
    return np.asarray(np.lib.stride_tricks.sliding_window_view(power_w, SMOOTH_STEPS).mean(axis=1))


def _moves(power_w: Floats) -> Floats:
    return np.diff(_moving_mean(power_w))


def _correlations(moves: Floats, reference_moves: Floats, shifts: int) -> Floats:
    """Correlation at −shifts..shifts grid steps, uncentred, as moves have no mean worth the name.

    Both are zero wherever either is unknown: a gap takes terms away from every shift alike.
    """
    both = np.isfinite(moves) & np.isfinite(reference_moves)
    a, b = np.where(both, moves, 0.0), np.where(both, reference_moves, 0.0)
    scale = math.sqrt(dot(a, a) * dot(b, b))
    if scale == 0 or a.size <= shifts:
        return np.zeros(2 * shifts + 1)
    ahead = [dot(a[: a.size - shift], b[shift:]) for shift in range(shifts, 0, -1)]
    behind = [dot(a[shift:], b[: b.size - shift]) for shift in range(shifts + 1)]
    return np.array(ahead + behind) / scale


def _block_lags(moves: Floats, reference_moves: Floats, centre: int, shifts: int) -> list[float]:
    """Lag of each block in grid steps, searched within 1 s of the whole ride's; without a peak it is left out."""
    lags = []
    for a, b in zip(np.array_split(moves, BLOCKS), np.array_split(reference_moves, BLOCKS), strict=True):
        near = _correlations(a, b, shifts)
        first, last = max(shifts + centre - RATE_HZ, 1), min(shifts + centre + RATE_HZ, 2 * shifts - 1)
        peak = first + int(np.argmax(near[first : last + 1]))
        if near[peak] > 0:
            lags.append(peak - shifts + _vertex(near, peak))
    return lags


def _vertex(values: Floats, peak: int) -> float:
    """Where the least-squares parabola through 1 s on either side has its top, in steps from the peak."""
    reach = min(RATE_HZ, peak, values.size - 1 - peak)
    step = np.arange(-reach, reach + 1.0)
    near = values[peak - reach : peak + reach + 1]
    level = step**2 - np.mean(step**2)
    rise = float(step @ near) / float(step @ step)
    bend = float(level @ near) / float(level @ level)
    return min(max(-rise / (2 * bend), -float(reach)), float(reach)) if bend < 0 else 0.0
