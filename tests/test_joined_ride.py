"""Several recordings of one session, judged as the one ride they were."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from analysis.amendments import Amendments
from analysis.command_line import main
from analysis.errors import BadInput
from analysis.joined_ride import joined_ride
from analysis.judge import judge_recording
from analysis.recording_reader import Recording, read_recording
from analysis.recording_schema import Metadata
from analysis.rows import Row
from analysis.samples import SensorSamples, Series
from simulated_sensors.demo import quayside_plan, ride_of
from simulated_sensors.quayside import quayside_sensors
from tests.riding import one_meter_bench, ride_and_record

CUT_NS = 335 * 10**9  # the end of a steady step of the demo's plan, 20 s after its start


@pytest.fixture
def whole(demo_recording: Path) -> Recording:
    return read_recording(demo_recording)


def part(whole: Recording, start_ns: int, stop_ns: int) -> Recording:
    """What a recorder would have kept that was started and stopped at these moments."""

    def cut(series: Series) -> Series:
        inside = (series.host_ns >= start_ns) & (series.host_ns < stop_ns)
        return Series(series.host_ns[inside] - start_ns, series.values[inside])

    def samples(s: SensorSamples) -> SensorSamples:
        arrivals = s.arrivals_ns[(s.arrivals_ns >= start_ns) & (s.arrivals_ns < stop_ns)] - start_ns
        torque = {name: cut(series) for name, series in s.torque_packets.items()}
        return replace(
            s,
            power_w=cut(s.power_w),
            cadence_rpm=cut(s.cadence_rpm),
            balance_left_pct=cut(s.balance_left_pct),
            temperature_c=cut(s.temperature_c),
            battery_pct=cut(s.battery_pct),
            torque_packets=torque,
            arrivals_ns=arrivals,
        )

    host_ns, utc_ns = whole.metadata.utc_anchors[0]
    metadata = replace_anchor(whole, (0, utc_ns - host_ns + start_ns))
    events = [
        r for r in whole.events if start_ns <= r.host_ns <= stop_ns and not _of_the_other_part(r, start_ns, stop_ns)
    ]
    numbers = sorted({r.detail["segment_no"] for r in events if "segment_no" in r.detail})
    moved = tuple(replace(r, host_ns=r.host_ns - start_ns, detail=_renumbered(r, numbers)) for r in events)
    inside = {name: samples(s) for name, s in whole.samples.items()}
    return replace(whole, metadata=metadata, samples=inside, events=moved, end_ns=stop_ns - start_ns)


def _of_the_other_part(row: Row, start_ns: int, stop_ns: int) -> bool:
    """At the cut one segment ends and the next begins: each belongs to its own part."""
    return (row.event == "segment_start" and row.host_ns == stop_ns) or (
        row.event == "segment_end" and row.host_ns == start_ns
    )


def _renumbered(row: Row, numbers: list[int]) -> dict[str, object]:
    if "segment_no" not in row.detail:
        return dict(row.detail)
    return {**row.detail, "segment_no": numbers.index(row.detail["segment_no"]) + 1}


def replace_anchor(whole: Recording, anchor: tuple[int, int]) -> Metadata:
    return msgspec.structs.replace(whole.metadata, utc_anchors=(anchor,))


def test_a_ride_in_two_files_is_judged_like_the_whole(whole: Recording) -> None:
    joined = joined_ride([part(whole, CUT_NS, whole.end_ns), part(whole, 0, CUT_NS)])
    assert [(s.segment_no, s.name) for s in joined.segments] == [(s.segment_no, s.name) for s in whole.segments]
    for name, samples in whole.samples.items():
        assert np.array_equal(joined.samples[name].power_w.values, samples.power_w.values)
        assert np.array_equal(joined.samples[name].power_w.host_ns, samples.power_w.host_ns)
    here, there = judge_recording(joined).verdicts, judge_recording(whole).verdicts
    for name, verdict in there.items():
        assert here[name].judgement.word == verdict.judgement.word
        assert here[name].judgement.away_pct == pytest.approx(verdict.judgement.away_pct, abs=1e-6)


def test_a_recording_says_what_it_goes_on_with(whole: Recording, tmp_path: Path) -> None:
    ride = ride_of(quayside_plan(), 1)
    sensors = [s for s in quayside_sensors(ride, 1) if s.name == "Alder"]
    session_id = whole.metadata.session_id
    ridden = ride_and_record(tmp_path, sensors, one_meter_bench(), duration_s=5.0, continues=session_id)
    assert read_recording(ridden.path).metadata.continues == session_id
    assert whole.metadata.continues is None


def test_one_recording_stays_as_it_is(whole: Recording) -> None:
    assert joined_ride([whole]) is whole


def test_rides_that_do_not_follow_one_another_are_refused(whole: Recording) -> None:
    with pytest.raises(BadInput, match="begins before the one ahead of it has ended"):
        joined_ride([whole, whole])
    other = replace(part(whole, CUT_NS, whole.end_ns), amendments=Amendments((), "0"))
    with pytest.raises(BadInput, match="amendments can only be judged by itself"):
        joined_ride([part(whole, 0, CUT_NS), other])


def test_the_command_takes_several_and_says_what_does_not_fit(
    demo_recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(demo_recording), str(demo_recording)]) == 2
    assert "begins before the one ahead of it has ended" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["report", str(demo_recording), str(demo_recording), "--out", str(tmp_path)])
