"""Lets one process at a time write into a folder; the others wait. The system lets go when a process dies."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

LOCK_NAME = ".one-writer"


@contextlib.contextmanager
def one_writer(folder: Path) -> Iterator[None]:
    """:raises OSError: where nothing can be written there."""
    # The file stays: removing it would let two processes lock two files of the same name.
    descriptor = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        _wait_for_lock(descriptor)
        yield
    finally:
        os.close(descriptor)


if sys.platform == "win32":
    import msvcrt

    def _wait_for_lock(descriptor: int) -> None:
        while True:
            # Gives up by itself after ten seconds.
            with contextlib.suppress(OSError):
                msvcrt.locking(descriptor, msvcrt.LK_LOCK, 1)
                return

else:
    import fcntl

    def _wait_for_lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
