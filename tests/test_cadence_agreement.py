"""Mean cadences of pairs: arithmetic by hand, simulated sensors, and what cannot be said."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.cadence_agreement import cadence_agreement
from analysis.meter_signal import MeterSignal, meter_signal
from analysis.samples import SensorSamples, Series
from simulated_sensors.quayside import ALDER, BIRCH, CEDAR, DOGWOOD, ELM
from simulated_sensors.rider import Effort, ride_efforts
from tests.simulated_rides import S, ride_segments, segment, simulated_signals


def turning(name: str, cadence_rpm: list[float]) -> MeterSignal:
    series = Series(S * np.arange(len(cadence_rpm), dtype=np.int64), np.array(cadence_rpm))
    return meter_signal(name, [SensorSamples(name, cadence_rpm=series, arrivals_ns=series.host_ns)])


def test_all_sensors_of_the_bench_agree_on_the_cadence_they_share() -> None:
    ride = ride_efforts([Effort(60, 180, 85), Effort(90, 200, 95), Effort(90, 250, 65)], seed=2, after_plan_s=5.0)
    signals = simulated_signals([ALDER, BIRCH, CEDAR, DOGWOOD, ELM], ride, 2)
    segments = ride_segments(ride, settle_s=10)
    *each, whole = cadence_agreement(signals, segments)
    assert [a.segment_no for a in each] == [s.segment_no for s in segments]
    assert whole.segment_no is None
    assert len(whole.pairs) == 10
    for agreement in [*each, whole]:
        # Common practice, no published source: mean cadences within 1 rpm.
        assert {pair.word for pair in agreement.pairs} == {"agrees"}
        assert all(0 < pair.half_width_rpm < 0.5 for pair in agreement.pairs)
    true_rpm = 60 * float(np.diff(ride.turns(np.array([70.0, 150.0])))[0]) / 80
    assert whole.mean_rpm.keys() == signals.keys()
    assert each[1].mean_rpm["Elm"] == pytest.approx(true_rpm, abs=0.3)


def test_a_sensor_two_turns_off_differs_and_one_at_the_edge_is_undecided() -> None:
    rng = np.random.default_rng(1)
    base = 90 + rng.normal(0, 0.3, 120)
    signals = {
        "a": turning("a", base.tolist()),
        "b": turning("b", (base - 2 + rng.normal(0, 0.3, 120)).tolist()),
        "c": turning("c", (base + 1 + rng.normal(0, 0.3, 120)).tolist()),
    }
    ab, ac, bc = cadence_agreement(signals, [segment(0, 120)])[0].pairs
    assert (ab.a, ab.b, ab.word) == ("a", "b", "differs")
    assert ab.difference_rpm == pytest.approx(2, abs=0.1)
    assert ac.word == "undecided"
    assert bc.difference_rpm == pytest.approx(ac.difference_rpm - ab.difference_rpm)


def test_lag_is_taken_out_before_comparing() -> None:
    climb = [60 + 0.5 * k for k in range(100)]
    signals = {"a": turning("a", climb), "late": turning("late", [60.0, 60.0, 60.0, *climb[:-3]])}
    together = cadence_agreement(signals, [segment(0, 90)], {"late": 3.0})[0].pairs[0]
    apart = cadence_agreement(signals, [segment(0, 90)])[0].pairs[0]
    assert together.difference_rpm == pytest.approx(0)
    assert apart.difference_rpm == pytest.approx(1.5, abs=0.1)


def test_what_cannot_be_said_is_said_in_words() -> None:
    constant, zeros = turning("a", [90.0] * 60), turning("b", [0.0] * 60)
    early = turning("c", [90.0] * 5)
    *_, alone = cadence_agreement({"a": constant}, [segment(0, 60)])
    assert alone.why_not == "fewer than two sensors sent a cadence"
    assert alone.mean_rpm == {"a": 90.0}
    pairs = cadence_agreement({"a": constant, "b": zeros, "c": early}, [segment(10, 50)])[0].pairs
    assert (pairs[0].word, pairs[0].difference_rpm, pairs[0].half_width_rpm) == ("differs", 90.0, 0.0)
    assert pairs[1].why_not == "no second in which both were fresh"
    assert math.isnan(pairs[1].difference_rpm)
    short = cadence_agreement({"a": constant, "b": zeros}, [segment(10, 13)])[0].pairs[0]
    assert (short.word, short.why_not) == ("undecided", "3 s in common are too short to tell")
    (nothing,) = cadence_agreement({"a": constant, "b": zeros}, [])
    assert nothing.pairs[0].word == "undecided"
