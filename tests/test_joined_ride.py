"""Several recordings of one session, judged as the one ride they were."""

from __future__ import annotations

import hashlib
import html
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from analysis.command_line import main
from analysis.crank_turns import CrankTurns
from analysis.errors import BadInput
from analysis.joined_ride import joined_ride
from analysis.judge import judge_recording
from analysis.part_words import amended_sentences, part_sentences
from analysis.recording_reader import Recording, read_recording
from analysis.recording_schema import Metadata
from analysis.report_page.facts import ride_facts
from analysis.report_page.page_words import cannot_say
from analysis.rows import Row
from analysis.samples import SensorSamples, Series
from simulated_sensors.demo import quayside_plan, ride_of
from simulated_sensors.quayside import quayside_sensors
from tests.ledger_rides import DAY_NS, write_ride
from tests.reported_rides import bench_of
from tests.riding import one_meter_bench, ride_and_record

S = 10**9
GAP_END_NS = 600 * S
BENCH = bench_of(("Alder",))
METADATA: dict[str, Any] = {
    "schema_major": 1,
    "schema_minor": 0,
    "decoder_version": 1,
    "product_version": "0.1.0",
    "session_id": "0" * 32,
    "host": "bench laptop",
    "clock": "CLOCK_BOOTTIME",
    "bench": BENCH.as_dict(),
}
CUT_NS = 335 * 10**9  # the end of a steady step of the demo's plan, 20 s after its start


@pytest.fixture
def whole(demo_recording: Path) -> Recording:
    return read_recording(demo_recording)


def two_rides(folder: Path) -> tuple[Recording, Recording]:
    """Five steps in `first.parquet`, and ten minutes after its start five more in `second.parquet`."""
    first = write_ride(folder / "first.parquet", session="1" * 32)
    day = GAP_END_NS / DAY_NS
    second = write_ride(folder / "second.parquet", session="2" * 32, day=day, seed=2, continues="1" * 32)
    return read_recording(first), read_recording(second)


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
    moved = tuple(
        msgspec.structs.replace(r, host_ns=r.host_ns - start_ns, detail=_renumbered(r, numbers)) for r in events
    )
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
    timeless = replace(whole, metadata=msgspec.structs.replace(whole.metadata, utc_anchors=()))
    with pytest.raises(BadInput, match="does not tell when it began"):
        joined_ride([whole, timeless])


def test_another_bench_is_refused_and_another_name_of_it_is_not(whole: Recording) -> None:
    first, second = part(whole, 0, CUT_NS), part(whole, CUT_NS, whole.end_ns)
    about = whole.bench.bench
    for changes in ({"reference": "Birch"}, {"floor_w": 5.0}):
        bench = msgspec.structs.replace(whole.bench, bench=msgspec.structs.replace(about, **changes))
        with pytest.raises(BadInput, match="was ridden with another bench"):
            joined_ride([first, replace(second, bench=bench)])
    renamed = msgspec.structs.replace(whole.bench, bench=msgspec.structs.replace(about, name="Quayside, upstairs"))
    assert joined_ride([first, replace(second, bench=renamed)]).bench == whole.bench


def test_a_segment_that_was_cut_off_ends_with_its_own_file(tmp_path: Path) -> None:
    first, second = two_rides(tmp_path)
    events = tuple(r for r in first.events if not (r.event == "segment_end" and r.detail["segment_no"] == 5))
    ride = joined_ride([replace(first, events=events), second])
    cut = next(s for s in ride.segments if s.segment_no == 5)
    assert (cut.ended_by, cut.stop_ns) == ("interrupted", first.end_ns)


def test_a_number_that_no_recorder_wrote_is_passed_over(tmp_path: Path) -> None:
    first, second = two_rides(tmp_path)
    odd = tuple(Row(S, "event", event="mark", detail={"segment_no": n}) for n in ("7", True, 1e99, [1]))
    ride = joined_ride([replace(first, events=(*odd, *first.events)), second])
    assert [s.segment_no for s in ride.segments] == list(range(1, 11))


def test_no_turn_of_a_crank_reaches_from_one_file_into_the_next() -> None:
    # A counter that stood still meanwhile; each file's second message tells of one turn in one second (arithmetic).
    counted = Series(np.array([0, S]), np.array([7.0, 8.0]))
    packets = {"crank_revolutions": counted, "cadence_rpm": Series(counted.host_ns, np.array([np.nan, 60.0]))}
    standing = {n: Series(s.host_ns, s.values + (n == "crank_revolutions")) for n, s in packets.items()}
    before = Recording(Path("a"), Metadata(**METADATA, utc_anchors=((0, 0),)), BENCH, {}, (), 2 * S)
    after = replace(before, metadata=Metadata(**METADATA, utc_anchors=((0, 600 * S),)))
    ride = joined_ride(
        [
            replace(before, samples={"Alder": SensorSamples("Alder", crank_packets=packets)}),
            replace(after, samples={"Alder": SensorSamples("Alder", crank_packets=standing)}),
        ]
    )
    turns = CrankTurns(ride.samples["Alder"].crank_packets).counted
    assert turns.at(np.array([S // 2, 600 * S + S // 2])).tolist() == [60.0, 60.0]
    assert np.isnan(turns.at(np.array([300 * S]))).all()


# -- amendments ------------------------------------------------------------------------------------------------


HEAD = '[[change]]\nutc = 2026-11-25T16:00:00Z\nreason = "the rider answered the phone"\n'


def test_each_file_keeps_its_own_numbers_in_its_amendments(tmp_path: Path) -> None:
    two_rides(tmp_path)
    (tmp_path / "first.amend.toml").write_text(HEAD + 'do = "add"\nname = "by hand"\nstart_s = 20\nstop_s = 60\n')
    (tmp_path / "second.amend.toml").write_text(HEAD + 'do = "exclude"\nsegment_no = 4\n')
    ride = joined_ride([read_recording(tmp_path / f"{name}.parquet") for name in ("second", "first")])
    # The first file has 1 to 5 and the added 6; the second file's 4 is the ride's 10, and its first the ride's 7.
    assert [s.segment_no for s in ride.recorded_segments] == [1, 2, 3, 4, 5, 7, 8, 9, 10, 11]
    assert [s.segment_no for s in ride.segments] == [1, 6, 2, 3, 4, 5, 7, 8, 9, 11]
    assert next(s.start_ns for s in ride.segments if s.segment_no == 7) == GAP_END_NS
    judged = judge_recording(ride)
    assert judged.as_recorded is not None
    assert judged.as_recorded["Birch"].judgement.repeats == judged.verdicts["Birch"].judgement.repeats + 1 == 8
    told = " ".join(amended_sentences(ride, judged.as_recorded))
    assert "Amended in second.parquet 2026-11-25 16:00 UTC: exclude segment 4, because: the rider answered" in told
    assert "answered the phone. Its segment 4 is segment 10 of the ride." in told
    for name in ("first", "second"):
        digest = hashlib.sha256((tmp_path / f"{name}.amend.toml").read_bytes()).hexdigest()
        assert f"SHA-256 of the amendments in {name}.parquet: {digest}" in told


def test_an_amendment_that_does_not_fit_names_its_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    two_rides(tmp_path)
    (tmp_path / "second.amend.toml").write_text(HEAD + 'do = "exclude"\nsegment_no = 9\n')
    assert main(["report", str(tmp_path / "first.parquet"), str(tmp_path / "second.parquet")]) == 2
    said = capsys.readouterr().err
    assert "second.amend.toml: change 1: there is no segment 9; there are 1, 2, 3, 4, 5." in said


# -- page, tables, command -------------------------------------------------------------------------------------


def test_the_command_takes_several_and_says_what_does_not_fit(
    demo_recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(demo_recording), str(demo_recording), "--out", str(tmp_path / "out")]) == 2
    assert "begins before the one ahead of it has ended" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_page_and_tables_tell_of_both_files_and_of_the_gap(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    two_rides(tmp_path)
    (tmp_path / "second.amend.toml").write_text(HEAD + 'do = "exclude"\nsegment_no = 4\n')
    paths = [tmp_path / "first.parquet", tmp_path / "second.parquet"]
    assert main(["report", *map(str, paths), "--json", "--out", str(tmp_path / "out")]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [(p["recording"], p["starts_at_s"], p["added_to_segment_numbers"]) for p in told["parts"]] == [
        ("first.parquet", 0.0, 0),
        ("second.parquet", 600.0, 5),
    ]
    page = (tmp_path / "out" / "report.html").read_text()
    digests = [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]
    assert all(digest in page for digest in digests)
    said = html.unescape(page).replace("\u00a0", " ")
    gap = "Nothing was recorded for 4 min 10 s, by the computer's clock, between first.parquet and second.parquet."
    assert said.count(gap) == 2  # at the top, and among what happened
    place = "from 10:00 to 15:50 of the ride, segments 6 to 10, which it numbers 1 to 5 itself."
    assert f"second.parquet: {place}" in said
    assert "does not say that it goes on with" not in page
    assert "% of the time recorded only" not in page  # the gap is no fault of any sensor
    assert page.count("As recorded, without amendments:") == 1
    files = pd.read_csv(tmp_path / "out" / "recordings.csv")
    assert files["sha256"].tolist() == digests
    verdicts = pq.read_table(tmp_path / "out" / "verdicts.parquet")
    assert verdicts.schema.metadata[b"recording_sha256"].decode().split() == digests
    assert verdicts["segments_judged"].to_pylist() == [7]  # four steady steps in each file, one of them excluded
    steps = pd.read_csv(tmp_path / "out" / "segments_meters.csv")
    assert sorted(set(steps["segment_no"])) == [1, 2, 3, 4, 5, 6, 7, 8, 10]


def test_files_that_do_not_name_each_other_and_meters_that_changed_are_said(tmp_path: Path) -> None:
    first, second = two_rides(tmp_path)
    sensors = {**second.metadata.sensors, "Birch": {"serial": "other", "firmware_revision": "2.0"}}
    changed = msgspec.structs.replace(second.metadata, continues=None, sensors=sensors)
    ride = joined_ride([first, replace(second, metadata=changed)])
    assert "second.parquet does not say that it goes on with the other" in " ".join(part_sentences(ride))
    facts = ride_facts(ride, "0" * 64, "1" * 64)
    birch = {f.label: f.value for f in next(s for s in facts.sensors if s.name == "Birch").identity}
    assert (birch["Serial"], birch["Firmware"]) == ("Birch 0042, then other", "1.0, then 2.0")
    assert [name for name, _ in facts.files] == ["first.parquet", "second.parquet"]


def test_a_sensor_that_was_silent_in_what_was_recorded_is_said(tmp_path: Path) -> None:
    first, second = two_rides(tmp_path)
    silent = {name: s for name, s in second.samples.items() if name != "Birch"}
    ride = joined_ride([first, replace(second, samples=silent)])
    told = " ".join(cannot_say(ride, judge_recording(ride)))
    assert "Birch was fresh for 50 % of the time recorded only" in told
    assert "Alder was fresh" not in told
