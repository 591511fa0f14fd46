"""Knows what several results with stated uncertainties amount to, and whether they are consistent with each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import cho_factor, cho_solve
from scipy.special import chdtrc


@dataclass(frozen=True)
class Consensus:
    """The weighted mean with its standard uncertainty, and what each result lies away from it.

    `probability`: how often consistent results scatter as much; below 0.05 they count as inconsistent (Cox 2002,
    Metrologia 39:589, procedure A). `birge_ratio`: sqrt(χ²/degrees of freedom). `away_uncertainty`: standard; a
    result shares its own error with the mean, so that u² = u_i² − u_mean². `shares`: each result's part in the mean.
    """

    mean: float
    uncertainty: float
    chi2: float
    degrees_of_freedom: int
    probability: float
    birge_ratio: float
    shares: tuple[float, ...]
    away: tuple[float, ...]
    away_uncertainty: tuple[float, ...]

    @property
    def consistent(self) -> bool:
        return self.probability >= 0.05


def consensus(results: ArrayLike, covariance: ArrayLike) -> Consensus:
    """Results (n,) with their covariance (n, n), or with standard uncertainties (n,) where they are independent.

    Raises ValueError where the two do not go together, or the covariance is none.
    """
    value, given = np.asarray(results, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    if value.ndim != 1 or value.size == 0 or given.shape not in (value.shape, value.shape * 2):
        raise ValueError(f"results of shape {value.shape} do not go with uncertainties of shape {given.shape}")
    matrix = np.diag(given**2) if given.ndim == 1 else given
    try:
        solve = cho_factor(matrix)
    except (ValueError, np.linalg.LinAlgError) as fault:
        raise ValueError("uncertainties must be above zero and possible together") from fault
    weight = cho_solve(solve, np.ones(value.size))
    variance = 1 / float(weight.sum())
    mean = float(weight @ value) * variance
    away = value - mean
    chi2, freedom = float(away @ cho_solve(solve, away)), value.size - 1
    return Consensus(
        mean=mean,
        uncertainty=math.sqrt(variance),
        chi2=chi2,
        degrees_of_freedom=freedom,
        probability=float(chdtrc(freedom, chi2)) if freedom else 1.0,
        birge_ratio=math.sqrt(chi2 / freedom) if freedom else math.nan,
        shares=tuple((weight * variance).tolist()),
        away=tuple(away.tolist()),
        away_uncertainty=tuple(np.sqrt(np.maximum(np.diag(matrix) - variance, 0.0)).tolist()),
    )
