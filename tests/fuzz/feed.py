"""Takes the bytes that a fuzzer gives apart into numbers and pieces, so that a few bytes make much happen."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path


class Feed:
    """Reads on; behind the end all is zero and empty."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._place = 0

    def __bool__(self) -> bool:
        return self._place < len(self._data)

    def take(self, length: int) -> bytes:
        found = self._data[self._place : self._place + length]
        self._place += length
        return found

    def number(self, length: int = 1) -> int:
        return int.from_bytes(self.take(length), "little")

    def piece(self) -> bytes:
        """As long as two bytes before it say."""
        return self.take(self.number(2))

    def rest(self) -> bytes:
        return self.take(len(self._data))

    def pieces(self, most: int = 200) -> Iterator[bytes]:
        for _ in range(most):
            if not self:
                return
            yield self.piece()


def as_pieces(*pieces: bytes) -> bytes:
    """What `Feed.piece` takes apart again."""
    return b"".join(len(piece).to_bytes(2, "little") + piece for piece in pieces)


@functools.cache
def scratch() -> Path:
    """A folder of this process, in memory where the system has such a place."""
    memory = Path("/dev/shm")
    folder = tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None)
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


def emptied(name: str) -> Path:
    """A folder for one run, with nothing in it."""
    folder = scratch() / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    return folder
