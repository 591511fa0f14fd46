"""The live screen as a process before made-up snapshots: `python -m tests.screen_child ASKS_FILE STATE`."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from recorder.control_words import Ask
from recorder.live_snapshot import Snapshot
from recorder.terminal.app import run_screen
from tests.screens import hostile, riding


class MadeUpRide:
    """Ends when asked to; every ask and choice becomes a line of the file."""

    def __init__(self, file: Path, snapshot: Snapshot) -> None:
        self._file = file
        self._snapshot = snapshot

    def next_snapshot(self) -> Snapshot:
        self._snapshot = replace(self._snapshot, recorded_s=self._snapshot.recorded_s + 0.5)
        return self._snapshot

    def ask(self, ask: Ask) -> None:
        self._write(f"{ask.do} {ask.sensor or ''}".strip())
        if ask.do == "finish":
            self._snapshot = replace(self._snapshot, ended=True, ended_words="Saved, nothing lost.")

    def choose(self, *, reference: str | None = None, window_s: int | None = None) -> None:
        self._write(f"choose {reference or window_s}")

    def _write(self, words: str) -> None:
        with self._file.open("a") as file:
            file.write(words + "\n")


if __name__ == "__main__":
    ride = MadeUpRide(Path(sys.argv[1]), hostile() if sys.argv[2] == "hostile" else riding())
    sys.exit(run_screen(ride.next_snapshot, ride.ask, True, ride.choose))
