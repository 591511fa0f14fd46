"""Mean cadence from turns over the sensor's own time: by hand, and against the turns that a simulated rider made."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.cadence_agreement import cadence_agreement
from analysis.crank_turns import CrankTurns
from analysis.decoding import RowDecoder
from analysis.grid import HeldSignal
from analysis.meter_figures import meter_figures
from analysis.meter_signal import MeterSignal, meter_signal
from analysis.row_samples import SampleGatherer, samples_since
from analysis.rows import Event, Row
from analysis.samples import SensorSamples, Series
from simulated_sensors.quayside import ALDER, BIRCH, CEDAR, DOGWOOD, ELM
from simulated_sensors.rider import Effort, ride_efforts
from tests.simulated_rides import S, ride_segments, segment, simulated_samples, simulated_signals

COUNTING = (ALDER, BIRCH, DOGWOOD, ELM)


def crank_payload(turns: int, ticks: int) -> bytes:
    """Speed and cadence measurement (Cycling Speed and Cadence Service 1.0, 3.1): crank data only, bit 1."""
    return b"\x02" + (turns % 65536).to_bytes(2, "little") + (ticks % 65536).to_bytes(2, "little")


def turning(events: list[tuple[float, int, float]], links_s: tuple[float, ...] = ()) -> MeterSignal:
    """A cadence sensor whose messages arrive at `(arrival_s, turns, event_s)`, with new links in between."""
    rows = [
        Row(round(at * S), "notification", "Elm", "2a5b", crank_payload(n, round(e * 1024))) for at, n, e in events
    ]
    rows += [Row(round(at * S), "event", "Elm", event=Event.LINK_FOUND) for at in links_s]
    decoder, gatherer = RowDecoder(), SampleGatherer()
    for row in sorted(rows, key=lambda row: row.host_ns):
        gatherer.add(row, decoder.fields(row))
    return meter_signal("Elm", [gatherer.samples()["Elm"]])


def steady(rpm: float, seconds: float, start_s: float = 0.0, late_s: float = 0.03) -> list[tuple[float, int, float]]:
    """Four messages a second, each with the latest turn; event times and counts run on."""
    period = 60 / rpm
    found = []
    for k in range(round(seconds * 4)):
        at = start_s + k / 4
        turns = math.floor((at - start_s) / period + 1e-9)
        found.append((at + late_s, 100 + turns, 7.0 + start_s + turns * period))
    return found


def mean(held: HeldSignal | None, start_s: float, stop_s: float) -> float:
    assert held is not None
    part = held.between([round(start_s * S), round(stop_s * S)])
    return float(part.value_ns[0] / part.fresh_ns[0]) if part.fresh_ns[0] else math.nan


def test_turns_of_a_steady_minute_are_counted_and_dated() -> None:
    """120 turns at half a second each; the first is dated by the least delay, here 0.03 s."""
    signal = turning(steady(120, 60))
    turns = CrankTurns(signal.samples[0].crank_packets).pedalled
    assert len(turns.start_ns) == 119
    assert turns.start_ns[0] / S == pytest.approx(0.03, abs=2e-3)
    assert np.diff(turns.start_ns) / S == pytest.approx(0.5, abs=2e-3)
    assert mean(signal.pedalled, 10, 50) == pytest.approx(120, abs=0.1)


@pytest.mark.parametrize("wrap_s", [57.0, 63.5])
def test_wraps_of_count_and_time_are_no_turns(wrap_s: float) -> None:
    """16 bits of 1/1024 s wrap every 64 s, the count at 65,536 (Cycling Speed and Cadence Service 1.0, 3.1)."""
    events = [(at, n + 65400, e + wrap_s) for at, n, e in steady(90, 150)]
    assert mean(turning(events).pedalled, 5, 140) == pytest.approx(90, abs=0.05)


def test_a_segment_takes_its_share_of_the_turns_at_its_edges() -> None:
    """60 rpm for 30 s, then 120: over [25, 35) that is 5 + 10 turns in 10 s."""
    slow = steady(60, 30)
    fast = [(at, n + 30, e) for at, n, e in steady(120, 30, start_s=30.0)]
    assert mean(turning(slow + fast).pedalled, 25, 35) == pytest.approx(90, abs=0.5)
    assert mean(turning(slow + fast).cadence, 25, 35) < 88.5  # as told: late by a turn and a message


def coasting(silent: bool) -> MeterSignal:
    """30 s at 90 rpm, 20 s of coasting, 30 s at 90 rpm; the sensor goes on repeating itself, or says nothing."""
    before = steady(90, 30)
    last_at, last_turn, last_event = before[-1]
    told = [] if silent else [(30 + k / 4, last_turn, last_event) for k in range(80)]
    after = [(at, n - 99 + last_turn, e) for at, n, e in steady(90, 30, start_s=50.0)]
    assert last_at < 30
    return turning(before + told + after)


@pytest.mark.parametrize("silent", [False, True])
def test_a_coast_is_no_slow_pedalling_but_counts_as_rest(silent: bool) -> None:
    signal = coasting(silent)
    told = meter_figures(signal, segment(5, 75))
    assert told.mean_cadence_rpm == pytest.approx(90, abs=0.3)
    # 25 s and 25 s at 1.5 turns a second, 20 s with none: 75 turns, give or take the one that spans the coast.
    assert told.mean_cadence_with_rest_rpm == pytest.approx(75 * 60 / 70, abs=60 / 70)


def test_what_is_uncertain_is_a_gap() -> None:
    """A link that was lost for 40 s: the count went on, but nobody knows through how many wraps."""
    before, after = steady(90, 30), [(at, n + 105, e) for at, n, e in steady(90, 30, start_s=70.0)]
    signal = turning(before + after, links_s=(69.9,))
    assert signal.pedalled is not None
    fresh_ns = signal.pedalled.between(np.array([31, 69]) * S).fresh_ns
    assert fresh_ns[0] == 0
    assert mean(signal.pedalled, 0, 100) == pytest.approx(90, abs=0.05)


def test_a_restarted_counter_gives_no_turns() -> None:
    """Counts that fall back to zero stand for no 65,000 turns."""
    before = steady(90, 30)
    after = [(at, n - 100, e - 37) for at, n, e in steady(90, 30, start_s=30.0)]
    signal = turning(before + after)
    assert signal.pedalled is not None
    assert mean(signal.pedalled, 0, 60) == pytest.approx(90, abs=0.1)
    assert signal.pedalled.between([0, 60 * S]).fresh_ns[0] / S == pytest.approx(59, abs=1.5)


def test_messages_held_up_move_no_turn() -> None:
    """All that arrives in [20, 23) comes at 23: the watts are late, the turns are not."""
    events = [(max(at, 23.0) if 20 <= at < 23 else at, n, e) for at, n, e in steady(90, 60)]
    signal = turning(events)
    assert mean(signal.pedalled, 15, 25) == pytest.approx(90, abs=0.1)


def test_a_cadence_that_is_only_told_is_taken_as_told() -> None:
    host_ns = np.arange(60, dtype=np.int64) * S
    rpm = np.where((np.arange(60) >= 20) & (np.arange(60) < 40), 0.0, 90.0)
    series = Series(host_ns, rpm)
    signal = meter_signal("Cedar", [SensorSamples("Cedar", cadence_rpm=series, arrivals_ns=host_ns)])
    told = meter_figures(signal, segment(0, 60))
    assert not signal.counts_turns
    assert (told.mean_cadence_rpm, told.mean_cadence_with_rest_rpm) == (90.0, 60.0)


def test_mean_cadence_of_sprints_is_the_riders() -> None:
    """Truth: turns of the simulated rider over the very segment. As told, the same means are 2 to 4 rpm low."""
    efforts = [Effort(60, 180, 85)]
    for _ in range(4):
        efforts += [Effort(12, 900, 120, kind="sprint", name="sprint"), Effort(40, 120, 80, kind="free", name="easy")]
    off: dict[str, list[float]] = {spec.name: [] for spec in COUNTING}
    told = []
    for seed in (1, 2, 3):
        ride = ride_efforts(efforts, seed=seed, after_plan_s=5.0)
        signals = simulated_signals(COUNTING, ride, seed)
        for sprint in (s for s in ride_segments(ride) if s.step_kind == "sprint"):
            edges_s = np.array([sprint.start_ns, sprint.stop_ns]) / S
            true_rpm = 60 * float(np.diff(ride.turns(edges_s))[0]) / float(np.diff(edges_s)[0])
            for name, signal in signals.items():
                off[name].append(meter_figures(signal, sprint).mean_cadence_rpm - true_rpm)
                told.append(mean(signal.cadence, *edges_s) - true_rpm)
    for name, errors in off.items():
        assert abs(np.mean(errors)) < 0.5, name
        assert np.max(np.abs(errors)) < 1.0, name
    assert np.mean(told) < -1.5


def test_sensors_that_count_agree_second_by_second_through_sprints_whatever_their_lag() -> None:
    efforts = [Effort(30, 180, 85), Effort(12, 900, 120, kind="sprint"), Effort(40, 120, 80, kind="free")]
    ride = ride_efforts(efforts, seed=4, after_plan_s=5.0)
    signals = simulated_signals([ALDER, BIRCH], ride, 4)
    *_, whole = cadence_agreement(signals, ride_segments(ride)[1:], {"Birch": 2.0})
    (pair,) = whole.pairs
    assert abs(pair.difference_rpm) < 0.2
    assert pair.half_width_rpm < 0.3
    assert whole.mean_rpm["Alder"] == pytest.approx(whole.mean_rpm["Birch"], abs=0.2)


def test_the_last_minutes_give_the_turns_of_the_whole_ride() -> None:
    ride = ride_efforts([Effort(120, 180, 85), Effort(12, 900, 120, kind="sprint")], seed=5, after_plan_s=5.0)
    for spec in (*COUNTING, CEDAR):
        samples = simulated_samples(spec, ride, 5)
        sprint = ride_segments(ride)[-1]
        lately = meter_signal(spec.name, [samples_since(samples, sprint.start_ns - 20 * S)])
        whole = meter_signal(spec.name, [samples])
        for one, other in ((lately.pedalled, whole.pedalled), (lately.turned_and_rested, whole.turned_and_rested)):
            edges_s = sprint.start_ns / S, sprint.stop_ns / S
            assert mean(one, *edges_s) == pytest.approx(mean(other, *edges_s), rel=1e-12)


COUNT = st.one_of(st.integers(0, 65535), st.sampled_from([math.inf, -1.0, 1e300]))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 3_000), COUNT, st.one_of(st.just(math.nan), st.floats(0, 400), st.floats())),
        max_size=40,
    )
)
def test_any_columns_give_turns_that_do_not_overlap(drawn: list[tuple[int, float, float]]) -> None:
    """Also what no sensor sends: counts and rates that have nothing to do with each other."""
    at = np.cumsum(np.array([d[0] for d in drawn], np.int64)) * 1_000_000
    packets = {
        "crank_revolutions": Series(at, np.array([float(d[1]) for d in drawn])),
        "cadence_rpm": Series(at, np.array([d[2] for d in drawn])),
    }
    turns = CrankTurns(packets)
    assert (turns.counted.stop_ns >= turns.counted.start_ns).all()
    assert (turns.counted.stop_ns[:-1] <= turns.counted.start_ns[1:]).all()
