"""The journal on a failing disk: what was acknowledged is found again, or its loss has been said."""

import asyncio
import contextlib
import errno
import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from analysis.rows import Row
from recorder.errors import FolderUnusable, JournalDamaged
from recorder.frame_memory import FrameMemory
from recorder.journal import JournalEncoder
from recorder.journal_file import BALLAST_BYTES, PREAMBLE_EVERY_BYTES, JournalFile
from recorder.journal_replay import JournalContents, replay_segments
from recorder.journal_segments import journal_segments, load_segments, retire
from recorder.storage import Storage, SystemStorage
from tests.fake_storage import FakeStorage, os_error

HOME, SPARE = Path("/ride"), Path("/spare")
FULL_WORDS = "disk full, keeping data in memory, 10 min left"


class Ride:
    """A session without radio: what it was given, what the listener heard, and a clock moved by hand."""

    def __init__(self, storage: Storage, folder: Path = HOME, fallback: Path | None = None) -> None:
        self.now_ns = 0
        self.rows: list[Row] = []
        self.heard: list[str] = []
        self.encoder = JournalEncoder("ride-1", {"bench": "Quayside bench"}, seed=5)
        self.journal = JournalFile(storage, folder, "ride", self.encoder, lambda: self.now_ns, self._hear, fallback)

    def _hear(self, words: str, detail: Mapping[str, Any]) -> None:
        """As a session does: what happened to the disk is a row as well."""
        self.heard.append(words)
        self._append(Row(len(self.rows), "event", event="storage", detail={"words": words}))

    def receive(self, count: int) -> None:
        for _ in range(count):
            n = len(self.rows)
            self._append(Row(n, "notification", ("Alder", "Birch")[n % 2], "2a63", bytes([n % 256]) * 12))

    def _append(self, row: Row) -> None:
        self.rows.append(row)
        self.journal.append(self.encoder.row(row))

    async def seconds(self, count: int, rows_each: int = 8) -> None:
        for _ in range(count):
            self.receive(rows_each)
            self.now_ns += 10**9
            await self.journal.sync()

    def has_all(self, contents: JournalContents) -> bool:
        # What is said while finishing comes behind the end marker and is no longer recorded.
        return contents.rows == tuple(self.rows)[: len(contents.rows)] and contents.missing == ()


def found_on(storage: FakeStorage) -> JournalContents:
    return replay_segments(storage.journal_bytes())


async def test_a_quiet_ride_is_one_file_with_an_end_marker_and_no_word() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(3)
    await ride.journal.finish({"rows": {"Alder": 12}, "reason": "plan"})
    contents = replay_segments(storage.after_power_cut())
    assert ride.has_all(contents)
    assert len(contents.rows) == len(ride.rows) == 24
    assert contents.end == {"rows": {"Alder": 12}, "reason": "plan"}
    assert (ride.heard, ride.journal.lost_frames) == ([], 0)
    assert list(storage.files) == [HOME / "ride.journal"] == ride.journal.paths
    assert storage.open_files == 0


async def test_each_append_is_one_write_of_one_frame() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    ride.receive(10)
    before = len(storage.calls)
    ride.receive(5)
    assert [call for call, _ in storage.calls[before:]] == ["write"] * 5
    await ride.journal.finish({})


async def test_all_but_the_last_second_survives_a_power_cut() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(3)
    ride.receive(8)
    assert len(replay_segments(storage.after_power_cut()).rows) == 24
    await ride.journal.finish({})


async def test_rounds_never_overlap_and_a_cancelled_caller_does_not_cut_one_short() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    ride.receive(4)
    caller = asyncio.create_task(ride.journal.sync())
    await asyncio.sleep(0)
    caller.cancel()
    for _ in range(5):
        ride.journal.tick()
    await ride.journal.sync()
    assert len(replay_segments(storage.after_power_cut()).rows) == 4
    assert [call for call, _ in storage.calls].count("sync") == 2  # the preamble's, and one
    await ride.journal.finish({})


async def test_run_syncs_each_second() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    ride.receive(3)
    running = asyncio.create_task(ride.journal.run())
    while not storage.after_power_cut() or len(replay_segments(storage.after_power_cut()).rows) < 3:
        await asyncio.sleep(0.05)
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running
    await ride.journal.finish({})


async def test_a_full_disk_that_comes_back_costs_nothing() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(2)
    storage.capacity_bytes = storage.used_bytes + 100
    await ride.seconds(5)
    assert ride.heard == [FULL_WORDS]
    assert ride.journal.waiting_frames > 30
    storage.capacity_bytes = 1 << 30
    await ride.seconds(2)
    assert ride.heard == [FULL_WORDS, "disk well again"]
    await ride.journal.finish({})
    contents = found_on(storage)
    assert ride.has_all(contents)
    assert len(contents.rows) == len(ride.rows)
    assert contents.damaged == ()
    assert len(ride.journal.paths) == 1


async def test_the_minutes_left_are_counted_down_and_loss_is_said_and_counted() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    storage.capacity_bytes = storage.used_bytes
    await ride.seconds(700, rows_each=1)
    minutes = [f"disk full, keeping data in memory, {n} min left" for n in range(10, 0, -1)]
    assert ride.heard == [*minutes, "disk full, memory full: the oldest records are being lost"]
    lost = ride.journal.lost_frames
    assert lost > 90
    storage.capacity_bytes = 1 << 30
    await ride.seconds(1)
    assert ride.heard[-1] == f"disk well again, {ride.journal.lost_frames} records lost"
    await ride.journal.finish({})
    contents = found_on(storage)
    assert contents.missing_count == ride.journal.lost_frames
    assert contents.rows == tuple(ride.rows)[-len(contents.rows) :]


async def test_a_disk_that_stays_full_still_takes_the_end_marker_and_what_fits() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(1)
    storage.capacity_bytes = storage.used_bytes + 10
    await ride.seconds(2, rows_each=4000)
    await ride.journal.finish({"reason": "stop"})
    contents = found_on(storage)
    assert contents.end == {"reason": "stop"}
    assert contents.missing_count == ride.journal.lost_frames > 0
    assert sum(len(data) for data in storage.journal_bytes()) > BALLAST_BYTES
    assert ride.heard[-1] == f"disk full: {ride.journal.lost_frames} records could not be saved"
    assert replay_segments(storage.after_power_cut()) == contents


async def test_a_disk_that_stays_full_sends_the_rest_to_the_other_folder() -> None:
    class SmallHome(FakeStorage):
        full = False

        def write(self, fd: int, data: bytes, /) -> int:
            if self.full and self._open[fd].parent == HOME:
                raise os_error(errno.ENOSPC)
            return super().write(fd, data)

    storage = SmallHome()
    ride = Ride(storage, fallback=SPARE)
    await ride.seconds(1)
    storage.full = True
    await ride.seconds(2)
    await ride.journal.finish({"reason": "stop"})
    contents = replay_segments(storage.after_power_cut())
    assert (contents.end, contents.missing, ride.journal.lost_frames) == ({"reason": "stop"}, (), 0)
    assert ride.journal.paths == [HOME / "ride.journal", SPARE / "ride.journal-2"]
    assert ride.heard[-1] == f"disk error (No space left on device), recording continues in {SPARE}"


@pytest.mark.parametrize("error", [errno.EIO, errno.EROFS, errno.ENOSPC])
async def test_after_a_failed_sync_all_that_was_not_safe_goes_into_a_new_file(error: int) -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(2)
    storage.fail = lambda call, number, path: (
        os_error(error) if (call, path.name) == ("sync", "ride.journal") else None
    )
    await ride.seconds(3)
    await ride.journal.finish({})
    assert ride.heard == [f"disk error ({os.strerror(error)}), recording continues in {HOME}"]
    assert storage.syncs_after_failure == 0
    assert ride.journal.paths == [HOME / "ride.journal", HOME / "ride.journal-2"]
    contents = replay_segments(storage.after_power_cut())
    assert ride.has_all(contents)
    assert len(contents.rows) == len(ride.rows)


async def test_a_dying_disk_is_left_for_the_other_folder() -> None:
    storage = FakeStorage()
    ride = Ride(storage, fallback=SPARE)
    await ride.seconds(2)
    storage.fail = lambda call, number, path: os_error(errno.EIO) if SPARE not in (path, path.parent) else None
    await ride.seconds(3)
    storage.fail = lambda call, number, path: None
    await ride.journal.finish({})
    memory_words = f"disk error ({os.strerror(errno.EIO)}), keeping data in memory, 10 min left"
    moved_words = f"disk error ({os.strerror(errno.EIO)}), recording continues in {SPARE}"
    assert ride.heard == [memory_words, moved_words]
    assert ride.has_all(replay_segments(storage.after_power_cut()))


async def test_without_any_disk_all_is_kept_until_one_is_back() -> None:
    storage = FakeStorage()
    ride = Ride(storage, fallback=SPARE)
    await ride.seconds(1)
    storage.fail = lambda call, number, path: os_error(errno.EIO)
    await ride.seconds(5)
    storage.fail = lambda call, number, path: None
    await ride.seconds(1)
    await ride.journal.finish({})
    assert ride.heard[-1] == f"disk error ({os.strerror(errno.EIO)}), recording continues in {HOME}"
    assert ride.has_all(replay_segments(storage.after_power_cut()))
    assert storage.syncs_after_failure == 0


async def test_without_any_disk_to_the_end_the_loss_is_said() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(1)
    storage.fail = lambda call, number, path: os_error(errno.EIO)
    await ride.seconds(2)
    await ride.journal.finish({})
    assert ride.journal.lost_frames > 16
    assert ride.heard[-1].endswith(f": {ride.journal.lost_frames} records could not be saved")


async def test_a_short_write_is_made_good_without_a_word() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    ride.receive(5)
    storage.short_writes = {len(storage.calls) + 1}
    ride.receive(5)
    contents = found_on(storage)
    assert (len(contents.rows), contents.damaged, ride.heard) == (10, (), [])
    await ride.journal.finish({})


async def test_a_half_written_frame_is_taken_back_before_anything_follows() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    ride.receive(5)
    storage.capacity_bytes = storage.used_bytes + 20
    ride.receive(1)
    assert storage.calls[-1] == ("truncate", HOME / "ride.journal")
    assert storage.used_bytes == storage.capacity_bytes - 20
    storage.capacity_bytes = 1 << 30
    await ride.journal.finish({})
    assert ride.has_all(found_on(storage))


async def test_a_slow_disk_is_said_once_and_loses_nothing() -> None:
    storage = FakeStorage()
    ride = Ride(storage)

    def takes_long() -> None:
        ride.now_ns += 1_400_000_000

    storage.before_sync = takes_long
    await ride.seconds(3)
    storage.before_sync = lambda: None
    await ride.seconds(2)
    assert ride.heard == ["disk slow: 1.4 s", "disk well again"]
    await ride.journal.finish({})
    assert ride.has_all(found_on(storage))


async def test_a_hanging_sync_is_said_while_it_hangs_and_appends_go_on() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    loop = asyncio.get_running_loop()
    let_go = asyncio.Event()
    storage.before_sync = lambda: asyncio.run_coroutine_threadsafe(let_go.wait(), loop).result()  # type: ignore[assignment]
    ride.receive(4)
    ride.journal.tick()
    await asyncio.sleep(0)
    ride.now_ns += 3 * 10**9
    ride.journal.tick()
    assert ride.heard == ["disk slow: 3.0 s"]
    ride.receive(4)
    assert len(found_on(storage).rows) == 9  # the word itself is a row
    let_go.set()
    await ride.journal.finish({})


async def test_the_preamble_is_repeated_so_that_the_start_may_be_damaged() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    ride.receive(PREAMBLE_EVERY_BYTES // 40)
    await ride.seconds(2)
    await ride.journal.finish({})
    (data,) = storage.journal_bytes()
    contents = replay_segments([bytes(4096) + data[4096:]])
    assert contents.rows == tuple(ride.rows)[-len(contents.rows) :]
    assert len(contents.rows) > len(ride.rows) - 110


async def test_a_short_ride_outlives_its_first_page() -> None:
    storage = FakeStorage()
    ride = Ride(storage)
    await ride.seconds(12, rows_each=20)
    await ride.journal.finish({})
    (data,) = storage.journal_bytes()
    assert len(data) < 16_384
    contents = replay_segments([bytes(4096) + data[4096:]])
    assert contents.rows == tuple(ride.rows)[-len(contents.rows) :]
    assert len(contents.rows) > len(ride.rows) - 110


async def _faulty_ride(storage: FakeStorage) -> Ride | None:
    try:
        ride = Ride(storage, fallback=SPARE)
    except FolderUnusable:
        return None
    await ride.seconds(4, rows_each=3)
    await ride.journal.finish({"reason": "stop"})
    return ride


@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC, errno.EMFILE, errno.EFBIG])
@pytest.mark.parametrize("for_good", [False, True])
async def test_whichever_call_fails_nothing_is_missing_without_a_word(error: int, for_good: bool) -> None:
    for failing in range(1, 200):
        storage = FakeStorage()
        failed: list[int] = []

        def fail(
            call: str, number: int, path: Path, failing: int = failing, failed: list[int] = failed
        ) -> OSError | None:
            if number == failing or (for_good and number > failing):
                failed.append(number)
                return os_error(error)
            return None

        storage.fail = fail
        ride = await _faulty_ride(storage)
        if ride is None:
            continue  # refused at the start, which is a word
        assert storage.syncs_after_failure == 0
        contents = replay_segments(storage.after_power_cut())
        lost = ride.encoder.sequence - len(contents.rows) - (contents.end is not None)
        if not failed:
            assert ride.heard == []
            return
        if ride.journal.lost_frames:
            assert ride.heard[-1].endswith("could not be saved")
        else:
            said_behind_the_end = len(ride.heard) - sum(row.event == "storage" for row in contents.rows)
            assert lost == said_behind_the_end
            assert contents.end == {"reason": "stop"}
    pytest.fail("no run without a failure was reached")


def test_what_stands_in_the_folder_already_is_never_touched() -> None:
    storage = FakeStorage()
    Ride(storage)
    before = storage.journal_bytes()
    storage.unlink(HOME / "ride.ballast")
    with pytest.raises(FolderUnusable, match="File exists"):
        Ride(storage)
    assert storage.journal_bytes() == before
    assert len(storage.files) == 1


def test_memory_is_bounded_in_bytes_and_keeps_the_order() -> None:
    memory = FrameMemory(keep_ns=10**9, keep_bytes=100)
    for n in range(5):
        memory.push(n, bytes([n]) * 30)
    assert (len(memory), memory.fallen_out) == (3, 2)
    memory.push_front(5, [b"a", b"b"])
    assert memory.head(3) == [b"a", b"b"]
    assert memory.head(0) == [b"a"]
    memory.drop(3)
    memory.push(10**9 + 4, b"late")
    assert memory.head(1000) == [bytes([4]) * 30, b"late"]


def test_minutes_left_follow_from_age_or_from_bytes_whichever_is_shorter() -> None:
    memory = FrameMemory(keep_ns=600 * 10**9, keep_bytes=1000)
    assert memory.minutes_left(0) == 10
    memory.push(0, bytes(100))
    assert memory.minutes_left(120 * 10**9) == 8
    memory.push(120 * 10**9, bytes(400))  # 500 of 1000 bytes in 2 min: 2 min are left
    assert memory.minutes_left(120 * 10**9) == 2


# From here on with real files.


async def test_segments_are_found_read_and_retired(tmp_path: Path) -> None:
    home, spare = tmp_path / "home", tmp_path / "spare"
    home.mkdir()
    spare.mkdir()

    class FailsOnce(SystemStorage):
        syncs = 0

        def sync(self, fd: int) -> None:
            self.syncs += 1
            if self.syncs in (2, 3):
                raise os_error(errno.EIO)
            super().sync(fd)

    ride = Ride(FailsOnce(), home, fallback=spare)
    await ride.seconds(3)
    assert {path.name for path in home.iterdir()} == {"ride.journal", "ride.ballast"}
    await ride.journal.finish({})
    (home / "ride.journal-x").touch()
    (home / "ride.journal-old").touch()
    segments = journal_segments(home / "ride.journal", spare, tmp_path / "missing")
    assert segments == [home / "ride.journal", spare / "ride.journal-2"] == ride.journal.paths
    assert ride.has_all(load_segments(segments))
    assert ride.has_all(load_segments([home / "gone", *segments]))
    (home / "ride.ballast").touch()  # as after a kill
    retire(SystemStorage(), segments)
    assert {path.name for path in home.iterdir()} == {"ride.journal-x", "ride.journal-old"}
    assert list(spare.iterdir()) == []
    with pytest.raises(FileNotFoundError):
        load_segments(segments)


def test_rename_never_overwrites_and_new_files_never_open_old_ones(tmp_path: Path) -> None:
    storage = SystemStorage()
    (tmp_path / "a").write_text("a")
    (tmp_path / "b").write_text("b")
    with pytest.raises(FileExistsError):
        storage.rename(tmp_path / "a", tmp_path / "b")
    with pytest.raises(FileExistsError):
        storage.open_new(tmp_path / "a")
    storage.rename(tmp_path / "a", tmp_path / "c")
    storage.sync_path(tmp_path / "c")
    storage.sync_dir(tmp_path)
    assert (tmp_path / "c").read_text() == "a"
    assert storage.free_bytes(tmp_path) > 0


def test_after_a_truncate_writing_goes_on_without_a_hole(tmp_path: Path) -> None:
    storage = SystemStorage()
    fd = storage.open_new(tmp_path / "a")
    storage.write(fd, b"whole, half")
    storage.truncate(fd, 7)
    storage.write(fd, b"next")
    storage.close(fd)
    assert (tmp_path / "a").read_bytes() == b"whole, next"


@pytest.mark.parametrize("kills", [5, pytest.param(20, marks=pytest.mark.slow)])
def test_killed_at_any_instant_nothing_acknowledged_is_lost(tmp_path: Path, kills: int) -> None:
    dice = random.Random(9)
    for run in range(kills):
        folder = tmp_path / str(run)
        folder.mkdir()
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.kill_nine", str(folder)],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).resolve().parents[1],
        )
        assert child.stdout is not None
        with child.stdout as acknowledgements:
            for _ in range(dice.randrange(1, 300)):
                acknowledgements.readline()
            child.send_signal(signal.SIGKILL)
            rest = acknowledgements.read().split()
        child.wait()
        contents = load_segments(journal_segments(folder / "ride.journal"))
        assert len(contents.rows) >= int(rest[-1] if rest else 0)
        assert [int.from_bytes(row.payload or b"", "big") for row in contents.rows] == list(range(len(contents.rows)))
        assert (contents.end, contents.damaged) == (None, ())


def test_files_that_may_not_grow_are_followed_by_further_ones(tmp_path: Path) -> None:
    pytest.importorskip("resource", reason="limits on file size are a matter of POSIX")
    child = subprocess.run(
        [sys.executable, "-m", "tests.file_size_limit", str(tmp_path)],
        capture_output=True,
        check=True,
        cwd=Path(__file__).resolve().parents[1],
    )
    result = json.loads(child.stdout)
    assert result["lost"] == 0
    assert f"disk error ({os.strerror(errno.EFBIG)}), recording continues in {tmp_path}" in result["heard"]
    segments = journal_segments(tmp_path / "ride.journal")
    assert len(segments) >= 3
    assert all(path.stat().st_size <= 16384 for path in segments)
    contents = load_segments(segments)
    assert (len(contents.rows), contents.end, contents.damaged) == (1000, {"rows": 1000}, ())


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(tmp_path)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting a small disk needs root")
    yield tmp_path
    subprocess.run(["umount", str(tmp_path)], check=True)


async def test_a_real_disk_runs_full_and_comes_back(small_disk: Path) -> None:
    ride = Ride(SystemStorage(), small_disk)
    await ride.seconds(2)
    filler = small_disk / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(1000))
    await ride.seconds(20, rows_each=50)
    assert ride.heard == [FULL_WORDS]
    filler.unlink()
    await ride.seconds(2)
    assert ride.heard == [FULL_WORDS, "disk well again"]
    await ride.journal.finish({})
    contents = load_segments(journal_segments(small_disk / "ride.journal"))
    assert contents.rows == tuple(ride.rows)
    assert contents.damaged == ()


async def test_a_real_disk_that_stays_full_takes_the_end_marker(small_disk: Path) -> None:
    ride = Ride(SystemStorage(), small_disk)
    with contextlib.suppress(OSError), (small_disk / "filler").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(1000))
    await ride.seconds(20, rows_each=50)
    await ride.journal.finish({"reason": "stop"})
    contents = load_segments(journal_segments(small_disk / "ride.journal"))
    assert contents.end == {"reason": "stop"}
    assert contents.missing_count == ride.journal.lost_frames


def test_a_folder_without_a_journal_is_refused(tmp_path: Path) -> None:
    assert journal_segments(tmp_path / "ride.journal") == []
    with pytest.raises(JournalDamaged):
        load_segments([])
