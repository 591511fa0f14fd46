"""The operating system as the journal needs it, thin enough to be replaced by a failing one; knows no format."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sys
from pathlib import Path
from typing import Protocol

# What file systems answer that do not know a kind of sync at all: nothing is lost then.
_NOT_OFFERED = {errno.EINVAL, errno.ENOTSUP, errno.ENOTTY}


class Storage(Protocol):
    """Every call may raise OSError; `write` may write less than it was given."""

    def open_new(self, path: Path) -> int:
        """A descriptor that only appends. Raises FileExistsError rather than touch what is there."""

    def write(self, fd: int, data: bytes, /) -> int: ...

    def truncate(self, fd: int, length: int) -> None: ...

    def sync(self, fd: int) -> None:
        """Returns when the data is on the disk. After a failure the data is gone, whatever a second call says."""

    def close(self, fd: int) -> None: ...

    def sync_path(self, path: Path) -> None:
        """`sync` for a file that somebody else has written and closed."""

    def rename(self, old: Path, new: Path) -> None:
        """Raises FileExistsError where `new` exists."""

    def unlink(self, path: Path) -> None: ...

    def sync_dir(self, folder: Path) -> None:
        """Until then a new or renamed file may be missing after a power cut, synced or not."""

    def free_bytes(self, folder: Path) -> int: ...


def cause_of(error: OSError, folder: Path) -> str:
    """In words; the system says the same of a disk without room and of one that can hold no more files."""
    if error.errno == errno.ENOSPC and hasattr(os, "statvfs"):
        with contextlib.suppress(OSError):  # then the system's words have to do
            state = os.statvfs(folder)
            if state.f_files > 0 and state.f_favail == 0:
                return "no more files fit on this disk (its inodes are used up): remove some files"
    return error.strerror or str(error)


class SystemStorage:
    """The real one. Windows and macOS by their documentation, untested."""

    # The bare functions, not methods around them: they stand in the way of every notification.
    write = staticmethod(os.write)
    close = staticmethod(os.close)
    truncate = staticmethod(os.ftruncate)

    def open_new(self, path: Path) -> int:
        # Appending matters after a truncate: a plain descriptor would leave a hole of zeros.
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        try:
            return os.open(path, flags, 0o644)
        except OSError as error:
            raise OSError(error.errno, cause_of(error, path.parent), str(path)) from error

    def sync(self, fd: int) -> None:
        if sys.platform == "darwin":
            self._sync_through_drive_cache(fd)
        elif hasattr(os, "fdatasync"):
            os.fdatasync(fd)
        else:
            os.fsync(fd)

    def _sync_through_drive_cache(self, fd: int) -> None:
        """Plain fsync on macOS leaves the data in the drive's own cache (its manual page fsync(2))."""
        if sys.platform == "darwin":
            import fcntl

            try:
                fcntl.fcntl(fd, fcntl.F_FULLFSYNC)
            except OSError as error:
                if error.errno not in _NOT_OFFERED:
                    raise  # a second, weaker sync would hide that data is gone
                os.fsync(fd)

    def sync_path(self, path: Path) -> None:
        fd = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))  # Windows syncs only what may be written
        try:
            self.sync(fd)
        finally:
            os.close(fd)

    def rename(self, old: Path, new: Path) -> None:
        if new.exists():
            raise FileExistsError(errno.EEXIST, "will not overwrite", str(new))
        old.rename(new)

    def unlink(self, path: Path) -> None:
        path.unlink()

    def sync_dir(self, folder: Path) -> None:
        if os.name == "nt":
            return  # Windows gives no handle to a folder that could be synced
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        except OSError as error:
            if error.errno not in _NOT_OFFERED:
                raise
        finally:
            os.close(fd)

    def free_bytes(self, folder: Path) -> int:
        return shutil.disk_usage(folder).free
