"""Knows a held signal on an even grid, shifted by a meter's lag: means where fresh throughout, nan elsewhere."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.grid import HeldSignal

Floats = NDArray[np.float64]

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
    part = held.between(first_ns + step_ns * np.arange(steps + 1, dtype=np.int64))
    return np.where(part.fresh_ns == step_ns, part.value_ns / step_ns, np.nan)
