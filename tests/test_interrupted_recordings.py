"""A recorder killed at any moment, ended by signals, hindered by folders: the ride is one whole file, or nothing."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import pytest

from analysis import command_line
from analysis.recording_reader import read_metadata
from recorder.compose import RecordJob, Surroundings, record, recover_path
from recorder.errors import FolderInUse, FolderUnusable
from recorder.folder_lock import LOCK_NAME, FolderLock
from recorder.recording_run import Summary
from recorder.recovery import Recovered
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from simulated_sensors.virtual_time import run_virtual
from tests.program_on_air import program_on_air
from tests.riding import (
    POWER,
    FakeSource,
    LoopClock,
    number_in,
    one_meter_bench,
    silence,
    table_of,
)

ROOT = Path(__file__).resolve().parents[1]
SYSTEM = SystemStorage()


@dataclass
class Fate:
    """What a doomed recorder said before its end."""

    acknowledged: int = 0
    calls: list[str] = field(default_factory=list)
    exit_status: int | None = None


class Doomed:
    """The process that forks recorders; one runs at a time."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.doomed_recorder"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def record(
        self, folder: Path, rows: int, *, kill_before: tuple[str, int] | None = None, kill_at: int | None = None
    ) -> Fate:
        """`kill_at`: from outside, when that row was acknowledged."""
        talk, hear = self._pipes()
        talk.write(json.dumps({"folder": str(folder), "rows": rows, "kill_before": kill_before}) + "\n")
        talk.flush()
        fate, pid = Fate(), 0
        for line in hear:
            word, _, rest = line.partition(" ")
            if word == "pid":
                pid = int(rest)
            elif word == "ack":
                fate.acknowledged = int(rest) + 1
                if fate.acknowledged == kill_at:
                    os.kill(pid, signal.SIGKILL)
            elif word == "calls":
                fate.calls = json.loads(rest)
            elif word == "exit":
                fate.exit_status = int(rest)
                break
        return fate

    def close(self) -> None:
        for pipe in self._pipes():
            pipe.close()
        assert self._process.wait(10) == 0

    def _pipes(self) -> tuple[IO[str], IO[str]]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        return self._process.stdin, self._process.stdout


@pytest.fixture(scope="module")
def doomed() -> Iterator[Doomed]:
    if not hasattr(os, "fork"):
        pytest.skip("this system cannot fork")
    process = Doomed()
    yield process
    process.close()


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name != LOCK_NAME) if folder.exists() else []


def numbers(recording: Path) -> list[int]:
    return [number_in(row["payload"]) for row in table_of(recording) if row["row_kind"] == "notification"]


def recovered_in(folder: Path) -> list[Recovered]:
    """Recovers twice: the second time there must be nothing left to do."""
    if not folder.exists():
        return []
    found = recover_path(folder, SYSTEM)
    assert found.left == ()
    before = left_in(folder)
    again = recover_path(folder, SYSTEM)
    assert (again.recovered, again.left) == ((), ())
    assert left_in(folder) == before
    return list(found.recovered)


def check_whole(folder: Path, fate: Fate) -> None:
    """One file with every acknowledged row once and in order, and nothing beside it."""
    files = left_in(folder)
    if fate.acknowledged == 0 and not files:
        return
    assert len(files) == 1
    assert files[0].endswith(".parquet")
    found = numbers(folder / files[0])
    assert found == list(range(len(found)))
    # One more may have been written whose acknowledgement was never sent.
    assert fate.acknowledged <= len(found) <= fate.acknowledged + 1


# -- kill -9 ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(8))
def test_killed_at_a_random_row_nothing_acknowledged_is_lost(doomed: Doomed, tmp_path: Path, number: int) -> None:
    kill_at = random.Random(number).randint(1, 3000)
    fate = doomed.record(tmp_path, 1_000_000, kill_at=kill_at)
    assert fate.exit_status == -signal.SIGKILL
    assert fate.acknowledged >= kill_at
    (ride,) = recovered_in(tmp_path)
    assert not ride.clean
    check_whole(tmp_path, fate)
    assert read_metadata(ride.recording).finish is not None


# Every kind of call in order, as often as a short ride makes it; what a ride makes less often is never reached.
PLACES = [
    *(("open_new", n) for n in (1, 2)),
    *(("write", n) for n in (1, 2, 3, 4, 15)),
    *(("sync", n) for n in (1, 2, 3)),
    *(("sync_dir", n) for n in (1, 2, 3)),
    ("sync_path", 1),
    ("rename", 1),
    *(("unlink", n) for n in (1, 2)),
]


@pytest.mark.parametrize("place", PLACES, ids=lambda place: f"{place[0]}-{place[1]}")
def test_killed_before_any_call_of_the_storage_one_whole_file_remains(
    doomed: Doomed, tmp_path: Path, place: tuple[str, int]
) -> None:
    fate = doomed.record(tmp_path, 20, kill_before=place)
    recovered_in(tmp_path)
    check_whole(tmp_path, fate)


def test_the_places_are_all_that_a_short_ride_asks_of_the_storage(doomed: Doomed, tmp_path: Path) -> None:
    fate = doomed.record(tmp_path, 20)
    assert fate.exit_status == 0
    reached = {name: fate.calls.count(name) for name in set(fate.calls)}
    assert {name for name, _ in PLACES} == set(reached)
    for name in ("open_new", "sync_dir", "sync_path", "rename", "unlink"):
        assert max(n for place, n in PLACES if place == name) >= reached[name], name
    check_whole(tmp_path, fate)


def test_killed_between_rename_and_retirement_the_file_is_left_as_it_is(doomed: Doomed, tmp_path: Path) -> None:
    fate = doomed.record(tmp_path, 20, kill_before=("unlink", 2))
    (recording,) = tmp_path.glob("*.parquet")
    before = recording.read_bytes()
    assert [path.suffix for path in tmp_path.glob("*.journal")] == [".journal"]
    (ride,) = recovered_in(tmp_path)
    assert ride.recording == recording
    assert ride.clean
    assert recording.read_bytes() == before
    check_whole(tmp_path, fate)


def test_the_next_recording_finishes_what_was_killed(doomed: Doomed, tmp_path: Path) -> None:
    killed = doomed.record(tmp_path, 1_000_000, kill_at=50)
    following = doomed.record(tmp_path, 20)
    assert following.exit_status == 0
    first, second = sorted(tmp_path.glob("*.parquet"), key=lambda path: path.stat().st_mtime_ns)
    assert len(numbers(first)) >= killed.acknowledged
    assert numbers(second) == list(range(20))
    assert left_in(tmp_path) == sorted([first.name, second.name])


# -- real processes on a simulated radio -----------------------------------------------------------------------


async def ended_by(folder: Path, *signals: signal.Signals) -> tuple[int | None, str]:
    """The program itself, once it has recorded half a second."""
    async with program_on_air(folder, "--json", sent=25, stdout=asyncio.subprocess.PIPE) as on_air:
        for number in signals:
            on_air.process.send_signal(number)
        assert on_air.process.stdout is not None
        printed = (await on_air.process.stdout.read()).decode()
        status = await on_air.process.wait()
    return status, printed


async def test_signals_end_real_recorders_properly_and_kill_costs_nothing(tmp_path: Path) -> None:
    """All at once, since most of the time is that of starting four programs."""
    endings = {
        "interrupt": (signal.SIGINT,),
        "terminate": (signal.SIGTERM,),
        "log-out": (signal.SIGHUP, signal.SIGTERM, signal.SIGHUP),  # as a session's end sends them
        "kill": (signal.SIGKILL,),
    }
    results = await asyncio.gather(*(ended_by(tmp_path / name, *sent) for name, sent in endings.items()))
    for (name, sent), (status, printed) in zip(endings.items(), results, strict=True):
        rides = tmp_path / name / "rides"
        if name == "kill":
            assert (status, printed) == (-signal.SIGKILL, "")
            (ride,) = recovered_in(rides)
            assert not ride.clean
        else:
            assert status == 0, name
            summary = json.loads(printed)
            assert summary["reason"] in {number.name for number in sent}
            assert summary["recording"] == str(next(rides.glob("*.parquet")))
        (recording,) = rides.iterdir() if name != "kill" else rides.glob("*.parquet")
        found = numbers(recording)
        assert found == list(range(found[0], found[0] + len(found)))
        assert len(found) >= 20  # of at least 25; the last may still have been on their way


# -- the end ---------------------------------------------------------------------------------------------------


def record_with(
    folder: Path, source: FakeSource, storage: SystemStorage = SYSTEM
) -> tuple[Summary, float, list[str]]:
    """Ten virtual seconds; the summary, when it came, and what stood in the folder 3 s after the end of the ride."""

    async def main() -> tuple[Summary, float, list[str]]:
        loop = asyncio.get_running_loop()
        job = RecordJob(one_meter_bench(), folder, duration_s=10.0, needed_bytes=0)
        ride = asyncio.ensure_future(record(job, Surroundings(LoopClock(), storage, source, lambda words: None)))
        await asyncio.sleep(13.0)
        files = left_in(folder)
        return await ride, loop.time(), files

    return run_virtual(main())


async def hang() -> None:
    await asyncio.Event().wait()


async def fail() -> None:
    raise ConnectionError("the service has gone")


async def deliver(sink: RecordSink) -> None:
    sink.received(0, "Alder", "2a63", POWER)
    await silence(sink)


async def interrupt_again() -> None:
    os.kill(os.getpid(), signal.SIGINT)
    await asyncio.sleep(0.1)


@pytest.mark.parametrize("close", [hang, fail, interrupt_again])
def test_nothing_that_happens_at_the_end_keeps_the_ride_from_the_disk(tmp_path: Path, close: Any) -> None:
    summary, ended_s, after_3_s = record_with(tmp_path, FakeSource([deliver], on_close=close))
    assert summary.recording is not None
    assert after_3_s == [summary.recording.name]
    assert ended_s <= 10.0 + 15.0  # and the program comes to its end as well
    finish = read_metadata(summary.recording).finish
    assert finish is not None
    assert finish.clean


class Unfinishable(SystemStorage):
    def rename(self, old: Path, new: Path) -> None:
        raise RuntimeError("a fault that nobody thought of")


def test_where_the_file_cannot_be_made_the_journal_is_kept_and_named(tmp_path: Path) -> None:
    summary, _, _ = record_with(tmp_path, FakeSource([deliver]), Unfinishable())
    assert summary.recording is None
    assert summary.journal is not None
    assert summary.journal.exists()
    assert "safe in" in summary.in_words()
    (ride,) = recovered_in(tmp_path)
    assert ride.clean


def test_an_old_journal_that_cannot_be_read_does_not_prevent_a_ride(tmp_path: Path) -> None:
    (tmp_path / "old.journal").write_bytes(b"rubbish")
    summary, _, _ = record_with(tmp_path, FakeSource([deliver]))
    assert summary.recording is not None
    assert left_in(tmp_path) == sorted(["old.journal", summary.recording.name])


# -- folders ---------------------------------------------------------------------------------------------------


class FullDisk(SystemStorage):
    def free_bytes(self, folder: Path) -> int:
        return 1_000_000


def refused(folder: Path, storage: SystemStorage = SYSTEM, needed_bytes: int = 0) -> str:
    """The sentence with which a recorder refuses the folder."""
    job = RecordJob(one_meter_bench(), folder, duration_s=1.0, needed_bytes=needed_bytes)

    async def main() -> None:
        await record(job, Surroundings(LoopClock(), storage, FakeSource(), lambda words: None))

    with pytest.raises((FolderUnusable, FolderInUse)) as caught:
        run_virtual(main())
    return str(caught.value)


def test_a_full_disk_is_said_before_the_ride(tmp_path: Path) -> None:
    words = refused(tmp_path, FullDisk(), needed_bytes=200_000_000)
    assert "1 MB free" in words
    assert "200 MB" in words
    assert left_in(tmp_path) == []


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """A path below a file, since the superuser may write in every folder."""
    (tmp_path / "file").write_text("x")
    assert "nothing can be written" in refused(tmp_path / "file" / "rides")
    assert "nothing can be written" in refused(tmp_path / "file")


def test_a_folder_without_its_parent_is_not_made(tmp_path: Path) -> None:
    assert "is missing" in refused(tmp_path / "absent" / "rides")
    assert left_in(tmp_path) == []


def test_a_missing_folder_is_made(tmp_path: Path) -> None:
    summary, _, _ = record_with(tmp_path / "rides", FakeSource([deliver]))
    assert summary.recording is not None
    assert summary.recording.parent == tmp_path / "rides"


def test_a_second_recorder_in_a_folder_is_refused_with_the_pid(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with FolderLock(tmp_path, SYSTEM):
        assert command_line.main(["demo", "--out", str(tmp_path), "--headless"]) == 2
        assert command_line.main(["recover", str(tmp_path)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    said = [line for line in printed.err.splitlines() if line.startswith("wattproof: ")]
    assert len(said) == 2
    assert all(f"process {os.getpid()}" in line for line in said)
    assert left_in(tmp_path) == []
