"""One recorder for each folder: the lock, who holds it, and whether a ride fits into the folder at all."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path
from types import TracebackType

from recorder.errors import FolderInUse, FolderUnusable
from recorder.storage import Storage, cause_of

LOCK_NAME = ".wattproof-lock"
_HELD_BY_OTHER = {errno.EACCES, errno.EAGAIN, errno.EDEADLK}
_LOCKED_BYTE = 1 << 20  # on Windows a locked byte cannot be read by others, so it lies behind the process number


class FolderLock:
    """Holds `folder` while the context lasts; the system lets go of it by itself when the process dies."""

    def __init__(self, folder: Path, storage: Storage, need_bytes: int = 0) -> None:
        self._folder = folder
        self._path = folder / LOCK_NAME
        self._storage = storage
        self._need_bytes = need_bytes
        self._fd: int | None = None

    def __enter__(self) -> FolderLock:
        """Raises FolderInUse, or FolderUnusable where nothing can be written or too little space is free."""
        if not self._folder.parent.exists():
            raise FolderUnusable(f"{self._folder} cannot be made, since {self._folder.parent} is missing")
        try:
            self._folder.mkdir(exist_ok=True)
            self._check_space()
            self._fd = self._lock()
        except OSError as error:
            is_file = isinstance(error, FileExistsError)
            cause = "it is a file, not a folder" if is_file else cause_of(error, self._folder)
            raise FolderUnusable(f"nothing can be written in {self._folder}: {cause}") from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._fd is None:
            return
        fd, self._fd = self._fd, None
        if sys.platform == "win32":
            os.close(fd)  # Windows removes no open file
            with contextlib.suppress(OSError):  # somebody may have taken it over at once
                self._path.unlink()
            return
        # Removed while still held: whoever opened it before finds another file in its place and tries again.
        with contextlib.suppress(OSError):
            if self._is_still_in_place(fd):
                self._path.unlink()
        os.close(fd)

    def _check_space(self) -> None:
        free_bytes = self._storage.free_bytes(self._folder)
        if free_bytes < self._need_bytes:
            raise FolderUnusable(
                f"{self._folder} has {free_bytes / 1e6:.0f} MB free and a ride needs "
                f"{self._need_bytes / 1e6:.0f} MB: free some space or choose another folder"
            )

    def _lock(self) -> int:
        while True:
            fd = os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            try:
                self._lock_file(fd)
                if self._is_still_in_place(fd):
                    os.ftruncate(fd, 0)
                    os.write(fd, str(os.getpid()).encode())
                    return fd
            except BaseException:
                os.close(fd)
                raise
            os.close(fd)

    def _lock_file(self, fd: int) -> None:
        try:
            _lock_at_once(fd)
        except OSError as error:
            if error.errno not in _HELD_BY_OTHER:
                raise
            pid = os.read(fd, 32).decode("ascii", "replace").strip() or "unknown"
            raise FolderInUse(
                f"{self._folder} is being recorded into by process {pid if pid.isdecimal() else 'unknown'}: "
                "end that recording or choose another folder"
            ) from error

    def _is_still_in_place(self, fd: int) -> bool:
        """False where the last holder removed the file between our opening and our locking it."""
        try:
            return os.path.samestat(os.fstat(fd), self._path.stat())
        except FileNotFoundError:
            return False


if sys.platform == "win32":
    import msvcrt

    def _lock_at_once(fd: int) -> None:
        os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(fd, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock_at_once(fd: int) -> None:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
