"""Recovery: what can be read of a journal becomes a file, what was lost is said, what is not ours is left alone."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from analysis.judge import judge_recording
from analysis.recording_reader import read_metadata, read_recording
from analysis.rows import Event, Row
from recorder import journal_frames
from recorder.errors import FinishFailed, JournalDamaged
from recorder.journal_segments import journal_segments
from recorder.recovery import recover_folder, recover_journal
from recorder.storage import SystemStorage
from tests.riding import Journal, journal_header, number_in, payload, table_of

SYSTEM = SystemStorage()
SECOND_NS = 1_000_000_000


def numbers(path: Path) -> list[int]:
    return [number_in(row["payload"]) for row in table_of(path) if row["row_kind"] == "notification"]


def events(path: Path, name: str) -> Sequence[Row]:
    return [row for row in read_recording(path).events if row.event == name]


def test_an_interrupted_ride_becomes_a_file_that_says_so(tmp_path: Path) -> None:
    Journal(75).put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert ride.recording == tmp_path / "ride.parquet"
    assert numbers(ride.recording) == list(range(75))
    finish = read_metadata(ride.recording).finish
    assert finish is not None
    assert (finish.clean, finish.reason) == (False, "recovered")
    assert len(events(ride.recording, Event.RECOVERED)) == 1
    assert ride.in_words() == (
        "ride.parquet: was not ended properly; 1 min 14 s recovered (76 rows, nothing damaged); "
        "silent before the end: none."
    )
    assert [path.name for path in tmp_path.iterdir()] == ["ride.parquet"]


def test_a_ride_that_was_ended_is_only_finished(tmp_path: Path) -> None:
    Journal(75).end().put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    finish = read_metadata(ride.recording).finish
    assert finish is not None
    assert (finish.clean, finish.reason) == (True, "duration")
    assert events(ride.recording, Event.RECOVERED) == []
    assert "had been ended properly" in ride.in_words()


def test_a_torn_tail_costs_its_own_record_only(tmp_path: Path) -> None:
    path = Journal(20).put(tmp_path)
    path.write_bytes(path.read_bytes()[:-3])
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert numbers(ride.recording) == list(range(19))
    assert (ride.damaged_records, ride.missing_records) == (0, 0)


@pytest.mark.parametrize("hit", [(7,), (3, 4, 12)])
def test_damaged_records_are_counted_and_said(tmp_path: Path, hit: tuple[int, ...]) -> None:
    journal = Journal(20)
    for number in hit:
        frame = bytearray(journal.frames[number])
        frame[-6] ^= 0x10
        journal.frames[number] = bytes(frame)
    journal.put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert numbers(ride.recording) == [n for n in range(20) if n not in hit]
    assert ride.missing_records == len(hit)
    words = "1 record lost, 1 place damaged" if len(hit) == 1 else "3 records lost, 2 places damaged"
    assert words in ride.in_words()
    finish = read_metadata(ride.recording).finish
    assert finish is not None
    assert (finish.missing_records, finish.damaged_records) == (ride.missing_records, ride.damaged_records)
    assert events(ride.recording, Event.RECOVERED)[0].detail["missing_records"] == len(hit)


def test_each_sensor_is_said_how_long_it_was_silent_before_the_end(tmp_path: Path) -> None:
    journal = Journal(10)
    journal.frames += [journal.encoder.payload(n * SECOND_NS, "Birch", "2a63", payload(n)) for n in range(10, 16)]
    journal.put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert ride.lost_s == {"Alder": 6.0, "Birch": 0.0}
    assert "silent before the end: Alder 6.0 s." in ride.in_words()


def test_a_segment_that_was_open_is_reported_as_interrupted(tmp_path: Path) -> None:
    journal = Journal(30)
    journal.event(2.0, Event.SEGMENT_START, segment_no=1, name="steady 200")
    journal.event(12.0, Event.SEGMENT_END, segment_no=1, ended_by="plan")
    journal.event(12.0, Event.SEGMENT_START, segment_no=2, name="steady 250")
    journal.put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    first, second = (part.segment for part in judge_recording(read_recording(ride.recording)).segments)
    assert first.ended_by == "plan"
    assert (second.ended_by, second.start_ns, second.stop_ns) == ("interrupted", 12 * SECOND_NS, 29 * SECOND_NS)


# -- several files ---------------------------------------------------------------------------------------------


def test_a_ride_that_moved_to_another_folder_is_put_together(tmp_path: Path) -> None:
    home, away = tmp_path / "home", tmp_path / "away"
    home.mkdir()
    away.mkdir()
    whole = Journal(20)
    path = home / "ride.journal"
    path.write_bytes(whole.preamble + b"".join(whole.frames[:12]))
    (away / "ride.journal-2").write_bytes(whole.encoder.preamble() + b"".join(whole.frames[9:]))
    ride = recover_journal(journal_segments(path, away), SYSTEM)
    assert numbers(ride.recording) == list(range(20))
    assert list(away.iterdir()) == []
    assert list(home.iterdir()) == [ride.recording]


class KilledAtCall(SystemStorage):
    """Dies before the n-th removal or sync of a folder; `happened` tells whether it came to that."""

    class Killed(BaseException):
        pass

    def __init__(self, call: int) -> None:
        self.left = call

    def _called(self) -> None:
        self.left -= 1
        if self.left == 0:
            raise self.Killed

    def unlink(self, path: Path) -> None:
        self._called()
        super().unlink(path)

    def sync_dir(self, folder: Path) -> None:
        self._called()
        super().sync_dir(folder)


@pytest.mark.parametrize("ended", [False, True])
def test_killed_while_a_journal_of_several_files_is_removed_nothing_is_left_or_made_twice(
    tmp_path: Path, ended: bool
) -> None:
    for call in range(1, 20):
        home, away = tmp_path / f"home-{call}", tmp_path / f"away-{call}"
        home.mkdir()
        away.mkdir()
        whole = Journal(20)
        if ended:
            whole.end()
        path = home / "ride.journal"
        path.write_bytes(whole.preamble + b"".join(whole.frames[:8]))
        (home / "ride.journal-2").write_bytes(whole.encoder.preamble() + b"".join(whole.frames[6:12]))
        (away / "ride.journal-3").write_bytes(whole.encoder.preamble() + b"".join(whole.frames[10:]))
        storage = KilledAtCall(call)
        try:
            recover_journal(journal_segments(path, away), storage)
        except KilledAtCall.Killed:
            if left := journal_segments(path, away):
                recover_journal(left, SYSTEM)
        (recording,) = home.iterdir()
        assert list(away.iterdir()) == []
        assert numbers(recording) == list(range(20))
        if storage.left > 0:
            assert call > 5
            return
    pytest.fail("no removal came to its end")


class FullHome(SystemStorage):
    def __init__(self, home: Path) -> None:
        self.home = home

    def sync_path(self, path: Path) -> None:
        if path.parent == self.home:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        super().sync_path(path)


def test_where_the_first_folder_takes_no_file_it_goes_beside_a_later_one_and_the_journal_is_kept(
    tmp_path: Path,
) -> None:
    home, away = tmp_path / "home", tmp_path / "away"
    home.mkdir()
    away.mkdir()
    whole = Journal(20).end()
    path = home / "ride.journal"
    path.write_bytes(whole.preamble + b"".join(whole.frames[:12]))
    (away / "ride.journal-2").write_bytes(whole.encoder.preamble() + b"".join(whole.frames[9:]))
    for _ in range(2):  # again, and no second copy
        ride = recover_journal(journal_segments(path, away), FullHome(home))
        assert ride.recording == away / "ride.parquet"
        assert numbers(ride.recording) == list(range(20))
        assert [p.name for p in home.iterdir()] == ["ride.journal"]
        assert sorted(p.name for p in away.iterdir()) == ["ride.journal-2", "ride.parquet"]
        assert os.strerror(errno.EROFS) in ride.in_words()
        assert str(away) in ride.troubles()[0]
    mended = recover_journal(journal_segments(path, away), SYSTEM)
    assert mended.recording == home / "ride.parquet"
    assert numbers(mended.recording) == list(range(20))
    assert [p.name for p in [*home.iterdir(), *away.iterdir()]] == ["ride.parquet", "ride.parquet"]


def test_a_ride_that_is_whole_has_no_troubles_and_a_damaged_one_tells_them(tmp_path: Path) -> None:
    journal = Journal(20).end()
    assert recover_journal([journal.put(tmp_path, "whole.journal")], SYSTEM).troubles() == []
    del journal.frames[7]
    (told,) = recover_journal([journal.put(tmp_path, "holed.journal")], SYSTEM).troubles()
    assert "1 record lost" in told


def test_an_event_whose_detail_fits_no_column_keeps_no_ride_from_its_file(tmp_path: Path) -> None:
    journal = Journal(3)
    odd = {"segment_no": "one", "name": 7, "step_id": ["x"], "repeat_no": 2**70, "posture": {"a": 1}}
    journal.event(1.0, Event.SEGMENT_START, **odd)
    journal.put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert dict(events(ride.recording, Event.SEGMENT_START)[0].detail) == odd


def test_a_file_of_another_ride_under_our_name_is_neither_taken_nor_removed(tmp_path: Path) -> None:
    home, away = tmp_path / "home", tmp_path / "away"
    home.mkdir()
    away.mkdir()
    path = Journal(10).put(home)
    other = Journal(5, session_id="ride-2").put(away, "ride.journal-2")
    unreadable = away / "ride.journal-3"
    unreadable.write_bytes(b"not a journal at all")
    before = other.read_bytes()
    ride = recover_journal(journal_segments(path, away), SYSTEM)
    assert numbers(ride.recording) == list(range(10))
    assert other.read_bytes() == before
    assert unreadable.exists()
    assert not path.exists()


# -- what cannot be recovered ----------------------------------------------------------------------------------


def unreadable_journals(folder: Path) -> dict[str, bytes]:
    """Journals of which nothing can be made, named so that they come before all others."""
    journals = {
        "a-rubbish.journal": os.urandom(5000),
        "b-zeros.journal": bytes(4096),
        "c-no-bench.journal": Journal(3, bench=None).all_bytes(),
        "d-wrong-anchors.journal": Journal(3, utc_anchors=[1, 2]).all_bytes(),
    }
    for name, data in journals.items():
        (folder / name).write_bytes(data)
    return journals


def test_what_cannot_be_read_is_left_and_said_and_stops_nothing(tmp_path: Path) -> None:
    left = unreadable_journals(tmp_path)
    (tmp_path / "e-folder.journal").mkdir()
    Journal(10).put(tmp_path, "z.journal")
    found = recover_folder(tmp_path, SYSTEM)
    assert [ride.recording.name for ride in found.recovered] == ["z.parquet"]
    assert len(found.left) == len(left) + 1
    for words, name in zip(found.left, [*left, "e-folder.journal"], strict=True):
        assert str(tmp_path / name) in words
        assert "left as it is" in words
        assert "\n" not in words
    assert {name: (tmp_path / name).read_bytes() for name in left} == left


def test_the_one_journal_named_is_an_error_where_it_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "x.journal").write_bytes(b"rubbish")
    with pytest.raises(JournalDamaged, match=r"x\.journal: .*left as it is"):
        recover_journal([tmp_path / "x.journal"], SYSTEM)


def test_a_journal_of_a_newer_version_is_left(tmp_path: Path) -> None:
    newer = journal_frames.Header("ride-1", 5, [], journal_header(), journal_frames.FORMAT_VERSION + 1)
    body = journal_frames.header_body(newer)
    (tmp_path / "ride.journal").write_bytes(journal_frames.frame_bytes(journal_frames.HEADER, 0, body, 5))
    found = recover_folder(tmp_path, SYSTEM)
    assert found.recovered == ()
    assert "a newer wattproof is needed" in found.left[0]
    assert (tmp_path / "ride.journal").exists()


# -- nothing twice, nothing overwritten ------------------------------------------------------------------------


def test_a_file_of_that_name_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "ride.parquet").write_bytes(b"somebody's")
    Journal(10).put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert ride.recording.name == "ride-2.parquet"
    assert (tmp_path / "ride.parquet").read_bytes() == b"somebody's"


@pytest.mark.parametrize("taken", [False, True])
@pytest.mark.parametrize("ended", [False, True])
def test_a_file_that_is_there_already_is_not_made_twice(tmp_path: Path, taken: bool, ended: bool) -> None:
    if taken:
        (tmp_path / "ride.parquet").write_bytes(b"somebody's")
    journal = Journal(10)
    path = (journal.end() if ended else journal).put(tmp_path)
    data = path.read_bytes()
    (first,) = recover_folder(tmp_path, SYSTEM).recovered
    before = first.recording.read_bytes()
    path.write_bytes(data)  # as if killed before the journal was removed
    (second,) = recover_folder(tmp_path, SYSTEM).recovered
    assert second.recording == first.recording
    assert first.recording.read_bytes() == before
    assert len(list(tmp_path.iterdir())) == 1 + taken


class Failing(SystemStorage):
    def __init__(self, call: str) -> None:
        self.call = call

    def rename(self, old: Path, new: Path) -> None:
        if self.call == "rename":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        if self.call == "anything":
            raise RuntimeError("a fault that nobody thought of")
        super().rename(old, new)

    def unlink(self, path: Path) -> None:
        if self.call == "unlink":
            raise OSError(errno.EPERM, os.strerror(errno.EPERM))
        super().unlink(path)


def test_a_journal_that_cannot_be_removed_is_removed_by_the_next_recovery(tmp_path: Path) -> None:
    path = Journal(10).put(tmp_path)
    (ride,) = recover_folder(tmp_path, Failing("unlink")).recovered
    assert path.exists()
    assert recover_folder(tmp_path, SYSTEM).recovered[0].recording == ride.recording
    assert list(tmp_path.iterdir()) == [ride.recording]


def test_a_file_that_cannot_be_put_in_place_leaves_its_journal_and_nothing_else(tmp_path: Path) -> None:
    path = Journal(10).put(tmp_path)
    found = recover_folder(tmp_path, Failing("rename"))
    assert found.recovered == ()
    assert "the journal beside it is kept" in found.left[0]
    assert list(tmp_path.iterdir()) == [path]
    with pytest.raises(FinishFailed):
        recover_journal([path], Failing("rename"))


def test_a_fault_that_nobody_thought_of_stops_no_other_recovery(tmp_path: Path) -> None:
    paths = [Journal(10).put(tmp_path, name) for name in ("a.journal", "b.journal")]
    found = recover_folder(tmp_path, Failing("anything"))
    assert [str(path) in words for path, words in zip(paths, found.left, strict=True)] == [True, True]
    assert sorted(tmp_path.iterdir()) == paths


def test_a_file_that_does_not_read_back_as_written_is_not_kept(tmp_path: Path) -> None:
    path = Journal(10).put(tmp_path)
    found = recover_folder(tmp_path, Forgetful())
    assert "does not read back" in found.left[0] or "could not be finished" in found.left[0]
    assert list(tmp_path.iterdir()) == [path]


class Forgetful(SystemStorage):
    def sync_path(self, path: Path) -> None:
        """The disk says yes and keeps something else: one byte of the pages is another one."""
        data = bytearray(path.read_bytes())
        data[len(data) // 4] ^= 0xFF
        path.write_bytes(data)


# -- what a kill at the very start leaves ----------------------------------------------------------------------


def test_an_empty_journal_and_stray_ballast_are_removed(tmp_path: Path) -> None:
    (tmp_path / "ride.journal").write_bytes(b"")
    (tmp_path / "ride.ballast").write_bytes(b"ballast")
    (tmp_path / "older.ballast").write_bytes(b"ballast")
    found = recover_folder(tmp_path, SYSTEM)
    assert (found.recovered, found.left) == ((), ())
    assert list(tmp_path.iterdir()) == []


def test_the_ballast_of_a_journal_that_is_left_stays_with_it(tmp_path: Path) -> None:
    (tmp_path / "ride.journal").write_bytes(b"rubbish")
    (tmp_path / "ride.ballast").write_bytes(b"ballast")
    recover_folder(tmp_path, SYSTEM)
    assert (tmp_path / "ride.ballast").exists()


def test_text_that_is_no_unicode_does_not_cost_the_ride(tmp_path: Path) -> None:
    journal = Journal(3)
    journal.event(1.0, Event.STORAGE, words="recording continues in /r\udce4der")
    journal.put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert numbers(ride.recording) == [0, 1, 2]
    assert events(ride.recording, Event.STORAGE)[0].detail["words"].endswith("/r\udce4der")


def test_a_ride_without_a_single_row_becomes_a_file(tmp_path: Path) -> None:
    Journal(0).put(tmp_path)
    (ride,) = recover_folder(tmp_path, SYSTEM).recovered
    assert numbers(ride.recording) == []
    assert read_recording(ride.recording).samples == {}


def memory_mb(folder: Path, rows: int) -> float:
    """The most that a process of its own used to finish a ride of so many rows."""
    folder.mkdir()
    Journal(rows).end().put(folder)
    script = (
        "import resource, sys; from pathlib import Path; from recorder.compose import recover_path;"
        "from recorder.storage import SystemStorage;"
        "assert recover_path(Path(sys.argv[1]), SystemStorage()).recovered;"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
    )
    root = Path(__file__).resolve().parents[1]
    done = subprocess.run([sys.executable, "-c", script, str(folder)], cwd=root, capture_output=True, check=True)
    return float(done.stdout)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="other systems count memory in other units")
def test_memory_grows_with_the_bytes_of_the_journal_and_little_else(tmp_path: Path) -> None:
    """A row is 41 bytes in the journal and 28 in its index; as Python objects it was 480."""
    short, long = 100_000, 400_000
    grown = memory_mb(tmp_path / "long", long) - memory_mb(tmp_path / "short", short)
    assert grown * 1e6 / (long - short) < 160
