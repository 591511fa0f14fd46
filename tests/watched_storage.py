"""Storage that tells of each call that changes what a disk holds, before it is made."""

from __future__ import annotations

from pathlib import Path

from recorder.storage import SystemStorage


class WatchedStorage(SystemStorage):
    def called(self, name: str) -> None:
        raise NotImplementedError

    def sync(self, fd: int) -> None:
        self.called("sync")
        super().sync(fd)

    def sync_path(self, path: Path) -> None:
        self.called("sync_path")
        super().sync_path(path)

    def rename(self, old: Path, new: Path) -> None:
        self.called("rename")
        super().rename(old, new)

    def unlink(self, path: Path) -> None:
        self.called("unlink")
        super().unlink(path)

    def sync_dir(self, folder: Path) -> None:
        self.called("sync_dir")
        super().sync_dir(folder)
