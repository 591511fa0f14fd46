"""Power from accumulated torque against published arithmetic, and against what simulated sensors report."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.packet_check import packet_check
from analysis.samples import Floats, SensorSamples, Series
from simulated_sensors.meter_faults import CounterReset, SkippedSamples
from simulated_sensors.quayside import ALDER, BIRCH, CEDAR, DOGWOOD
from simulated_sensors.rider import Effort, ride_efforts
from simulated_sensors.sensor_spec import SensorSpec
from tests.simulated_rides import S, ride_segments, segment, simulated_samples


def packets(
    torque_raw: list[int], ticks: list[int], power_w: float, turns: int = 1, kind: str = "crank"
) -> SensorSamples:
    """One packet a second, each telling of `turns` more turns."""
    count = len(torque_raw)
    host_ns = S * np.arange(count, dtype=np.int64)
    nothing = np.full(count, np.nan)
    ticks_per_s, wrap = (1024, 1 << 16) if kind == "crank" else (2048, 1 << 32)
    columns: dict[str, Floats] = {
        "accumulated_torque_nm": np.array([t % 65536 / 32 for t in torque_raw]),
        "crank_revolutions": nothing,
        "crank_event_s": nothing,
        "wheel_revolutions": nothing,
        "wheel_event_s": nothing,
        "power_w": np.full(count, power_w),
    }
    columns[f"{kind}_revolutions"] = np.array([(65530 + turns * k) % wrap for k in range(count)], np.float64)
    columns[f"{kind}_event_s"] = np.array([t % 65536 / ticks_per_s for t in ticks])
    series = {name: Series(host_ns, values) for name, values in columns.items()}
    return SensorSamples("Alder", power_w=series["power_w"], torque_packets=series, arrivals_ns=host_ns)


# The three figures of torque_power in the checks handed over with the task (P = 2π·(ΔT/32)/Δt, crank time 1/1024 s).
@pytest.mark.parametrize(
    ("from_raw", "step_raw", "power_w"),
    [(0, 800, 235.504456608781), (65500, 336, 98.91187177568801), (1000, -10, -2.943805707609762)],
)
def test_counted_power_is_the_published_one_over_roll_overs(from_raw: int, step_raw: int, power_w: float) -> None:
    torque = [from_raw + step_raw * k for k in range(200)]
    sent = packets(torque, [64000 + 683 * k for k in range(200)], power_w)
    # Events 0.667 s apart would outrun packets 1 s apart: send them as fast.
    host_ns = np.rint(np.arange(200) * 683 / 1024 * S).astype(np.int64)
    sent = replace(sent, torque_packets={n: Series(host_ns, s.values) for n, s in sent.torque_packets.items()})
    (check,) = packet_check(sent, [segment(0, 200)])
    assert check.counted_w == pytest.approx(power_w, rel=1e-9)
    assert check.difference_w == pytest.approx(0, abs=1e-6)
    assert check.turns == 199
    if power_w > 0:
        assert check.difference_pct == pytest.approx(0, abs=1e-6)
        assert check.why_not == ""
    else:
        assert check.why_not == "the torque adds up to no power"


def test_a_wheel_counts_with_its_own_clock() -> None:
    # 5 turns a second of 8 N·m each: 2π·40 N·m per second.
    sent = packets([8 * 32 * 5 * k for k in range(100)], [2048 * k for k in range(100)], 250.0, 5, "wheel")
    (check,) = packet_check(sent, [segment(0, 100)])
    assert (check.source, check.turns) == ("wheel", 99 * 5)
    assert check.counted_w == pytest.approx(2 * np.pi * 40)
    assert check.difference_pct == pytest.approx(100 * (250 / (2 * np.pi * 40) - 1))


RIDE = ride_efforts([Effort(40, 180, 85), Effort(120, 200, 90), Effort(120, 260, 70)], seed=3, after_plan_s=5.0)
SEGMENTS = ride_segments(RIDE, settle_s=15)[1:]


@pytest.mark.parametrize("spec", [ALDER, BIRCH, CEDAR])
def test_an_honest_sensor_agrees_with_its_own_packets(spec: SensorSpec) -> None:
    for check in packet_check(simulated_samples(spec, RIDE, 3), SEGMENTS):
        assert check.why_not == ""
        assert abs(check.difference_pct) < 0.5
        assert check.half_width_pct < 0.6


def test_a_sensor_that_adds_to_its_power_is_found_out() -> None:
    samples = simulated_samples(BIRCH, RIDE, 3)
    louder = {**samples.torque_packets}
    louder["power_w"] = Series(louder["power_w"].host_ns, louder["power_w"].values * 1.02)
    for check in packet_check(replace(samples, torque_packets=louder), SEGMENTS):
        assert abs(check.difference_pct - 2) < check.half_width_pct + 0.05
        assert check.half_width_pct < 0.2
        assert check.difference_w == pytest.approx(check.reported_w - check.counted_w)


def test_lost_packets_and_restarted_counters_do_not_change_the_sum() -> None:
    faults = (SkippedSamples(50.0, 60.0, 0.7), CounterReset(180.0), CounterReset(220.0))
    for check in packet_check(simulated_samples(replace(BIRCH, faults=faults), RIDE, 3), SEGMENTS):
        assert abs(check.difference_pct) < 0.5


def test_no_turns_are_counted_across_a_gap_or_a_new_link() -> None:
    torque, ticks = [800 * k for k in range(100)], [1024 * k for k in range(100)]
    whole = packets(torque, ticks, 157.0)
    (joined,) = packet_check(whole, [segment(0, 100)])
    (cut,) = packet_check(whole, [segment(0, 100)], new_links_ns=[round(49.5 * S)])
    assert (joined.turns, cut.turns) == (99, 98)
    kept = np.r_[0:30, 60:100]
    gap = replace(
        whole,
        torque_packets={n: Series(s.host_ns[kept], s.values[kept]) for n, s in whole.torque_packets.items()},
    )
    # 30 s at 25 N·m a turn are 750 N·m: within a wrap, yet not to be told from 750 − 2048.
    assert packet_check(gap, [segment(0, 100)])[0].turns == 29 + 39


def test_torque_of_a_sensor_with_both_events_goes_with_those_that_move_it() -> None:
    wheel = packets([8 * 32 * 5 * k for k in range(100)], [2048 * k for k in range(100)], 250.0, 5, "wheel")
    crank = packets([0] * 100, [1024 * (k // 2) for k in range(100)], 250.0)
    both = {**wheel.torque_packets, "crank_event_s": crank.torque_packets["crank_event_s"]}
    both["crank_revolutions"] = Series(both["power_w"].host_ns, (np.arange(100) // 2).astype(np.float64))
    assert packet_check(replace(wheel, torque_packets=both), [segment(0, 100)])[0].source == "wheel"


def test_what_cannot_be_checked_is_said_in_words() -> None:
    assert packet_check(simulated_samples(DOGWOOD, RIDE, 3), SEGMENTS)[0].why_not == "not sent"
    bare = packets([0, 1], [0, 1], 0.0).torque_packets
    bare = {**bare, "crank_event_s": Series(bare["power_w"].host_ns, np.full(2, np.nan))}
    (check,) = packet_check(SensorSamples("Alder", torque_packets=bare), [segment(0, 2)])
    assert check.why_not == "torque is sent without crank or wheel event times"
    standing = packets([5] * 60, [7] * 60, 0.0, turns=0)
    assert packet_check(standing, [segment(0, 60)])[0].why_not == "no two events whose distance is certain"
    zeros = packets([5] * 60, [1024 * k for k in range(60)], 0.0)
    assert packet_check(zeros, [segment(0, 60)])[0].why_not == "the torque adds up to no power"
    short = packets([800 * k for k in range(60)], [1024 * k for k in range(60)], 157.0)
    assert packet_check(short, [segment(0, 3)])[0].why_not == "2 s of turns are too short to tell"
    assert packet_check(short, []) == ()
