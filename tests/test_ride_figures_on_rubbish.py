"""Whatever sensors and plans hold, whole-ride figures answer in numbers or in words: no exception, no warning."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.cadence_agreement import cadence_agreement
from analysis.effect_blocks import ride_effects
from analysis.meter_signal import MeterSignal, meter_signal
from analysis.packet_check import packet_check
from analysis.response_time import response_time
from analysis.samples import Floats, SensorSamples, Series, empty_series
from analysis.segments import Segment
from analysis.sprints import SprintTerms, compare_sprints
from tests.simulated_rides import S


def rubbish_power_w(rng: np.random.Generator, at_ns: np.ndarray) -> Floats:
    shapes = (
        np.zeros(at_ns.size),
        np.full(at_ns.size, 200.0),
        rng.uniform(-300, 0, at_ns.size),
        rng.integers(-32768, 32768, at_ns.size),
        200 + 150 * np.sign(np.sin(at_ns / 10 / S)) + rng.normal(0, 3, at_ns.size),
        rng.normal(200, 2, at_ns.size),
    )
    return np.asarray(shapes[int(rng.integers(len(shapes)))], np.float64)


def rubbish_meter(rng: np.random.Generator, name: str) -> MeterSignal:
    count = int(rng.choice([0, 1, 2, 5, 50, 700]))
    at_ns = np.sort(rng.integers(0, int(rng.choice([1, S, 700 * S])), count))
    power = Series(at_ns, rubbish_power_w(rng, at_ns))
    cadences = (np.zeros(count), np.full(count, 90.0), rng.uniform(0, 200, count))
    unknown = np.full(count, np.nan)
    torque = {
        "accumulated_torque_nm": rng.integers(0, 65536, count) / 32,
        "crank_revolutions": np.where(rng.random(count) < 0.2, np.nan, np.arange(count, dtype=np.float64)),
        "crank_event_s": rng.integers(0, 65536, count) / 1024,
        "wheel_revolutions": unknown,
        "wheel_event_s": unknown,
        "power_w": power.values,
    }
    samples = SensorSamples(
        name,
        power_w=power,
        cadence_rpm=Series(at_ns, cadences[int(rng.integers(3))]),
        temperature_c=Series(at_ns, np.full(count, 20.0)) if rng.random() < 0.5 else empty_series(),
        torque_packets={n: Series(at_ns, np.asarray(v, np.float64)) for n, v in torque.items()},
        arrivals_ns=at_ns,
    )
    return meter_signal(name, [samples])


def rubbish_segment(rng: np.random.Generator, number: int) -> Segment:
    start_s, length_s = rng.uniform(-5, 720), rng.choice([0, 0.1, 3, 12, 60, 300, 700])
    return Segment(
        number,
        "s",
        round(start_s * S),
        round((start_s + length_s) * S),
        settle_ns=int(rng.choice([0, 10 * S])),
        step_kind=str(rng.choice(["sprint", "steady", "free"])),
        posture=str(rng.choice(["seated", "standing", "side-to-side"])),
    )


@pytest.mark.parametrize("seed", range(60))
def test_numbers_or_words(seed: int) -> None:
    rng = np.random.default_rng(seed)
    signals = {name: rubbish_meter(rng, name) for name in ("Alder", "Birch", "Cedar")}
    segments = [rubbish_segment(rng, number) for number in range(int(rng.integers(0, 7)))]
    lag_s, slower_by_s = float(rng.choice([0, 1.3, -2, np.nan])), float(rng.choice([0, 0.5, 3, -1, np.nan]))
    pair = signals["Birch"], signals["Alder"]
    response = response_time(*pair, 0, 700 * S)
    assert math.isfinite(response.slower_by_s) != bool(response.why_not)
    sprints = compare_sprints(signals, segments, "Alder", {"Birch": SprintTerms(2.0, lag_s, slower_by_s)})
    assert all(s.why_not or s.meters or signals["Birch"].power is None for s in sprints.sprints)
    for effect in ride_effects(*pair, segments, lag_s, slower_by_s, signals["Cedar"]).effects:
        assert math.isfinite(effect.half_width_pct) != bool(effect.why_not)
    for check in packet_check(signals["Birch"].samples[0], segments):
        assert check.why_not or math.isfinite(check.difference_pct)
    for agreement in cadence_agreement(signals, segments, {"Birch": lag_s}):
        assert all(p.why_not or math.isfinite(p.half_width_rpm) for p in agreement.pairs)
