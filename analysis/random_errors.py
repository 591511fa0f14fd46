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
    """Error variance of each meter, in its own scale, and the gain of each against the first.

    A variance below zero is an estimate like any other: the scatter is too small, or too alike, for these rounds to
    tell it. It is said, not hidden; `sd` is nan there.
    """

    meters: tuple[str, ...]
    variance: tuple[float, ...]
    gain: tuple[float, ...]
    rounds: int

    @property
    def sd(self) -> tuple[float, ...]:
        return tuple(float(v**0.5) if v >= 0 else float("nan") for v in self.variance)

    @property
    def below_zero(self) -> tuple[str, ...]:
        return tuple(m for m, v in zip(self.meters, self.variance, strict=True) if v < 0)


def same_scale_errors(meters: Sequence[str], readings: ArrayLike) -> RandomErrors:
    """Readings (rounds, meters) of meters that differ by a constant only: the three-instrument estimator.

    Grubbs 1948, J. Am. Stat. Assoc. 43:243, and 1973, Technometrics 15:53: s_a² = c_aa − (c_ab + c_ac − c_bc) of the
    covariances; with more than three meters the mean over all pairs of others. A nan leaves its round out.
    """
    return _random_errors(meters, readings, free_gains=False)


def free_gain_errors(meters: Sequence[str], readings: ArrayLike) -> RandomErrors:
    """The same with gains removed first: triple collocation (Stoffelen 1998, J. Geophys. Res. 103:7755).

    g_b = cov_bc/cov_ac; raises ValueError where the efforts hardly vary, so that no gain can be told.
    """
    return _random_errors(meters, readings, free_gains=True)


def _random_errors(meters: Sequence[str], readings: ArrayLike, *, free_gains: bool) -> RandomErrors:
    table = np.asarray(readings, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != len(meters):
        raise ValueError(f"readings of shape {table.shape} are no rounds of {len(meters)} meters")
    table = table[np.isfinite(table).all(axis=1)]
    if len(meters) < LEAST_METERS or len(table) < LEAST_ROUNDS:
        raise ValueError(
            f"{LEAST_METERS} meters and {LEAST_ROUNDS} rounds are needed, here are {len(meters)} and {len(table)}"
        )
    gain = _gains(np.cov(table.T)) if free_gains else np.ones(len(meters))
    covariance = np.cov((table / gain).T)
    variance = np.array(_variances(covariance)) * gain**2
    return RandomErrors(tuple(meters), tuple(variance.tolist()), tuple(gain.tolist()), len(table))


def _gains(covariance: Floats) -> Floats:
    """Against the first meter: each as the mean ratio of what it and the first share with every third one."""
    n = len(covariance)
    if not (covariance > 0).all():
        raise ValueError("the meters do not rise and fall together: their gains cannot be told from these efforts")
    ratios = [[covariance[b, c] / covariance[0, c] for c in range(1, n) if c != b] for b in range(1, n)]
    return np.array([1.0, *(float(np.mean(r)) for r in ratios)])


def _variances(covariance: Floats) -> list[float]:
    n = len(covariance)
    found = []
    for a in range(n):
        pairs = [(b, c) for b in range(n) for c in range(b) if a not in (b, c)]
        shared = [covariance[a, b] + covariance[a, c] - covariance[b, c] for b, c in pairs]
        found.append(float(covariance[a, a] - np.mean(shared)))
    return found
