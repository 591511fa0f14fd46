"""Knows a held signal on an even grid: means where it is fresh throughout, less a lag, and smoothed where asked."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.grid import HeldSignal
from analysis.samples import Floats

SECOND_NS = 1_000_000_000


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def fresh_means(
    held: HeldSignal | None, start_ns: int, stop_ns: int, step_ns: int = SECOND_NS, lag_s: float = 0.0
) -> Floats:
    """Means (n,) over the whole steps of [start_ns, stop_ns).

    A meter that trails by `lag_s` is read that much later. An unknown (nan) lag shifts nothing.
    """
    steps = max((stop_ns - start_ns) // step_ns, 0)
    if held is None:
        return np.full(steps, np.nan)
    first_ns = start_ns + (ns(lag_s) if math.isfinite(lag_s) else 0)
    return held.fresh_means(first_ns, steps, step_ns)


def exponentially_smoothed(power_w: ArrayLike, time_constant_s: float, step_s: float) -> Floats:
    """A first-order low pass of a series on an even grid; nan where it remembers a gap or its beginning."""
    power = np.asarray(power_w, dtype=np.float64)
    if not time_constant_s > 0 or not power.size:
        return power
    weights = np.exp(-np.arange(0.0, 8 * time_constant_s, step_s) / time_constant_s)
    smooth = np.convolve(power, weights / weights.sum())[: power.size]
    smooth[: weights.size - 1] = np.nan
    return smooth
