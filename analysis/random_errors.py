"""Knows how much each of several meters scatters by itself, when nobody knows the true values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.samples import Floats

LEAST_METERS = 3
LEAST_ROUNDS = 4


@dataclass(frozen=True)
class RandomErrors:
    """Error variance of each meter.

    A variance below zero is an estimate like any other: the scatter is too small, or too alike, for these rounds to
    tell it. It is said, not hidden; `sd` is nan there.
    """

    meters: tuple[str, ...]
    variance: tuple[float, ...]
    rounds: int

    @property
    def sd(self) -> tuple[float, ...]:
        return tuple(float(v**0.5) if v >= 0 else float("nan") for v in self.variance)


def same_scale_errors(meters: Sequence[str], readings: ArrayLike) -> RandomErrors:
    """Readings (rounds, meters) of meters that differ by a constant only: the three-instrument estimator.

    Grubbs 1948, J. Am. Stat. Assoc. 43:243, and 1973, Technometrics 15:53: s_a² = c_aa − (c_ab + c_ac − c_bc) of the
    covariances; with more than three meters the mean over all pairs of others. A nan leaves its round out.
    """
    table = np.asarray(readings, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != len(meters):
        raise ValueError(f"readings of shape {table.shape} are no rounds of {len(meters)} meters")
    table = table[np.isfinite(table).all(axis=1)]
    if len(meters) < LEAST_METERS or len(table) < LEAST_ROUNDS:
        raise ValueError(
            f"{LEAST_METERS} meters and {LEAST_ROUNDS} rounds are needed, here are {len(meters)} and {len(table)}"
        )
    return RandomErrors(tuple(meters), tuple(_variances(np.cov(table.T))), len(table))


def _variances(covariance: Floats) -> list[float]:
    n = len(covariance)
    found = []
    for a in range(n):
        pairs = [(b, c) for b in range(n) for c in range(b) if a not in (b, c)]
        shared = [covariance[a, b] + covariance[a, c] - covariance[b, c] for b, c in pairs]
        found.append(float(covariance[a, a] - np.mean(shared)))
    return found
