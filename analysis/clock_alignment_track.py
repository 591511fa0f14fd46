"""What one device recorded of a ride, and how its power and cadence move from second to second."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.samples import Bools, Floats

MOST_S = 48 * 3600
# A binomial mean over 5 s, then the difference: turns, notification steps and whole watts are quiet in it, and there
# is nothing left near half a cycle per second, so that between whole seconds it can be read without bias.
KERNEL = np.convolve(np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16, np.array([1.0, 0.0, -1.0]) / 2)
REACH = KERNEL.size // 2
# Moves beyond this quantile count as no stronger: a spike must not decide, nor a few sprints the drift.
CLIP_QUANTILE = 0.95


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

    @property
    def span_s(self) -> float:
        return float(self.time_s[-1] - self.time_s[0]) if self.time_s.size else 0.0


@dataclass(frozen=True, eq=False)
class Moves:
    """Of one quantity at `start_s`, `start_s` + 1 s, ...; 0 where `known` is false."""

    start_s: float
    value: Floats
    known: Bools


def moves(track: Track, values: Floats) -> Moves:
    """Differences of the smoothed values, clipped, in units of their own root mean square.

    Known only where every second under the kernel was recorded: a hole is not a fall to zero.
    """
    seconds = each_second(track, values)
    if seconds.size < KERNEL.size:
        return Moves(float(track.time_s[0]) if track.time_s.size else 0.0, np.zeros(0), np.zeros(0, np.bool_))
    raw = np.convolve(seconds, KERNEL, "valid")
    known = np.isfinite(raw)
    value = np.where(known, raw, 0.0)
    size = np.abs(value[known])
    if size.any():
        most = float(np.quantile(size, CLIP_QUANTILE))
        value = np.clip(value, -most, most) if most > 0 else value
        value /= most or float(size.max())  # first, since the square of a very small number is zero
        value /= float(np.sqrt(np.mean(value[known] ** 2)))
    return Moves(float(track.time_s[0]) + REACH, value, known)


def each_second(track: Track, values: Floats) -> Floats:
    """Values at whole seconds from the first record on; nan in holes. At most `MOST_S` of them.

    Where records are further apart by the device's own choice, straight lines join them.
    """
    known = np.isfinite(values)
    at_s, value = track.time_s[known] - track.time_s[:1], values[known]
    second = np.arange(int(min(track.span_s, MOST_S)) + 1.0)
    if at_s.size < 2:
        return np.full(second.size, np.nan)
    usual_s = float(np.median(np.diff(at_s)))
    bridged_s = 1.5 if usual_s < 1.25 else 2.5 * usual_s
    before = np.clip(np.searchsorted(at_s, second + 1e-6, "right") - 1, 0, at_s.size - 2)
    on_record = np.minimum(np.abs(second - at_s[before]), np.abs(second - at_s[before + 1])) < 1e-3
    inside = (second >= at_s[0]) & (second <= at_s[-1]) & (at_s[before + 1] - at_s[before] <= bridged_s)
    return np.where(on_record | inside, np.interp(second, at_s, value), np.nan)
