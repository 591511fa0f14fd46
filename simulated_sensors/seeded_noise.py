"""Seeded randomness for the models: one stream per purpose, so that a new user of chance disturbs no other."""

from __future__ import annotations

import math
import zlib
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def generator(seed: int, *purpose: str) -> np.random.Generator:
    """The same stream for the same seed and purpose, on every machine and in every run."""
    return np.random.default_rng([seed, *(zlib.crc32(word.encode()) for word in purpose)])


def wander(rng: np.random.Generator, time_s: Floats, sd: float, memory_s: float) -> Floats:
    """First-order autoregressive noise around zero with standard deviation `sd` at `time_s` (rising, from 0 on).

    It is drawn at knots half a memory apart at most and joined by straight lines, since nothing here is read faster.
    """
    if sd == 0.0 or time_s.size == 0:
        return np.zeros(time_s.shape)
    knot_s = min(1.0, memory_s / 2)
    carry = math.exp(-knot_s / memory_s)
    shocks = rng.normal(0.0, 1.0, math.ceil(float(time_s[-1]) / knot_s) + 2)
    shocks[1:] *= math.sqrt(1.0 - carry * carry)
    knots = np.fromiter(accumulate(shocks.tolist(), lambda before, shock: carry * before + shock), float, shocks.size)
    return np.interp(time_s, knot_s * np.arange(knots.size), sd * knots)
