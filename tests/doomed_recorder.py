"""Recorders that are killed: a process that forks a real recording for each line of JSON it is given.

Forked, since starting Python anew for each would take most of the time. Says `pid`, `ack N` when the sink has
returned from row N, `calls` with all that was asked of the storage, and `exit` for each.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

# All of what a recording imports, so that a child begins at once.
import recorder.journal_file
import recorder.recording_writer  # noqa: F401
from recorder.compose import RecordJob, Surroundings, record
from recorder.host_clock import SystemClock
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from tests.riding import FakeSource, one_meter_bench, payload
from tests.watched_storage import WatchedStorage


def tell(words: str) -> None:
    os.write(1, f"{words}\n".encode())  # whole lines, whoever else writes


class DoomedStorage(WatchedStorage):
    """Kills the process just before the n-th call of a name."""

    def __init__(self, kill_before: tuple[str, int] | None) -> None:
        self.calls: list[str] = []
        self._kill_before = kill_before

    def called(self, name: str) -> None:
        self.calls.append(name)
        if self._kill_before == (name, self.calls.count(name)):
            os.kill(os.getpid(), signal.SIGKILL)

    def open_new(self, path: Path) -> int:
        self.called("open_new")
        return super().open_new(path)

    def write(self, fd: int, data: bytes, /) -> int:  # type: ignore[override]  # a bare function in the base
        self.called("write")
        return os.write(fd, data)


async def ride(folder: Path, rows: int, storage: SystemStorage) -> None:
    clock = SystemClock()

    async def deliver(sink: RecordSink) -> None:
        for number in range(rows):
            sink.received(clock.now_ns(), "Alder", "2a63", payload(number))
            tell(f"ack {number}")
            await asyncio.sleep(0)
        os.kill(os.getpid(), signal.SIGTERM)
        await asyncio.Event().wait()

    job = RecordJob(one_meter_bench(), folder, needed_bytes=0)
    await record(job, Surroundings(clock, storage, FakeSource([deliver]), lambda words: None))


def child(job: dict[str, Any]) -> None:
    place = job.get("kill_before")
    storage = DoomedStorage((place[0], place[1]) if place else None)
    tell(f"pid {os.getpid()}")
    asyncio.run(ride(Path(job["folder"]), job["rows"], storage))
    tell(f"calls {json.dumps(storage.calls)}")


def main() -> None:
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            status = 1
            try:
                child(json.loads(line))
                status = 0
            finally:
                os._exit(status)
        tell(f"exit {os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])}")


if __name__ == "__main__":
    main()
