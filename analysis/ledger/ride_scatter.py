"""Knows how sure a mean, a step or a slope over several rides is, each ride bringing an interval of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.mean_interval import student_t

NORMAL_975 = 1.96


@dataclass(frozen=True)
class Estimate:
    """A 95 % interval; `half_width` is inf where the rides do not suffice for one."""

    value: float
    half_width: float
    rides: int

    @property
    def known(self) -> bool:
        return math.isfinite(self.half_width)

    @property
    def nonzero(self) -> bool:
        return self.known and abs(self.value) > self.half_width


@dataclass(frozen=True)
class Reading:
    """One ride's value with the half-width of its own 95 % interval."""

    value: float
    half_width: float


def mean_of_rides(readings: Sequence[Reading]) -> Estimate:
    """Unweighted: what differs from ride to ride usually outweighs what a ride knows of itself."""
    values = np.array([r.value for r in readings])
    k = len(values)
    if k == 0:
        return Estimate(math.nan, math.inf, 0)
    if k == 1:
        return Estimate(readings[0].value, readings[0].half_width, 1)
    return Estimate(float(values.mean()), _spread(float(values.std(ddof=1)), k - 1, readings) / math.sqrt(k), k)


def step_between(before: Sequence[Reading], after: Sequence[Reading]) -> Estimate:
    """After minus before, with the scatter of both pooled; no interval from fewer than two rides on a side."""
    if not before or not after:
        return Estimate(math.nan, math.inf, len(before) + len(after))
    b, a = np.array([r.value for r in before]), np.array([r.value for r in after])
    value, rides = float(a.mean() - b.mean()), a.size + b.size
    if min(a.size, b.size) < 2:
        return Estimate(value, math.inf, rides)
    squares = float(((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum())
    spread = _spread(math.sqrt(squares / (rides - 2)), rides - 2, [*before, *after])
    return Estimate(value, spread * math.sqrt(1 / a.size + 1 / b.size), rides)


def slope_within(groups: Sequence[tuple[Sequence[float], Sequence[Reading]]]) -> Estimate:
    """One slope through several groups of (places, readings), each with a level of its own."""
    used = [(np.asarray(x, float), np.array([r.value for r in y]), y) for x, y in groups if len(x) > 1]
    readings = [r for _, _, y in used for r in y]
    freedom = len(readings) - len(used) - 1
    across = sum(float(((x - x.mean()) ** 2).sum()) for x, _, _ in used)
    if not across > 0:
        return Estimate(math.nan, math.inf, len(readings))
    slope = sum(float(((x - x.mean()) * v).sum()) for x, v, _ in used) / across
    if freedom < 1:
        return Estimate(slope, math.inf, len(readings))
    squares = sum(float((((v - v.mean()) - slope * (x - x.mean())) ** 2).sum()) for x, v, _ in used)
    spread = _spread(math.sqrt(squares / freedom), freedom, readings)
    return Estimate(slope, spread / math.sqrt(across), len(readings))


def _spread(sd: float, freedom: int, readings: Sequence[Reading]) -> float:
    """Luck in few rides must not make the interval narrower than the rides' own intervals are."""
    own = [r.half_width / NORMAL_975 for r in readings if math.isfinite(r.half_width)]
    floor = NORMAL_975 * math.sqrt(sum(o**2 for o in own) / len(own)) if own else 0.0
    return max(student_t(0.975, freedom) * sd, floor)
