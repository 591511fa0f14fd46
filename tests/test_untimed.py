"""Seconds of which nobody knows when they were measured: left out, told, and the same live as in the file."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.comparison import Setup
from analysis.grid import HeldSignal
from analysis.judge import judge_recording
from analysis.live_judgement import judge_segments_so_far
from analysis.meter_signal import MeterSignal, bench_signals, meter_signal
from analysis.recording_reader import read_recording
from analysis.report_page.page_words import cannot_say
from analysis.report_table import report_table
from analysis.row_samples import SampleGatherer, samples_since
from analysis.rows import Event, Row, RowKind
from analysis.samples import Floats, SensorSamples, Series
from analysis.segment_metrics import segment_metrics
from analysis.untimed import LOOK_NS, burst_spans, host_spans, joined, with_untimed
from analysis.words import untimed_sentences
from recorder.recording_writer import write_recording
from recorder.running_figures import FigureMaker
from recorder.storage import SystemStorage
from tests.reported_rides import recording_of, stepped_ride
from tests.riding import one_meter_bench
from tests.simulated_rides import S, segment
from tests.test_live_equals_offline import differences, gathered


def still(at_s: float, still_s: float) -> Row:
    return Row(round(at_s * S), "event", event=Event.HOST_STOOD_STILL, detail={"still_s": still_s})


def burst(at_s: float, span_s: float, sensor: str = "Alder") -> Row:
    return Row(round(at_s * S), "event", sensor, event=Event.BURST, detail={"count": 8, "span_s": span_s})


# -- the stretches ----------------------------------------------------------------------------------------------


def test_the_recorder_stood_still_since_its_last_look_until_the_next() -> None:
    """The row comes after the fact: its beat was due 0.25 s after the last one, and came 3 s late."""
    assert host_spans([still(20, 3.0)]) == [(16.75 * S, 20.25 * S)]
    asleep = Row(100 * S, "event", event=Event.SUSPENDED, detail={"asleep_s": 40.0})
    assert host_spans([asleep]) == [(59.75 * S, 100.25 * S)]
    assert host_spans([still(1, 30)])[0][0] == 0


@pytest.mark.parametrize("still_s", [None, "3", float("inf"), -1, 1e300])
def test_an_event_that_does_not_say_how_long_takes_nothing(still_s: object) -> None:
    assert host_spans([Row(S, "event", event=Event.HOST_STOOD_STILL, detail={"still_s": still_s})]) == []


def test_a_burst_reaches_from_the_last_packet_before_the_pause_to_its_own_last() -> None:
    arrivals_ns = np.array([0, 1, 2, 6, 6, 6, 6, 7, 8], np.int64) * S
    samples = SensorSamples("Alder", arrivals_ns=arrivals_ns)
    # The packet at 7 s shows that the burst is over; the row is written right behind it.
    assert burst_spans(samples, [burst(7.001, 4.0)]) == [(2 * S, 6 * S)]
    assert burst_spans(samples, [burst(7.001, 4.0, "Birch")]) == []
    assert burst_spans(SensorSamples("Alder"), [burst(7, 4.0)]) == []


def test_stretches_that_touch_are_one() -> None:
    assert joined([(5, 7), (1, 3), (2, 4), (4, 5), (9, 9)]).tolist() == [[1, 7]]
    assert joined([]).shape == (0, 2)


# -- a held signal without them ---------------------------------------------------------------------------------

SPAN = st.tuples(st.integers(0, 40), st.integers(0, 8)).map(lambda s: (s[0], s[0] + s[1]))


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 300)), max_size=20), st.lists(SPAN, max_size=5))
def test_nothing_is_held_inside_and_everything_else_is_as_it_was(
    samples: list[tuple[int, int]], drawn: list[tuple[int, int]]
) -> None:
    samples = sorted(samples)
    held = HeldSignal([s[0] for s in samples], [s[1] for s in samples], 3)
    spans = joined(drawn)
    instants = np.arange(50)
    inside = np.any((instants[:, None] >= spans[:, 0]) & (instants[:, None] < spans[:, 1]), axis=1)
    expected = np.where(inside, np.nan, held.at(instants))
    assert np.array_equal(held.without(spans).at(instants), expected, equal_nan=True)
    assert np.array_equal(held.without(spans).between(np.arange(51)).fresh_ns, np.isfinite(expected))


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 300)), max_size=20), st.lists(SPAN, max_size=5))
def test_where_one_signal_holds_nothing_the_other_steps_in(
    samples: list[tuple[int, int]], drawn: list[tuple[int, int]]
) -> None:
    first = HeldSignal([s[0] for s in drawn], [float(s[1]) for s in drawn], [s[1] - s[0] for s in drawn])
    second = HeldSignal([s[0] for s in samples], [s[1] for s in samples], 3)
    instants = np.arange(60)
    expected = np.where(np.isnan(first.at(instants)), second.at(instants), first.at(instants))
    both = first.else_from(second)
    assert np.array_equal(both.at(instants), expected, equal_nan=True)
    assert np.array_equal(both.between(np.arange(61)).fresh_ns, np.isfinite(expected))


# -- a recorder that stood still ---------------------------------------------------------------------------------


STILL_S = (30.1, 32.3)


def stood_still(name: str, measured_s: Floats) -> SensorSamples:
    """200 W, from 30 s on 600 W, as measured; but what arrived in the stand-still is dated at its end."""
    power_w = np.where(measured_s >= 30, 600.0, 200.0)
    dated_s = np.where((measured_s > STILL_S[0]) & (measured_s < STILL_S[1]), STILL_S[1], measured_s)
    host_ns = np.rint(dated_s * S).astype(np.int64)
    cadence = Series(host_ns, np.full(len(power_w), 90.0))
    return SensorSamples(name, power_w=Series(host_ns, power_w), cadence_rpm=cadence, arrivals_ns=host_ns)


def pair_of(events: list[Row]) -> dict[str, MeterSignal]:
    """Alder at 4 Hz, Birch at 1 Hz: both right to the watt. Birch had not told of the surge yet."""
    samples = [stood_still("Alder", np.arange(0, 90, 0.25)), stood_still("Birch", np.arange(-0.1, 90, 1.0)[1:])]
    return {s.sensor: meter_signal(s.sensor, [with_untimed(s, events)]) for s in samples}


def test_a_stand_still_gives_wrong_figures_unless_it_is_left_out() -> None:
    """Truth: no difference. Birch's 200 W stand for 2.4 s of 600 W, since what it sent meanwhile is dated late."""
    stretch = segment(0, 90)
    (wrong,) = segment_metrics(pair_of([]), [stretch], Setup("Alder"))
    (right,) = segment_metrics(pair_of([still(32.3, 1.95)]), [stretch], Setup("Alder"))
    assert wrong.comparisons["Birch"].mean_difference_w < -5
    assert right.comparisons["Birch"].mean_difference_w == 0
    assert right.comparisons["Birch"].seconds >= wrong.comparisons["Birch"].seconds - 3
    assert wrong.meters["Birch"].mean_power_w < right.meters["Birch"].mean_power_w - 5
    # 30 s of 200 W, 60 s of 600 W less the 2.45 s from the last look before until the next one after.
    assert right.meters["Alder"].mean_power_w == pytest.approx((30 * 200 + 57.55 * 600) / 87.55)
    assert right.meters["Alder"].untimed_s == pytest.approx(2.45)
    assert right.meters["Alder"].coverage_pct == pytest.approx(100 * (1 - 2.45 / 90))
    assert right.meters["Alder"].gaps == 1
    assert wrong.meters["Alder"].untimed_s == 0


def test_held_up_packets_of_one_sensor_leave_the_others_as_they_are() -> None:
    """The packet of 32.5 s shows that the burst, whose last came at 32.3 s, is over."""
    signals = pair_of([burst(32.5, 2.3)])
    (found,) = segment_metrics(signals, [segment(0, 90)], Setup("Alder"))
    assert found.meters["Alder"].untimed_s == pytest.approx(2.3)
    assert found.meters["Birch"].untimed_s == 0
    assert found.meters["Alder"].mean_power_w == pytest.approx((30 * 200 + 57.7 * 600) / 87.7)


# -- the same live as in the file --------------------------------------------------------------------------------


def rows_with_trouble() -> list[Row]:
    """Power of 200 W and a burst of eight packets at 30 s; the recorder stands still from 50 to 54 s."""
    rows: list[Row] = []
    for k in range(360):
        at_s = k / 4
        dated_s = 30.0 if 28 <= at_s < 30 else 54.0 if 50 < at_s < 54 else at_s
        payload = bytes.fromhex("0000") + (200 + k % 7).to_bytes(2, "little")
        rows.append(Row(round(dated_s * S) + k, "notification", "Alder", "2a63", payload))
    rows += [burst(30.5, 2.25), still(54.001, 3.75)]
    return sorted(rows, key=lambda row: row.host_ns)


def test_live_and_file_leave_out_the_same(tmp_path: Path) -> None:
    path, rows = tmp_path / "troubled.parquet", rows_with_trouble()
    metadata = msgspec.structs.replace(stepped_ride(tmp_path).metadata, bench=one_meter_bench().as_dict())
    write_recording(path, rows, metadata, SystemStorage())
    told, live = read_recording(path), gathered(rows)
    assert told.samples["Alder"].untimed_ns.tolist() != []
    assert not list(differences(live.samples(), dict(told.samples)))
    spans = told.samples["Alder"].untimed_ns / S
    assert spans.tolist() == pytest.approx(np.array([[27.75, 30.0], [50.0, 54.25]]), abs=2e-3)
    lately = samples_since(live.samples()["Alder"], 40 * S)
    assert lately.untimed_ns.tolist() == told.samples["Alder"].untimed_ns[1:].tolist()


def test_figures_on_the_screen_are_made_anew_when_the_event_comes_after_the_fact() -> None:
    """The segment had ended, and its figures were kept, before the row said that they rest on nothing."""
    rows = [row for row in rows_with_trouble() if row.event is None]
    marks = [
        Row(40 * S, "event", event=Event.SEGMENT_START, detail={"segment_no": 1, "name": "a", "step_kind": "steady"}),
        Row(60 * S, "event", event=Event.SEGMENT_END, detail={"segment_no": 1, "ended_by": "hand"}),
    ]
    maker, bench = FigureMaker(), one_meter_bench()
    gatherer: SampleGatherer = gathered(rows)

    def coverage_pct() -> float:
        found = maker.figures(gatherer, bench, Setup("Alder"), marks, 90 * S, window_s=30, has_plan=False)
        return found.results[0].meters["Alder"].coverage_pct

    before = coverage_pct()
    gatherer.add(still(54.001, 3.75), {})
    assert coverage_pct() == pytest.approx(before - 100 * (4.25 - 1.5) / 20, abs=0.1)
    signals = bench_signals(bench, gatherer.samples())
    told = judge_segments_so_far(signals, [segment(40, 60)], Setup("Alder")).results[0]
    assert coverage_pct() == told.meters["Alder"].coverage_pct


# -- and told -----------------------------------------------------------------------------------------------------


def test_the_report_says_what_was_left_out_and_why(tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path)
    events = [*ride.events, still(100, 3.0), burst(202.5, 2.0, "Birch")]
    samples = {name: with_untimed(s, events) for name, s in ride.samples.items()}
    troubled = recording_of(tmp_path, ride.bench, samples, events, ride.end_ns / S)
    text = " ".join(report_table(troubled, judge_recording(troubled)).split())
    stood = "3.5 s are left out of every comparison: the recorder stood still or the computer slept"
    held = "Birch: 2.0 s are left out: the radio held packets up and let them go together."
    assert stood in text
    assert held in text
    on_page = " ".join(cannot_say(troubled, judge_recording(troubled)))
    assert stood in on_page
    assert held in on_page
    assert "left out of every" not in " ".join(report_table(ride, judge_recording(ride)).split())
    assert LOOK_NS == S // 4


# -- sensors that a relay forwards ---------------------------------------------------------------------------------


def at_relay(at_s: float, still_s: float) -> Row:
    detail = {"relay": "attic", "state": Event.HOST_STOOD_STILL, "still_s": still_s}
    return Row(round(at_s * S), "event", event=Event.RELAY, detail=detail)


def test_a_relay_dates_what_it_forwards_so_its_own_stand_still_counts(tmp_path: Path) -> None:
    """Alder is heard here, Birch through a relay; the recorder stands still at 20 s, the relay at 40 s."""
    kinds: tuple[tuple[str, RowKind], ...] = (("Alder", "notification"), ("Birch", "relayed"))
    rows = [
        Row(second * S + k, kind, name, "2a63", bytes.fromhex("0000c800"))
        for second in range(60)
        for k, (name, kind) in enumerate(kinds)
    ]
    rows = sorted([*rows, still(20.5, 1.0), at_relay(40.5, 2.0)], key=lambda row: row.host_ns)
    live = gathered(rows)
    spans = {name: (s.untimed_ns / S).tolist() for name, s in live.samples().items()}
    assert spans == {"Alder": [[19.25, 20.75]], "Birch": [[38.25, 40.75]]}
    path, ride = tmp_path / "relayed.parquet", stepped_ride(tmp_path)
    write_recording(path, rows, ride.metadata, SystemStorage())
    assert not list(differences(live.samples(), dict(read_recording(path).samples)))
    told = " ".join(untimed_sentences(rows, live.samples()))
    assert "1.5 s are left out of every comparison" in told
    assert "2.5 s are left out of what relays forwarded" in told
