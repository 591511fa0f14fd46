"""What a power meter measures of a ride, by its place in the drivetrain and its errors, not yet in packets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulated_sensors import crank_torque
from simulated_sensors.ride import Ride
from simulated_sensors.seeded_noise import Floats, generator, wander

Place = Literal["pedals", "crank", "spider", "chainring", "hub", "trainer"]
Sides = Literal["both", "inferred", "left", "right", "total"]
Counts = NDArray[np.int64]

STOPPED_S = 3.0  # without a crank event for so long, a meter says zero (common practice, no published source)
_SMOOTHING_HZ = 10
_SHARE_NOISE = 0.003
_EVENT_TO_PACKET_S = 0.02


@dataclass(frozen=True)
class Warming:
    """A unit brought from one temperature into another; it is taken as zeroed at the start."""

    start_c: float = 18.0
    settled_c: float = 24.0
    memory_s: float = 600.0

    def temperature_c(self, at_s: Floats) -> Floats:
        return np.asarray(self.settled_c - (self.settled_c - self.start_c) * np.exp(-at_s / self.memory_s))


@dataclass(frozen=True)
class MeterModel:
    """Reported = true * (1 + scale) * (1 - loss if behind the chain) + 2 pi cadence / 60 * offset_nm, and noise.

    `noise_pct` is white, drawn for each measured value; `wander_pct` is slow. Both are standard deviations.
    `window` counts crank turns, or seconds where `averaging` is "second". `rate_hz` 0 is one packet per crank event.
    """

    place: Place
    sides: Sides
    scale_pct: float = 0.0
    offset_nm: float = 0.0
    temperature_pct_per_c: float = 0.0
    warming: Warming = Warming()
    noise_pct: float = 1.0
    wander_pct: float = 0.4
    wander_memory_s: float = 20.0
    averaging: Literal["turn", "second"] = "turn"
    window: float = 1.0
    smoothing_s: float = 0.0
    lag_s: float = 0.0
    rate_hz: float = 1.0

    @property
    def behind_chain(self) -> bool:
        return self.place in ("hub", "trainer")


@dataclass(frozen=True, eq=False)
class Measurement:
    """One element per packet. Power is not rounded yet; counts, torque and energy grow from 0 and never wrap.

    Event times are seconds of the ride, negative before the first event. `torque_nm` sums the mean torque of each
    turn of what is counted (crank or wheel); `left_share` is 0.5 where the unit cannot know it.
    """

    at_s: Floats
    power_w: Floats
    left_share: Floats
    crank_turns: Counts
    crank_event_s: Floats
    wheel_turns: Counts
    wheel_event_s: Floats
    torque_nm: Floats
    energy_kj: Floats


def measure(model: MeterModel, ride: Ride, seed: int, name: str) -> Measurement:
    """Everything the unit called `name` will say of the ride, without the faults of its radio."""
    phase = float(generator(seed, name, "mark").uniform(0.05, 0.95))
    crank_s = ride.event_times_s(phase)
    wheel_s = ride.event_times_s(phase, ride.drivetrain.gear_ratio)
    measured_s, measured_w = _measured(model, ride, crank_s, generator(seed, name, "noise"))
    sent_s = _packet_times(model, crank_s, ride.end_s, generator(seed, name, "packets"))
    known_s = sent_s - model.lag_s
    power_w = _held(measured_s, measured_w, known_s)
    if model.smoothing_s > 0:
        power_w = _smoothed(measured_s, measured_w, ride.end_s, model.smoothing_s, known_s)
    counted_s = wheel_s if model.behind_chain else crank_s
    torques_nm = _held(measured_s, measured_w, counted_s) * np.diff(counted_s, prepend=0.0) / (2 * math.pi)
    work_j = np.cumsum(measured_w * np.diff(measured_s, prepend=0.0))
    left_share = _left_share(model, ride, measured_s, generator(seed, name, "left share"))
    return Measurement(
        at_s=sent_s,
        power_w=_zero_when_stopped(power_w, known_s, crank_s, model),
        left_share=_held(measured_s, left_share, known_s, first=0.5),
        crank_turns=np.searchsorted(crank_s, known_s, "right"),
        crank_event_s=_held(crank_s, crank_s, known_s, first=-1.0),
        wheel_turns=np.searchsorted(wheel_s, known_s, "right"),
        wheel_event_s=_held(wheel_s, wheel_s, known_s, first=-1.0),
        torque_nm=_held(counted_s, np.cumsum(torques_nm), known_s),
        energy_kj=_held(measured_s, work_j, known_s) / 1000,
    )


def _sensed_work_j(model: MeterModel, ride: Ride, at_s: Floats) -> Floats:
    """Work that passes the gauges (twice, where one side stands for both)."""
    if model.behind_chain:
        work_j = ride.behind_chain_work_j(at_s)
    elif model.sides == "left":
        return 2 * ride.left_work_j(at_s)
    elif model.sides == "right":
        return 2 * (ride.work_j(at_s) - ride.left_work_j(at_s))
    else:
        work_j = ride.work_j(at_s)
    # A window that is no whole number of turns sees the ripple, unless a flywheel has evened it out before.
    if model.averaging == "second" and model.place != "trainer":
        work_j = work_j + ride.ripple_work_j(at_s)
    return work_j


def _measured(model: MeterModel, ride: Ride, crank_s: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """When each value is ready, and the value with all errors."""
    if model.averaging == "turn":
        ready_s, back = crank_s, max(1, round(model.window))
    else:
        ready_s, back = np.arange(model.window, ride.end_s, model.window), 1
    since_s = np.concatenate((np.zeros(back), ready_s))[: ready_s.size]
    span_s = ready_s - since_s
    true_w = (_sensed_work_j(model, ride, ready_s) - _sensed_work_j(model, ride, since_s)) / span_s
    angular = 2 * math.pi * (ride.turns(ready_s) - ride.turns(since_s)) / span_s
    gain = 1 + gain_pct(model, ready_s) / 100
    gain += wander(rng, ready_s, model.wander_pct / 100, model.wander_memory_s)
    gain += rng.normal(0.0, model.noise_pct / 100, ready_s.size)
    return ready_s, true_w * gain + angular * model.offset_nm


def gain_pct(model: MeterModel, at_s: Floats) -> Floats:
    """Scale error without noise: the unit's own and what its temperature adds."""
    warmer_c = model.warming.temperature_c(at_s) - model.warming.start_c
    return np.asarray(model.scale_pct + model.temperature_pct_per_c * warmer_c)


def _held(ready_s: Floats, values: Floats, at_s: Floats, first: float = 0.0) -> Floats:
    """The newest value at each instant; `first` before there is one."""
    return np.concatenate(([first], values))[np.searchsorted(ready_s, at_s, "right")]


def _smoothed(ready_s: Floats, values: Floats, end_s: float, smoothing_s: float, at_s: Floats) -> Floats:
    """A first-order low pass with this time constant, as a weighted mean of the past on a fine grid."""
    grid_s = np.arange(0.0, end_s + 1, 1 / _SMOOTHING_HZ)
    weights = np.exp(-np.arange(0.0, 8 * smoothing_s, 1 / _SMOOTHING_HZ) / smoothing_s)
    held = _held(ready_s, values, grid_s)
    return np.interp(at_s, grid_s, np.convolve(held, weights / weights.sum())[: grid_s.size])


def _zero_when_stopped(power_w: Floats, at_s: Floats, crank_s: Floats, model: MeterModel) -> Floats:
    if model.averaging == "second":
        return power_w  # such a unit measures the standstill itself
    still_s = at_s - _held(crank_s, crank_s, at_s, first=-STOPPED_S)
    return np.where(still_s >= STOPPED_S, 0.0, power_w)


def _packet_times(model: MeterModel, crank_s: Floats, end_s: float, rng: np.random.Generator) -> Floats:
    if model.rate_hz > 0:
        return np.arange(float(rng.uniform(0.0, 1.0)) / model.rate_hz, end_s, 1 / model.rate_hz)
    # Where the crank stands, one packet a second goes on saying so.
    edges_s = np.concatenate(([0.0], crank_s, [end_s]))
    pauses = np.flatnonzero(np.diff(edges_s) > STOPPED_S)
    idle = [np.arange(edges_s[i] + STOPPED_S, edges_s[i + 1], 1.0) for i in pauses]
    return np.sort(np.concatenate([crank_s, *idle])) + _EVENT_TO_PACKET_S + model.lag_s


def _left_share(model: MeterModel, ride: Ride, at_s: Floats, rng: np.random.Generator) -> Floats:
    if model.behind_chain or model.sides not in ("both", "inferred"):
        return np.full(at_s.shape, 0.5)
    share = ride.left_share_at(at_s)
    if model.sides == "inferred":
        share = crank_torque.inferred_left_share(share, ride.posture_at(at_s))
    return np.clip(share + rng.normal(0.0, _SHARE_NOISE, at_s.size), 0.0, 1.0)
