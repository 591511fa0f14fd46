"""A power cut: an ext4 file system whose backing file is copied at one instant, and the copy mounted elsewhere.

The recorder is stopped while the copy is made, so that what it had acknowledged by then is known exactly. This shows
what the page cache loses and what the file system's own journal does; not a disk that lies about its cache.
"""

from __future__ import annotations

import os
import random
import signal
import statistics
import time
from pathlib import Path

import pytest

from recorder.compose import recover_path
from recorder.folder_lock import LOCK_NAME
from recorder.storage import SystemStorage
from tests.faults.conftest import Tell
from tests.faults.harmed_rides import HarmedRide, ext4_image, harmed_ride, lost_rows, mounted, needs, recovered, run

pytestmark = needs("mkfs.ext4")
RATE_HZ = 50
TARGET_S, LIMIT_S = 1.0, 2.0


def is_stopped(pid: int) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def cut(ride: HarmedRide, image: Path, copy: Path) -> int:
    """The disk as it is now; how many rows were acknowledged by then."""
    os.kill(ride.pid, signal.SIGSTOP)
    while not is_stopped(ride.pid):
        time.sleep(0.001)
    run("cp", "--sparse=always", image, copy)
    time.sleep(0.05)  # what is on its way through the pipe
    return ride.acknowledged


def seconds_lost(tmp_path: Path, cuts: int, seed: int) -> list[float]:
    """Of one ride each, cut between 1 and 4 s after its start."""
    dice = random.Random(seed)
    lost_s = []
    for number in range(cuts):
        image = ext4_image(tmp_path / f"{number}.img")
        copy = tmp_path / f"{number}.copy"
        with mounted(tmp_path / f"{number}", "-o", "loop", image) as disk, harmed_ride(disk / "rides") as ride:
            ride.until_rows(RATE_HZ)
            time.sleep(dice.uniform(0.0, 3.0))
            acknowledged = cut(ride, image, copy)
            os.kill(ride.pid, signal.SIGKILL)
            ride.wait()
        with mounted(tmp_path / f"{number}-after", "-o", "loop", copy) as disk:
            found = recovered(disk / "rides")
            lost_s.append(lost_rows(found.recording, acknowledged) / RATE_HZ)
            assert "was not ended properly" in found.in_words()
        image.unlink()
        copy.unlink()
    return lost_s


def test_a_power_cut_while_recording_costs_about_a_second(tmp_path: Path) -> None:
    (lost_s,) = seconds_lost(tmp_path, 1, seed=1)
    assert lost_s <= LIMIT_S


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_power_cuts_at_random_instants(tmp_path: Path, tell: Tell) -> None:
    lost_s = seconds_lost(tmp_path, 20, seed=4)
    assert max(lost_s) <= LIMIT_S
    assert statistics.median(lost_s) <= TARGET_S
    measured = f"{min(lost_s):.2f} to {max(lost_s):.2f} s lost, median {statistics.median(lost_s):.2f} s"
    tell(4, "20 copies of a mounted ext4 at random instants", "as 1", measured)


def cut_at_the_end(tmp_path: Path, call: int) -> str | None:
    """A ride of a second, its power cut before that call of its storage; which one, None where it ended before."""
    image, copy = ext4_image(tmp_path / "disk.img"), tmp_path / "disk.copy"
    with mounted(tmp_path / "disk", "-o", "loop", image) as disk:
        words = ["--seconds", "1", "--pause-before", str(call)]
        with harmed_ride(disk / "rides", *words) as ride:
            ride.until("the pause", lambda: ride.summary is not None or is_stopped(ride.pid))
            if ride.summary is not None:
                return None
            ride.until_said("pausing before ")
            acknowledged = cut(ride, image, copy)
            step = ride.words[-1].removeprefix("pausing before ")
            os.kill(ride.pid, signal.SIGKILL)
            ride.wait()
    with mounted(tmp_path / "after", "-o", "loop", copy) as disk:
        recover_path(disk / "rides", SystemStorage())
        (recording,) = [path for path in (disk / "rides").iterdir() if path.name != LOCK_NAME]
        lost = lost_rows(recording, acknowledged)
        # Until the journal's last sync has returned, what came since the one before may still go.
        assert lost <= (LIMIT_S * RATE_HZ if step == "sync" else 0)
    return step


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_power_cut_before_each_step_of_the_end_leaves_one_whole_file(tmp_path: Path, tell: Tell) -> None:
    steps = []
    for call in range(1, 20):
        if (step := cut_at_the_end(tmp_path, call)) is None:
            break
        steps.append(step)
    assert {"sync", "sync_path", "rename", "sync_dir", "unlink"} <= set(steps)
    tell(
        5,
        f"the same before each of {len(steps)} storage calls of the end",
        "as 1",
        "0 rows lost once the end is synced",
    )
