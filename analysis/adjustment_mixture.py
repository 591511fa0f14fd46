"""Knows means, chances and quantiles of figures that are normal under each of several combinations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analysis.adjustment_solver import Normal
from analysis.samples import Floats

# Standard deviations beyond which no quantile is sought, and the halvings that find it.
REACH, HALVINGS = 9.0, 40
LEAST_SD = 1e-12


@dataclass(frozen=True)
class Mixture:
    """One figure of each meter under every combination: weights (k,), means and sds (k, n)."""

    weight: Floats
    mean: Floats
    sd: Floats

    @classmethod
    def of(cls, weight: Floats, normals: Sequence[Normal]) -> Mixture:
        variance = np.stack([n.variance for n in normals])
        return cls(weight, np.stack([n.mean for n in normals]), np.sqrt(np.maximum(variance, 0.0)))

    @property
    def middle(self) -> Floats:
        return np.asarray(self.weight @ self.mean)

    def below(self, limit: Floats) -> Floats:
        return np.asarray(self.weight @ ndtr((limit - self.mean) / np.maximum(self.sd, LEAST_SD)))

    def quantile(self, probability: float) -> Floats:
        low, high = (self.mean - REACH * self.sd).min(axis=0), (self.mean + REACH * self.sd).max(axis=0)
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            beyond = self.below(middle) > probability
            low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
        return np.asarray((low + high) / 2)

    def half_width(self) -> Floats:
        return np.asarray((self.quantile(0.975) - self.quantile(0.025)) / 2)
