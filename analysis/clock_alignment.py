"""How far the clock of one device is from that of another, and how it drifts, from the power that both recorded."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Track:
    """What one device recorded. Times are seconds of its own clock (any epoch, rising); nan is not recorded."""

    time_s: Floats
    power_w: Floats
    cadence_rpm: Floats

    def __post_init__(self) -> None:
        """Raises ValueError where the arrays do not go together or time does not rise."""
        if not self.time_s.shape == self.power_w.shape == self.cadence_rpm.shape or self.time_s.ndim != 1:
            raise ValueError("time, power and cadence need one value each per record")
        if not np.isfinite(self.time_s).all() or np.any(np.diff(self.time_s) <= 0):
            raise ValueError("the times of a track must be finite and rise")


@dataclass(frozen=True)
class Window:
    """What one stretch of the ride says by itself; `centre_s` on the other's clock."""

    centre_s: float
    offset_s: float
    correlation: float
    used: bool


@dataclass(frozen=True)
class Alignment:
    """reference = other + offset_s + drift_ppm·1e-6·(other − epoch_s); half-widths at 95 %.

    Drift is nan and its half-width None where it is not proven; it then counts as 0. Where `carried` is false nothing
    is told: offset nan, half-width inf, and `words` say why. The lag of the two meters lies in the offset too: clocks
    and meters cannot be told apart, and their sum is what makes the powers fit.
    """

    offset_s: float
    offset_half_width_s: float
    drift_ppm: float
    drift_half_width_ppm: float | None
    epoch_s: float
    windows: tuple[Window, ...]
    carried: bool
    words: str = ""

    def to_reference(self, time_s: Floats) -> Floats:
        """Times of the other's clock on the reference's; nan where nothing was carried."""
        drift = self.drift_ppm if math.isfinite(self.drift_ppm) else 0.0
        return np.asarray(time_s + self.offset_s + drift * 1e-6 * (time_s - self.epoch_s), dtype=np.float64)


def align_clocks(
    reference: Track, other: Track, *, guess_s: float | None = None, within_s: float = 900.0
) -> Alignment:
    """Offset and drift of the other's clock against the reference's.

    With `guess_s` the offset is sought within ± `within_s` of it (two clocks that both say UTC: guess 0), without it
    wherever the two overlap by 10 minutes.
    """
    epoch_s = float(other.time_s.mean()) if other.time_s.size else math.nan
    return Alignment(math.nan, math.inf, math.nan, None, epoch_s, (), carried=False, words="not estimated yet")
