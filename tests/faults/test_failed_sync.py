"""Disks that fail: at a sync, for good, read-only, at the n-th call, half-way through a write, or only slowly."""

from __future__ import annotations

import errno
import os
import re
import statistics
import subprocess
import time
from collections import Counter
from pathlib import Path

import pytest

from recorder.compose import recover_path
from recorder.journal_segments import journal_segments
from recorder.recovery import Recovered, recover_journal
from recorder.storage import SystemStorage
from tests.faults.conftest import Tell
from tests.faults.harmed_rides import (
    HarmedRide,
    ext4_image,
    harmed_ride,
    lost_rows,
    mounted,
    needs,
    started,
)

RATE = ("--rate", "200")
_CALL = re.compile(r"^\d+ +(?:[\d.]+ +)?(\w+)\((\d+)<([^>]*)>[^)]*\) += (-?\d+)")


def traced(log: Path, *rules: str, paths: bool = True) -> list[str]:
    words = ["strace", "-f", "-qq", "--seccomp-bpf", "-o", str(log)]
    return words + (["-y"] if paths else []) + [word for rule in rules for word in ("-e", rule)]


def synced(log: Path) -> list[tuple[str, str, bool]]:
    """Call, path, and whether it went well, of each sync in the order in which they were made."""
    found = [_CALL.match(line) for line in log.read_text().splitlines()]
    return [(m[1], m[3], int(m[4]) == 0) for m in found if m is not None and "sync" in m[1]]


def never_synced_again(syncs: list[tuple[str, str, bool]]) -> bool:
    """After a failed sync of a file, none of the same file: it would report success for data that is gone."""
    failed: set[str] = set()
    for _, path, well in syncs:
        if path in failed:
            return False
        if not well:
            failed.add(path)
    return bool(failed)


def whole_ride(ride: HarmedRide, folder: Path, spare: Path) -> Recovered | None:
    """The file of a ride that has ended has all its rows, wherever it is; None where it needed no recovery."""
    assert ride.summary is not None
    recording = ride.summary["recording"]
    if recording is not None:
        assert lost_rows(Path(recording), ride.acknowledged) == 0
        return None
    segments = journal_segments(next(folder.glob("*.journal")), spare)
    found = recover_journal(segments, SystemStorage())
    assert lost_rows(found.recording, ride.acknowledged) == 0
    return found


@needs("strace")
def test_a_sync_that_fails_once_is_never_made_again_on_that_file(tmp_path: Path, tell: Tell) -> None:
    log, rides = tmp_path / "trace", tmp_path / "rides"
    # strace counts by thread: the second sync of the journal's own thread.
    under = traced(log, "trace=fdatasync,fsync", "inject=fdatasync:error=EIO:when=2")
    with harmed_ride(rides, *RATE, under=under) as ride:
        ride.until_said(f"disk error ({os.strerror(errno.EIO)}), recording continues in {rides}")
        ride.until_rows(ride.acknowledged + 300)
        assert ride.end() == 0
    syncs = synced(log)
    assert never_synced_again(syncs)
    (failed,) = [path for _, path, well in syncs if not well]
    assert failed.endswith(".journal")
    assert any(path.endswith(".journal-2") and well for _, path, well in syncs)
    assert whole_ride(ride, rides, rides) is None
    assert [path.suffix for path in rides.iterdir()] == [".parquet"]
    tell(
        10,
        "strace: EIO at the second fdatasync",
        "disk error (Input/output error), recording continues in ...",
        f"0 of {ride.acknowledged} rows lost; 0 further syncs of that file",
    )


@pytest.mark.slow
@needs("strace", "mkfs.ext4")
def test_a_disk_that_is_smaller_than_it_says(tmp_path: Path, tell: Tell) -> None:
    """An ext4 of 64 MB whose backing file may only grow to 12: the kernel itself answers EIO to a sync."""
    spare, log = tmp_path / "spare", tmp_path / "trace"
    spare.mkdir()
    with mounted(tmp_path / "small", "-t", "tmpfs", "-o", "size=12m", "tmpfs") as small:
        image = ext4_image(small / "disk.img", 64)
        with mounted(tmp_path / "disk", "-o", "loop", image) as disk:
            rides = disk / "rides"
            under = traced(log, "trace=fdatasync,fsync")
            with harmed_ride(rides, *RATE, under=under, environment={"TMPDIR": str(spare)}) as ride:
                ride.until_rows(300)
                (small / "filler").write_bytes(bytes(small_room(small)))
                ride.until_said("disk error (")
                ride.until_rows(ride.acknowledged + 300)
                assert ride.end() == 0
            assert never_synced_again(synced(log))
            assert ride.summary is not None
            recording = Path(ride.summary["recording"])
            assert lost_rows(recording, ride.acknowledged) == 0
            said = [words for words in ride.words if "disk error" in words]
            os.sync()
    where = "elsewhere" if recording.parent == spare else "in place"
    tell(
        10,
        "loop ext4 of 64 MB on a tmpfs of 12 MB",
        re.sub(r"/\S*/", ".../", said[-1]),
        f"0 of {ride.acknowledged} rows lost, file {where}; no file synced again",
    )


def small_room(folder: Path) -> int:
    state = os.statvfs(folder)
    return state.f_bavail * state.f_frsize


@needs("mkfs.ext4")
def test_a_file_system_that_turns_read_only(tmp_path: Path, tell: Tell) -> None:
    spare = tmp_path / "spare"
    spare.mkdir()
    image = ext4_image(tmp_path / "disk.img")
    with mounted(tmp_path / "disk", "-o", "loop,errors=remount-ro", image) as disk:
        device = subprocess.run(
            ["findmnt", "-n", "-o", "SOURCE", str(disk)], capture_output=True, check=True, text=True
        ).stdout.strip()
        trigger = Path(f"/sys/fs/ext4/{Path(device).name}/trigger_fs_error")
        if not trigger.exists():
            pytest.skip("this kernel lets nobody trigger an error of ext4")
        rides = disk / "rides"
        with harmed_ride(rides, *RATE, environment={"TMPDIR": str(spare)}) as ride:
            ride.until_rows(300)
            began_s = time.monotonic()
            trigger.write_text("1")
            seen_after_s = ride.until_said(f", recording continues in {spare}") - began_s
            ride.until_rows(ride.acknowledged + 300)
            assert ride.end() == 0
        assert ride.summary is not None
        recording = Path(ride.summary["recording"])
        assert recording.parent == spare
        assert lost_rows(recording, ride.acknowledged) == 0
        assert any("A copy is in" in words for words in ride.words)
    assert seen_after_s <= 3.0
    tell(
        11,
        "trigger_fs_error: ext4 turns read-only",
        f"disk error ({os.strerror(errno.EROFS)}), recording continues in OTHER; a copy is in OTHER",
        f"0 of {ride.acknowledged} rows lost; seen after {seen_after_s:.1f} s",
    )


FAILING = ("write", "fdatasync", "fsync", "ftruncate", "rename", "unlink", "pwrite64", "close")


@pytest.mark.slow
@pytest.mark.timeout(900)
@needs("strace")
@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_whichever_system_call_fails_the_ride_is_whole_or_its_loss_is_said(
    tmp_path: Path, error: str, tell: Tell
) -> None:
    """The n-th call of a kind in each thread; tests/test_journal_file.py does the same at the storage, for all n."""
    outcomes: Counter[str] = Counter()
    for call in FAILING:
        for number in (1, 2, 3, 5, 8, 20, 60):
            folder = tmp_path / f"{call}-{number}"
            folder.mkdir()
            log = folder / "trace"
            under = traced(log, f"trace={call}", f"inject={call}:error={error}:when={number}")
            ride = started(
                folder / "rides", "--seconds", "0.7", *RATE, under=under, environment={"TMPDIR": str(folder)}
            )
            status = ride.wait()
            if "INJECTED" not in log.read_text():
                break
            outcomes[judged(ride, folder / "rides", status)] += 1
    assert not outcomes["silent loss"]
    assert sum(outcomes.values()) >= 15
    told = ", ".join(f"{count} {outcome}" for outcome, count in sorted(outcomes.items()))
    tell(12, f"strace: {error} at the n-th call of each kind", "an error in words, or nothing lost", told)


def judged(ride: HarmedRide, rides: Path, status: int) -> str:
    if ride.acknowledged == 0:
        assert status != 0
        return "no ride"
    if ride.summary is None:  # the recorder's own words could not be written: recover and see
        (recovered,) = recover_path(rides, SystemStorage()).recovered
        assert lost_rows(recovered.recording, ride.acknowledged) == 0
        return "broken off, whole after recovery"
    if ride.summary["recording"] is None:
        assert any("kept" in words for words in ride.words)
        found = recover_path(rides, SystemStorage())
        (recovered,) = found.recovered
        assert lost_rows(recovered.recording, ride.acknowledged) == 0
        return "whole after recovery"
    lost = lost_rows(Path(ride.summary["recording"]), ride.acknowledged)
    if lost:
        return "loss that was said" if any("lost" in words for words in ride.words) else "silent loss"
    return "whole at once"


@pytest.mark.slow
@needs("strace")
def test_a_write_that_the_disk_took_only_in_words_costs_its_record_and_is_said(tmp_path: Path, tell: Tell) -> None:
    """The kernel says that 10 bytes were written, and none were: worse than a short write."""
    log, rides = tmp_path / "trace", tmp_path / "rides"
    rides.mkdir()
    first = started(rides, "--seconds", "0.3", *RATE)
    assert first.wait() == 0
    under = traced(log, "trace=write", "inject=write:retval=10:when=150")
    with harmed_ride(tmp_path / "lied", *RATE, under=under) as ride:
        ride.until_rows(200)
        assert ride.end() == 0
    assert ride.summary is not None
    lost = lost_rows(Path(ride.summary["recording"]), ride.acknowledged)
    assert lost <= 1
    if lost:
        assert any("1 record lost" in words for words in ride.words)
    tell(13, "strace: a write answered with 10 and not made", "1 record lost, 1 place damaged", f"{lost} row lost")


@needs("strace")
def test_a_slow_disk_is_said_and_delays_no_stamp(tmp_path: Path, tell: Tell) -> None:
    seconds = 1.4
    log, rides = tmp_path / "trace", tmp_path / "rides"
    under = traced(log, "trace=fdatasync", f"inject=fdatasync:delay_exit={round(seconds * 1e6)}:when=2+")
    with harmed_ride(rides, *RATE, under=under) as ride:
        ride.until_said("disk slow: 1.")
        ride.until_rows(ride.acknowledged + 300)
        late_ms = [late_ns / 1e6 for late_ns in ride.late_ns]
        assert ride.end() == 0
    assert whole_ride(ride, rides, rides) is None
    p99_ms = statistics.quantiles(late_ms, n=100)[98]
    assert p99_ms < 1000 * seconds / 4  # a stamp that waits for a sync is late by all of it
    words = next(words for words in ride.words if "disk slow" in words)
    tell(14, f"strace: each fdatasync takes {seconds} s", words, f"0 rows lost; stamps late by {p99_ms:.1f} ms (p99)")
