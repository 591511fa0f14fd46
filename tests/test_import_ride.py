"""Rides of several devices through the whole command and everything behind it: figures, page, ledger, decoding."""

from __future__ import annotations

import errno
import hashlib
import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.bench_file import read_bench
from analysis.characteristics import registry
from analysis.command_line import main
from analysis.decoding import RowDecoder
from analysis.judge import Judged, judge_recording
from analysis.ledger.ledger_folder import open_ledger
from analysis.ledger.taking_in import add_recording
from analysis.recording_reader import Recording, read_recording
from analysis.recording_schema import METADATA_DIGEST_KEY, METADATA_KEY, metadata_digest
from analysis.report_files import write_report
from analysis.ride_source import ride_sources
from analysis.row_samples import SampleGatherer
from analysis.rows import Event, Row
from analysis.samples import Floats
from recorder.errors import ImportFailed
from recorder.import_files import given_files
from recorder.import_recording import ImportJob, import_ride, read_on_one_clock
from recorder.storage import SystemStorage
from simulated_sensors.meter_model import MeterModel
from simulated_sensors.ride_file_devices import (
    RideFileDevice,
    device_track,
    outdoor_ride,
    true_drift_ppm,
    true_offset_s,
)
from tests.fit_files import FIT_S, UTC_S, plain_fit
from tests.imported_rides import meter_of, uneven_power, write_bench, write_csv, write_fit

S = 1_000_000_000
SECONDS = 1800
AHEAD_S = 137  # Birch's clock; Cedar's file counts from its own start
CEDAR_FROM_S = 100
SCALES = {"Alder": 1.0, "Birch": 0.985, "Cedar": 0.96}


class Imported:
    """Three devices of one ride: Alder and Birch by FIT, Cedar by a table that begins later and drifts by 40 ppm."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.power_w, self.cadence_rpm = uneven_power(SECONDS)
        self.read = {n: meter_of(self.power_w, scale, k) for k, (n, scale) in enumerate(SCALES.items())}
        laps = [(0, 600), (600, 1200), (1200, SECONDS - 1)]
        write_fit(folder / "alder.fit", self.read["Alder"], self.cadence_rpm, laps=laps)
        pauses = [(1200, 1260)]
        self.read["Birch"][1200:1260] = np.nan
        write_fit(folder / "birch.fit", self.read["Birch"], self.cadence_rpm, UTC_S + AHEAD_S, pauses=pauses)
        cedar = self.read["Cedar"][CEDAR_FROM_S:]
        write_csv(folder / "cedar.csv", np.arange(cedar.size) * (1 + 40e-6), cedar)
        self.bench = write_bench(folder)
        self.files = [f"Cedar={folder / 'cedar.csv'}", str(folder / "alder.fit"), str(folder / "birch.fit")]

    def run(
        self, capsys: Any, *more: str, files: list[str] | None = None, out: str = "rides"
    ) -> tuple[int, str, str]:
        given = ["import", *(files or self.files), "--bench", str(self.bench), "--out", str(self.folder / out)]
        status = main([*given, "--csv", "time=t,power=w", *more])
        told = capsys.readouterr()
        return status, told.out, told.err


@pytest.fixture(scope="module")
def ride(tmp_path_factory: pytest.TempPathFactory) -> Imported:
    return Imported(tmp_path_factory.mktemp("imported"))


@pytest.fixture(scope="module")
def recording(ride: Imported) -> Recording:
    given = ["import", *ride.files, "--bench", str(ride.bench), "--out", str(ride.folder / "read-only"), "--laps"]
    assert main([*given, "--csv", "time=t,power=w"]) == 0
    (path,) = (ride.folder / "read-only").glob("*.parquet")
    return read_recording(path)


@pytest.fixture(scope="module")
def judged(recording: Recording) -> Judged:
    return judge_recording(recording)


def test_clocks_are_found(recording: Recording) -> None:
    sources = ride_sources(recording.metadata)
    assert sources["Birch"].clock["offset_s"] == pytest.approx(-AHEAD_S, abs=0.1)
    # Alder's first record may be missing; Cedar's too: both count from their first records.
    first = {n: sources[n].clock for n in sources}["Cedar"]
    assert first["offset_s"] == pytest.approx(CEDAR_FROM_S, abs=2.2)
    assert recording.metadata.utc_anchors[0][1] / S == pytest.approx(UTC_S, abs=2.2)
    assert recording.metadata.clock == "clock of Alder's file"


def test_every_record_is_where_it_was_ridden(ride: Imported, recording: Recording) -> None:
    """Seconds of the true ride from the reference's clock, against what the recording holds at that instant."""
    start_s = recording.metadata.utc_anchors[0][1] / S - UTC_S
    for name, samples in recording.samples.items():
        at_s = samples.power_w.host_ns / 1e9 + start_s
        assert np.abs(at_s - np.rint(at_s)).max() < 0.15, name
        expected = ride.read[name][np.rint(at_s).astype(int)]
        assert np.array_equal(samples.power_w.values, expected), name
        assert len(samples.power_w) == np.isfinite(ride.read[name][CEDAR_FROM_S if name == "Cedar" else 0 :]).sum()


def test_differences_are_those_of_the_meters(ride: Imported, judged: Judged) -> None:
    """Against numpy on the seconds in which both have a record, the rider pedals, and nothing is missing around."""
    both = np.isfinite(ride.read["Alder"]) & np.isfinite(ride.read["Birch"]) & (ride.cadence_rpm > 0)
    direct_pct = 100 * (ride.read["Birch"][both].sum() / ride.read["Alder"][both].sum() - 1)
    assert judged.verdicts["Birch"].difference_pct == pytest.approx(direct_pct, abs=0.1)
    assert judged.verdicts["Cedar"].difference_pct == pytest.approx(100 * (0.96 - 1), abs=0.2)
    assert judged.setup.lags_s == {"Birch": 0.0, "Cedar": 0.0}, "the offset holds the lag: nothing is shifted again"


def test_missing_seconds_and_pauses_are_gaps_and_zeros_are_values(ride: Imported, judged: Judged) -> None:
    inside = ride.read["Birch"][: SECONDS - 1]
    known = 100 * np.isfinite(inside).mean()
    covered = judged.ride.meters["Birch"].coverage_pct
    assert covered == pytest.approx(known, abs=0.3)
    assert judged.ride.meters["Birch"].longest_gap_s == pytest.approx(60, abs=3)
    assert judged.ride.meters["Alder"].mean_power_w == pytest.approx(float(np.nanmean(ride.read["Alder"])), abs=0.5)


def test_rows_hold_the_device_clock_and_decode_again(recording: Recording) -> None:
    table = pq.read_table(recording.path)
    rows = [r for r in table.to_pylist() if r["row_kind"] == "imported"]
    assert {r["characteristic"] for r in rows} == {None}
    birch = [r for r in rows if r["sensor"] == "Birch"]
    assert [r["origin_seq"] for r in birch] == list(range(len(birch)))
    assert birch[0]["origin_ns"] // S - UTC_S - AHEAD_S in (0, 1, 2)
    decoder = RowDecoder()
    for row in rows[:500]:
        again = decoder.fields(Row(row["host_ns"], "imported", row["sensor"], None, row["payload"]))
        assert again == {name: row[name] for name in again}
        assert again["power_w"] == row["power_w"]


def test_rows_gathered_one_by_one_give_the_same_samples(recording: Recording) -> None:
    gatherer, decoder = SampleGatherer(), RowDecoder()
    for told in pq.read_table(recording.path, columns=["host_ns", "row_kind", "sensor", "payload"]).to_pylist():
        if told["row_kind"] == "imported":
            row = Row(**told)
            gatherer.add(row, decoder.fields(row))
    gathered = gatherer.samples()
    for name, samples in recording.samples.items():
        assert np.array_equal(gathered[name].power_w.host_ns, samples.power_w.host_ns)
        assert np.array_equal(gathered[name].cadence_rpm.values, samples.cadence_rpm.values)


def test_a_recording_of_another_decoder_is_decoded_anew(recording: Recording, tmp_path: Path) -> None:
    """The columns are wiped, the version in the metadata changed: payloads alone give the same samples."""
    table = pq.read_table(recording.path)
    for name in ("power_w", "cadence_rpm"):
        place = table.schema.get_field_index(name)
        table = table.set_column(
            place, table.schema.field(name), pa.nulls(table.num_rows, table.schema.field(name).type)
        )
    text = msgspec.structs.replace(recording.metadata, decoder_version=registry.DECODER_VERSION + 1).to_json()
    path = tmp_path / "older.parquet"
    keys = {METADATA_KEY: text, METADATA_DIGEST_KEY: metadata_digest(text)}
    pq.write_table(table.replace_schema_metadata(keys), path, write_page_checksum=True)
    older = read_recording(path)
    assert older.decoded_again
    for name, samples in recording.samples.items():
        assert np.array_equal(older.samples[name].power_w.values, samples.power_w.values)
        assert older.samples[name].hold_s == samples.hold_s


def test_metadata_and_events_tell_where_it_came_from(ride: Imported, recording: Recording) -> None:
    source = ride_sources(recording.metadata)["Birch"]
    assert source.sha256 == hashlib.sha256((ride.folder / "birch.fit").read_bytes()).hexdigest()
    assert (source.file, source.kind) == ("birch.fit", "fit")
    paused = [row for row in recording.events if row.event == Event.PAUSED]
    assert [(row.sensor, row.detail["paused_s"]) for row in paused] == [("Birch", 60.0)]
    assert [s.name for s in recording.segments] == ["lap 1", "lap 2", "lap 3"]
    assert sum(recording.metadata.rows_per_sensor.values()) == sum(len(s.power_w) for s in recording.samples.values())


def test_page_and_table_say_the_source(recording: Recording, judged: Judged, tmp_path: Path, capsys: Any) -> None:
    page = write_report(tmp_path / "out", recording, judged)[0].read_text()
    assert 'id="clocks"' in page
    assert page.count('class="limit"') >= 2
    assert ride_sources(recording.metadata)["Cedar"].sha256 in page
    assert "left, see Clocks" in page
    assert "adopted while riding" not in page
    assert main(["report", str(recording.path)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Birch: from birch.fit (FIT, SHA-256" in told
    assert re.search(r"Birch: .{0,90}its clock is put on that of Alder by -13[67]\.\d\d ± 0\.\d\d s", told)
    assert main(["report", str(recording.path), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert table["sources"]["Birch"]["clock"]["method"] == "correlation"


def test_a_damaged_file_is_told_wherever_its_source_is(ride: Imported, capsys: Any, tmp_path: Path) -> None:
    """The last two bytes of a FIT file are its CRC (FIT protocol)."""
    data = bytearray((ride.folder / "birch.fit").read_bytes())
    data[-1] ^= 0xFF
    (tmp_path / "birch.fit").write_bytes(bytes(data))
    files = [str(ride.folder / "alder.fit"), str(tmp_path / "birch.fit")]
    assert ride.run(capsys, files=files, out="damaged")[0] == 0
    (path,) = (ride.folder / "damaged").glob("*.parquet")
    sources = ride_sources(read_recording(path).metadata)
    assert sources["Birch"].sentence.endswith(
        "The file is damaged: its checksum does not match: something in it was changed."
    )
    assert "damaged" not in sources["Alder"].sentence


def test_a_ledger_takes_the_same_files_once(
    ride: Imported, recording: Recording, tmp_path: Path, capsys: Any
) -> None:
    status, out, _ = ride.run(capsys, "--json", "--segment", "all=0:05:00-0:28:00", out="again")
    assert status == 0
    ledger = open_ledger(str(tmp_path / "ledger"), make=True)
    assert add_recording(ledger, recording.path).state == "added"
    again = add_recording(ledger, Path(json.loads(out)["recording"]))
    assert again.state == "other file of a known session"
    assert again.units == ("alder-1", "birch-1", "cedar-1")


def test_nothing_is_ever_overwritten(ride: Imported, capsys: Any) -> None:
    for _ in range(2):
        assert ride.run(capsys, out="twice")[0] == 0
    first, second = sorted((ride.folder / "twice").iterdir(), key=lambda p: len(p.name))
    assert second.name == first.name.replace(".parquet", "-2.parquet")
    assert read_recording(first).metadata.session_id == read_recording(second).metadata.session_id


class FullDisk(SystemStorage):
    def sync_path(self, path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_leaves_nothing_behind(ride: Imported) -> None:
    bench = read_bench(ride.bench)
    job = ImportJob(bench, given_files([str(ride.folder / "alder.fit")], bench), ride.folder / "full")
    with pytest.raises(ImportFailed, match=r"could not be written .*No space left.*nothing is left of it"):
        import_ride(job, read_on_one_clock(job), FullDisk())
    assert list((ride.folder / "full").iterdir()) == []


def test_proposals_are_printed_and_can_be_given_back(ride: Imported, capsys: Any) -> None:
    status, out, _ = ride.run(capsys, "--propose", out="proposed")
    assert status == 0
    assert not (ride.folder / "proposed").exists()
    listed = ride.folder / "segments.txt"
    listed.write_text(out)
    count = len(out.splitlines())
    first = shlex.split(out.splitlines()[0], comments=True)
    status, out, _ = ride.run(capsys, *first, "--json", out="proposed")
    assert status == 0
    assert json.loads(out)["segments"] == 1
    status, out, _ = ride.run(capsys, "--segments", str(listed), "--json", out="proposed")
    assert json.loads(out)["segments"] == count


def test_a_ride_too_short_for_proposals_says_so(ride: Imported, tmp_path: Path, capsys: Any) -> None:
    write_fit(tmp_path / "alder.fit", ride.read["Alder"][:40], ride.cadence_rpm[:40])
    status, out, _ = ride.run(capsys, "--propose", files=[str(tmp_path / "alder.fit")])
    assert (status, out) == (1, "no stretch of this ride lends itself; mark segments by hand\n")


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--reference", "Elm"], "there is no meter named `Elm` on the bench; choose one of Alder, Birch, Cedar"),
        (["--reference", "Zelkova"], "there is no meter named `Zelkova`"),
        (["--segment", "x=3:00:00-3:10:00"], "lies outside the ride"),
        (["--segment", "x"], "is no segment"),
        (["--offset", "Birch=soon"], "needs seconds"),
        (["--offset", "Birch=86400"], "s away from that of Alder"),
        (["--reference", "Cedar", "--laps"], "the file of the reference, Cedar, holds no laps"),
    ],
)
def test_bad_use_is_said_in_a_sentence(ride: Imported, capsys: Any, more: list[str], says: str) -> None:
    status, out, err = ride.run(capsys, *more, out="refused")
    assert status == 2
    assert out == ""
    assert err.count("\n") == 1
    assert says in err
    assert not (ride.folder / "refused").exists() or not list((ride.folder / "refused").glob("*.parquet"))


def test_powers_that_do_not_move_together_are_refused(ride: Imported, capsys: Any, tmp_path: Path) -> None:
    other_w, _ = uneven_power(SECONDS, seed=99)
    stranger = write_csv(tmp_path / "stranger.csv", np.arange(SECONDS), other_w)
    files = [str(ride.folder / "alder.fit"), f"Birch={stranger}"]
    status, _, err = ride.run(capsys, files=files, out="strangers")
    assert status == 2
    assert "the clock of Birch's file could not be put on that of Alder" in err
    assert "--offset Birch=SECONDS" in err
    status, out, _ = ride.run(capsys, "--offset", "Birch=0", files=files, out="strangers")
    assert status == 0
    assert "as stated" in out


def test_two_files_of_one_meter_are_refused(ride: Imported, capsys: Any, tmp_path: Path) -> None:
    """A second export of Birch's ride, in another format and by another clock, passed off as Cedar's."""
    again = write_csv(tmp_path / "again.csv", np.arange(SECONDS), ride.read["Birch"])
    files = [str(ride.folder / name) for name in ("alder.fit", "birch.fit")]
    status, _, err = ride.run(capsys, files=[*files, f"Cedar={again}"], out="one-meter")
    assert status == 2
    assert "birch.fit and again.csv hold the same watts in 100 % of the seconds: both recorded one meter" in err
    assert not (ride.folder / "one-meter").exists()


def test_two_meters_that_read_alike_are_two(ride: Imported, capsys: Any, tmp_path: Path) -> None:
    """Neither scale nor offset between them, half a percent of noise: the watts still differ in most seconds."""
    rng = np.random.default_rng(5)
    alike = np.rint(ride.read["Birch"] * (1 + 0.005 * rng.standard_normal(SECONDS)))
    path = write_csv(tmp_path / "alike.csv", np.arange(SECONDS), alike)
    files = [str(ride.folder / name) for name in ("alder.fit", "birch.fit")]
    assert ride.run(capsys, files=[*files, f"Cedar={path}"], out="alike")[0] == 0


def test_the_words_at_the_end(ride: Imported, capsys: Any) -> None:
    status, out, _ = ride.run(capsys, "--offset", "Cedar=100", out="words")
    assert status == 0
    assert "no segment marked: see --laps, --segment, --propose" in out
    assert "begins at the same minute" not in out
    birch = next(line for line in out.splitlines() if line.startswith("  Birch"))
    rows = int(np.isfinite(ride.read["Birch"]).sum())
    assert f"{rows} rows from birch.fit" in birch
    assert "1 pause (60 s)" in birch
    assert "+100.00 s as stated, counted from the first records" in out
    status, out, _ = ride.run(
        capsys, "--offset", "Cedar=100", "--segment", "climb:steady=0:10:00-0:11:00", out="words"
    )
    first, second = sorted((ride.folder / "words").glob("*.parquet"), key=lambda p: len(p.name))
    assert f"imported {second} (29 min 59 s, 1 segment)" in out
    assert f"{first.name} begins at the same minute: it is left as it is, and this is one more" in out
    assert "segment climb (steady): 0:10:00 to 0:11:00" in out


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_hours_outdoors_by_three_devices(seed: int, tmp_path: Path) -> None:
    """Offsets up to 10 min, drift up to 50 ppm, pauses, 1 % missing: offset to 0.2 s, drift to 5 ppm, and the mean
    difference of each half hour to 0.2 W of that which files of one perfect clock with every second give."""
    outdoors = outdoor_ride(seed)
    models = {
        "Alder": MeterModel("pedals", "both", rate_hz=4.0),
        "Birch": MeterModel("spider", "total", scale_pct=-1.5, rate_hz=4.0),
        "Cedar": MeterModel("trainer", "total", rate_hz=4.0),
    }
    clocks = {"Alder": (0.0, 0.0), "Birch": (-431.4, 38.0), "Cedar": (555.2, -50.0)}
    devices = {n: RideFileDevice(n, models[n], *clocks[n]) for n in models}
    perfect = {n: RideFileDevice(n, models[n], missing=0.0) for n in models}
    found = _judged(devices, outdoors, seed, tmp_path / "found")
    direct = _judged(perfect, outdoors, seed, tmp_path / "direct")
    for name in ("Birch", "Cedar"):
        clock = ride_sources(found[0].metadata)[name].clock
        first_s = device_track(devices[name], outdoors, seed).time_s[0]
        truth_s = true_offset_s(devices["Alder"], devices[name], outdoors, first_s + clock["epoch_s"])
        assert clock["offset_s"] == pytest.approx(truth_s, abs=0.2)
        assert clock["drift_ppm"] == pytest.approx(true_drift_ppm(devices["Alder"], devices[name]), abs=5)
        for one, other in zip(found[1].segments, direct[1].segments, strict=True):
            assert one.comparisons[name].mean_difference_w == pytest.approx(
                other.comparisons[name].mean_difference_w, abs=0.2
            )


def _judged(devices: dict[str, RideFileDevice], outdoors: Any, seed: int, folder: Path) -> tuple[Recording, Judged]:
    folder.mkdir()
    files = []
    for name, device in devices.items():
        track = device_track(device, outdoors, seed)
        path = folder / f"{name.lower()}.fit"
        path.write_bytes(plain_fit(_rows(track.time_s, track.power_w, track.cadence_rpm)))
        files.append(str(path))
    # By the reference's own clock, which is the true one: 14:07:11 is ten minutes into the ride.
    parts = [("14:07:11Z", "14:37:11Z"), ("14:37:11Z", "15:07:11Z"), ("15:07:11Z", "15:37:11Z")]
    halves = [word for k, (a, b) in enumerate(parts) for word in ("--segment", f"part {k}={a}-{b}")]
    assert main(["import", *files, "--bench", str(write_bench(folder)), "--out", str(folder), *halves]) == 0
    (path,) = folder.glob("*.parquet")
    recording = read_recording(path)
    return recording, judge_recording(recording)


def _rows(time_s: Floats, power_w: Floats, cadence_rpm: Floats) -> Iterator[tuple[int, int | None, int | None]]:
    for at, power, cadence in zip(time_s.tolist(), power_w.tolist(), cadence_rpm.tolist(), strict=True):
        yield FIT_S + round(at), None if np.isnan(power) else round(power), round(cadence)
