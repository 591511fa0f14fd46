"""Real file systems without room: full and back again, full to the end, out of inodes, of descriptors."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from recorder.journal_segments import journal_segments
from recorder.recovery import recover_journal
from recorder.storage import SystemStorage
from tests.faults.conftest import Tell
from tests.faults.harmed_rides import (
    fill,
    harmed_ride,
    kept_full,
    lost_rows,
    mounted,
    recovered,
    started,
)

RATE = ("--rate", "200")
SEEN_WITHIN_S = 2.0


def small_disk(*options: str) -> tuple[str, ...]:
    return ("-t", "tmpfs", "-o", ",".join(options), "tmpfs")


def test_a_full_disk_is_seen_at_once_and_costs_nothing_when_it_comes_back(tmp_path: Path, tell: Tell) -> None:
    with mounted(tmp_path / "disk", *small_disk("size=2m")) as disk:
        with harmed_ride(disk / "rides", *RATE) as ride:
            ride.until_rows(100)
            filler = fill(disk)
            full_s = time.monotonic()
            seen_after_s = ride.until_said("disk full, keeping data in memory, 10 min left") - full_s
            ride.until_rows(ride.acknowledged + 400)
            filler.unlink()
            freed_s = time.monotonic()
            well_after_s = ride.until_said("disk well again") - freed_s
            ride.until_rows(ride.acknowledged + 100)
            assert ride.end() == 0
        (recording,) = (disk / "rides").glob("*.parquet")
        assert lost_rows(recording, ride.acknowledged) == 0
        assert [path.suffix for path in (disk / "rides").iterdir()] == [".parquet"]
    assert (
        max(seen_after_s, well_after_s) <= 3 * SEEN_WITHIN_S
    )  # the limit holds on a machine with nothing else to do
    tell(
        6,
        "tmpfs filled, freed after 2 s",
        "disk full, keeping data in memory, 10 min left; disk well again",
        f"0 of {ride.acknowledged} rows lost; seen after {seen_after_s:.2f} s, well after {well_after_s:.2f} s",
    )


def test_a_disk_that_stays_full_has_the_rest_and_a_copy_elsewhere(tmp_path: Path, tell: Tell) -> None:
    spare = tmp_path / "spare"
    spare.mkdir()
    with mounted(tmp_path / "disk", *small_disk("size=2m")) as disk:
        with harmed_ride(disk / "rides", *RATE, environment={"TMPDIR": str(spare)}) as ride:
            ride.until_rows(50)
            with kept_full(disk):
                ride.until_said("disk full")
                ride.until_rows(ride.acknowledged + 100)
                assert ride.end() == 0
        assert ride.summary is not None
        recording = Path(ride.summary["recording"])
        assert recording.parent == spare
        assert lost_rows(recording, ride.acknowledged) == 0
        assert any(f"recording continues in {spare}" in words for words in ride.words)
        assert any(f"the journal beside it is kept. A copy is in {spare}" in words for words in ride.words)
        (disk / "filler").unlink()
        segments = journal_segments(next((disk / "rides").glob("*.journal")), spare)
        found = recover_journal(segments, SystemStorage())
        assert found.recording.parent == disk / "rides"
        assert lost_rows(found.recording, ride.acknowledged) == 0
    measured = f"0 of {ride.acknowledged} rows lost; made where it belongs once there is room"
    tell(7, "tmpfs kept full to the end", "recording continues in OTHER; a copy is in OTHER", measured)


@pytest.mark.slow
def test_a_disk_that_stays_full_with_nowhere_to_go_keeps_a_journal_that_is_whole(tmp_path: Path, tell: Tell) -> None:
    with mounted(tmp_path / "disk", *small_disk("size=2m")) as disk:
        with harmed_ride(disk / "rides", environment={"TMPDIR": str(disk)}) as ride:
            ride.until_rows(50)
            filler = fill(disk)
            ride.until_said("disk full")
            ride.until_rows(ride.acknowledged + 100)
            assert ride.end() == 0
        assert ride.summary is not None
        (recording,) = (disk / "rides").glob("*.parquet")  # in the room that the ballast had kept
        assert lost_rows(recording, ride.acknowledged) == 0
        assert filler.exists()
    tell(7, "the same, the other folder full as well", "disk full, keeping data in memory", "0 rows lost (ballast)")


def test_a_disk_without_inodes_is_refused_by_that_name(tmp_path: Path, tell: Tell) -> None:
    with mounted(tmp_path / "disk", *small_disk("size=2m", "nr_inodes=4")) as disk:
        ride = started(disk / "rides", environment={"TMPDIR": str(disk)})
        assert ride.wait() == 2
        (words,) = ride.words
        assert "no more files fit on this disk" in words
        assert str(disk / "rides") in words
        assert list((disk / "rides").iterdir()) == []
    tell(9, "tmpfs with 4 inodes", words.replace(str(disk), "..."), "refused before the ride")


def test_without_descriptors_the_ride_goes_on_and_its_journal_is_kept(tmp_path: Path, tell: Tell) -> None:
    with harmed_ride(tmp_path / "rides", "--no-more-files", *RATE) as ride:
        ride.until_rows(100)
        assert ride.end() == 0
    assert ride.summary is not None
    assert ride.summary["recording"] is None
    (said,) = [words for words in ride.words if "Too many open files" in words]
    found = recovered(tmp_path / "rides")
    assert found.clean
    assert lost_rows(found.recording, ride.acknowledged) == 0
    tell(9, "RLIMIT_NOFILE amid the ride", said.rpartition("/")[2], f"0 of {ride.acknowledged} rows lost")
