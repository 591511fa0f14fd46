"""A recorder that is killed: at any instant, while finishing, by the system for want of memory."""

from __future__ import annotations

import asyncio
import os
import random
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.compose import recover_path
from recorder.folder_lock import LOCK_NAME
from recorder.storage import SystemStorage
from tests.faults.conftest import Tell
from tests.faults.harmed_rides import harmed_ride, lost_rows, needs, numbers, recovered, started
from tests.program_on_air import program_on_air

KILLS = 50
MEMORY = Path("/sys/fs/cgroup/memory")


async def killed_program(folder: Path, after_s: float) -> int:
    """The program itself on simulated air, killed; how many packets had been sent 0.1 s before."""
    silent = asyncio.subprocess.DEVNULL
    async with program_on_air(folder, sent=2, stderr=silent) as on_air:
        await asyncio.sleep(after_s)
        sent = on_air.sent
        await asyncio.sleep(0.1)  # more than enough for the way through two processes
        on_air.process.kill()
        await on_air.process.wait()
    return sent


@pytest.mark.slow
@pytest.mark.timeout(600)
async def test_the_program_killed_at_random_instants_loses_nothing(tmp_path: Path, tell: Tell) -> None:
    dice = random.Random(26)
    lost: list[int] = []
    for number in range(KILLS):
        folder = tmp_path / str(number)
        sent = await killed_program(folder, dice.uniform(0.0, 4.0))
        ride = await asyncio.to_thread(recovered, folder / "rides")
        found = numbers(ride.recording)
        assert found == list(range(found[0], found[0] + len(found)))
        lost.append(max(sent - (found[-1] + 1), 0))
        assert (ride.clean, ride.damaged_records, ride.missing_records) == (False, 0, 0)
    assert lost == [0] * KILLS
    tell(1, f"SIGKILL at {KILLS} random instants of `record`", "was not ended properly; ... recovered", "0 rows lost")


FINISHING = ("fdatasync", "fsync", "rename", "unlink")


def killed_at_call(folder: Path, call: str, number: int) -> tuple[int, int]:
    """Exit status, and how many rows were acknowledged, of a short ride killed at its n-th system call of a name."""
    trace = ["strace", "-f", "-qq", "--seccomp-bpf", "-o", str(folder / "trace"), "-e", f"trace={call}"]
    inject = ["-e", f"inject={call}:signal=KILL:when={number}"]
    ride = started(folder / "rides", "--seconds", "0.5", under=[*trace, *inject])
    return ride.wait(), ride.acknowledged


@pytest.mark.slow
@pytest.mark.timeout(300)
@needs("strace")
def test_killed_at_each_system_call_that_makes_things_lasting_one_whole_file_remains(
    tmp_path: Path, tell: Tell
) -> None:
    """As the kernel sees a ride; strace counts by thread, so each call below is the n-th of its own thread."""
    kills: list[str] = []
    for call in FINISHING:
        for number in range(1, 20):
            folder = tmp_path / f"{call}-{number}"
            folder.mkdir()
            status, acknowledged = killed_at_call(folder, call, number)
            if status == 0:
                break
            kills.append(call)
            assert status in (-signal.SIGKILL, 128 + signal.SIGKILL)
            recover_path(folder / "rides", SystemStorage())
            left = [path for path in (folder / "rides").iterdir() if path.name != LOCK_NAME]
            assert len(left) == (1 if acknowledged or left else 0)
            assert all(lost_rows(path, acknowledged) == 0 for path in left)
        else:
            pytest.fail("no ride came to its end")
    assert set(kills) == set(FINISHING)
    tell(2, f"SIGKILL at {len(kills)} system calls (fdatasync, fsync, rename, unlink)", "as 1", "0 rows, one file")


@pytest.fixture
def little_memory(tmp_path: Path) -> Iterator[Path]:
    """A control group of the older kind that may use 160 MB."""
    group = MEMORY / f"wattproof-{os.getpid()}-{tmp_path.name}"
    try:
        group.mkdir()
    except OSError:
        pytest.skip("no control group of memory can be made here: root and cgroup v1 are needed")
    try:
        (group / "memory.limit_in_bytes").write_text(str(160_000_000))
        yield group
    finally:
        group.rmdir()


def test_killed_for_want_of_memory_nothing_is_lost(tmp_path: Path, little_memory: Path, tell: Tell) -> None:
    join = f'echo $$ > {little_memory}/cgroup.procs; exec "$@"'
    with harmed_ride(tmp_path / "rides", "--leak-mb", "4", "--rate", "200", under=["sh", "-c", join, "sh"]) as ride:
        assert ride.wait() in (-signal.SIGKILL, 128 + signal.SIGKILL)
        acknowledged = ride.acknowledged
    found = recovered(tmp_path / "rides")
    assert acknowledged > 50
    assert lost_rows(found.recording, acknowledged) == 0
    assert (found.damaged_records, found.missing_records) == (0, 0)
    tell(3, "memory control group of 160 MB and a leak", "as 1", f"0 of {acknowledged} rows lost")
