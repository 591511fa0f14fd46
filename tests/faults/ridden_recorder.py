"""A real recording in a process of its own, of meters that tick by the clock, made to be harmed from outside.

Says on standard output one line `number` for every row whose delivery has returned, and at the end `done {...}`; what
people would see goes to the error stream.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import resource
import signal
import sys
from dataclasses import dataclass
from pathlib import Path

from analysis.bench_file import Bench, parse_bench
from recorder.command_line import say
from recorder.compose import RecordJob, Surroundings, record
from recorder.errors import RecorderError
from recorder.host_clock import SystemClock
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from tests.riding import FakeSource, payload, plan_of
from tests.watched_storage import WatchedStorage

METERS = {"Alder": "pedals", "Birch": "spider", "Cedar": "trainer", "Dogwood": "crank"}
_ONE = """
[[meter]]
name = "{name}"
unit = "{unit}"
place = "{place}"
claim_pct = 1.0
address = "F0:00:00:00:00:{number:02d}"
"""


def quayside_bench() -> Bench:
    text = '[bench]\nname = "Quayside bench"\nreference = "Alder"\n[drivetrain]\nid = "quayside trainer bike"\n'
    for number, (name, place) in enumerate(METERS.items(), 1):
        text += _ONE.format(name=name, unit=f"{name.lower()}-1", place=place, number=number)
    return parse_bench(text.encode())


@dataclass
class PausingStorage(WatchedStorage):
    """Stops this process just before the n-th call from the end of the ride on, so that the disk can be copied."""

    pause_before: int
    calls: int | None = None

    def called(self, name: str) -> None:
        if self.calls is not None:
            self.calls += 1
            if self.calls == self.pause_before:
                say(f"pausing before {name}")
                os.kill(os.getpid(), signal.SIGSTOP)


class Ticking:
    """Meters that notify in turn; row n is due n / rate after the start, however late the process gets to run."""

    def __init__(self, options: argparse.Namespace, clock: SystemClock) -> None:
        self._rate_hz: float = options.rate
        self._leak_mb: int = options.leak_mb
        self._no_more_files: bool = options.no_more_files
        self._clock = clock
        self._leaked: list[bytes] = []

    async def __call__(self, sink: RecordSink) -> None:
        names = list(METERS)
        start_ns, number = self._clock.now_ns(), 0
        if self._no_more_files:
            # Below every descriptor that is free: what is open stays so, and nothing else can be opened.
            resource.setrlimit(resource.RLIMIT_NOFILE, (3, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
        while True:
            due_ns = start_ns + round(number / self._rate_hz * 1e9)
            while (now_ns := self._clock.now_ns()) < due_ns:
                await asyncio.sleep((due_ns - now_ns) / 1e9)
            sink.received(now_ns, names[number % len(names)], "2a63", payload(number))
            os.write(1, b"%d %d\n" % (number, now_ns - due_ns))
            if self._leak_mb and number % 10 == 0:
                self._leaked.append(os.urandom(self._leak_mb << 20))
            number += 1


class Nobody:
    """A sink that keeps nothing: how late ticks are on this machine whatever a recorder does."""

    def received(self, *_row: object) -> None:
        return


async def _hang() -> None:
    await asyncio.Event().wait()


async def ride(options: argparse.Namespace) -> None:
    clock = SystemClock()
    storage = PausingStorage(options.pause_before) if options.pause_before else SystemStorage()
    source = FakeSource([Ticking(options, clock)], on_close=_hang if options.hanging_radio else None)
    step = 'name = "steady"\nkind = "steady"\ntarget_w = 200\nseconds = 60\nrepeat = 50\nuntil = "decided"'
    plan = plan_of(step) if options.deciding else None
    job = RecordJob(quayside_bench(), options.folder, plan, options.seconds, needed_bytes=0, patience_s=0.0)

    def tell(words: str) -> None:
        say(words)

    around = Surroundings(clock, storage, source, tell)
    running = asyncio.ensure_future(record(job, around))
    if isinstance(storage, PausingStorage):
        asyncio.get_running_loop().call_later(options.seconds, setattr, storage, "calls", 0)
    summary = await running
    os.write(1, f"done {json.dumps(summary.as_dict())}\n".encode())


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rate", type=float, default=50.0, help="rows a second, of all meters together")
    parser.add_argument("--seconds", type=float)
    parser.add_argument("--leak-mb", type=int, default=0, help="memory lost with every tenth row")
    parser.add_argument("--no-more-files", action="store_true", help="none can be opened once the ride has begun")
    parser.add_argument("--pause-before", type=int, default=0)
    parser.add_argument("--hanging-radio", action="store_true")
    parser.add_argument("--bare", action="store_true", help="no recorder at all")
    parser.add_argument("--deciding", action="store_true", help="figures are computed while the ride goes on")
    return parser.parse_args()


if __name__ == "__main__":
    try:
        options = _options()
        if options.bare:
            asyncio.run(Ticking(options, SystemClock())(Nobody()))  # type: ignore[arg-type]
        asyncio.run(ride(options))
    except RecorderError as fault:
        say(f"wattproof: {fault}")
        sys.exit(2)
