"""What devices that each keep a file and a clock of their own record of one ride: ticks, pauses, missing seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.clock_alignment import Track
from simulated_sensors.meter_model import Measurement, MeterModel, measure
from simulated_sensors.ride import Ride
from simulated_sensors.rider import Effort, Rider, ride_efforts
from simulated_sensors.seeded_noise import Floats, generator

STOPS_AFTER_S, GOES_ON_AFTER_S = 4.0, 2.0  # an automatic pause is noticed, and so is its end
_TURNING_RPM = 1.0
# Outdoors power is much less even than on a trainer. Checked against a recorded ride: tests/test_clock_alignment.py.
OUTDOOR_RIDER = Rider(power_slow_pct=15.0, power_quick_pct=20.0, cadence_rpm=3.0)


@dataclass(frozen=True)
class Pause:
    """Pressed by hand on one device, in seconds of the ride; the others go on."""

    start_s: float
    stop_s: float


@dataclass(frozen=True)
class RideFileDevice:
    """ride time = clock + offset_s + drift_ppm·1e-6·(clock + offset_s − middle of the ride).

    A record at a tick of the clock holds the mean of what the meter said in the second before ("mean"), or the last
    it said ("latest"). `timer_stops`: the file's time stands still in pauses, instead of running on.
    """

    name: str
    model: MeterModel
    offset_s: float = 0.0
    drift_ppm: float = 0.0
    records: Literal["mean", "latest"] = "mean"
    missing: float = 0.01
    auto_pause: bool = True
    pauses: tuple[Pause, ...] = ()
    timer_stops: bool = False

    def ride_s(self, clock_s: Floats, ride: Ride) -> Floats:
        there_s = clock_s + self.offset_s
        return np.asarray(there_s + self.drift_ppm * 1e-6 * (there_s - ride.plan_s / 2))

    def clock_s(self, ride_s: Floats, ride: Ride) -> Floats:
        middle_s = ride.plan_s / 2
        return np.asarray(middle_s + (ride_s - middle_s) / (1 + self.drift_ppm * 1e-6) - self.offset_s)


def device_track(device: RideFileDevice, ride: Ride, seed: int) -> Track:
    """Its whole file in whole watts and turns per minute; a missing second is a missing row or one without power."""
    first_s, last_s = device.clock_s(np.array([1.0, ride.plan_s - 1.0]), ride)
    clock_s = np.arange(math.ceil(first_s), math.floor(last_s) + 1.0)
    ride_s = device.ride_s(clock_s, ride)
    said = measure(device.model, ride, seed, device.name)
    if device.records == "mean":
        power_w = _means(said, device.ride_s(clock_s - 1.0, ride), ride_s)
    else:
        power_w = said.power_w[np.maximum(np.searchsorted(said.at_s, ride_s, "right") - 1, 0)]
    cadence_rpm = ride.cadence_at(ride_s - device.model.lag_s)
    power_w, cadence_rpm = np.rint(power_w), np.rint(cadence_rpm)
    rng = generator(seed, device.name, "missing")
    power_w[rng.random(power_w.size) < device.missing / 2] = np.nan
    paused = _paused(device, ride, ride_s)
    kept = (rng.random(power_w.size) >= device.missing / 2) & ~paused
    if device.timer_stops:
        clock_s = clock_s - np.cumsum(paused)
    return Track(clock_s[kept], power_w[kept], cadence_rpm[kept])


def true_offset_s(reference: RideFileDevice, other: RideFileDevice, ride: Ride, at_clock_s: float) -> float:
    """What has to be added to the other's clock at `at_clock_s` to get the reference's."""
    at_s = np.array([at_clock_s])
    return float(reference.clock_s(other.ride_s(at_s, ride), ride)[0]) - at_clock_s


def true_drift_ppm(reference: RideFileDevice, other: RideFileDevice) -> float:
    return 1e6 * ((1 + other.drift_ppm * 1e-6) / (1 + reference.drift_ppm * 1e-6) - 1)


def outdoor_ride(seed: int, seconds: float = 7200.0) -> Ride:
    """Flats and hills of up to six minutes, surges, freewheeling, and a stop every half hour or so."""
    rng = generator(seed, "outdoors")
    efforts, ridden_s, since_stop_s = [], 0.0, 0.0
    while ridden_s < seconds:
        if since_stop_s > rng.uniform(1200, 2400):
            made, since_stop_s = [Effort(float(rng.uniform(30, 180)), 0.0, 0.0, kind="free", name="stop")], 0.0
        else:
            made = _stretch(rng)
        efforts += made
        ridden_s += sum(e.seconds for e in made)
        since_stop_s += sum(e.seconds for e in made)
    return ride_efforts(efforts, seed=seed, rider=OUTDOOR_RIDER, after_plan_s=0.0)


def _stretch(rng: np.random.Generator) -> list[Effort]:
    kind = rng.choice(["flat", "hill", "surge", "freewheel"], p=[0.3, 0.15, 0.2, 0.35])
    if kind == "flat":
        return [Effort(float(rng.uniform(15, 180)), float(rng.uniform(100, 210)), float(rng.uniform(82, 95)))]
    if kind == "hill":
        return [Effort(float(rng.uniform(60, 360)), float(rng.uniform(200, 300)), float(rng.uniform(65, 82)))]
    if kind == "surge":
        return [Effort(float(rng.uniform(6, 25)), float(rng.uniform(300, 600)), 100.0, kind="free", name="surge")]
    return [Effort(float(rng.uniform(4, 40)), 0.0, 0.0, kind="free", name="freewheel")]


def _means(said: Measurement, from_s: Floats, to_s: Floats) -> Floats:
    """Mean over each [from, to) of the values, each held until the next; 0 before the first."""
    at_s = np.concatenate(([-10.0], said.at_s, [said.at_s[-1] + 10.0]))
    held_w = np.concatenate(([0.0], said.power_w))
    work_j = np.concatenate(([0.0], np.cumsum(held_w * np.diff(at_s))))
    return np.asarray((np.interp(to_s, at_s, work_j) - np.interp(from_s, at_s, work_j)) / (to_s - from_s))


def _paused(device: RideFileDevice, ride: Ride, ride_s: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    paused = np.zeros(ride_s.size, dtype=np.bool_)
    for pause in device.pauses:
        paused |= (ride_s >= pause.start_s) & (ride_s < pause.stop_s)
    if device.auto_pause:
        for span in ride.spans:
            if span.name == "stop":
                paused |= (ride_s >= span.start_s + STOPS_AFTER_S) & (ride_s < span.end_s + GOES_ON_AFTER_S)
    return paused
