"""Knows how two meters on one bike come to differ: turns, smoothing, rates, lag, wander, drift, whole watts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.grid import hold_limit_ns, time_weighted_mean
from analysis.samples import Floats

FINE_S = 0.05
RECORDED = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "ride_a_road_balance.csv"


@dataclass(frozen=True)
class Meter:
    """Sizes are assumed, not measured: common practice, no published source."""

    rate_hz: float = 1.0
    turns: int | None = 1  # mean of so many crank turns; None: a moving mean over `smoothing_s`
    smoothing_s: float = 1.5
    lag_s: float = 0.0  # what is left of its delay once the lag has been estimated and taken out
    noise_pct: float = 1.0  # sd of one crank turn
    wander_pct: float = 0.4  # sd of a slow error with `memory_s`
    memory_s: float = 20.0
    scale_pct: float = 0.0
    drift_pct_per_10min: float = 0.0


@dataclass(frozen=True)
class Rider:
    """What truly happens at the crank, every FINE_S."""

    power_w: Floats
    cadence_rpm: Floats

    @property
    def turn_s(self) -> float:
        """Mean length of a crank turn while pedalling."""
        return float(60 / self.cadence_rpm[self.cadence_rpm > 15].mean())


@dataclass(frozen=True)
class Notifications:
    sent_s: Floats
    power_w: Floats
    hold_ns: NDArray[np.int64]


@dataclass(frozen=True)
class Pair:
    """Two meters on the 1 Hz grid (a against the reference b), and what a truly reads more, second by second."""

    a_w: Floats
    b_w: Floats
    true_a_w: Floats
    true_b_w: Floats

    def part(self, start_s: int, stop_s: int) -> Pair:
        cut = slice(start_s, stop_s)
        return Pair(self.a_w[cut], self.b_w[cut], self.true_a_w[cut], self.true_b_w[cut])

    def true_difference_pct(self) -> float:
        both = np.isfinite(self.a_w) & np.isfinite(self.b_w)
        return float(100 * (self.true_a_w[both].sum() / self.true_b_w[both].sum() - 1))


def steady_rider(rng: np.random.Generator, seconds: int, mean_w: float = 200.0) -> Rider:
    n = round(seconds / FINE_S)
    power = mean_w * (1 + 0.04 * slow_noise(rng, n, 4.0) + 0.02 * slow_noise(rng, n, 60.0))
    return Rider(power, 88 + 2 * slow_noise(rng, n, 15.0))


def over_under_rider(rng: np.random.Generator, seconds: int) -> Rider:
    """Changes about each 30 s, as well as a person keeps time, so that no meter's seconds keep step with them."""
    steady = steady_rider(rng, seconds, 210.0)
    changes_s = np.cumsum(rng.normal(30, 0.5, seconds // 30 + 2)) - rng.uniform(0, 60)
    halves = np.searchsorted(changes_s, np.arange(steady.power_w.size) * FINE_S)
    return replace(steady, power_w=steady.power_w * np.where(halves % 2 == 0, 1.2, 0.8))


def recorded_riders(rng: np.random.Generator, seconds: int) -> Iterator[Rider]:
    """Stretches of a recorded road ride that start while pedalling and average 80 W or more. Endless.

    Replayed up to 3 % faster, so that its whole seconds do not keep step with the meters'.
    """
    table = np.genfromtxt(RECORDED, delimiter=",", skip_header=1, usecols=(1, 2))
    power, cadence = np.nan_to_num(table).T
    length = round(1.03 * seconds) + 1
    while True:
        start = int(rng.integers(0, power.size - length))
        cut = slice(start, start + length)
        if power[start] > 0 and power[cut].mean() >= 80:
            replay_s = np.arange(round(seconds / FINE_S)) * FINE_S * rng.uniform(1.0, 1.03)
            second_s = np.arange(length)
            yield Rider(np.interp(replay_s, second_s, power[cut]), np.interp(replay_s, second_s, cadence[cut]))


def ride_pair(rng: np.random.Generator, rider: Rider, a: Meter, b: Meter) -> Pair:
    seconds = round(rider.power_w.size * FINE_S)
    a_w, true_a_w = _read(rng, rider, a, seconds)
    b_w, true_b_w = _read(rng, rider, b, seconds)
    return Pair(a_w, b_w, true_a_w, true_b_w)


def slow_noise(rng: np.random.Generator, n: int, memory_s: float) -> Floats:
    """Unit variance, correlation exp(−t/memory), made each second (or finer for short memories) and interpolated."""
    step_s = min(1.0, memory_s / 10)
    count = round(n * FINE_S / step_s) + 2
    keep = np.exp(-step_s / memory_s)
    shock = rng.standard_normal(count) * np.sqrt(1 - keep**2)
    shock[0] = rng.standard_normal()
    # The recursion x[t] = keep·x[t−1] + shock[t], as a convolution cut where nothing is left of it.
    kernel = keep ** np.arange(min(count, round(12 * memory_s / step_s)))
    size = count + kernel.size
    series = np.fft.irfft(np.fft.rfft(shock, size) * np.fft.rfft(kernel, size), size)[:count]
    return np.asarray(np.interp(np.arange(n) * FINE_S, np.arange(count) * step_s, series))


def notifications(rng: np.random.Generator, rider: Rider, meter: Meter) -> Notifications:
    n = rider.power_w.size
    white = meter.noise_pct / 100 * np.sqrt(rider.turn_s / FINE_S) * rng.standard_normal(n)
    seen_w = true_w(rider, meter) * (1 + meter.wander_pct / 100 * slow_noise(rng, n, meter.memory_s) + white)
    work = np.concatenate(([0.0], np.cumsum(seen_w)))
    sent_s = np.arange(rng.uniform() / meter.rate_hz, n * FINE_S, 1 / meter.rate_hz)
    sent_s = np.maximum.accumulate(sent_s + np.abs(rng.normal(0, 0.02, sent_s.size)))
    sent_s = sent_s[rng.uniform(size=sent_s.size) > 0.005]  # packets lost on the air
    measured_s = np.clip(sent_s - meter.lag_s, 0, (n - 1) * FINE_S)
    if meter.turns is None:
        value = _mean_between(work, measured_s - meter.smoothing_s, measured_s)
    else:
        value = _turn_means(rider.cadence_rpm, work, measured_s, meter.turns)
    cadence = rider.cadence_rpm[np.minimum((sent_s / FINE_S).astype(int), n - 1)]
    return Notifications(sent_s, np.rint(value), hold_limit_ns(cadence))


def on_grid(sent: Notifications, seconds: int, step_ns: int, delay_s: float = 0.0) -> Floats:
    """Means where more than half of the step is fresh, nan elsewhere; `delay_s` earlier than they came."""
    host_ns = np.rint((sent.sent_s - delay_s) * 1e9).astype(np.int64)
    means = time_weighted_mean(host_ns, sent.power_w, 0, seconds * 10**9, step_ns, sent.hold_ns)
    return np.where(means.fresh_fraction > 0.5, means.mean, np.nan)


def true_w(rider: Rider, meter: Meter) -> Floats:
    """What a meter with this scale error and drift, and no other failing, would read."""
    drift = meter.drift_pct_per_10min / 100 * np.arange(rider.power_w.size) * FINE_S / 600
    return rider.power_w * (1 + meter.scale_pct / 100 + drift)


def _read(rng: np.random.Generator, rider: Rider, meter: Meter, seconds: int) -> tuple[Floats, Floats]:
    averaged_s = meter.smoothing_s / 2 if meter.turns is None else (meter.turns / 2 + 0.5) * rider.turn_s
    read_w = on_grid(notifications(rng, rider, meter), seconds, 10**9, 0.5 / meter.rate_hz + averaged_s)
    return read_w, true_w(rider, meter).reshape(seconds, -1).mean(axis=1)


def _turn_means(cadence_rpm: Floats, work: Floats, at_s: Floats, turns: int) -> Floats:
    """Mean over the last whole turns; zero once no turn has been completed for 2 s."""
    travelled = np.concatenate(([0.0], np.cumsum(cadence_rpm / 60 * FINE_S)))
    time_s = np.arange(travelled.size) * FINE_S
    travelled += np.arange(travelled.size) * 1e-12  # strictly rising, so that instants can be looked up
    last = np.floor(np.interp(at_s, time_s, travelled))
    stop_s = np.interp(last, travelled, time_s)
    start_s = np.interp(np.maximum(last - turns, 0), travelled, time_s)
    mean = _mean_between(work, start_s, stop_s)
    return np.where(at_s - stop_s > 2.0, 0.0, mean)


def _mean_between(work: Floats, start_s: Floats, stop_s: Floats) -> Floats:
    time_s = np.arange(work.size) * FINE_S
    start_s = np.maximum(start_s, 0)
    length = np.maximum(stop_s - start_s, FINE_S)
    return (np.interp(stop_s, time_s, work) - np.interp(start_s, time_s, work)) * FINE_S / length
