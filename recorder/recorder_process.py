"""Two processes for a ride on a terminal: starts the recorder as a child that no screen can hold up or take along."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from recorder.control_client import ControlClient
from recorder.control_words import Ask
from recorder.errors import RecorderError, ScreenFailed

START_S = 60.0  # a bench with a large old journal is recovered first
SAVE_S = 60.0
_POLL_S = 0.1
# As the installed program does, from wherever this one was started; nothing in the working folder can take its place.
_PROGRAM = """\
import sys
sys.path.append(sys.argv.pop(1))
from analysis.command_line import main
sys.exit(main())"""

Screen = Callable[[ControlClient, bool], int]  # its second argument: whether leaving it ends the recording


@dataclass(frozen=True)
class Child:
    """The recorder; its words go to files without a name, where writing never waits for anybody."""

    process: subprocess.Popen[bytes]
    out: IO[bytes]
    err: IO[bytes]

    def words(self) -> tuple[str, str]:
        """What it has printed so far, and what it has said."""
        found = []
        for file in (self.out, self.err):
            file.seek(0)
            found.append(file.read().decode("utf-8", "replace"))
        return found[0], found[1]


def start_recorder(words: Sequence[str]) -> Child:
    """`words` as after `wattproof`. In a session of its own: a closing terminal or Ctrl-C reaches the screen only."""
    out, err = tempfile.TemporaryFile(), tempfile.TemporaryFile()  # noqa: SIM115 - both live as long as the child
    own_group = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
    process = subprocess.Popen(  # noqa: S603 - this program itself
        [sys.executable, "-P", "-c", _PROGRAM, str(Path(__file__).resolve().parents[1]), *words],
        stdin=subprocess.DEVNULL,
        stdout=out,
        stderr=err,
        start_new_session=True,
        creationflags=own_group,
    )
    return Child(process, out, err)


def ride_with_screen(words: Sequence[str], folder: Path, screen: Screen, show: Callable[[str, str], None]) -> int:
    """Record as `words` say into `folder`, with `screen` before it; the exit status.

    `show` is given what the recorder printed, and what it said where that was not well. A screen that fails leaves
    the recording alone; one that is left, or whose terminal is closed, ends it.
    """
    child = start_recorder(words)
    with _Farewell(child) as farewell:
        client = farewell.client = _attached(child, folder)
        if client is None:
            return _told(child, child.process.wait(), show)
        try:
            screen(client, True)
        except ScreenFailed as fault:
            client.close()
            where = f"the recording goes on; attach again with: wattproof watch {folder}"
            show("", f"wattproof: {str(fault).rstrip('.')}; {where}")
            return 3
        farewell.say()
        status = _saved(child)
    client.close()
    return _told(child, status, show)


def _told(child: Child, status: int, show: Callable[[str, str], None]) -> int:
    printed, said = child.words()
    show(printed, said if status else "")  # what was said of a ride that went well was on the screen
    return status


def watch(folder: Path, screen: Screen) -> int:
    """A further screen on a running recording.

    :raises NotRecording: where there is none.
    """
    client = ControlClient.connect(folder, again=True)
    try:
        return screen(client, False)
    finally:
        client.close()


def _attached(child: Child, folder: Path) -> ControlClient | None:
    """The link to our own child, once it records; None where it has ended before."""
    for _ in range(round(START_S / _POLL_S)):
        with contextlib.suppress(RecorderError):
            client = ControlClient.connect(folder)
            told = client.wait(1.0)
            if told is not None and told.pid == child.process.pid:
                client.ask(Ask("own"))
                return client
            client.close()  # another recorder has that folder, and ours is about to say so
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.process.wait(_POLL_S)
            return None
    child.process.terminate()
    return None


def _saved(child: Child) -> int:
    try:
        status = child.process.wait(SAVE_S)
    except subprocess.TimeoutExpired:
        return 3  # it goes on saving by itself
    return status if status >= 0 else 3  # killed: the next recording in that folder finishes what there is


class _Farewell:
    """A terminal that is closed, or a polite end of this process, ends the recording properly."""

    def __init__(self, child: Child) -> None:
        self.client: ControlClient | None = None
        self._child = child
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> _Farewell:
        for name in ("SIGHUP", "SIGTERM", "SIGINT"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, lambda _number, _frame: self.say())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def say(self) -> None:
        """Where nothing can be asked yet, or any more, the child's own signal does the same."""
        told = self.client.tell if self.client is not None else None
        if self.client is not None and told is not None and told.finishing:
            # Said twice: what relays still hold is not waited for. A signal would only cut short its last words.
            self.client.ask(Ask("finish"))
        elif self.client is None or not self.client.ask(Ask("finish")):
            self._child.process.terminate()
