"""The screen side of a ride in a process of its own, for tests: records as the words say, with plain lines."""

from __future__ import annotations

import sys
from pathlib import Path

from recorder.recorder_process import ride_with_screen
from recorder.watch_command import plain_screen


def show(printed: str, said: str) -> None:
    sys.stdout.write(printed)
    sys.stderr.write(said)


if __name__ == "__main__":
    sys.exit(ride_with_screen(sys.argv[2:], Path(sys.argv[1]), plain_screen, show))
