"""Recorders to be harmed, disks to harm them with, and the counting of what is left."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import pytest

from recorder.compose import recover_path
from recorder.recovery import Recovered
from recorder.storage import SystemStorage
from tests.riding import number_in, table_of

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0
POLL_S = 0.01


@dataclass
class HarmedRide:
    """A recorder in another process, what it has acknowledged, and what it has said, by our own clock."""

    process: subprocess.Popen[bytes]
    acknowledged: int = 0
    acknowledged_at_s: list[float] = field(default_factory=list)
    late_ns: list[int] = field(default_factory=list)
    said: list[tuple[float, str]] = field(default_factory=list)
    summary: dict[str, Any] | None = None
    _readers: list[threading.Thread] = field(default_factory=list)

    def read(self, stream: IO[bytes], take: Callable[[bytes], None]) -> None:
        def follow() -> None:
            with stream:
                for line in stream:
                    take(line)

        reader = threading.Thread(target=follow, daemon=True)
        reader.start()
        self._readers.append(reader)

    def take_row(self, line: bytes) -> None:
        if line.startswith(b"done "):
            self.summary = json.loads(line[5:])
            return
        number, late_ns = line.split()
        self.acknowledged_at_s.append(time.monotonic())
        self.late_ns.append(int(late_ns))
        self.acknowledged = int(number) + 1

    def take_words(self, line: bytes) -> None:
        self.said.append((time.monotonic(), line.decode("utf-8", "replace").rstrip()))

    @property
    def words(self) -> list[str]:
        return [words for _, words in self.said]

    def until(self, what: str, condition: Callable[[], bool]) -> float:
        """When it came true."""
        end_s = time.monotonic() + PATIENCE_S
        while not condition():
            over = self.process.poll() is not None and not self._reading and not condition()
            if over or time.monotonic() > end_s:
                raise AssertionError(f"waited in vain for {what}: {self.acknowledged} rows, {self.words}")
            time.sleep(POLL_S)
        return time.monotonic()

    def until_rows(self, count: int) -> float:
        return self.until(f"row {count}", lambda: self.acknowledged >= count)

    def until_said(self, words: str) -> float:
        """When it was said."""
        self.until(f"`{words}`", lambda: any(words in line for line in self.words))
        return next(at_s for at_s, line in self.said if words in line)

    @property
    def _reading(self) -> bool:
        return any(reader.is_alive() for reader in self._readers)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send the signal to the recorder itself, which may have a tracer above it; the exit status."""
        os.kill(self.pid, number)
        return self.wait()

    def wait(self) -> int:
        status = self.process.wait(PATIENCE_S)
        for reader in self._readers:
            reader.join(PATIENCE_S)
        return status

    @property
    def pid(self) -> int:
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        traced = children.read_text().split() if self._traced and children.exists() else []
        return int(traced[0]) if traced else self.process.pid

    @property
    def _traced(self) -> bool:
        return Path(str(self.process.args[0])).name == "strace"  # type: ignore[index]


@contextmanager
def harmed_ride(
    folder: Path, *words: str, under: Sequence[str] = (), environment: Mapping[str, str] | None = None
) -> Iterator[HarmedRide]:
    """Once its first row is acknowledged. `under`: the words of a program that runs it."""
    ride = started(folder, *words, under=under, environment=environment)
    try:
        ride.until_rows(1)
        yield ride
    finally:
        if ride.process.poll() is None:
            os.kill(ride.pid, signal.SIGKILL)
            ride.process.kill()
            ride.wait()


def started(
    folder: Path, *words: str, under: Sequence[str] = (), environment: Mapping[str, str] | None = None
) -> HarmedRide:
    process = subprocess.Popen(
        [*under, sys.executable, "-m", "tests.faults.ridden_recorder", str(folder), *words],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, **(environment or {})},
    )
    ride = HarmedRide(process)
    assert process.stdout is not None
    assert process.stderr is not None
    ride.read(process.stdout, ride.take_row)
    ride.read(process.stderr, ride.take_words)
    return ride


def numbers(recording: Path) -> list[int]:
    return [number_in(row["payload"]) for row in table_of(recording) if row["row_kind"] == "notification"]


def events(recording: Path, name: str) -> list[dict[str, Any]]:
    found = [row for row in table_of(recording) if row["event"] == name]
    return [{**row, "detail": json.loads(row["detail"])} for row in found]


def lost_rows(recording: Path, acknowledged: int) -> int:
    """How many acknowledged rows are not in the file; what is there must be there once and in order."""
    found = numbers(recording)
    assert found == sorted(set(found))
    return len(set(range(acknowledged)) - set(found))


def recovered(folder: Path) -> Recovered:
    """The one ride in the folder, finished now; twice, since the second time nothing may be left to do."""
    found = recover_path(folder, SystemStorage())
    assert found.left == ()
    again = recover_path(folder, SystemStorage())
    assert (again.recovered, again.left) == ((), ())
    (ride,) = found.recovered
    return ride


# -- what harms them -------------------------------------------------------------------------------------------


def needs(*programs: str) -> pytest.MarkDecorator:
    missing = [program for program in programs if shutil.which(program) is None]
    return pytest.mark.skipif(bool(missing), reason=f"not installed here: {', '.join(missing)}")


def run(*words: str | Path) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True)


@contextmanager
def mounted(place: Path, *words: str | Path) -> Iterator[Path]:
    """Skips the test where nothing can be mounted."""
    place.mkdir(exist_ok=True)
    try:
        run("mount", *words, place)
    except (subprocess.CalledProcessError, FileNotFoundError):
        pytest.skip("nothing can be mounted here: root is needed, and loop devices for some")
    try:
        yield place
    finally:
        _unmount(place)


def _unmount(place: Path) -> None:
    for _ in range(50):
        if subprocess.run(["umount", str(place)], capture_output=True, check=False).returncode == 0:
            return
        time.sleep(0.1)  # a process that was killed a moment ago may still hold it
    run("umount", "-l", place)


def ext4_image(path: Path, megabytes: int = 24) -> Path:
    with path.open("wb") as file:
        file.truncate(megabytes << 20)
    run("mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", path)
    return path


def fill(folder: Path) -> Path:
    """Use up what is free there; removing the file that comes back gives the space back."""
    filler = folder / "filler"
    with filler.open("ab", buffering=0) as file:
        size = 1 << 16
        while size:
            try:
                file.write(bytes(size))
            except OSError:
                size //= 4
    return filler


@contextmanager
def kept_full(folder: Path) -> Iterator[None]:
    """Somebody else takes whatever space becomes free."""
    over = threading.Event()

    def take() -> None:
        while not over.wait(0.001):
            fill(folder)

    taker = threading.Thread(target=take)
    fill(folder)
    taker.start()
    try:
        yield
    finally:
        over.set()
        taker.join()
