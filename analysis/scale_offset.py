"""Knows how to part a meter's scale error from its zero offset, by segments of different torque."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.mean_interval import student_t

LEAST_SEGMENTS = 4
LEAST_TORQUE_RANGE_NM = 5.0


@dataclass(frozen=True)
class ScaleOffset:
    """Meter against reference: the difference of their scales in % and of their zero offsets in N·m, at 95 %.

    `misfit` is χ² per degree of freedom; above 1 the segments scatter more than their own intervals say, and the
    intervals here were widened for it. Across the chain the scale holds its loss and the offset its drag.
    """

    scale_pct: float
    scale_half_width_pct: float
    offset_nm: float
    offset_half_width_nm: float
    segments: int
    misfit: float
    why_not: str = ""


def scale_and_offset(
    reference_w: ArrayLike, cadence_rpm: ArrayLike, difference_w: ArrayLike, half_width_w: ArrayLike
) -> ScaleOffset:
    """d = scale·P_ref + offset·2π·cadence/60 over segments (n,), weighted with their 95 % half-widths.

    Student's t(n − 2); standard errors times sqrt(χ²/(n − 2)) where that is above 1 (Birge 1932). A segment
    without a finite mean, half-width above zero or cadence is left out.
    """
    power, cadence, difference, half_width = (
        np.asarray(a, dtype=np.float64) for a in (reference_w, cadence_rpm, difference_w, half_width_w)
    )
    known = np.isfinite(power) & np.isfinite(difference) & np.isfinite(half_width) & np.isfinite(cadence)
    use = known & (half_width > 0) & (cadence > 0)
    power, difference, angular = power[use], difference[use], cadence[use] * (math.pi / 30)
    if power.size < LEAST_SEGMENTS:
        return _not_determined(power.size, f"{LEAST_SEGMENTS} segments are needed, here are {power.size}")
    torque_range_nm = float(np.ptp(power / angular))
    if torque_range_nm < LEAST_TORQUE_RANGE_NM:
        words = f"the segments' torques differ by {torque_range_nm:.1f} N·m, {LEAST_TORQUE_RANGE_NM:g} are needed"
        return _not_determined(power.size, words)
    sd = half_width[use] / student_t(0.975, math.inf)
    design = np.stack((power, angular), axis=1) / sd[:, None]
    inverse = np.linalg.inv(design.T @ design)
    scale, offset_nm = inverse @ (design.T @ (difference / sd))
    freedom = power.size - 2
    misfit = float(np.sum((difference / sd - design @ [scale, offset_nm]) ** 2)) / freedom
    wide = student_t(0.975, freedom) * math.sqrt(max(misfit, 1.0)) * np.sqrt(np.diag(inverse))
    return ScaleOffset(100 * float(scale), 100 * float(wide[0]), float(offset_nm), float(wide[1]), power.size, misfit)


def _not_determined(segments: int, why_not: str) -> ScaleOffset:
    return ScaleOffset(math.nan, math.inf, math.nan, math.inf, segments, math.nan, why_not)
