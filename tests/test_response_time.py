"""Smoothing and lag that were put in are found again within the interval that is stated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.response_time import RATE_HZ, estimate_response_time, response_time
from analysis.samples import Floats
from simulated_sensors.meter_model import MeterModel
from simulated_sensors.ride import Ride
from simulated_sensors.rider import Effort, ride_efforts
from simulated_sensors.sensor_spec import SensorSpec
from tests.simulated_rides import S, sending, simulated_signals


def low_pass(power_w: Floats, time_constant_s: float) -> Floats:
    """The differential equation itself, in steps of a tenth of a second, from rest at the first value."""
    out, state = np.empty(power_w.size), float(power_w[0])
    for step, value in enumerate(power_w):
        state += (value - state) * (1 - math.exp(-1 / (RATE_HZ * time_constant_s)))
        out[step] = state
    return out


def surging(seconds: int = 900, seed: int = 1) -> Floats:
    """A reference at 10 Hz with an over-under each half minute, changes within 3 s, noise of 1 % once a second."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    swing = np.clip(6 * np.sin(2 * np.pi * time_s / 60), -1, 1)
    noise = np.repeat(rng.normal(0, 0.01, seconds), RATE_HZ)
    return np.asarray((220 + 45 * swing) * (1 + noise))


def delayed(power_w: Floats, lag_s: float) -> Floats:
    steps = round(lag_s * RATE_HZ)
    return np.concatenate((np.full(steps, power_w[0]), power_w))[: power_w.size]


@pytest.mark.parametrize("smoothing_s", [0.3, 0.7, 1.5, 3.0])
@pytest.mark.parametrize("lag_s", [0.0, 0.8, 3.0])
def test_injected_smoothing_and_lag_are_recovered(smoothing_s: float, lag_s: float) -> None:
    reference = surging()
    noise = 1 + np.random.default_rng(2).normal(0, 0.005, reference.size)
    found = estimate_response_time(delayed(low_pass(1.04 * reference, smoothing_s), lag_s) * noise, reference)
    assert found.why_not == ""
    assert found.smoothing_low_s <= smoothing_s <= found.smoothing_high_s
    assert found.smoothing_high_s - found.smoothing_low_s < 0.7
    assert abs(found.lag_s - lag_s) < found.lag_half_width_s < 0.5
    assert found.slower == "meter" or smoothing_s == 0.3


def test_a_faster_meter_is_given_no_smoothing_and_the_slower_one_is_named() -> None:
    reference = surging()
    found = estimate_response_time(reference, low_pass(reference, 1.5))
    assert (found.smoothing_s, found.slower) == (0.0, "reference")
    assert found.reference_smoothing_s == pytest.approx(1.5, abs=0.1)
    assert found.slower_by_s == -found.reference_smoothing_s
    assert found.lag_s == pytest.approx(0.0, abs=0.1)


def test_alike_meters_are_neither_slower() -> None:
    found = estimate_response_time(delayed(surging(), 0.6), surging())
    assert found.slower == "neither"
    assert abs(found.slower_by_s) < 0.1
    assert found.lag_s == pytest.approx(0.6, abs=0.1)


EFFORTS = [
    Effort(60, 120, 85),
    Effort(240, 225, 88, kind="over-under", swing_w=40),
    *[Effort(60, 110, 85), Effort(12, 800, 105, kind="sprint")] * 2,
    Effort(60, 110, 85),
    Effort(60, 200, 90),
    Effort(60, 250, 65),
    Effort(60, 150, 100),
]
# Four packets a second of the last turn, as the reference here sends.
TURNS = MeterModel("pedals", "both", rate_hz=4)


def ridden(seed: int) -> Ride:
    return ride_efforts(EFFORTS, seed=seed, after_plan_s=5.0)


@pytest.mark.parametrize(
    ("smoothing_s", "lag_s", "rate_hz"), [(0.3, 0.0, 4), (0.6, 3.0, 4), (1.2, 0.4, 4), (3.0, 1.5, 4), (1.2, 1.5, 1)]
)
def test_simulated_meters_are_recovered(smoothing_s: float, lag_s: float, rate_hz: float) -> None:
    model = replace(TURNS, scale_pct=-2.0, smoothing_s=smoothing_s, lag_s=lag_s, rate_hz=rate_hz)
    for seed in range(3):
        ride = ridden(seed)
        specs = [SensorSpec("Alder", "", TURNS), SensorSpec("Birch", "", model)]
        signals = simulated_signals(specs, ride, seed)
        found = response_time(signals["Birch"], signals["Alder"], 0, round(ride.plan_s * S))
        # A value held for h s is h/2 old on average, spread over a box of variance h²/12; the reference's h is 1/4 s.
        held_s, held_s2 = (1 / rate_hz - 1 / 4) / 2, (1 / rate_hz**2 - 1 / 16) / 12
        assert found.smoothing_low_s <= math.sqrt(smoothing_s**2 + held_s2) <= found.smoothing_high_s
        assert abs(found.lag_s - lag_s - held_s) < found.lag_half_width_s
        assert found.surges > 10


def test_what_cannot_be_determined_is_said_in_words() -> None:
    steady = 200 + np.random.default_rng(3).normal(0, 2, 6000)
    none = estimate_response_time(steady, steady)
    assert none.why_not == "3 surges that both recorded are needed, here are 0"
    assert none.slower == "unknown"
    assert math.isnan(none.slower_by_s)
    apart = estimate_response_time(200 + np.random.default_rng(4).normal(0, 30, 9000), surging())
    assert apart.why_not == "the two powers do not move together"
    sluggish = estimate_response_time(low_pass(surging(), 20.0), surging())
    assert sluggish.why_not == "no best smoothing and lag within what is searched"
    late = estimate_response_time(delayed(surging(), 8.0), surging())
    assert late.why_not == "no best smoothing and lag within what is searched"


@pytest.mark.parametrize("power_w", [np.zeros(600), np.full(600, 200.0), np.full(600, -30.0), np.full(600, np.nan)])
def test_flat_power_negative_power_and_no_power_tell_nothing(power_w: Floats) -> None:
    assert "surges" in estimate_response_time(power_w, power_w).why_not
    assert "surges" in estimate_response_time(power_w[:0], power_w[:0]).why_not
    held = sending("Alder", power_w)
    assert "surges" in response_time(held, held, 0, 600 * S).why_not
    assert "surges" in response_time(held, held, 0, 3 * S).why_not


def test_gaps_cost_only_the_surges_around_them() -> None:
    reference = surging()
    meter = low_pass(reference, 0.8)
    meter[3000:3120] = np.nan
    whole, cut = (estimate_response_time(m, reference) for m in (low_pass(reference, 0.8), meter))
    assert whole.surges - 4 <= cut.surges < whole.surges
    assert cut.smoothing_s == pytest.approx(0.8, abs=0.1)


def test_short_gaps_cost_at_most_the_surges_around_them() -> None:
    """Wherever they lie: also just ahead of what is read for a surge, where they are averaged into it."""
    reference = surging()
    meter = delayed(low_pass(reference, 1.0), 0.5)
    whole = estimate_response_time(meter, reference)
    for ahead_s in np.arange(41.0, 45.0, 0.5):
        gaps = [(meter.copy(), 450), (reference.copy(), 600)]
        for power_w, surge_s in gaps:
            at = round((surge_s - ahead_s) * RATE_HZ)
            power_w[at : at + 3] = np.nan
        found = estimate_response_time(gaps[0][0], gaps[1][0])
        assert (found.why_not, found.slower) == ("", "meter")
        assert whole.surges - 8 <= found.surges <= whole.surges
        assert found.smoothing_s == pytest.approx(1.0, abs=0.1)


def test_lengths_must_match() -> None:
    with pytest.raises(ValueError, match="cannot be compared"):
        estimate_response_time([1.0], [1.0, 2.0])
