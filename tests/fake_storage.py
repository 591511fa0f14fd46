"""A disk in memory that fails on command, forgets at a power cut, and keeps account of what it was asked."""

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path


def os_error(number: int) -> OSError:
    return OSError(number, os.strerror(number))


@dataclass
class FakeFile:
    data: bytearray = field(default_factory=bytearray)
    durable: bytes = b""
    name_durable: bool = False
    sync_has_failed: bool = False


class FakeStorage:
    """`fail` is asked before each call with its name, its number (from 1) and its path."""

    def __init__(self, capacity_bytes: int = 1 << 30) -> None:
        self.files: dict[Path, FakeFile] = {}
        self.capacity_bytes = capacity_bytes
        self.calls: list[tuple[str, Path]] = []
        self.fail: Callable[[str, int, Path], OSError | None] = lambda call, number, path: None
        self.short_writes: set[int] = set()
        self.before_sync: Callable[[], None] = lambda: None
        self.syncs_after_failure = 0
        self._open: dict[int, Path] = {}
        self._removed_but_open: dict[int, FakeFile] = {}
        self._next_fd = 100

    @property
    def used_bytes(self) -> int:
        return sum(len(file.data) for file in [*self.files.values(), *self._removed_but_open.values()])

    @property
    def open_files(self) -> int:
        return len(self._open)

    def journal_bytes(self) -> list[bytes]:
        return [bytes(file.data) for path, file in self.files.items() if ".journal" in path.name]

    def after_power_cut(self) -> list[bytes]:
        return [file.durable for path, file in self.files.items() if ".journal" in path.name and file.name_durable]

    def open_new(self, path: Path) -> int:
        self._called("open_new", path)
        if path in self.files:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
        self.files[path] = FakeFile()
        self._next_fd += 1
        self._open[self._next_fd] = path
        return self._next_fd

    def write(self, fd: int, data: bytes, /) -> int:
        self._called("write", self._open[fd])
        room = max(self.capacity_bytes - self.used_bytes, 0)
        if len(self.calls) in self.short_writes:
            room = min(room, len(data) // 2)
        if data and not room:
            raise os_error(errno.ENOSPC)
        self._file(fd).data += data[:room]
        return min(room, len(data))

    def truncate(self, fd: int, length: int) -> None:
        self._called("truncate", self._open[fd])
        del self._file(fd).data[length:]

    def sync(self, fd: int) -> None:
        file = self._file(fd)
        self.syncs_after_failure += file.sync_has_failed
        self.before_sync()
        try:
            self._called("sync", self._open[fd])
        except OSError:
            file.sync_has_failed = True  # as on Linux: the pages count as clean now and are never written
            raise
        if not file.sync_has_failed:
            file.durable = bytes(file.data)

    def close(self, fd: int) -> None:
        path = self._open.pop(fd)
        self._removed_but_open.pop(fd, None)
        self._called("close", path)

    def sync_path(self, path: Path) -> None:
        self._called("sync_path", path)
        self.files[path].durable = bytes(self.files[path].data)

    def rename(self, old: Path, new: Path) -> None:
        self._called("rename", new)
        if new in self.files:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(new))
        self.files[new] = self.files.pop(old)

    def unlink(self, path: Path) -> None:
        self._called("unlink", path)
        file = self.files.pop(path)
        self._removed_but_open.update({fd: file for fd, open_path in self._open.items() if open_path == path})

    def sync_dir(self, folder: Path) -> None:
        self._called("sync_dir", folder)
        for path, file in self.files.items():
            file.name_durable = file.name_durable or path.parent == folder

    def free_bytes(self, folder: Path) -> int:
        return self.capacity_bytes - self.used_bytes

    def _file(self, fd: int) -> FakeFile:
        return self._removed_but_open.get(fd) or self.files[self._open[fd]]

    def _called(self, call: str, path: Path) -> None:
        self.calls.append((call, path))
        if (error := self.fail(call, len(self.calls), path)) is not None:
            raise error
