"""Knows the figures of one meter: greatest means, work, torque, quartic mean, sides, and where the rider pedals."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.grid import HeldSignal
from analysis.samples import Bools, Floats

QUARTIC_WINDOW_S = 30
PULSE_BEFORE_NS = 3 * 10**9
PULSE_AFTER_NS = 8 * 10**9
AT_REST_RPM = 15.0
# A meter that averages over turns holds its last value up to 2 s into a coast and reports the turn that spans it
# afterwards. On a recorded road ride this biased 600 s means by 1.2 %, and by less than 0.1 % once 5 s on either side
# were left out.
COASTING_MARGIN_S = 5


def pedalling_seconds(cadence_rpm: ArrayLike, margin_s: int = COASTING_MARGIN_S) -> Bools:
    """Grid seconds with a known cadence of 15 rpm or more that have no rest within `margin_s` before or after.

    A sensor may fall silent while nobody pedals, so unknown cadence (nan) for longer than twice the margin counts as
    rest; a shorter hole is a lost packet or two, and costs only its own seconds.
    """
    cadence = np.asarray(cadence_rpm, dtype=np.float64)
    unknown = np.isnan(cadence)
    at_rest = (cadence < AT_REST_RPM) | _long_runs(unknown, 2 * margin_s)
    rests_before = np.concatenate(([0], np.cumsum(at_rest)))
    second = np.arange(cadence.size)
    first, beyond = np.maximum(second - margin_s, 0), np.minimum(second + margin_s + 1, cadence.size)
    return np.asarray((rests_before[beyond] == rests_before[first]) & ~unknown)


def _long_runs(flags: Bools, longest: int) -> Bools:
    """The flags that stand in runs of more than `longest`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    long = np.zeros(flags.size, dtype=bool)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        long[start:stop] = stop - start > longest
    return long


def torque_nm(power_w: ArrayLike, cadence_rpm: ArrayLike) -> Floats:
    """Torque = power / (2π·cadence/60); nan at rest, where power says nothing of torque."""
    cadence = np.asarray(cadence_rpm, dtype=np.float64)
    turning = np.where(cadence > 0, cadence, np.nan)
    return np.asarray(np.asarray(power_w, dtype=np.float64) / (2 * math.pi / 60 * turning))


def left_and_right_w(power_w: ArrayLike, left_pct: ArrayLike) -> tuple[Floats, Floats]:
    """The two sides of a total power, from the left share."""
    power = np.asarray(power_w, dtype=np.float64)
    left = power * np.asarray(left_pct, dtype=np.float64) / 100
    return left, power - left


def work_j(signal: HeldSignal, start_ns: int, stop_ns: int) -> float:
    """Work over the fresh part of [start_ns, stop_ns); what is stale adds nothing."""
    return float(signal.between([start_ns, stop_ns]).value_ns[0]) / 1e9


def greatest_sample_w(host_ns: ArrayLike, power_w: ArrayLike, start_ns: int, stop_ns: int) -> float:
    """The greatest single sample received in [start_ns, stop_ns); nan without one."""
    at_ns, power = np.asarray(host_ns, dtype=np.int64), np.asarray(power_w, dtype=np.float64)
    received = power[(at_ns >= start_ns) & (at_ns < stop_ns) & np.isfinite(power)]
    return float(received.max()) if received.size else math.nan


def greatest_mean_w(signal: HeldSignal, window_ns: int, start_ns: int, stop_ns: int) -> float:
    """The greatest mean over any window of this length inside [start_ns, stop_ns) that is fresh throughout.

    Exact, on no grid: the running integral of a held signal is piecewise linear, so its extreme has an edge of the
    window on an edge of a sample. nan where no window fits or none is without a gap.
    """
    last_ns = stop_ns - window_ns
    if last_ns < start_ns:
        return math.nan
    edges_ns, held = signal.edges(start_ns, stop_ns)
    begins = (edges_ns >= start_ns) & (edges_ns <= last_ns)
    ends = (edges_ns >= start_ns + window_ns) & (edges_ns <= stop_ns)
    outermost_ns = np.array([start_ns, last_ns])
    windows = (
        (held.at(begins), signal.up_to(edges_ns[begins] + window_ns)),
        (signal.up_to(edges_ns[ends] - window_ns), held.at(ends)),
        (signal.up_to(outermost_ns), signal.up_to(outermost_ns + window_ns)),
    )
    greatest = [
        (after.value_ns - before.value_ns)[whole].max()
        for before, after in windows
        if (whole := after.fresh_ns - before.fresh_ns == window_ns).any()
    ]
    return float(max(greatest)) / window_ns if greatest else math.nan


def quartic_mean_w(power_w_per_s: ArrayLike) -> float:
    """Fourth root of the mean fourth power of the 30 s rolling mean (Allen and Coggan) of 1 Hz grid means.

    Whole windows only: the first 29 s give none, and a window with a gap (nan) is left out. nan without a window.
    """
    power = np.asarray(power_w_per_s, dtype=np.float64)
    if power.size < QUARTIC_WINDOW_S:
        return math.nan
    rolling = np.lib.stride_tricks.sliding_window_view(power, QUARTIC_WINDOW_S).mean(axis=1)
    rolling = rolling[np.isfinite(rolling)]
    return float(np.mean(rolling**4) ** 0.25) if rolling.size else math.nan


def silence_at_rest_as_zero(power_w: ArrayLike, cadence_rpm: ArrayLike) -> Floats:
    """Grid power where a gap counts as 0 W while the cadence is fresh and zero; other gaps stay gaps (nan)."""
    power, cadence = np.asarray(power_w, dtype=np.float64), np.asarray(cadence_rpm, dtype=np.float64)
    return np.where(np.isnan(power) & (cadence == 0), 0.0, power)


def pulse_work_j(signal: HeldSignal, onset_ns: int, end_ns: int) -> float:
    """Work of a sprint from 3 s before its onset to 8 s after its end, so that slow meters get it all in.

    nan where any of it is stale: a sprint is compared whole or not at all.
    """
    start_ns, stop_ns = onset_ns - PULSE_BEFORE_NS, end_ns + PULSE_AFTER_NS
    held = signal.between([start_ns, stop_ns])
    return float(held.value_ns[0]) / 1e9 if held.fresh_ns[0] == stop_ns - start_ns else math.nan
