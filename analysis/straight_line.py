"""Knows the straight line through two meters' readings when both carry errors."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from analysis.samples import Floats

BLOCKS = 10


@dataclass(frozen=True)
class Line:
    """y = intercept + slope·x, with standard errors."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    n: int


class NoLine(ValueError):
    """The points determine no line: fewer than 3, or all at one x."""


def deming(x: ArrayLike, y: ArrayLike, variance_ratio: float = 1.0, blocks: int = BLOCKS) -> Line:
    """Errors in both, `variance_ratio` = error variance of y over that of x (Deming 1943; Linnet 1990).

    Standard errors by leaving out one block of neighbours after the other (Künsch 1989), so that seconds which
    resemble each other are not counted as independent. With fewer than 3 points per block they are nan.
    """
    if not variance_ratio > 0:
        raise ValueError(f"a ratio of variances cannot be {variance_ratio}")
    xs, ys = _points(x, y)
    intercept, slope = _deming(xs, ys, variance_ratio)
    if xs.size < 3 * blocks:
        return Line(intercept, slope, math.nan, math.nan, xs.size)
    cuts = np.linspace(0, xs.size, blocks + 1).astype(int)
    without = np.array(
        [_deming(np.delete(xs, slice(a, b)), np.delete(ys, slice(a, b)), variance_ratio) for a, b in pairwise(cuts)]
    )
    spread = np.sqrt((blocks - 1) * without.var(axis=0))
    return Line(intercept, slope, float(spread[0]), float(spread[1]), xs.size)


def _deming(xs: Floats, ys: Floats, ratio: float) -> tuple[float, float]:
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    sxx, syy = float(np.mean((xs - x_mean) ** 2)), float(np.mean((ys - y_mean) ** 2))
    sxy = float(np.mean((xs - x_mean) * (ys - y_mean)))
    if sxy == 0:
        raise NoLine("the two readings do not vary together")
    excess = syy - ratio * sxx
    slope = (excess + math.sqrt(excess**2 + 4 * ratio * sxy**2)) / (2 * sxy)
    return y_mean - slope * x_mean, slope


def _points(x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.shape != ys.shape:
        raise ValueError(f"{xs.size} readings do not go with {ys.size}")
    both = np.isfinite(xs) & np.isfinite(ys)
    xs, ys = xs[both], ys[both]
    if xs.size < 3 or float(np.ptp(xs)) == 0:
        raise NoLine(f"{xs.size} points at {np.unique(xs).size} different readings of the reference give no line")
    return xs, ys
