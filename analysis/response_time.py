"""Knows how much slower than the reference a meter answers a surge: its smoothing and its lag, fitted together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.fresh_means import fresh_means, ns
from analysis.mean_interval import student_t
from analysis.meter_signal import MeterSignal
from analysis.samples import Floats

Slower = Literal["meter", "reference", "neither", "unknown"]

RATE_HZ = 10
BEFORE_S, AFTER_S, HISTORY_S = 6, 12, 30  # of a surge; and what the smoother must have seen before it
LAGS = np.arange(-3 * RATE_HZ, 6 * RATE_HZ + 1)  # grid steps
SMOOTHINGS_S = np.array(
    [0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9, 1.1, 1.3, 1.5, 1.75, 2, 2.3, 2.6, 3, 3.4, 3.8, 4.3, 5, 6]
)
LEAST_SURGES = 3
LEAST_RISE_W = 25.0
LEAST_RISE = 0.15  # of the ride's mean power, within 4 s
LEAST_CORRELATION = 0.7
# Both are averaged over this before the fit, which changes neither smoothing nor lag: otherwise more smoothing than
# there is would be found, as it takes noise of single turns out of the reference.
QUIET_STEPS = 2 * RATE_HZ
# What surges have in common does not show in their scatter: turns that both meters report by, steps of a plan that
# begin at the same phase of every second's packet, the noise that is left. As standard deviations.
COMMON_S = 0.1
COMMON_S2 = 0.08
COMMON_SHARE = 0.04  # of the squared smoothing


@dataclass(frozen=True)
class ResponseTime:
    """A meter as the reference smoothed by a first-order low pass of time constant `smoothing_s`, `lag_s` later.

    Smoothing is relative, 0 for a meter that answers as fast as the reference or faster; how much slower that one is,
    is `reference_smoothing_s`. Both are those of the held signals: averaging over turns is in it, and holding between
    packets adds half an interval to the lag and the interval/√12, in quadrature, to the smoothing. Intervals at 95 %.
    """

    smoothing_s: float
    smoothing_low_s: float
    smoothing_high_s: float
    reference_smoothing_s: float
    lag_s: float
    lag_half_width_s: float
    slower: Slower
    surges: int
    why_not: str = ""

    @property
    def slower_by_s(self) -> float:
        """Signed: negative where the reference is the slower one; nan where not determined."""
        return self.smoothing_s - self.reference_smoothing_s


@dataclass(frozen=True)
class _Moments:
    """Sums (surges, smoothings, lags) of squares and products about each surge's own mean."""

    source2: Floats
    target2: Floats
    product: Floats

    @cached_property
    def _sums(self) -> tuple[Floats, Floats, Floats]:
        return self.source2.sum(axis=0), self.target2.sum(axis=0), self.product.sum(axis=0)

    def misfit(self, without: int | None = None) -> Floats:
        """1 − r² for each smoothing and lag, with one gain for all surges."""
        source2, target2, product = self._sums
        if without is not None:
            source2, target2 = source2 - self.source2[without], target2 - self.target2[without]
            product = product - self.product[without]
        scale = source2 * target2
        explained = np.where(product > 0, product**2, 0.0)
        return np.asarray(1.0 - explained / np.where(scale > 0, scale, np.inf))


def response_time(meter: MeterSignal, reference: MeterSignal, start_ns: int, stop_ns: int) -> ResponseTime:
    """From all surges of [start_ns, stop_ns): over-unders, sprints, starts and ends of steps."""
    step_ns = ns(1 / RATE_HZ)
    return estimate_response_time(
        fresh_means(meter.power, start_ns, stop_ns, step_ns),
        fresh_means(reference.power, start_ns, stop_ns, step_ns),
        max(_interval_s(meter), _interval_s(reference)),
    )


def estimate_response_time(meter_w: ArrayLike, reference_w: ArrayLike, held_s: float = 0.0) -> ResponseTime:
    """From two powers on a common 10 Hz grid (nan: gap); interval by leaving out one surge after the other.

    Least squares over smoothing and lag, one gain for all surges and each surge about its own mean, weighted by
    1/power² as noise grows with power. Both directions are tried: whichever meter has to be smoothed is the faster.
    `held_s` is the longer notification interval of the two; it widens the interval.
    """
    meter, reference = np.asarray(meter_w, dtype=np.float64), np.asarray(reference_w, dtype=np.float64)
    if meter.shape != reference.shape:
        raise ValueError(f"{meter.size} grid steps cannot be compared with {reference.size}")
    at = [c for c in _surges(reference) if _is_whole(meter, c) and _is_whole(reference, c)]
    if len(at) < LEAST_SURGES:
        return _not_determined(f"{LEAST_SURGES} surges that both recorded are needed, here are {len(at)}", len(at))
    moments = _both_directions(_quiet(meter), _quiet(reference), at)
    if math.sqrt(1 - float(moments.misfit().min())) < LEAST_CORRELATION:
        return _not_determined("the two powers do not move together", len(at))
    best = _best(moments.misfit())
    if best is None:
        return _not_determined("no best smoothing and lag within what is searched", len(at))
    without = [_best(moments.misfit(left_out)) for left_out in range(len(at))]
    told = np.array([pair for pair in without if pair is not None])
    if len(told) < len(at):
        return _not_determined("it hangs on a single surge", len(at))
    spread = student_t(0.975, len(at) - 1) * np.sqrt((len(at) - 1) * told.var(axis=0))
    normal = student_t(0.975, math.inf)
    common_s2 = math.hypot(COMMON_S2, COMMON_SHARE * best[0], held_s**2 / 12)
    half_s2 = math.hypot(float(spread[0]), normal * common_s2)
    return _result(best, half_s2, float(spread[1]), len(at))


def _result(best: tuple[float, float], half_s2: float, lag_spread_s: float, surges: int) -> ResponseTime:
    """From the signed square of the smoothing, in which misfits are even about zero."""
    square, lag_s = best
    low, high = square - half_s2, square + half_s2
    slower: Slower = "meter" if low > 0 else "reference" if high < 0 else "neither"
    # What smoothing takes, lag gives: near no smoothing at all single surges do not show how far that may go.
    traded_s = (_signed_root(high) - _signed_root(low)) / 2
    common_s = student_t(0.975, math.inf) * COMMON_S
    return ResponseTime(
        smoothing_s=max(_signed_root(square), 0.0),
        smoothing_low_s=max(_signed_root(low), 0.0),
        smoothing_high_s=max(_signed_root(high), 0.0),
        reference_smoothing_s=max(_signed_root(-square), 0.0),
        lag_s=lag_s,
        lag_half_width_s=math.hypot(max(lag_spread_s, traded_s), common_s),
        slower=slower,
        surges=surges,
    )


def _signed_root(square: float) -> float:
    return math.copysign(math.sqrt(abs(square)), square)


def _not_determined(why_not: str, surges: int) -> ResponseTime:
    nan = math.nan
    return ResponseTime(nan, 0.0, math.inf, nan, nan, math.inf, "unknown", surges, why_not)


def _quiet(power_w: Floats) -> Floats:
    return np.convolve(power_w, np.full(QUIET_STEPS, 1 / QUIET_STEPS))[: power_w.size]


def _interval_s(signal: MeterSignal) -> float:
    between_ns = np.diff(signal.arrivals_ns)
    return float(np.median(between_ns)) / 1e9 if between_ns.size else 0.0


def _surges(power_w: Floats) -> list[int]:
    """Grid steps in whose neighbourhood power changes most, far enough apart for their windows not to overlap."""
    width = 2 * RATE_HZ
    if power_w.size < 3 * width or not np.isfinite(power_w).any():
        return []
    smooth = np.lib.stride_tricks.sliding_window_view(power_w, width).mean(axis=1)
    change = np.abs(np.nan_to_num(smooth[2 * width :] - smooth[: -2 * width]))
    change[change < max(LEAST_RISE_W, LEAST_RISE * float(np.nanmean(power_w)))] = 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], change > 0, [0]))))
    found: list[int] = []
    for first, beyond in zip(edges[::2], edges[1::2], strict=True):
        centre = int(first + np.argmax(change[first:beyond])) + width + width // 2
        if not found or centre - found[-1] >= (BEFORE_S + AFTER_S) * RATE_HZ:
            found.append(centre)
    return found


def _is_whole(power_w: Floats, centre: int) -> bool:
    first, beyond = _reach(centre)
    first -= QUIET_STEPS - 1  # a gap just before is averaged into what is read
    return first >= 0 and beyond <= power_w.size and bool(np.isfinite(power_w[first:beyond]).all())


def _reach(centre: int) -> tuple[int, int]:
    """What must be known of both around a surge: history for the smoother, the window, and room for any lag."""
    room = int(np.abs(LAGS).max())
    return centre - (BEFORE_S + HISTORY_S) * RATE_HZ - room, centre + AFTER_S * RATE_HZ + room


def _both_directions(meter: Floats, reference: Floats, at: list[int]) -> _Moments:
    """Smoothings in ascending order of their signed square; negative: the meter was smoothed, not the reference."""
    ahead = _moments(meter, reference, at, SMOOTHINGS_S, -LAGS)
    behind = _moments(reference, meter, at, SMOOTHINGS_S[:0:-1], LAGS)
    return _Moments(
        np.concatenate((behind.source2, ahead.source2), axis=1),
        np.concatenate((behind.target2, ahead.target2), axis=1),
        np.concatenate((behind.product, ahead.product), axis=1),
    )


def _moments(
    target: Floats, source: Floats, at: list[int], smoothings_s: Floats, shifts: NDArray[np.int64]
) -> _Moments:
    """How the smoothed source, read `shift` grid steps from the window, goes with the target in it."""
    windows = np.stack([target[c - BEFORE_S * RATE_HZ : c + AFTER_S * RATE_HZ] for c in at])
    level = np.maximum(np.abs(windows.mean(axis=1)), 1.0)
    windows = (windows - windows.mean(axis=1, keepdims=True)) / level[:, None]
    smooth = _low_passed(np.stack([source[slice(*_reach(c))] for c in at]) / level[:, None], smoothings_s)
    room = int(np.abs(LAGS).max())
    begin, length = room + HISTORY_S * RATE_HZ, windows.shape[1]
    source2, product = (np.empty((len(at), smoothings_s.size, shifts.size)) for _ in range(2))
    for column, shift in enumerate(shifts):
        read = smooth[:, :, begin + shift : begin + shift + length]
        source2[:, :, column] = length * read.var(axis=2)
        product[:, :, column] = np.einsum("skt,st->sk", read, windows)
    target2 = np.broadcast_to((windows**2).sum(axis=1)[:, None, None], product.shape)
    return _Moments(source2, target2, product)


def _low_passed(rows: Floats, smoothings_s: Floats) -> Floats:
    """(surges, time) into (surges, smoothings, time), each row taken as steady before it begins."""
    keep = np.exp(-1 / (RATE_HZ * np.where(smoothings_s > 0, smoothings_s, 1e-9)))
    state = np.repeat(rows[:, :1], smoothings_s.size, axis=1)
    smooth = np.empty((rows.shape[0], smoothings_s.size, rows.shape[1]))
    for step in range(rows.shape[1]):
        state = keep * state + (1 - keep) * rows[:, step, None]
        smooth[:, :, step] = state
    return smooth


def _best(misfit: Floats) -> tuple[float, float] | None:
    """Signed square of the smoothing (s²) and lag (s) of the least misfit, refined between grid points."""
    at_lag = np.argmin(misfit, axis=1)
    row = int(np.argmin(misfit.min(axis=1)))
    if row in (0, misfit.shape[0] - 1) or at_lag[row] in (0, misfit.shape[1] - 1):
        return None
    rows = np.arange(row - 1, row + 2)
    lags = np.clip(at_lag[rows], 1, misfit.shape[1] - 2)
    before, here, after = (misfit[rows, lags + step] for step in (-1, 0, 1))
    bend = before - 2 * here + after
    offset = np.where(bend > 0, 0.5 * (before - after) / np.where(bend > 0, bend, 1.0), 0.0)
    least = here - 0.25 * (before - after) * offset
    squares = np.concatenate((-(SMOOTHINGS_S[:0:-1] ** 2), SMOOTHINGS_S**2))[rows]
    square = _vertex(squares, least)
    lag_steps = np.interp(square, squares, LAGS[lags] + offset)
    return square, float(lag_steps) / RATE_HZ


def _vertex(x: Floats, y: Floats) -> float:
    """Where the parabola through three points, the middle one lowest, has its bottom."""
    left, right = (y[1] - y[0]) / (x[1] - x[0]), (y[2] - y[1]) / (x[2] - x[1])
    bend = (right - left) / (x[2] - x[0])
    if not bend > 0:
        return float(x[1])
    return float(np.clip(0.5 * (x[0] + x[1]) - left / (2 * bend), x[0], x[2]))
