"""The files of a journal, `STEM.journal`, `STEM.journal-2`, ...: how one is written, how all are found and read."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from recorder.journal_frames import find_header
from recorder.journal_replay import JournalContents, replay_segments
from recorder.storage import Storage

FULL = {errno.ENOSPC, errno.EDQUOT}


class Segment:
    """One file that grows by whole pieces only."""

    def __init__(self, storage: Storage, path: Path, preamble: bytes) -> None:
        """Made new and safe on the disk with its preamble. Raises OSError and then leaves nothing behind."""
        self.path = path
        self.size = 0
        self.broken = False
        self._storage = storage
        self._write = storage.write
        self._fd = storage.open_new(path)
        try:
            self.put(preamble)
            self.sync()
            storage.sync_dir(path.parent)
        except OSError:
            self.close()
            with contextlib.suppress(OSError):  # the first failure is the one to tell
                storage.unlink(path)
            raise

    def put(self, data: bytes) -> None:
        """All of `data`, or OSError and the file as before; `broken` is then set unless it may serve again."""
        try:
            written = self._write(self._fd, data)
            if written != len(data):
                self._put_rest(data[written:])
        except OSError as error:
            self._refuse(error)
        self.size += len(data)

    def _put_rest(self, rest: bytes) -> None:
        """After a short write, the next one goes through or gives the reason."""
        if self._write(self._fd, rest) != len(rest):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _refuse(self, error: OSError) -> NoReturn:
        """Half a frame must not stay: what is written behind it later would be hidden."""
        self.broken = error.errno not in FULL
        try:
            self._storage.truncate(self._fd, self.size)
        except OSError:
            self.broken = True
        raise error

    def sync(self) -> None:
        try:
            self._storage.sync(self._fd)
        except OSError:
            self.broken = True
            raise

    def close(self) -> None:
        with contextlib.suppress(OSError):  # all that must be safe is synced or written elsewhere by now
            self._storage.close(self._fd)


def segment_path(folder: Path, stem: str, number: int) -> Path:
    return folder / (f"{stem}.journal" if number == 1 else f"{stem}.journal-{number}")


def ballast_path(folder: Path, stem: str) -> Path:
    return folder / f"{stem}.ballast"


def journal_segments(path: Path, *further_folders: Path) -> list[Path]:
    """All files of the journal that begins with `path`, in order, wherever recording had moved to."""
    found: dict[int, Path] = {}
    for folder in (path.parent, *further_folders):
        for candidate in folder.iterdir() if folder.is_dir() else ():
            rest = candidate.name.removeprefix(path.name)
            if candidate.name.startswith(path.name) and (rest == "" or (rest[:1] == "-" and rest[1:].isdecimal())):
                found.setdefault(int(rest[1:] or 1), candidate)
    return [found[number] for number in sorted(found)]


def load_segments(paths: Sequence[Path]) -> JournalContents:
    """Raises JournalDamaged where no header can be read, OSError where no file can."""
    contents: list[bytes] = []
    unreadable: list[OSError] = []
    for path in paths:
        try:
            contents.append(path.read_bytes())
        except OSError as error:
            unreadable.append(error)
    if unreadable and not contents:
        raise unreadable[0]
    return replay_segments(contents)


def session_of(path: Path) -> str | None:
    """None where no header can be read."""
    try:
        header = find_header(path.read_bytes())
    except OSError:
        return None
    return None if header is None else header.session_id


def retire(storage: Storage, paths: Sequence[Path]) -> None:
    """Remove a journal: only once the Parquet file made from it has been read back and found equal.

    The last file goes first and the first one last, each folder made safe before the next: what is left by a kill
    or a power cut in between is found by the name of the first, and is known to be in the Parquet file.
    """
    for number, path in enumerate(reversed(paths), 1):
        storage.unlink(path)
        ballast = path.parent / f"{path.name.rpartition('.journal')[0]}.ballast"
        if ballast.exists():
            storage.unlink(ballast)
        if number == len(paths) or path.parent != paths[-1 - number].parent:
            storage.sync_dir(path.parent)
