"""Knows how a meter's difference changes with torque, cadence, time, temperature and posture, told apart at once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from analysis.mean_interval import student_t
from analysis.samples import Floats

MOST_INFLATION = 10.0  # of an effect's variance, by the other effects
LEAST_SPARE_BLOCKS = 8
# How blocks may resemble each other: a share of their variance fades with the time between, by one of these memories.
SHARES = (0.2, 0.4, 0.6, 0.8, 1.0)
MEMORIES_S = (20.0, 45.0, 90.0, 180.0, 400.0, 900.0, 2000.0)


@dataclass(frozen=True)
class Predictor:
    """`step` is the change that an effect is told for; without `least_range` between blocks it cannot be seen."""

    name: str
    per: str
    step: float
    least_range: float


TORQUE = Predictor("torque", "per 10 N·m", 10.0, 5.0)
CADENCE = Predictor("cadence", "per 10 rpm", 10.0, 8.0)
DRIFT = Predictor("time since zeroing or start", "per hour", 1.0, 0.25)
TEMPERATURE = Predictor("temperature", "per 10 °C", 10.0, 2.0)
STANDING = Predictor("posture", "standing − seated", 1.0, 1.0)
SIDE_TO_SIDE = Predictor("posture", "side-to-side − seated", 1.0, 1.0)
PREDICTORS = (TORQUE, CADENCE, DRIFT, TEMPERATURE, STANDING, SIDE_TO_SIDE)
LEAST_POSTURE_BLOCKS = 2


@dataclass(frozen=True)
class Effect:
    """The difference changes by `change_pct` of the reference, all other effects held, at 95 %."""

    name: str
    per: str
    change_pct: float
    half_width_pct: float
    why_not: str = ""


@dataclass(frozen=True)
class Effects:
    """`level_pct`: the mean difference of the blocks. One effect for each of the predictors, in their order."""

    effects: tuple[Effect, ...]
    blocks: int
    level_pct: float
    why_not: str = ""


@dataclass(frozen=True)
class Fit:
    """Coefficients with standard errors, to be used with Student's t of `degrees_of_freedom`."""

    coefficients: Floats
    standard_errors: Floats
    degrees_of_freedom: int


def effects(difference_pct: ArrayLike, at_s: ArrayLike, measured: Mapping[Predictor, ArrayLike]) -> Effects:
    """From blocks (n,) of difference, mid-time and conditions; all predictors absent from `measured` are not sent.

    A block with an unknown (nan) value is left out; a condition that is unknown in more than half of the blocks
    is left out instead.
    """
    difference, at = np.asarray(difference_pct, dtype=np.float64), np.asarray(at_s, dtype=np.float64)
    columns = {p: np.asarray(c, dtype=np.float64) for p, c in measured.items()}
    sent = {p: c for p, c in columns.items() if c.size and np.isfinite(c).mean() > 0.5}
    whole = np.isfinite(difference) & np.isfinite(at)
    for column in sent.values():
        whole = whole & np.isfinite(column)
    difference, at = difference[whole], at[whole]
    why_not = {p: _unseen(p, sent[p][whole]) if p in sent else "not measured" for p in PREDICTORS}
    used = [p for p in PREDICTORS if not why_not[p]]
    level = float(difference.mean()) if difference.size else math.nan
    if difference.size - 1 - len(used) < LEAST_SPARE_BLOCKS:
        reason = f"{difference.size} blocks are too few for {len(used)} effects"
        told = tuple(_not_told(p, why_not[p] or reason) for p in PREDICTORS)
        return Effects(told, difference.size, level, reason)
    scaled = np.stack([sent[p][whole] / p.step for p in used], axis=1) if used else np.empty((difference.size, 0))
    for predictor, inflation in zip(used, variance_inflation(scaled), strict=True):
        if inflation > MOST_INFLATION:
            why_not[predictor] = f"goes along with {_companion(predictor, used, scaled)}; this ride cannot part them"
    fit = fit_resembling(_with_constant(scaled), difference, at)
    wide = student_t(0.975, fit.degrees_of_freedom) * fit.standard_errors
    found = {p: (float(fit.coefficients[i]), float(wide[i])) for i, p in enumerate(used, 1)}
    told = tuple(_not_told(p, why_not[p]) if why_not[p] else Effect(p.name, p.per, *found[p]) for p in PREDICTORS)
    return Effects(told, difference.size, level, "" if used else "conditions did not change enough")


def fit_resembling(design: Floats, observed: Floats, at_s: Floats) -> Fit:
    """Generalised least squares, averaged over how blocks may resemble their neighbours in time.

    The correlation is share·exp(−|Δt|/memory), plus white noise. Each pair on a fixed list is weighted by its
    restricted likelihood (Patterson and Thompson 1971; Harville 1977), which unlike the correlation of residuals does
    not take for an effect what is slow noise; doubt about the correlation then widens the interval by itself
    (variance of a mixture: mean of variances plus variance of means).
    """
    freedom = observed.size - int(np.linalg.matrix_rank(design))
    orthonormal, back = _orthonormal(design)
    times = np.ascontiguousarray(at_s, dtype=np.float64).tobytes()
    found = [_generalised(orthonormal, observed, np.ones(observed.size), freedom)]
    for memory in MEMORIES_S:
        size, waves = _waves(times, memory)
        x, y = waves.T @ orthonormal, waves.T @ observed
        found += [_generalised(x, y, np.maximum(share * size + 1 - share, 1e-9), freedom) for share in SHARES]
    likelihood = np.array([logarithm for logarithm, _, _ in found])
    # Slow noise hides best and harms a drift most: equal weights cover that in 82 % at worst, these in 90 %.
    expected = np.sqrt([MEMORIES_S[0], *np.repeat(MEMORIES_S, len(SHARES))])
    weight = expected * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    means = np.array([back @ mean for _, mean, _ in found])
    variances = np.array([np.einsum("ij,jk,ik->i", back, covariance, back) for _, _, covariance in found])
    mean = weight @ means
    variance = weight @ variances + weight @ (means - mean) ** 2
    return Fit(mean, np.sqrt(np.maximum(variance, 0.0)), freedom)


@lru_cache(maxsize=4 * len(MEMORIES_S))
def _waves(times: bytes, memory_s: float) -> tuple[Floats, Floats]:
    """Eigenvalues and eigenvectors of exp(−|Δt|/memory) between the float64 `times`; meters of a ride share them."""
    at_s = np.frombuffer(times, dtype=np.float64)
    size, waves = np.linalg.eigh(np.exp(-np.abs(at_s[:, None] - at_s[None, :]) / memory_s))
    return size, waves


def variance_inflation(columns: Floats) -> Floats:
    """1/(1 − R²) of each column (n, p) regressed on the others and a constant; infinite where they tell it all."""
    inflation = []
    for j in range(columns.shape[1]):
        column, others = columns[:, j], _with_constant(np.delete(columns, j, axis=1))
        residual = column - others @ np.linalg.lstsq(others, column, rcond=None)[0]
        left, total = float(residual @ residual), float(np.sum((column - column.mean()) ** 2))
        inflation.append(total / left if left > 1e-12 * total else math.inf)
    return np.array(inflation)


def _generalised(x: Floats, y: Floats, variance: Floats, freedom: int) -> tuple[float, Floats, Floats]:
    """Restricted log-likelihood (but for a constant), coefficients and covariance, for independent rows of x and y
    whose variances (n,) are known but for a common factor."""
    weighted = x / variance[:, None]
    information = x.T @ weighted
    inverse = np.linalg.inv(information)
    mean = inverse @ (weighted.T @ y)
    residual = y - x @ mean
    squares = max(float(residual @ (residual / variance)), float(np.finfo(np.float64).tiny))
    determinants = float(np.log(variance).sum()) + float(np.linalg.slogdet(information)[1])
    return -0.5 * (determinants + freedom * math.log(squares)), mean, np.asarray(inverse * (squares / freedom))


def _orthonormal(design: Floats) -> tuple[Floats, Floats]:
    """Orthonormal columns that span the design, and the matrix from their coefficients back to its own."""
    left, size, right = np.linalg.svd(design, full_matrices=False)
    kept = size > 1e-9 * size.max()
    return left[:, kept], right[kept].T / size[kept]


def _with_constant(columns: Floats) -> Floats:
    return np.column_stack((np.ones(columns.shape[0]), columns))


def _unseen(predictor: Predictor, values: Floats) -> str:
    if predictor in (STANDING, SIDE_TO_SIDE):
        present, absent = int(np.count_nonzero(values > 0.5)), int(np.count_nonzero(values <= 0.5))
        least = min(present, absent)
        return f"only {present} blocks of it, {absent} without" if least < LEAST_POSTURE_BLOCKS else ""
    spread = float(np.ptp(values)) if values.size else 0.0
    if spread < predictor.least_range:
        return f"changed by {spread:.3g} only; {predictor.least_range:g} are needed ({predictor.per})"
    return ""


def _companion(predictor: Predictor, used: list[Predictor], columns: Floats) -> str:
    """What it goes along with most."""
    index = used.index(predictor)
    centred = columns - columns.mean(axis=0)
    size = np.sqrt((centred**2).sum(axis=0))
    alike = np.abs(centred.T @ centred[:, index]) / (size * size[index])
    alike[index] = 0.0
    other = used[int(np.argmax(alike))]
    return other.per if other.name == "posture" else other.name


def _not_told(predictor: Predictor, why_not: str) -> Effect:
    return Effect(predictor.name, predictor.per, math.nan, math.inf, why_not)
